"""Stoichiometry against textbook problems, and properties that any charge must have."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.core.chemistry.charge import (
    AmountKind,
    ChargeLine,
    Material,
    MaterialRole,
    Product,
    amount_weighed,
    atom_economy,
    charge_line,
    moles_in,
    process_mass_intensity,
    round_to_readability,
    scale_for_product,
    scale_for_runs,
    stock_runs,
    theoretical_yield,
)
from server.core.chemistry.formula import read_formula
from server.errors import InvalidInputError, NotReadyError
from tests.reference import reference


def reagent(name: str, formula: str, coefficient: float = 1.0, **more: object) -> Material:
    mass = read_formula(formula).molar_mass
    fields = {"amount_kind": AmountKind.EQUIVALENTS, "amount": 1.0, "molar_mass": mass, "coefficient": coefficient, **more}
    return Material(name, name, MaterialRole.REAGENT, **fields)  # type: ignore[arg-type]


PROBLEMS = reference("C12")["published"]


def test_copper_from_copper_sulfate() -> None:
    # OpenStax Chemistry 2e, sec. 4.4: Zn + CuSO4 → Cu + ZnSO4, zinc in excess.
    published = PROBLEMS["Cu from 1.274 g CuSO4, 0.392 g isolated"]
    salt, zinc = reagent("CuSO4", "CuSO4"), reagent("Zn", "Zn")
    available = [(salt, moles_in(salt, mass_g=1.274) or 0.0), (zinc, 1.0)]
    theory = theoretical_yield(Product(read_formula("Cu").molar_mass), available)
    assert theory.limiting is salt
    assert theory.mass_g == pytest.approx(published["theoretical_g"], abs=5e-5)
    assert 100 * 0.392 / theory.mass_g == pytest.approx(published["percent"], abs=0.05)


def test_dichlorodifluoromethane() -> None:
    # OpenStax Chemistry 2e, sec. 4.4: CCl4 + 2 HF → CF2Cl2 + 2 HCl.
    published = PROBLEMS["CCl2F2 from 32.9 g CCl4 (HF in excess), 12.5 g isolated"]
    start, acid = reagent("CCl4", "CCl4"), reagent("HF", "HF", coefficient=2)
    available = [(start, moles_in(start, mass_g=32.9) or 0.0), (acid, 10.0)]
    theory = theoretical_yield(Product(read_formula("CF2Cl2").molar_mass), available)
    assert theory.mass_g == pytest.approx(published["theoretical_g"], abs=0.05)
    assert 100 * 12.5 / theory.mass_g == pytest.approx(published["percent"], abs=0.05)


def test_tetraamminecopper_sulfate() -> None:
    # Kotz, Chemistry & Chemical Reactivity 9e, ch. 4 no. 21: CuSO4 + 4 NH3 → [Cu(NH3)4]SO4.
    published = PROBLEMS["[Cu(NH3)4]SO4 (227.73 g/mol) from 10.0 g CuSO4, 12.6 g isolated"]
    salt, ammonia = reagent("CuSO4", "CuSO4"), reagent("NH3", "NH3", coefficient=4)
    available = [(ammonia, 1.0), (salt, moles_in(salt, mass_g=10.0) or 0.0)]
    theory = theoretical_yield(Product(read_formula("[Cu(NH3)4]SO4").molar_mass), available)
    assert theory.limiting is salt
    assert theory.mass_g == pytest.approx(published["theoretical_g"], abs=0.05)
    assert 100 * 12.6 / theory.mass_g == pytest.approx(published["percent"], abs=0.1)


def test_limiting_reagent_by_coefficients() -> None:
    # OpenStax Chemistry 2e, example 4.12 (from memory): 3 Si + 2 N2 → Si3N4 with 2.00 g Si
    # and 1.50 g N2; silicon limits (0.0712 mol / 3 against 0.0535 mol / 2).
    silicon, nitrogen = reagent("Si", "Si", coefficient=3), reagent("N2", "N2", coefficient=2)
    available = [(silicon, moles_in(silicon, mass_g=2.0) or 0.0), (nitrogen, moles_in(nitrogen, mass_g=1.5) or 0.0)]
    theory = theoretical_yield(Product(read_formula("Si3N4").molar_mass), available)
    assert theory.limiting is silicon
    assert theory.product_moles == pytest.approx(0.0237, abs=5e-5)


def test_atom_economy_of_an_addition_is_complete() -> None:
    # Trost, Science 254 (1991) 1471: additions keep every atom.
    ethene, water = reagent("ethene", "C2H4"), reagent("water", "H2O")
    assert atom_economy(Product(read_formula("C2H6O").molar_mass), [ethene, water]) == pytest.approx(100.0)


def test_atom_economy_of_the_ester() -> None:
    # By hand: 130.187 / (88.150 + 60.052) = 87.84 %.
    alcohol, acid = reagent("alcohol", "C5H12O"), reagent("acid", "C2H4O2")
    assert atom_economy(Product(read_formula("C7H14O2").molar_mass), [alcohol, acid]) == pytest.approx(87.84, abs=0.01)


def test_purity_and_water_raise_the_mass() -> None:
    material = reagent("acid", "C2H4O2", purity=0.95, water=0.02)
    line = charge_line(material, 0.5, None)
    assert line.mass_g == pytest.approx(0.5 * 60.052 / (0.95 * 0.98))
    assert moles_in(material, mass_g=line.mass_g) == pytest.approx(0.5)


def test_a_solution_is_measured_by_volume() -> None:
    material = reagent("ammonia", "NH3", amount=8.0, concentration=13.4, density=0.91)
    line = charge_line(material, 0.02, None)
    assert line.volume_ml == pytest.approx(1000 * 0.16 / 13.4)
    assert line.mass_g == pytest.approx(0.91 * 1000 * 0.16 / 13.4)
    assert moles_in(material, volume_ml=line.volume_ml) == pytest.approx(0.16)


def test_a_solution_of_unknown_density_has_a_volume_and_no_mass() -> None:
    # Worked by hand: 0.16 mol in 13.4 mol/L are 11.94 mL.
    line = charge_line(reagent("ammonia", "NH3", amount=8.0, concentration=13.4), 0.02, None)
    assert line.volume_ml == pytest.approx(11.94, abs=0.01)
    assert line.mass_g is None


def test_a_weighed_solution_of_known_density_needs_no_molar_mass() -> None:
    # Worked by hand: 9.1 g of 0.91 g/mL are 10 mL, in which 13.4 mol/L are 0.134 mol.
    ammonia = Material("ammonia", "ammonia", MaterialRole.REAGENT, AmountKind.MASS, 9.1, concentration=13.4, density=0.91)
    assert moles_in(ammonia, mass_g=9.1) == pytest.approx(0.134)
    assert charge_line(ammonia, 0.1, 0.1).moles == pytest.approx(0.134)
    assert moles_in(replace(ammonia, density=None), mass_g=9.1) is None


def test_amounts_that_follow_from_the_reference() -> None:
    # Worked by hand: 0.1 mol of benzoic acid (122.121 g/mol) is 12.2121 g; 5 wt% of it 0.6106 g, 10 mL/g 122.12 mL,
    # and 0.1 mol in 0.2 mol/L is 500 mL, whatever the base scale.
    def take(kind: AmountKind, amount: float, **more: Any) -> ChargeLine:
        fields = {"density": 0.9, "reference_molar_mass": 122.121, **more}
        return charge_line(Material("m", "m", MaterialRole.OTHER, kind, amount, **fields), 0.1, None)

    assert take(AmountKind.MASS_PERCENT, 5.0).mass_g == pytest.approx(0.61061, abs=1e-5)
    assert take(AmountKind.VOLUME_PER_GRAM, 10.0).volume_ml == pytest.approx(122.121)
    assert take(AmountKind.VOLUME_PER_GRAM, 10.0, portions=3.0).volume_ml == pytest.approx(366.363)
    assert take(AmountKind.CONCENTRATION, 0.2).volume_ml == pytest.approx(500.0)
    assert take(AmountKind.CONCENTRATION, 0.2).mass_g == pytest.approx(450.0)
    assert take(AmountKind.CONCENTRATION, 0.2, portions=2.0).volume_ml == pytest.approx(1000.0)
    with pytest.raises(InvalidInputError, match="needs a reference, a reagent of which 1 equivalent"):
        take(AmountKind.MASS_PERCENT, 5.0, reference_molar_mass=None)
    with pytest.raises(InvalidInputError, match="0 mol/L says no volume"):
        take(AmountKind.CONCENTRATION, 0.0)


def test_equivalents_without_a_molar_mass_say_what_is_missing() -> None:
    material = Material("x", "catalyst X", MaterialRole.CATALYST, AmountKind.EQUIVALENTS, 0.1)
    with pytest.raises(InvalidInputError, match="catalyst X: equivalents need a formula"):
        charge_line(material, 1.0, None)


def test_theory_needs_a_reagent() -> None:
    solvent = Material("s", "water", MaterialRole.SOLVENT, AmountKind.MASS, 10.0)
    with pytest.raises(NotReadyError, match="at least one reagent"):
        theoretical_yield(Product(100.0), [(solvent, 1.0)])


def test_stock_says_how_many_runs_and_at_which_scale() -> None:
    alcohol = reagent("alcohol", "C5H12O", stock=100.0)
    acid = reagent("acid", "C2H4O2", amount=2.0, stock=100.0)
    lines = [charge_line(m, 0.2, None) for m in (alcohol, acid)]
    # By hand: 100/17.63 = 5.67 runs of alcohol, 100/24.02 = 4.16 runs of acid.
    runs, first_out = stock_runs(lines) or (0, alcohol)
    assert (runs, first_out.name) == (4, "acid")
    fits = scale_for_runs(lines, 0.2, 10)
    assert fits == pytest.approx(100 / (10 * 2 * 60.052))


def test_what_a_control_leaves_out_never_runs_out() -> None:
    left_out = reagent("catalyst", "CuI", amount=0.0, stock=0.5)
    used = reagent("alcohol", "C5H12O", stock=100.0)
    lines = [charge_line(m, 0.2, None) for m in (left_out, used)]
    runs, first_out = stock_runs(lines) or (0, left_out)
    assert (runs, first_out.name) == (5, "alcohol")
    assert scale_for_runs(lines, 0.2, 5) == pytest.approx(100 / (5 * 88.15), rel=1e-4)
    assert stock_runs(lines[:1]) is None


def test_scale_for_a_wanted_product_mass() -> None:
    # 50 g of 130.187 g/mol at 80 % needs 50/130.187/0.8 = 0.4801 mol.
    assert scale_for_product(Product(130.187), 50.0, 80.0, 1.0) == pytest.approx(0.48008, abs=1e-5)


def test_mass_intensity_and_e_factor_differ_by_one() -> None:
    # Sheldon, Green Chem. 9 (2007) 1273: E = PMI − 1 with everything counted.
    assert process_mass_intensity([100.0, 50.0], 30.0) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("mass", "readability", "shown"), [(12.3456, 0.01, 12.35), (12.3456, 0.1, 12.3), (0.12345, 0.001, 0.123), (7.3, 0.5, 7.5)]
)
def test_rounding_to_the_balance(mass: float, readability: float, shown: float) -> None:
    assert round_to_readability(mass, readability) == pytest.approx(shown)


amounts = st.floats(0.1, 10.0)


@given(amounts, amounts, st.floats(0.01, 5.0), st.floats(0.5, 1.0))
def test_twice_the_scale_is_twice_the_mass(first: float, second: float, scale: float, purity: float) -> None:
    for material in (
        reagent("a", "C5H12O", amount=first, purity=purity),
        Material("b", "b", MaterialRole.SOLVENT, AmountKind.VOLUME, second, density=0.8),
    ):
        one, two = charge_line(material, scale, 0.2), charge_line(material, 2 * scale, 0.2)
        assert two.mass_g == pytest.approx(2 * (one.mass_g or 0.0))


@given(st.permutations(range(3)), st.lists(amounts, min_size=3, max_size=3))
def test_the_order_of_materials_does_not_matter(order: list[int], moles: list[float]) -> None:
    materials = [reagent("a", "C5H12O"), reagent("b", "C2H4O2", coefficient=2), reagent("c", "NH3", coefficient=0.5)]
    pairs = list(zip(materials, moles, strict=True))
    plain = theoretical_yield(Product(100.0), pairs)
    shuffled = theoretical_yield(Product(100.0), [pairs[k] for k in order])
    assert plain == shuffled


@given(
    st.sampled_from(list(AmountKind)),
    st.floats(0.01, 50),
    st.floats(1e-3, 10),
    st.sampled_from([0.5, 0.95, 1.0]),
    st.sampled_from([None, 2.0]),
    st.booleans(),
)
def test_the_amount_that_was_weighed_is_the_inverse_of_the_charge(
    kind: AmountKind, amount: float, scale: float, purity: float, concentration: float | None, by_volume: bool
) -> None:
    fields: dict[str, Any] = {"amount_kind": kind, "amount": amount, "purity": purity, "concentration": concentration}
    material = reagent("acid", "C2H4O2", density=1.4, reference_molar_mass=122.121, **fields)
    line = charge_line(material, scale, 0.2)
    noted = {"volume_ml": line.volume_ml} if by_volume else {"mass_g": line.mass_g}
    assert amount_weighed(material, scale, 0.2, **noted) == pytest.approx(amount)
    # Half of the reference with the same weighed amount is twice the ratio, or half the concentration.
    factor = 0.5 if kind is AmountKind.CONCENTRATION else 2.0
    assert amount_weighed(material, scale / 2, 0.2, **noted) == pytest.approx(factor * amount)


def test_an_amount_that_cannot_be_known_is_none() -> None:
    by_volume = reagent("solvent", "C6H14", amount_kind=AmountKind.VOLUME)
    assert amount_weighed(by_volume, 0.1, 0.1, mass_g=5.0) is None
    assert amount_weighed(by_volume, 0.1, None, volume_ml=5.0) is None
    assert amount_weighed(reagent("x", "C6H14", molar_mass=None), 0.1, 0.1, mass_g=5.0) is None


def test_what_was_taken_for_an_empty_intermediate_tells_no_ratio() -> None:
    nothing = reagent("hydride", "NaBH4", taken_after="reaction", share=0.0)
    assert amount_weighed(nothing, 0.1, None, mass_g=1.0) is None
    # For half of theory: 1.892 g of 37.83 g/mol are 0.05 mol, 1 equivalent of half of 0.1 mol.
    assert amount_weighed(replace(nothing, share=0.5), 0.1, None, mass_g=1.892) == pytest.approx(1.0, abs=1e-3)


def test_a_reagent_for_an_intermediate_that_limits_leaves_some_of_the_start_unused() -> None:
    # By hand, as A → B → P: 0.1 mol of A would give 20 g of P (200 g/mol); half of theory was weighed as B, for which
    # 0.04 mol of a reagent were taken instead of 0.05: it allows 80 %, so theory is 16 g of the 20 g.
    start = reagent("A", "C7H6O2")
    second = reagent("reagent", "NaBH4", taken_after="reaction", share=0.5)
    theory = theoretical_yield(Product(200.0), [(start, 0.1), (second, 0.04)])
    assert theory.limiting is second
    assert (theory.mass_g, theory.start_g) == pytest.approx((16.0, 20.0))
    assert theory.used_share == pytest.approx(0.8)
    # Where the start limits, all of it can become product.
    assert theoretical_yield(Product(200.0), [(start, 0.1), (second, 0.06)]).used_share == 1.0


@pytest.mark.parametrize(("known", "molar_mass", "hydrogen"), [(None, 122.12, 6.0), (4.0, 122.12, 4.0), (None, 100.0, None)])
def test_atoms_are_borrowed_only_where_they_are_unknown_and_the_compound_is_the_same(
    known: float | None, molar_mass: float, hydrogen: float | None
) -> None:
    today = Material("1", "acid", MaterialRole.REAGENT, AmountKind.EQUIVALENTS, 1.0, 122.12, hydrogen=6.0, oxygen=2.0, waters=1.0)
    kept = replace(today, molar_mass=molar_mass, hydrogen=known, oxygen=None, waters=0.0)
    assert kept.with_atoms_of(today).hydrogen == hydrogen
    assert kept.with_atoms_of(None) is kept


def test_of_reagents_that_run_out_together_the_first_of_the_charge_limits() -> None:
    # CuSO4 + 2 NaOH: 0.3 mol against 0.6 mol, but for the dust of the arithmetic.
    salt = Material("10", "salt", MaterialRole.REAGENT, AmountKind.EQUIVALENTS, 1.0, molar_mass=250.0)
    base = Material("8", "base", MaterialRole.REAGENT, AmountKind.EQUIVALENTS, 2.0, molar_mass=40.0, coefficient=2.0)
    product = Product(100.0)
    for moles in (0.6, 0.6 * (1 - 1e-12), 0.6 * (1 + 1e-12)):
        assert theoretical_yield(product, [(salt, 0.3), (base, moles)]).limiting is salt
        assert theoretical_yield(product, [(base, moles), (salt, 0.3)]).limiting is base
    assert theoretical_yield(product, [(salt, 0.3), (base, 0.59)]).limiting is base


def test_water_of_crystallisation_from_the_solvent_is_part_of_the_equation() -> None:
    # Al2(SO4)3·18H2O + K2SO4 + 6 H2O -> 2 KAl(SO4)2·12H2O: both sides weigh the same.
    aluminium = Material(
        "1", "salt", MaterialRole.REAGENT, AmountKind.EQUIVALENTS, 1.0, read_formula("Al2(SO4)3·18H2O").molar_mass
    )
    potassium = Material("2", "other", MaterialRole.REAGENT, AmountKind.EQUIVALENTS, 1.0, read_formula("K2SO4").molar_mass)
    alum = Product(read_formula("KAl(SO4)2·12H2O").molar_mass, 2.0)
    assert atom_economy(alum, [aluminium, potassium]) > 110
    assert atom_economy(alum, [aluminium, potassium], 6 * read_formula("H2O").molar_mass) == pytest.approx(100.0, abs=1e-6)
