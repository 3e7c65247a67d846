"""Headings of a notebook's table, one by one. (What they mean is common practice, no source.)"""

import pytest

from server.core.space.limits import Space
from server.core.space.variables import Role, Variable
from server.services.headings import Charged, columns_of, heading_unit, match_heading, split_heading

SPACE = Space(
    (
        Variable("hold", "hold", Role.HOLD_TIME, "h", 0.5, 6.0, 0.5, 2.0),
        Variable("bath", "bath", Role.TEMPERATURE, "°C", 20.0, 150.0, 5.0, 120.0),
        Variable("ratio", "acid : alcohol", Role.RATIO, "", 0.5, 4.0, 0.1, 1.0),
        Variable("loading", "catalyst loading", Role.LOADING, "mol%", 1.0, 10.0, 0.5, 5.0),
        Variable("toluene", "toluene", Role.VOLUME, "mL", 10.0, 100.0, 5.0, 50.0),
        Variable("silica", "silica", Role.OTHER, "g", 10.0, 100.0, 5.0, 50.0),
    )
)


@pytest.mark.parametrize(
    ("heading", "meaning"),
    [
        *[(h, "vhold") for h in ("Hold (min)", "time", "reaction time (h)", "stirring time", "hold time [days]", "Zeit / h")],
        *[(h, "vbath") for h in ("T (°C)", "temp", "Bath temp. [K]", "reaction temp (°F)", "bath temperature (° C)")],
        *[(h, "vratio") for h in ("acid/alcohol", "acid : alcohol", "acid:alcohol (eq)", "ratio of acid to alcohol")],
        *[(h, "vloading") for h in ("cat. (mol%)", "cat loading", "catalyst")],
        *[(h, "vtoluene") for h in ("toluene", "toluene (mL)", "mL toluene")],
        *[(h, "yield_percent") for h in ("yield", "Yield (%)", "% yield", "isolated yield", "Ausbeute / %")],
        *[
            (h, "product_mass_g")
            for h in ("yield / g", "product / mg", "mass (g)", "mass dry (g)", "isolated (g)", "Ausbeute (g)")
        ],
        *[(h, "checkpoint_work_up_g") for h in ("crude (g)", "crude yield (g)", "Rohprodukt / g")],
        *[(h, "scale_mol") for h in ("scale (mmol)", "Ansatz (mmol)")],
        *[(h, "reference") for h in ("Ansatz", "Run", "exp #")],
        *[("date", "made_on"), ("operator", "made_by"), ("HPLC purity (%)", "purity_percent")],
        # Another quantity, the other way round, in a unit that does not fit, or nothing that is known.
        *[(h, "") for h in ("GC yield (%)", "crude yield", "conversion", "ee", "recovered acid (g)", "by-product (g)")],
        *[(h, "") for h in ("alcohol/acid", "mp (°C)", "room temperature", "elapsed time (h)", "time (°C)", "loading (g)", "--")],
    ],
)
def test_a_heading_means_what_chemists_mean_by_it(heading: str, meaning: str) -> None:
    assert match_heading(heading, SPACE)[0] == meaning


@pytest.mark.parametrize(
    ("heading", "name", "unit"),
    [
        *[
            ("Hold (min)", "Hold", "min"),
            ("hold / min", "hold", "min"),
            ("hold [min]", "hold", "min"),
            ("hold_min", "hold", "min"),
        ],
        *[("Bath temp. (°C)", "Bath temp.", "°C"), ("hold, hrs", "hold", "h"), ("% yield", "yield", "%")],
        *[("hold (minutes, reflux)", "hold", "min"), ("water (mL)", "water", "mL")],
        *[("bath (oil bath)", "bath", ""), ("yield (isolated)", "yield", ""), ("acid/alcohol", "acid/alcohol", "")],
    ],
)
def test_a_unit_is_told_from_a_remark(heading: str, name: str, unit: str) -> None:
    assert heading_unit(heading) == unit
    if unit:
        assert split_heading(heading)[0] == name


def test_columns_that_are_understood_are_not_taken_for_others_by_their_unit() -> None:
    charged = Charged("alcohol", {"11": "alcohol", "12": "acid"}, {"12": "C2H4O2"}, "acetate", "C7H14O2")
    headings = ["t", "alcohol (g)", "C2H4O2 (mL)", "acetate (g)", "silica gel used"]
    rows = [headings, ["2 h", "8.8", "12", "9.1", "5 g"], ["3 h", "8.8", "12", "9.9", "6 g"]]
    found = [column.meaning for column in columns_of(rows, 1, SPACE, {}, {}, charged)]
    assert found == ["vhold", "reference_g", "measured_12", "product_mass_g", "vsilica"]
    # Nothing says silica here, though it is in grams.
    plain = [["hold (h)", "product (g)"], ["2", "9.1"], ["3", "9.9"]]
    assert [column.meaning for column in columns_of(plain, 1, SPACE, {}, {})] == ["vhold", "product_mass_g"]
