"""Drying agents against hydrate stoichiometry."""

import pytest

from server.core.chemistry.drying import AGENTS, advise_drying
from server.errors import InvalidInputError
from tests.reference import reference

PUBLISHED = reference("C10")["published"]


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("magnesium sulfate", "MgSO4 -> .7H2O"),
        ("calcium chloride", "CaCl2 -> .2H2O"),
        ("potassium carbonate", "K2CO3 -> .1.5H2O"),
    ],
)
def test_capacity_follows_from_the_hydrate(name: str, key: str) -> None:
    assert AGENTS[name].capacity == pytest.approx(PUBLISHED[key]["g_water_per_g_agent"], abs=5e-4)


def test_amount_is_water_by_capacity_times_excess() -> None:
    advice = advise_drying("magnesium sulfate", 2.0, 3.0)
    assert advice.least_g == pytest.approx(2.0 * PUBLISHED["MgSO4 -> .7H2O"]["g_agent_per_g_water"], abs=1e-3)
    assert advice.suggested_g == pytest.approx(3 * advice.least_g)


def test_every_caution_names_its_source() -> None:
    assert all(source for agent in AGENTS.values() for _, source in agent.cautions)


@pytest.mark.parametrize(("name", "words"), [("calcium chloride", "alcohols"), ("potassium carbonate", "acids")])
def test_known_incompatibilities_are_cautioned(name: str, words: str) -> None:
    assert any(words in text for text, _ in AGENTS[name].cautions)


def test_unknown_agent_is_refused_with_the_known_ones() -> None:
    with pytest.raises(InvalidInputError, match="known are magnesium sulfate"):
        advise_drying("sand", 1.0)


def test_the_decahydrate_of_sodium_sulfate_binds_more_than_its_own_mass_of_water() -> None:
    # By hand: 10 · 18.015 / 142.04 = 1.268 g/g.
    assert AGENTS["sodium sulfate"].capacity == pytest.approx(1.268, abs=1e-3)


def test_three_times_the_minimum_is_suggested_unless_told_otherwise() -> None:
    # Common practice, no source: 2 to 5 times, because hydrates form incompletely.
    advice = advise_drying("Na2SO4 (anhydrous)", 1.0)
    assert advice.suggested_g == pytest.approx(3.0 * advice.least_g)
    assert advise_drying("MgSO4", 1.0, 1.0).suggested_g == pytest.approx(advise_drying("MgSO4", 1.0).least_g)


@pytest.mark.parametrize(
    ("water_g", "excess", "fields"),
    [
        (0.0, 3.0, {"water_g"}),
        (2e6, 3.0, {"water_g"}),
        (float("nan"), 3.0, {"water_g"}),
        (1.0, 0.9, {"excess"}),
        (1.0, 2000.0, {"excess"}),
        (-1.0, 0.0, {"water_g", "excess"}),
    ],
)
def test_water_and_excess_that_nobody_has_are_refused_together(water_g: float, excess: float, fields: set[str]) -> None:
    with pytest.raises(InvalidInputError) as caught:
        advise_drying("MgSO4", water_g, excess)
    assert set(caught.value.messages) == fields
