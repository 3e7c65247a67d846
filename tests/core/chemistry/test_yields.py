"""Yield and its uncertainty against closed forms and published propagation examples."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.core.chemistry.yields import Quantity, balance_uncertainty, entered_yield, yield_from_mass
from server.errors import InvalidInputError
from tests.reference import reference


def test_relative_variances_add_as_in_the_gum() -> None:
    # D08: closed form of JCGM 100:2008 eq. 10-12; the purity divides there, so it enters
    # with the theoretical mass here: u_rel² = Σ u_rel,i².
    data = reference("D08")["data"]
    m, r, p = data["m_product_g"], data["m_reactant_g"], data["purity"]
    found = yield_from_mass(Quantity(*m), Quantity(*r), Quantity(p[0], p[1]))
    assert found.percent == pytest.approx(79.0)
    relative = ((m[1] / m[0]) ** 2 + (r[1] / r[0]) ** 2 + (p[1] / p[0]) ** 2) ** 0.5
    assert found.u / found.percent == pytest.approx(relative, rel=1e-9)
    assert found.u / found.percent == pytest.approx(reference("D08")["computed_here"]["relative"], abs=1e-6)


def test_a_content_divides_and_is_no_part_of_how_runs_differ() -> None:
    # D08, the content where it stands there: u_rel² = Σ u_rel,i²; without the content, that of the two weighings alone.
    data = reference("D08")["data"]
    m, r, p = data["m_product_g"], data["m_reactant_g"], data["purity"]
    found = yield_from_mass(Quantity(*m), Quantity(*r), content=Quantity(p[0], p[1]))
    assert found.percent == pytest.approx(79.0)
    assert found.u / found.percent == pytest.approx(reference("D08")["computed_here"]["relative"], abs=1e-6)
    assert found.u_own / found.percent == pytest.approx(((m[1] / m[0]) ** 2 + (r[1] / r[0]) ** 2) ** 0.5, rel=1e-9)
    line = next(line for line in found.budget if line.name == "content of the limiting material")
    assert line.contribution == pytest.approx(79.0 * p[1] / p[0])
    assert yield_from_mass(Quantity(*m), Quantity(*r), content=Quantity(p[0])).budget[-1].name != line.name
    assert entered_yield(70.0, 1.5).u_own == 1.5


def test_the_cadmium_standard_of_quam_a1() -> None:
    # EURACHEM/CITAC QUAM, example A1: c = 1000 m P / V, the same product and quotient form.
    published = reference("D01")["published"]
    data = reference("D01")["data"]
    mass = Quantity(10 * data["m_mg"][0], 10 * data["m_mg"][1])
    found = yield_from_mass(mass, Quantity(*data["V_mL"]), Quantity(*data["P"]))
    assert found.percent == pytest.approx(published["c_mg_per_L"], abs=0.05)
    assert found.u == pytest.approx(published["u_c"], abs=0.05)
    assert found.budget[0].name == "theoretical yield"  # the volume's uncertainty dominates there


def test_the_budget_adds_up_to_the_variance() -> None:
    found = yield_from_mass(Quantity(8.0, 0.02), Quantity(10.0, 0.01), Quantity(0.97, 0.004), Quantity(0.02, 0.003))
    assert sum(line.share for line in found.budget) == pytest.approx(1.0)
    assert sum(line.contribution**2 for line in found.budget) == pytest.approx(found.u**2)
    assert [line.share for line in found.budget] == sorted((line.share for line in found.budget), reverse=True)


def test_solvent_left_in_the_product_lowers_the_yield() -> None:
    # By hand: 8 g of which 10 % is solvent, 95 % pure when dry, are 6.84 g of product.
    found = yield_from_mass(Quantity(8.0), Quantity(10.0), Quantity(0.95), Quantity(0.10))
    assert found.pure_mass_g == pytest.approx(6.84)
    assert found.percent == pytest.approx(68.4)


def test_above_100_is_flagged_not_refused() -> None:
    assert yield_from_mass(Quantity(10.4), Quantity(10.0)).is_above_100
    assert not entered_yield(100.0).is_above_100


def test_no_uncertainty_gives_a_budget_without_shares() -> None:
    found = yield_from_mass(Quantity(8.0), Quantity(10.0))
    assert found.u == 0.0
    assert all(line.share == 0.0 for line in found.budget)


def test_theory_of_zero_is_refused() -> None:
    with pytest.raises(InvalidInputError, match="more than 0 g"):
        yield_from_mass(Quantity(1.0), Quantity(0.0))


def test_balance_uncertainty_is_two_uniform_readings() -> None:
    # GUM F.2.2.1: u of one reading is 0.29 d; two of them √2 more.
    assert balance_uncertainty(0.01) == pytest.approx(0.29 * 0.01 * 2**0.5, rel=0.01)


@given(st.floats(0.1, 1000.0), st.floats(0.1, 1000.0), st.floats(1e-3, 1e3))
def test_units_of_mass_do_not_matter(product: float, theory: float, factor: float) -> None:
    plain = yield_from_mass(Quantity(product, 0.01 * product), Quantity(theory))
    scaled = yield_from_mass(Quantity(factor * product, factor * 0.01 * product), Quantity(factor * theory))
    assert scaled.percent == pytest.approx(plain.percent)
    assert scaled.u == pytest.approx(plain.u)
