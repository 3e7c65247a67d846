"""Formulas as chemists type them, and their molar masses.

molmass parses brackets, groups and isotopes. This module stands in front of it,
because no parser reads ``CuSO4·5H2O``, ``CuSO4.5H2O`` and ``K2CO3.1.5H2O`` all rightly:
it splits hydrates, reads charges, refuses what is ambiguous, and sums the parts with
the IUPAC/CIAAW weights. A mistake is reported with the position of the character.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from importlib.util import find_spec

from server.core.chemistry.weights import ATOMIC_WEIGHTS, WITHOUT_WEIGHT
from server.errors import FormulaTextError

LONGEST_FORMULA = 200
SMILES_MARK = "smiles:"

# Groups that no element symbol or other common abbreviation collides with.
GROUPS = {
    "Me": "CH3",
    "Et": "C2H5",
    "Bu": "C4H9",
    "Ph": "C6H5",
    "Bn": "C7H7",
    "Bz": "C7H5O",
    "Boc": "C5H9O2",
    "Fmoc": "C15H11O2",
    "Tf": "CF3SO2",
    "OAc": "OC2H3O",
    "iPr": "C3H7",
    "tBu": "C4H9",
}
_AMBIGUOUS = {
    "Ac": "Ac is the element actinium; for acetyl write CH3CO or C2H3O.",
    "Pr": "Pr is the element praseodymium; for propyl write C3H7.",
    "Ts": "Ts is the element tennessine; for tosyl write C7H7SO2.",
}

# Short names of reagents that could be read as elements, and are never meant so: (name, formula). The formulas are
# from memory and checked against structures by RDKit.
SHORT_NAMES = {
    "BOP": ("the BOP reagent", "C12H22F6N6OP2"),
    "BPO": ("benzoyl peroxide", "C14H10O4"),
    "CDI": ("carbonyldiimidazole", "C7H6N4O"),
    "COD": ("1,5-cyclooctadiene", "C8H12"),
    "CSI": ("chlorosulfonyl isocyanate", "CClNO3S"),
    "DBN": ("diazabicyclononene", "C7H12N2"),
    "DBU": ("diazabicycloundecene", "C9H16N2"),
    "DCC": ("dicyclohexylcarbodiimide", "C13H22N2"),
    "DHP": ("3,4-dihydropyran", "C5H8O"),
    "DIC": ("diisopropylcarbodiimide", "C7H14N2"),
    "HFIP": ("hexafluoroisopropanol", "C3H2F6O"),
    "NBD": ("norbornadiene", "C7H8"),
    "NBS": ("N-bromosuccinimide", "C4H4BrNO2"),
    "NCS": ("N-chlorosuccinimide", "C4H4ClNO2"),
    "NFSI": ("N-fluorobenzenesulfonimide", "C12H10FNO4S2"),
    "NHS": ("N-hydroxysuccinimide", "C4H5NO3"),
    "NIS": ("N-iodosuccinimide", "C4H4INO2"),
    "PCC": ("pyridinium chlorochromate", "C5H6ClCrNO3"),
    "PDC": ("pyridinium dichromate", "C10H12Cr2N2O7"),
}

_SUBSCRIPTS = str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789")
_SUPERSCRIPTS = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻", "0123456789+-")
_DOTS = "·•∙⋅*×"
# No element is written x: CuSO4 x 5 H2O, CuSO4x5H2O. An x without a number is an unknown amount.
_TIMES = re.compile(r"(?<=[A-Za-z0-9)\]])(\s*)x(?=\s*[\d½])")
_VULGAR = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅓": "1/3", "⅔": "2/3"}
_COEFFICIENT = re.compile(r"\d+/\d+|\d+(?:\.\d+)?")
_COUNTED = re.compile(r"([1-9]\d{0,2}(?:/[1-9]\d?|\.\d{1,3})?|0\.\d{1,3}|[1-9]/[1-9]\d?)\s+(?=[A-Z\[(])")
_COMMA_IN_COUNT = re.compile(rf"([{_DOTS}]\s*\d+),(\d)")
_HYDRATE_AHEAD = re.compile(r"(?:\d+/\d+|\d+(?:\.\d+)?)?[A-Z\[(]")
_COUNTED_ATOM = re.compile(r"\d+(?!H(?![a-z]))[A-Z][a-z]?(?=[·.]|$)")
_TOKEN = re.compile(
    r"(?P<isotope>\[\d+[A-Z][a-z]?\])|(?P<symbol>OAc|iPr|tBu|[NO](?=iPr|tBu)|[A-Z][a-z]*)"
    r"|(?P<open>[(\[{])|(?P<close>[)\]}])|(?P<count>\d+)"
)
_CLOSING = {"(": ")", "[": "]", "{": "}"}


@dataclass(frozen=True)
class Formula:
    """A read formula.

    Attributes
    ----------
    text : str
        As typed, without surrounding space.
    atoms : tuple of (symbol, count)
        Symbols in alphabetical order, isotopes as '13C'; counts may be fractional in hydrates.
    charge : int
    molar_mass : float
        [g/mol]
    waters : float
        Water of crystallisation that the formula shows, in moles per mole. [-]
    """

    text: str
    atoms: tuple[tuple[str, float], ...]
    charge: int
    molar_mass: float
    waters: float = 0.0

    def count(self, symbol: str) -> float:
        """How many atoms of an element it shows. [-]"""
        return dict(self.atoms).get(symbol, 0.0)

    @property
    def water_share(self) -> float:
        """Mass of the water of crystallisation per mass of the compound. [g/g]"""
        return self.waters * read_formula("H2O").molar_mass / self.molar_mass


@lru_cache(maxsize=1024)
def read_formula(text: str) -> Formula:
    """Read a formula.

    Parameters
    ----------
    text : str
        A formula, or ``smiles:`` and a SMILES where the extra ``chem`` is installed.
        For example ``CuSO4·5H2O`` (also with ``.`` or ``*``), ``[Cu(NH3)4]SO4·H2O``,
        ``K2CO3.1.5H2O``, ``SO4^2-``, ``NH4+``, ``H₂O``, ``D2O``, ``[13C]O2``, ``EtOH``.

    Returns
    -------
    formula : Formula

    Raises
    ------
    FormulaTextError
        With the position of the offending character.

    Examples
    --------
    >>> round(read_formula("CuSO4.5H2O").molar_mass, 3), round(read_formula("K2CO3·1½H2O").molar_mass, 3)
    (249.677, 165.226)
    """
    stripped = text.strip()
    if stripped.lower().startswith(SMILES_MARK):
        return _read_smiles(stripped)
    if not stripped:
        raise FormulaTextError("The formula is empty.", text=text, position=0)
    if len(stripped) > LONGEST_FORMULA:
        message = f"The formula has {len(stripped)} characters; at most {LONGEST_FORMULA} are read."
        raise FormulaTextError(message, text=stripped, position=LONGEST_FORMULA)
    if stripped in SHORT_NAMES:
        name, formula = SHORT_NAMES[stripped]
        message = f"{stripped} would be read as elements, not as {name}; for that write {formula}."
        raise FormulaTextError(message, text=stripped, position=0)
    # Written at a bench: CuSO4 x 5 H2O, K2CO3·1,5 H2O. No sign changes its place.
    plain, origin = _plain(_COMMA_IN_COUNT.sub(r"\1.\2", _TIMES.sub(r"\1·", stripped)))
    body, charge = _split_charge(plain, origin, stripped)
    total: Counter[str] = Counter()
    parts = _parts(body)
    waters = 0.0
    for start, end in parts:
        part = body[start:end]
        match = _COEFFICIENT.match(part)
        if start > 0 and (hydrogen := re.fullmatch(r"[\d./]*(H\d*)", part)):
            message = f"{hydrogen[1]} is hydrogen alone; water is H2O with the letter O, and counts are whole numbers"
            raise _wrong(message, stripped, origin, start + hydrogen.start(1))
        try:
            factor = float(Fraction(match.group())) if match else 1.0
        except ZeroDivisionError:
            raise _wrong("A number cannot be divided by 0", stripped, origin, min(start, len(origin) - 1)) from None
        if match and len(parts) == 1:
            raise _wrong("A formula does not begin with a number; write an isotope in brackets, [13C]O2", stripped, origin, start)
        offset = start + (match.end() if match else 0)
        if offset >= end or factor == 0.0:
            raise _wrong("Here a part of the formula is missing", stripped, origin, min(offset, len(origin) - 1))
        if start > 0 and body[offset:end] == "H2O":
            waters += factor
        for symbol, count in _count(body[offset:end], offset, origin, stripped).items():
            total[symbol] += factor * count  # type: ignore[assignment]
    mass = sum(count * _weight(symbol) for symbol, count in total.items())
    return Formula(stripped, tuple(sorted(total.items())), charge, mass, waters)


def read_counted(text: str) -> tuple[float, Formula]:
    """Read a formula with the number of moles of it before it, where one is meant: '2 C13H10O', with a space.

    Raises
    ------
    FormulaTextError
        As ``read_formula``.

    Examples
    --------
    >>> count, formula = read_counted("2 C13H10O")
    >>> count, round(formula.molar_mass, 2), read_counted("C13H10O")[0]
    (2.0, 182.22, 1.0)
    """
    found = _COUNTED.match(text.strip())
    if found is None:
        return 1.0, read_formula(text)
    rest = text.strip()[found.end() :]
    if len(_parts(_plain(rest)[0])) > 1:
        message = "It is not clear how far the number reaches: write the first part in brackets, (C6H7N)2·H2SO4"
        raise _wrong(message, text.strip(), list(range(len(text.strip()))), 0)
    formula = read_formula(rest)
    return float(Fraction(found[1])), formula


def smiles_available() -> bool:
    """Tell whether a SMILES can be read, that is, whether RDKit is installed."""
    return find_spec("rdkit") is not None


def _read_smiles(text: str) -> Formula:
    """Read ``smiles:CCO`` through RDKit; the mass still comes from our weights."""
    if not smiles_available():
        message = "A SMILES needs the optional part: pip install 'yieldwright[chem]'. Enter a formula instead."
        raise FormulaTextError(message, text=text, position=0)
    from rdkit import Chem, RDLogger
    from rdkit.Chem.rdMolDescriptors import CalcMolFormula

    RDLogger.DisableLog("rdApp.*")  # type: ignore[attr-defined]  # its complaints go to the terminal, ours to the field
    smiles = text[len(SMILES_MARK) :].strip()
    molecule = Chem.MolFromSmiles(smiles) if smiles else None
    if molecule is None or molecule.GetNumAtoms() == 0:
        message = f"“{smiles}” is not a SMILES that RDKit can read."
        raise FormulaTextError(message, text=text, position=len(SMILES_MARK))
    plain = str(CalcMolFormula(molecule, separateIsotopes=True, abbreviateHIsotopes=False))
    charge = Chem.GetFormalCharge(molecule)
    found = read_formula(re.sub(r"[+-]\d*$", "", plain))
    return Formula(text, found.atoms, charge, found.molar_mass)


def _plain(text: str) -> tuple[str, list[int]]:
    """Return the formula in ASCII with, per character, its position in ``text``."""
    plain: list[str] = []
    origin: list[int] = []
    for position, character in enumerate(text):
        if character.isspace():
            before, after = text[:position].rstrip(), text[position:].lstrip()
            joins = before[-1:] in _DOTS + "." or after[:1] in _DOTS + "." or re.search(rf"[{_DOTS}.]\s*[\d.½]+$", before)
            if not joins:
                message = f"A space is not clear here: write a dot before water of crystallisation, {before}·{after}"
                raise FormulaTextError(message, text=text, position=position)
            continue
        if character in _VULGAR:
            replaced = _VULGAR[character]
            if plain and plain[-1].isdigit():
                # 1½: a mixed number is written as one decimal number.
                replaced = str(float(Fraction(replaced)))[1:]
        elif character in _DOTS:
            replaced = "·"
        elif character in "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻":
            replaced = character.translate(_SUPERSCRIPTS)
            if not (plain and (plain[-1] == "^" or text[position - 1] in "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻")):
                replaced = "^" + replaced
        else:
            replaced = character.translate(_SUBSCRIPTS).replace("−", "-").replace("–", "-")
        plain.extend(replaced)
        origin.extend([position] * len(replaced))
    return "".join(plain), origin


def _wrong(message: str, text: str, origin: list[int], index: int) -> FormulaTextError:
    position = origin[index] if 0 <= index < len(origin) else len(text)
    shown = f"“{text[position]}”" if position < len(text) else "the end"
    return FormulaTextError(f"{message}: at {shown}, character {position + 1} of “{text}”.", text=text, position=position)


def _split_charge(plain: str, origin: list[int], text: str) -> tuple[str, int]:
    match = re.search(r"(\^)?(\d*)([+-]+)$", plain)
    if not match:
        return plain, 0
    caret, digits, signs = match.groups()
    if len(set(signs)) > 1 or (digits and len(signs) > 1):
        raise _wrong("This charge cannot be read", text, origin, match.start(3))
    before = plain[: match.start()]
    if not digits:
        return before, len(signs) if signs[0] == "+" else -len(signs)
    if not caret and not before.endswith(("]", "}")) and not _is_one_bracket(before):
        # NH4+ and Al(OH)4- count, Fe3+, [Fe(CN)6]3- and (SO4)2- are charges; anything else could be either.
        symbols = re.findall(r"[A-Z][a-z]?", before)
        if len(digits) == 1 and len(symbols) > 1:
            return before + digits, 1 if signs == "+" else -1
        if not (len(digits) == 1 and len(symbols) == 1 and signs == "+"):
            raise _wrong(
                f"It is not clear whether {digits} counts atoms or charge; write the charge with ^, for example SO4^2-",
                text,
                origin,
                match.start(2),
            )
    size = int(digits)
    return before, size if signs[0] == "+" else -size


def _is_one_bracket(text: str) -> bool:
    """Whether the whole text stands in one pair of round brackets."""
    depth = 0
    for position, character in enumerate(text):
        depth += (character == "(") - (character == ")")
        if depth == 0:
            return character == ")" and position == len(text) - 1
    return False


def _parts(body: str) -> list[tuple[int, int]]:
    """Split at hydrate separators; a full stop separates only where a formula part follows."""
    cuts = []
    index = 0
    while index < len(body):
        character = body[index]
        if character == "·":
            cuts.append(index)
            match = _COEFFICIENT.match(body, index + 1)
            index = match.end() if match else index + 1
            continue
        if character == ".":
            zero_before = re.search(r"(?<!\d)0$", body[:index]) is not None
            # In CH1.5O the 1.5 is meant as a count, for no part of a formula is five lone atoms.
            is_count = body[index - 1 : index].isdigit() and _COUNTED_ATOM.match(body, index + 1)
            if _HYDRATE_AHEAD.match(body, index + 1) and not zero_before and not is_count:
                cuts.append(index)
                match = _COEFFICIENT.match(body, index + 1)
                index = match.end() if match else index + 1
                continue
        index += 1
    edges = [-1, *cuts, len(body)]
    return [(a + 1, b) for a, b in itertools.pairwise(edges)]


def _count(part: str, offset: int, origin: list[int], text: str) -> dict[str, int]:
    """Count atoms in one part, after checking every token so that mistakes can be pointed at."""
    organic = re.search(r"C(?![a-z])|H(?![a-z])", part) is not None
    opened: list[tuple[str, int]] = []
    pieces: list[str] = []
    index = 0
    previous = "start"
    while index < len(part):
        token = _TOKEN.match(part, index)
        if token is None:
            hint = " (a count must be a whole number)" if part[index] == "." else ""
            raise _wrong(f"This character cannot be read{hint}", text, origin, offset + index)
        kind, word = token.lastgroup, token.group()
        if kind == "symbol":
            pieces.append(_symbol(word, organic, offset + index, origin, text))
        elif kind == "open":
            opened.append((word, index))
            pieces.append("(")
        elif kind == "close":
            if not opened or _CLOSING[opened[-1][0]] != word:
                raise _wrong("This bracket was not opened", text, origin, offset + index)
            if previous == "open":
                raise _wrong("There is nothing inside this bracket", text, origin, offset + index)
            opened.pop()
            pieces.append(")")
        elif kind == "count":
            if previous in ("start", "open", "count") or word.startswith("0") or len(word) > 5:
                raise _wrong("A count is not possible here", text, origin, offset + index)
            pieces.append(word)
        else:
            pieces.append(word)
        previous = str(kind)
        index = token.end()
    if opened:
        raise _wrong("This bracket is not closed", text, origin, offset + opened[-1][1])
    # Imported here: only this function needs the parser.
    from molmass import Formula as ParsedFormula
    from molmass import FormulaError

    try:
        composition = ParsedFormula("".join(pieces)).composition(isotopic=True)
    except FormulaError as error:
        raise _wrong("This formula cannot be read", text, origin, offset) from error
    return {str(symbol): int(item.count) for symbol, item in composition.items() if symbol != "e-"}


def _symbol(word: str, organic: bool, index: int, origin: list[int], text: str) -> str:
    if word == "D":
        return "[2H]"
    if word in GROUPS:
        return f"({GROUPS[word]})"
    if word in _AMBIGUOUS and (organic or word != "Pr"):
        raise _wrong(_AMBIGUOUS[word].rstrip("."), text, origin, index)
    if word in ATOMIC_WEIGHTS:
        return word
    if word in WITHOUT_WEIGHT:
        raise _wrong(f"{word} has no standard atomic weight, so give the molar mass instead", text, origin, index)
    raise _wrong(f"There is no element or known abbreviation {word}", text, origin, index)


def _weight(symbol: str) -> float:
    if symbol in ATOMIC_WEIGHTS:
        return ATOMIC_WEIGHTS[symbol]
    # An isotope, '13C': its own mass, as molmass carries it (AME/CODATA).
    from molmass import ELEMENTS

    match = re.fullmatch(r"(\d+)([A-Z][a-z]?)", symbol)
    assert match is not None  # molmass names isotopes so
    try:
        return float(ELEMENTS[match.group(2)].isotopes[int(match.group(1))].mass)
    except KeyError as error:
        raise FormulaTextError(f"There is no known isotope {symbol}.", text=symbol, position=0) from error
