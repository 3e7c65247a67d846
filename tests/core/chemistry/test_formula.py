"""Formulas and molar masses against published values."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.core.chemistry.formula import SHORT_NAMES, read_counted, read_formula
from server.core.chemistry.weights import ATOMIC_WEIGHTS
from server.errors import FormulaTextError
from tests.reference import reference

# Molar masses as printed in the CRC Handbook of Chemistry and Physics, physical constants
# tables (from memory; older atomic weights, so ± 0.02 g/mol).
HANDBOOK = {
    "H2SO4": 98.08,
    "HCl": 36.46,
    "HNO3": 63.01,
    "CH3COOH": 60.05,
    "C5H12O": 88.15,
    "C7H14O2": 130.18,
    "NaOH": 40.00,
    "NaHCO3": 84.01,
    "Na2SO4": 142.04,
    "Na2SO4·10H2O": 322.19,
    "MgSO4·7H2O": 246.47,
    "CaCl2·2H2O": 147.01,
    "Na2CO3·10H2O": 286.14,
    "FeSO4·7H2O": 278.01,
    "CoCl2·6H2O": 237.93,
    "NH3": 17.03,
    "C2H5OH": 46.07,
    "C7H6O3": 138.12,
    "K2Cr2O7": 294.18,
    "AgNO3": 169.87,
    "KMnO4": 158.03,
    "C10H8": 128.17,
}


@pytest.mark.parametrize(("symbol", "weight"), reference("C01")["published"]["abridged"].items())
def test_atomic_weights_equal_the_abridged_table(symbol: str, weight: float) -> None:
    assert ATOMIC_WEIGHTS[symbol] == weight


@pytest.mark.parametrize(("title", "mass"), reference("C02")["published"].items())
def test_molar_masses_equal_the_published_ones(title: str, mass: float) -> None:
    assert read_formula(title.split()[0]).molar_mass == pytest.approx(mass, abs=0.005)


@pytest.mark.parametrize(("formula", "mass"), HANDBOOK.items())
def test_molar_masses_agree_with_the_handbook(formula: str, mass: float) -> None:
    assert read_formula(formula).molar_mass == pytest.approx(mass, abs=0.02)


@pytest.mark.parametrize(
    "text",
    ["CuSO4.5H2O", "CuSO4·5H2O", "CuSO4*5H2O", "CuSO4(H2O)5", "CuSO₄·5H₂O", " CuSO4 · 5 H2O ", "CuSO4•5H2O", "CuSO4 x 5 H2O"],
)
def test_every_notation_of_the_pentahydrate_is_read_rightly(text: str) -> None:
    right = reference("C04")["published"]["CuSO4.5H2O"]["right"]
    assert read_formula(text).molar_mass == pytest.approx(right, abs=0.0005)


@pytest.mark.parametrize(
    "text", ["K2CO3.1.5H2O", "K2CO3·1.5H2O", "K2CO3·1,5 H2O", "K2CO3 x 1.5 H2O", "K2CO3·1½H2O", "K2CO3·3/2H2O"]
)
def test_fractional_hydrates(text: str) -> None:
    right = reference("C04")["published"]["K2CO3.1.5H2O"]["right"]
    assert read_formula(text).molar_mass == pytest.approx(right, abs=0.0006)


@pytest.mark.parametrize("text", ["CaSO4·½H2O", "CaSO4·1/2H2O", "CaSO4.0.5H2O"])
def test_plaster_of_paris_is_a_hemihydrate(text: str) -> None:
    # CRC Handbook of Chemistry and Physics, physical constants (from memory): 145.15 g/mol.
    assert read_formula(text).molar_mass == pytest.approx(145.15, abs=0.02)


@pytest.mark.parametrize(
    ("text", "charge"),
    [
        *(("NH4+", 1), ("SO4^2-", -2), ("SO₄²⁻", -2), ("Fe3+", 3), ("[Cu(NH3)4]2+", 2), ("Cl-", -1), ("Ca++", 2)),
        *(("[Fe(CN)6]3-", -3), ("(SO4)2-", -2), ("(NH4)+", 1), ("NaCl", 0)),
    ],
)
def test_charges(text: str, charge: int) -> None:
    assert read_formula(text).charge == charge


@pytest.mark.parametrize(
    ("text", "charge", "atoms"),
    [("Al(OH)4-", -1, "AlO4H4"), ("N(CH3)4+", 1, "NC4H12"), ("Ag(NH3)2+", 1, "AgN2H6"), ("(C5H5)Mo(CO)3-", -1, "C8H5MoO3")],
)
def test_a_number_behind_a_bracket_counts_what_is_inside(text: str, charge: int, atoms: str) -> None:
    assert read_formula(text).charge == charge
    assert read_formula(text).molar_mass == pytest.approx(read_formula(atoms).molar_mass)


def test_ions_weigh_as_their_atoms() -> None:
    assert read_formula("NH4+").molar_mass == pytest.approx(14.007 + 4 * 1.008)
    assert read_formula("SO4^2-").molar_mass == pytest.approx(32.06 + 4 * 15.999)


@pytest.mark.parametrize(
    ("short", "long"),
    [
        ("EtOH", "C2H6O"),
        ("MeOH", "CH4O"),
        ("Ph3P", "C18H15P"),
        ("BuLi", "C4H9Li"),
        ("Pd(OAc)2", "PdC4H6O4"),
        ("Cu(OAc)2·H2O", "CuC4H8O5"),
        ("NaOtBu", "C4H9NaO"),
        ("iPr2NH", "C6H15N"),
        ("LiNiPr2", "C6H14LiN"),
        # A symbol before the group: nickel, tin and platinum stay metals.
        ("NiCl2", "Cl2Ni"),
        ("Bu3SnH", "C12H28Sn"),
        ("PtCl2", "Cl2Pt"),
    ],
)
def test_common_abbreviations(short: str, long: str) -> None:
    assert read_formula(short).molar_mass == pytest.approx(read_formula(long).molar_mass)


def test_isotopes_weigh_what_they_weigh() -> None:
    # Deuterium 2.014102 and carbon-13 13.003355 (AME, from memory).
    assert read_formula("D2O").molar_mass == pytest.approx(2 * 2.014102 + 15.999, abs=1e-5)
    assert read_formula("[13C]O2").molar_mass == pytest.approx(13.003355 + 2 * 15.999, abs=1e-5)


@pytest.mark.parametrize(
    ("text", "position", "words"),
    [
        ("CuSO4)", 5, "not opened"),
        ("Cu(SO4", 2, "not closed"),
        ("CuXx", 2, "no element"),
        ("AcOH", 0, "actinium"),
        ("SO42-", 2, "charge with"),
        ("H2O!", 3, "cannot be read"),
        ("CuSO4·", 5, "missing"),
        ("H2O2.5", 4, "whole number"),
        ("CH1.5O", 3, "whole number"),
        ("TcO2", 0, "no standard atomic weight"),
        ("", 0, "empty"),
        ("CuSO4 5H2O", 5, "write a dot"),
        ("()", 1, "nothing inside"),
        ("0/0", 0, "divided by 0"),
        ("CuSO4.0/0H2O", 6, "divided by 0"),
        ("13CO2", 0, "write an isotope in brackets"),
        ("15NH4Cl", 0, "write an isotope in brackets"),
        ("C10.5H20", 5, "hydrogen alone"),
        ("CuSO4·5H20", 7, "hydrogen alone"),
        ("Zn(OH)42-", 6, "charge with"),
        ("PrOH", 0, "praseodymium"),
        ("CuSO4·0H2O", 7, "missing"),
        ("½", 0, "does not begin with a number"),
    ],
)
def test_a_mistake_is_pointed_at(text: str, position: int, words: str) -> None:
    with pytest.raises(FormulaTextError, match=words) as caught:
        read_formula(text)
    assert caught.value.position == position


def test_what_is_longer_than_any_formula_is_not_read() -> None:
    assert read_formula("C" * 200).count("C") == 200
    with pytest.raises(FormulaTextError, match="201 characters; at most 200") as caught:
        read_formula("C" * 201)
    assert caught.value.position == 200


@given(st.text(max_size=30))
def test_any_text_gives_a_mass_or_a_message(text: str) -> None:
    try:
        mass = read_formula(text).molar_mass
    except FormulaTextError as error:
        assert str(error)
    else:
        assert math.isfinite(mass)
        assert mass > 0


@pytest.mark.parametrize(
    ("smiles", "formula", "charge"),
    [("CC(C)CCOC(C)=O", "C7H14O2", 0), ("c1ccccc1", "C6H6", 0), ("[NH4+]", "NH4+", 1), ("[2H]O[2H]", "D2O", 0)],
)
def test_a_smiles_weighs_as_its_formula(smiles: str, formula: str, charge: int) -> None:
    pytest.importorskip("rdkit")
    found = read_formula(f"smiles: {smiles}")
    assert found.molar_mass == pytest.approx(read_formula(formula).molar_mass)
    assert found.charge == charge


def test_a_wrong_smiles_says_so() -> None:
    pytest.importorskip("rdkit")
    with pytest.raises(FormulaTextError, match="not a SMILES"):
        read_formula("smiles:C1CC")


def test_without_the_extra_a_smiles_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("server.core.chemistry.formula.find_spec", lambda name: None)
    with pytest.raises(FormulaTextError, match=r"yieldwright\[chem\]"):
        read_formula("smiles:CCO")


@pytest.mark.parametrize(("text", "same"), [("SbI3.3S8", "SbI3·3S8"), ("C4H8O2.2I2", "C4H8O2·2I2"), ("CoCl2.6NH3", "CoCl2·6NH3")])
def test_adducts_of_an_element_are_read_with_a_full_stop_too(text: str, same: str) -> None:
    assert read_formula(text).atoms == read_formula(same).atoms


def test_a_count_that_is_not_known_is_no_single_molecule() -> None:
    for text in ("CuSO4x5H2O", "CuSO4 x 5 H2O"):
        assert read_formula(text).molar_mass == read_formula("CuSO4·5H2O").molar_mass
    for text in ("CaCl2xH2O", "CaCl2 xH2O", "CaCl2 x H2O"):
        with pytest.raises(FormulaTextError):
            read_formula(text)
    with pytest.raises(FormulaTextError) as wrong:
        read_formula("CuSO4 x 5 Hq2O")
    assert wrong.value.position == 10


@pytest.mark.parametrize("text", ["C01", "C6H012", "C123456", "C0", "C2 3"])
def test_counts_that_nobody_writes_are_refused(text: str) -> None:
    with pytest.raises(FormulaTextError):
        read_formula(text)


# Structures from memory (common knowledge of the trade); the formulas follow from them by RDKit.
STRUCTURES = {
    "BOP": "CN(C)[P+](On1nnc2ccccc12)(N(C)C)N(C)C.F[P-](F)(F)(F)(F)F",
    "BPO": "O=C(OOC(=O)c1ccccc1)c1ccccc1",
    "CDI": "O=C(n1ccnc1)n1ccnc1",
    "COD": "C1CC=CCCC=C1",
    "CSI": "O=C=NS(=O)(=O)Cl",
    "DBN": "C1CC2=NCCCN2C1",
    "DBU": "C1CCC2=NCCCN2CC1",
    "DCC": "C1CCCCC1N=C=NC1CCCCC1",
    "DHP": "C1CCOC=C1",
    "DIC": "CC(C)N=C=NC(C)C",
    "HFIP": "OC(C(F)(F)F)C(F)(F)F",
    "NBD": "C1C2C=CC1C=C2",
    "NBS": "O=C1CCC(=O)N1Br",
    "NCS": "O=C1CCC(=O)N1Cl",
    "NFSI": "FN(S(=O)(=O)c1ccccc1)S(=O)(=O)c1ccccc1",
    "NHS": "O=C1CCC(=O)N1O",
    "NIS": "O=C1CCC(=O)N1I",
    "PCC": "c1cc[nH+]cc1.O=[Cr](=O)([O-])Cl",
    "PDC": "c1cc[nH+]cc1.c1cc[nH+]cc1.O=[Cr](=O)([O-])O[Cr](=O)(=O)[O-]",
}


@pytest.mark.parametrize("short", sorted(SHORT_NAMES))
def test_short_names_of_reagents_are_no_formulas_and_say_which_one_is_meant(short: str) -> None:
    pytest.importorskip("rdkit")
    name, formula = SHORT_NAMES[short]
    with pytest.raises(FormulaTextError, match=f"not as {name}; for that write {formula}"):
        read_formula(short)
    assert read_formula(f"smiles:{STRUCTURES[short]}").atoms == read_formula(formula).atoms


@pytest.mark.parametrize(
    ("text", "waters"),
    [("CuSO4·5H2O", 5.0), ("K2CO3.1.5H2O", 1.5), ("KAl(SO4)2·12H2O", 12.0), ("H2O", 0.0), ("C6H12O6", 0.0), ("CoCl2·6NH3", 0.0)],
)
def test_water_of_crystallisation_is_counted(text: str, waters: float) -> None:
    found = read_formula(text)
    assert found.waters == waters
    assert found.water_share == pytest.approx(waters * 18.015 / found.molar_mass, rel=1e-4)


@pytest.mark.parametrize(
    ("text", "count"), [("2 C13H10O", 2.0), ("2  (C6H7N)2", 2.0), ("1/2 C6H6", 0.5), ("0.5 C6H6", 0.5), ("C6H6", 1.0)]
)
def test_a_number_before_a_formula_is_how_many_of_it(text: str, count: float) -> None:
    found, formula = read_counted(text)
    assert found == count
    assert formula.molar_mass == read_formula(text.lstrip("0123456789./ ")).molar_mass


def test_a_salt_of_two_bases_is_no_number_of_salts() -> None:
    salt = read_formula("2C17H23NO3·H2SO4")
    assert read_counted("2C17H23NO3·H2SO4") == (1.0, salt)
    assert salt.molar_mass == pytest.approx(676.8, abs=0.1)


@pytest.mark.parametrize("text", ["2", "0 C6H6", "2 3 C6H6", "x C6H6", "13CH4", "2 C6H7N·H2SO4", "2 C6H7N.H2SO4"])
def test_a_number_that_counts_nothing_is_refused(text: str) -> None:
    with pytest.raises(FormulaTextError):
        read_counted(text)
