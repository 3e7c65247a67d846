"""What the columns of a notebook's table mean: guessed from their headings, corrected by the chemist."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from server.core.space.limits import Space
from server.core.space.units import MASS_UNITS, TEMPERATURE_UNITS, TIME_UNITS, VOLUME_UNITS
from server.core.space.variables import REACTION_STAGES, STAGE_WORDS, Role, Stage, Variable
from server.errors import InvalidInputError
from server.exchange.tables import HEADING_ROWS, Rows
from server.services.cells import bare_unit, bare_units, is_blank, is_day, is_unit, read_unit, unit_behind
from server.services.inputs import ColumnInput

# What a column may mean beside a variable: (label, unit in which it is stored).
MEANINGS: dict[str, tuple[str, str]] = {
    "yield_percent": ("yield", "%"),
    "product_mass_g": ("product mass", "g"),
    "product_mass_u_g": ("standard uncertainty of the product mass", "g"),
    "theoretical_yield_g": ("theoretical yield", "g"),
    "purity_percent": ("purity of the dry product", "%"),
    "purity_u_percent": ("standard uncertainty of the purity", "%"),
    "residual_percent": ("solvent and water left", "%"),
    "residual_u_percent": ("standard uncertainty of solvent and water", "%"),
    "scale_mol": ("scale", "mol"),
    "reference_g": ("starting material weighed, 1 equivalent", "g"),
    "outcome": ("outcome", ""),
    "made_on": ("day", ""),
    "lot": ("reagent lot", ""),
    "made_by": ("made by", ""),
    "reference": ("notebook reference", ""),
    "notes": ("notes", ""),
    "excluded_reason": ("reason not to count it", ""),
    "state": ("state", ""),
}
# The scale at which amounts of a column hold, in its heading: 'toluene at 0.05 mol / mL'.
AT_SCALE = re.compile(r"\s+at (\d+(?:\.\d+)?(?:e-?\d+)?) mol\b")
# A heading of so few letters says nothing by itself.
_LETTERS = 1
# What was weighed on the way: (mass, content) of each stage's end.
WEIGHED_ON_THE_WAY = {stage: (f"checkpoint_{stage}_g", f"checkpoint_{stage}_percent") for stage in Stage}
# Of the compound that was weighed there, where it is not the product itself.
FORMULA_ON_THE_WAY = {stage: f"checkpoint_{stage}_formula" for stage in Stage}
for _stage, (_mass, _content) in WEIGHED_ON_THE_WAY.items():
    MEANINGS[_mass] = (f"weighed after {STAGE_WORDS[_stage]}", "g")
    MEANINGS[_content] = (f"content of what was weighed after {STAGE_WORDS[_stage]}", "%")
    MEANINGS[FORMULA_ON_THE_WAY[_stage]] = (f"formula of what was weighed after {STAGE_WORDS[_stage]}", "")
# What was weighed or measured of a material of the charge: key and id, words, unit.
OF_MATERIALS = {"weighed_": ("{}, weighed", "g"), "measured_": ("{}, measured", "mL")}
FACTORS = {
    "g": {"g": 1.0, "mg": 1e-3, "kg": 1e3},
    "mL": {"mL": 1.0, "L": 1e3, "µL": 1e-3},
    "mol": {"mol": 1.0, "mmol": 1e-3},
    "%": {"%": 1.0},
}
# Headings that are understood beside the labels above, the commonest German ones among them (common practice, no source).
_HEADINGS = {
    "yield_percent": ("percent yield", "isolated yield", "yield isolated", "yld", "% yield", "ausbeute", "isolierte ausbeute"),
    "product_mass_g": (
        "product",
        "mass of product",
        "isolated mass",
        "mass",
        "product weight",
        "dry mass",
        "yield / g",
        "auswaage",
    ),
    "theoretical_yield_g": ("theory", "theoretical", "theoretical mass", "theoretische ausbeute"),
    "purity_percent": ("purity", "reinheit", "hplc purity", "gc purity", "nmr purity", "assay", "hplc reinheit", "gc reinheit"),
    "scale_mol": ("ansatz", "ansatzgröße", "batch size", "run size"),
    "residual_percent": ("residual solvent", "solvent left"),
    "reference_g": (
        "starting material",
        "mass of starting material",
        "sm",
        "m sm",
        "substrate",
        "limiting reagent",
        "edukt",
        "ausgangsstoff",
        "einwaage",
    ),
    "outcome": ("result", "ergebnis"),
    "made_on": ("date", "made on", "run on", "datum"),
    "lot": ("lot", "batch", "lot of reagent"),
    "made_by": (
        "operator",
        "chemist",
        "who",
        "name",
        "initials",
        "by",
        "done by",
        "run by",
        "student",
        "analyst",
        "bearbeiter",
        "wer",
    ),
    # A table has its own numbers or codes for its runs.
    "reference": (
        "reference",
        "run",
        "run no",
        "no",
        "exp",
        "entry",
        "experiment",
        "page",
        "code",
        "notebook",
        "notebook page",
        "versuch",
        "ansatz",
        "nr",
    ),
    "notes": (
        "note",
        "comment",
        "comments",
        "remark",
        "remarks",
        "observations",
        "bemerkung",
        "bemerkungen",
        "kommentar",
        "beobachtungen",
    ),
    "excluded_reason": ("excluded", "excluded because", "not counted"),
    "state": ("status",),
    # What is left when the solvent is off, before it is purified.
    WEIGHED_ON_THE_WAY[Stage.WORK_UP][0]: (
        "crude",
        "crude product",
        "crude mass",
        "mass of crude",
        "crude yield / g",
        "rohprodukt",
        "rohausbeute / g",
    ),
    WEIGHED_ON_THE_WAY[Stage.WORK_UP][1]: ("crude purity", "purity of crude", "content of crude", "crude content"),
}
# Only these may be the meaning of several columns.
_MAY_REPEAT = ("", "notes", "reference")
# Alike enough to be the same heading. [ratio of difflib.SequenceMatcher]
_ALIKE = 0.85
# Fewer first letters of a word may be those of many. [letters]
_SHORTEST_ABBREVIATION = 4
# So alike count a heading and a variable of whose words it has the first letters.
_ABBREVIATION_ALIKE = 0.86
# Short names that mean the one variable with that role (common practice, no source).
_ROLE_WORDS = {
    Role.TEMPERATURE: ("temp", "temperature", "t", "bath temp", "reaction temp", "temperatur", "badtemperatur"),
    Role.HOLD_TIME: ("time", "hold", "hold time", "rxn time", "reaction time", "duration", "zeit", "reaktionszeit", "dauer"),
    Role.LOADING: ("cat", "catalyst", "loading", "cat loading", "katalysator"),
}
# A temperature or time with such a word is no setting.
_NO_SETTINGS = {"mp", "bp", "melting", "boiling", "ambient", "room", "tm", "tb", "day", "date", "elapsed"}
# A longer cell is a remark, not a heading. [characters]
_LONGEST_HEADING = 80
# Uncertainties have long, much alike names.
_ALMOST_EXACT = 0.97
# A word of more letters behind a heading is a remark. [letters]
_LONGEST_UNIT = 5
# So alike count a heading and a variable that share all telling words.
_WORDS_ALIKE = 0.95
# With a unit of mass, these words alone mean the product (common practice, no source).
_OF_PRODUCT = ("isolated", "obtained", "collected", "powder", "crystals")
# A yield or mass with such a word is another quantity than the isolated product (common practice, no source).
_OTHER_QUANTITIES = {"by", "byproduct", "side", "crude", "recovered", "gc", "nmr", "hplc", "lc", "conversion", "limiting"}
_CRUDE = WEIGHED_ON_THE_WAY[Stage.WORK_UP]
_FILLERS = {"to", "of", "per", "the", "in", "ratio"}
# With a unit of mass: what was weighed of the material of one equivalent (common practice, no source).
_OF_REFERENCE = ("{}", "{} weighed", "{} used", "mass of {}", "einwaage {}", "{} eingewogen")
# Of any other material, with a unit of mass or of volume (common practice, no source).
_OF_MATERIAL = {
    "weighed_": ("{}", "{} weighed", "{} used", "mass of {}", "{} mass", "einwaage {}", "{} eingewogen"),
    "measured_": ("{}", "{} measured", "{} used", "volume of {}", "{} volume", "volumen {}"),
}
# Share of a column's cells that must be options of a choice for the column to be that choice.
_MOSTLY = 0.5


@dataclass(frozen=True)
class Charged:
    """Names of the materials of a charge: of the one of which 1 equivalent is always taken, and of all by id as text.

    ``formulas`` are those of the materials by the same ids; ``product`` is the name of what is made, and ``product_formula``
    its formula.
    """

    reference: str = ""
    names: Mapping[str, str] = field(default_factory=dict)
    formulas: Mapping[str, str] = field(default_factory=dict)
    product: str = ""
    product_formula: str = ""

    @property
    def meanings(self) -> dict[str, tuple[str, str]]:
        """What columns may mean by the materials: (label, unit in which it is stored)."""
        pairs = [(prefix, key) for key in self.names for prefix in OF_MATERIALS]
        return {prefix + key: (OF_MATERIALS[prefix][0].format(self.names[key]), OF_MATERIALS[prefix][1]) for prefix, key in pairs}

    def known(self) -> list[tuple[str, str]]:
        """(meaning, heading) of everything that is understood."""
        # First, because of equals the first one counts: what was weighed of the reference says the scale.
        pairs = [("reference_g", words.format(self.reference)) for words in _OF_REFERENCE] if self.reference else []
        for meaning, (label, unit) in self.meanings.items():
            pairs += [(meaning, label), (meaning, f"{label} / {unit}")]
        for prefix, forms in _OF_MATERIAL.items():
            pairs += [(prefix + key, words.format(name)) for key, name in self.names.items() for words in forms]
        return pairs

    def other_names(self) -> dict[str, str]:
        """Formulas, names without water of crystallisation and the product's names, as compared, with what they mean.

        They count with a unit of mass or volume and only where they are written just so (CoCl2 is not CuCl2), and where
        one thing alone goes by them. Meanings of materials are without what says that they were weighed or measured.
        """
        found: dict[str, set[str]] = {}
        own = {plain(name) for name in self.names.values()}
        for key, name in self.names.items():
            for word in {self.formulas.get(key, ""), _without_water(name)} - {"", name}:
                found.setdefault(plain(word), set()).add(key)
        for word in {self.product, self.product_formula} - {""}:
            found.setdefault(plain(word), set()).add("product_mass_g")
        return {word: next(iter(means)) for word, means in found.items() if len(means) == 1 and word not in own}

    def named_otherwise(self, name: str, unit: str) -> str:
        """What a column means whose heading is one of ``other_names``; empty where it is none, or the unit does not fit."""
        key = self.other_names().get(plain(name), "")
        if key == "product_mass_g":
            return key if unit in FACTORS["g"] else ""
        if not key:
            return ""
        if unit in FACTORS["g"]:
            return "reference_g" if self.names[key] == self.reference else f"weighed_{key}"
        return f"measured_{key}" if unit in FACTORS["mL"] else ""


# Words of a name that speak of water of crystallisation. (Common practice, no source.)
_WATERS = re.compile(r"\b\w*hydrate\b|\banhydrous\b", re.IGNORECASE)


def _without_water(name: str) -> str:
    return " ".join(_WATERS.sub("", name).split())


NO_MATERIALS = Charged()


def material_meant(meaning: str) -> tuple[str, int] | None:
    """(key, id) of the material of which a column holds what was weighed or measured; None for other columns."""
    prefix, _, key = meaning.rpartition("_")
    return (f"{prefix}_", int(key)) if f"{prefix}_" in OF_MATERIALS and key.isdigit() else None


def stored_unit(meaning: str) -> str:
    """The unit in which numbers of a column beside the variables are stored; empty for words."""
    meant = material_meant(meaning)
    return OF_MATERIALS[meant[0]][1] if meant else MEANINGS.get(meaning, ("", ""))[1]


@dataclass(frozen=True)
class Column:
    """A column of the table: number from 1, heading, meaning, unit of plain numbers, units to choose from, a first cell.

    ``unit`` is empty although there are ``units`` where the heading names one that is not understood
    (``asks_unit``) and the chemist has not said which it is.
    """

    position: int
    heading: str
    meaning: str
    unit: str
    units: tuple[str, ...]
    sample: str
    asks_unit: bool = False

    @property
    def title(self) -> str:
        return self.heading or f"Column {self.position}"

    @property
    def needs_unit(self) -> bool:
        return bool(self.units) and not self.unit


@dataclass(frozen=True)
class OptionNames:
    """What the options of one choice may be called: exactly, in any case, or without signs, as far as that tells them apart."""

    exact: Mapping[str, str]
    folded: Mapping[str, str]
    bare: Mapping[str, str]

    @classmethod
    def of(cls, pairs: Sequence[tuple[str, str]]) -> OptionNames:
        """From (name, option) pairs, the options' own names first."""
        exact: dict[str, str] = {}
        for name, option in pairs:
            exact.setdefault(name, option)
        return cls(exact, _unambiguous(pairs, _folded), _unambiguous(pairs, _bare))

    def find(self, cell: str) -> str | None:
        """The option that a cell means; None where none is, or several may be."""
        return self.exact.get(cell) or self.folded.get(_folded(cell)) or (self.bare.get(_bare(cell)) if _bare(cell) else None)


def _bare(text: str) -> str:
    """Letters and digits alone: p-TsOH and pTsOH are the same."""
    return plain(text).replace(" ", "")


def _folded(text: str) -> str:
    return " ".join(text.casefold().split())


def _unambiguous(pairs: Sequence[tuple[str, str]], form: Callable[[str], str]) -> dict[str, str]:
    found: dict[str, set[str]] = {}
    for name, option in pairs:
        found.setdefault(form(name), set()).add(option)
    return {name: next(iter(options)) for name, options in found.items() if len(options) == 1}


def meanings_for(space: Space, charged: Charged = NO_MATERIALS) -> list[tuple[str, str]]:
    """(key, words) of everything that a column may mean; a variable's key is v and its id; a material's, see ``OF_MATERIALS``."""
    variables = [(f"v{v.key}", v.name) for v in space.variables]
    # Further parts of the reaction are there where a variable acts in them.
    rare = set(REACTION_STAGES[1:]) - {v.stage for v in space.variables}
    hidden = {key for stage in rare for key in (*WEIGHED_ON_THE_WAY[stage], FORMULA_ON_THE_WAY[stage])}
    told = {**MEANINGS, **charged.meanings}
    return [("", "leave out"), *variables, *((key, label) for key, (label, _) in told.items() if key not in hidden)]


def plain(text: str) -> str:
    """A heading for comparison: small letters, digits, single blanks."""
    return " ".join(re.sub(r"[^\w%]+", " ", text.casefold().replace("_", " ")).split())


def split_heading(text: str) -> tuple[str, str]:
    """Split a heading into name and unit: 'Hold (min)', 'hold / min', 'hold [min]', 'hold_min', 'hold, min', 'Yield %'.

    Examples
    --------
    >>> split_heading("Bath temp. (°C)"), split_heading("hold (in min)*"), split_heading("acid:alcohol")
    (('Bath temp.', '°C'), ('hold', 'min'), ('acid:alcohol', ''))
    """
    text = " ".join(text.split())
    if found := re.fullmatch(r"(.+?)\s*[(\[]\s*(?:in )?([^()\[\]]{1,24})\s*[)\]]\W{0,2}", text):
        return found[1], found[2].strip()
    found = re.fullmatch(r"(.+?)\s*/\s*(\S{1,8}(?:\s?(?:w/w|%))?)", text)
    # 'acid/alcohol' is a name.
    if found and not (found[2].isalpha() and len(found[2]) > _LONGEST_UNIT and not is_unit(found[2])):
        return found[1], found[2]
    found = re.fullmatch(r"(.+?)(?:\s*,\s*|\s+|_)(\S{1,6})", text)
    if found and len(found[1]) > 1 and (is_unit(found[2]) or bare_unit(found[2]) == "eq"):
        return found[1], found[2]
    if text.startswith("%") and len(text) > 1:
        return text[1:].strip(), "%"
    return text, ""


def heading_unit(heading: str) -> str:
    """The unit that a heading names, as the app calls it or as written; empty where it names none."""
    written = split_heading(heading)[1]
    if not written or is_unit(written):
        return read_unit(written)
    # 'minutes, reflux', 'min at reflux': one word of several letters that is a unit.
    words = _units_among(written)
    if len(words) == 1:
        return words.pop()
    # '(isolated)', '(oil bath)' are remarks; what is short may be a unit that is not known here.
    return "" if " " in written or (written.isalpha() and len(written) > _LONGEST_UNIT) else written


def _unit_among_words(heading: str) -> str:
    """A unit among the words of a heading without brackets: 'min hold', 'Hold, min at reflux'."""
    words = _units_among(heading)
    return words.pop() if len(words) == 1 else ""


def unit_told_by(heading: str) -> str:
    """The unit of a column: as its heading names it, a unit among its words, or the heading where that is one by itself."""
    return heading_unit(heading) or _unit_among_words(heading) or read_unit(heading)


def _units_among(text: str) -> set[str]:
    """Words of two letters or more that are units; single letters mean too many things."""
    words = re.split(r"[\s,;()\[\]]+", text)
    # 'Time of day', 'day 1' speak of no unit.
    return {read_unit(w) for w in words if is_unit(w) and (len(w) > 1 or w == "%") and read_unit(w) != "d"}


@dataclass(frozen=True)
class _Known:
    """A heading that is understood: what it means, and its words as written and for comparison."""

    key: str
    words: str
    plain: str
    # Of a ratio: without its unit, because acid : alcohol is not alcohol : acid.
    name: str


def _known_headings(space: Space, charged: Charged = NO_MATERIALS) -> list[_Known]:
    pairs = [*_candidates(space), *_role_candidates(space), *charged.known()]
    return [_Known(key, words, plain(words), plain(words.split(" / ")[0])) for key, words in pairs]


def _candidates(space: Space) -> list[tuple[str, str]]:
    out = [(f"v{v.key}", v.name) for v in space.variables]
    out += [(f"v{v.key}", f"{v.name} / {v.unit}") for v in space.variables if v.unit]
    for key, (label, stored) in MEANINGS.items():
        out += [(key, label), *((key, word) for word in _HEADINGS.get(key, ()))]
        if stored:
            out.append((key, f"{label} / {stored}"))
    return out


def _role_candidates(space: Space) -> list[tuple[str, str]]:
    """Short names for a variable that is the only one with its role, or the only pH."""
    out = []
    for role, words in _ROLE_WORDS.items():
        found = [v for v in space.variables if v.role is role]
        if len(found) == 1:
            out += [(f"v{found[0].key}", word) for word in words]
    acidic = [v for v in space.variables if "ph" in plain(v.name).split()]
    if len(acidic) == 1:
        out.append((f"v{acidic[0].key}", "pH"))
    return out


@dataclass(frozen=True)
class _Heading:
    """A heading of a table, taken apart for comparison with those that are understood."""

    text: str
    name: str
    # The unit that it names as such, and the one that it names or that stands among its words.
    written: str
    unit: str

    @classmethod
    def of(cls, text: str) -> _Heading:
        text = AT_SCALE.sub("", text)
        written = heading_unit(text)
        return cls(text, split_heading(text)[0], written, written or _unit_among_words(text))

    @cached_property
    def words(self) -> set[str]:
        return set(plain(self.text).split())

    @cached_property
    def forms(self) -> list[tuple[str, str]]:
        """The whole heading and its name alone, as written and for comparison."""
        return [(one, plain(one)) for one in dict.fromkeys((self.text, self.name))]

    def may_mean(self, known: _Known, space: Space, ratios: Collection[str]) -> bool:
        """Whether nothing speaks against it; ``ratios`` are the meanings that are ratios."""
        key = known.key
        if key.startswith("v") and self.text.casefold() == known.words.casefold():
            # Pd/C is the name of a variable, and C no unit in it.
            return True
        if key.startswith("v") and (_NO_SETTINGS & self.words) - set(known.plain.split()):
            return False
        if key in ratios and not _same_order(plain(self.name), known.name):
            return False
        # Without a unit of mass, a column of starting materials may hold their names; Ansatz is a run or its size.
        if key == "reference_g" and self.unit not in FACTORS["g"]:
            return False
        if material_meant(key) and bare_unit(self.unit) not in map(bare_unit, FACTORS[stored_unit(key)]):
            return False
        if key == "scale_mol" and known.words in _HEADINGS["scale_mol"] and self.unit not in FACTORS["mol"]:
            return False
        units = units_for(key, space)
        own = {bare for u in units for bare in bare_units(u)}
        if self.written and key in ratios and bare_unit(self.written) not in own | {"eq"}:
            return False
        is_other_unit = is_unit(self.unit) and bare_unit(self.unit) not in own and (bool(units) or bool(self.written))
        return not is_other_unit or (key == "yield_percent" and self.unit in FACTORS["g"])

    def likeness_to(self, known: _Known) -> float:
        found = 0.0
        for one, compared in self.forms:
            ratio = _likeness(compared, known.plain)
            in_any_order = sorted(compared.split()) == sorted(known.plain.split())
            if in_any_order or (known.key.startswith("v") and _same_words(compared, known.plain)):
                ratio = max(ratio, _WORDS_ALIKE)
            elif known.key.startswith("v") and _abbreviates(compared, known.plain):
                ratio = max(ratio, _ABBREVIATION_ALIKE)
            # T and t may be two variables.
            found = max(found, ratio + 0.01 * (one == known.words))
        return found

    def settled(self, best: str, likeness: float) -> tuple[str, float]:
        """What the most alike one comes to, by the unit and by words that tell of something else."""
        if plain(self.name) in _OF_PRODUCT and self.unit in FACTORS["g"]:
            return "product_mass_g", _WORDS_ALIKE
        if likeness < (_ALMOST_EXACT if "_u_" in best else _ALIKE):
            return "", 0.0
        if best in ("yield_percent", "product_mass_g") and _OTHER_QUANTITIES & self.words:
            return "", 0.0
        if best == "yield_percent" and self.unit in FACTORS["g"]:
            return "product_mass_g", likeness
        if best in _CRUDE and not self.unit and {"yield", "rohausbeute"} & self.words:
            # A crude yield may be a mass or a share of theory.
            return "", 0.0
        return best, likeness


def match_heading(heading: str, space: Space, known: Sequence[_Known] | None = None) -> tuple[str, float]:
    """(meaning, likeness) of the best match of a heading; ('', 0) where nothing is alike enough.

    ``known`` are the headings that are understood, for a caller who asks about many.
    """
    if len(heading) > _LONGEST_HEADING:
        return "", 0.0
    asked = _Heading.of(heading)
    if not plain(asked.name):
        return "", 0.0
    best, likeness = "", 0.0
    shortened: set[str] = set()
    ratios = {f"v{v.key}" for v in space.variables if v.role is Role.RATIO}
    for one in _known_headings(space) if known is None else known:
        if not asked.may_mean(one, space, ratios):
            continue
        found = asked.likeness_to(one)
        if found == _ABBREVIATION_ALIKE:
            shortened.add(one.key)
        if found > likeness + 1e-9:
            best, likeness = one.key, found
    if likeness == _ABBREVIATION_ALIKE and len(shortened) > 1:
        # 'cryst.' may be the time or the temperature.
        return "", 0.0
    return asked.settled(best, likeness)


def _likeness(one: str, other: str) -> float:
    """Likeness of two texts; 0 where a bound that costs little shows that they are not alike enough."""
    matcher = difflib.SequenceMatcher(None, one, other)
    # A few hundredths are given to texts that are written alike.
    least = _ALIKE - 0.05
    if matcher.real_quick_ratio() < least or matcher.quick_ratio() < least:
        return 0.0
    return matcher.ratio()


def _same_order(one: str, other: str) -> bool:
    """Whether the telling words are the same in the same order: a ratio upside down is another one."""
    return [w for w in one.split() if w not in _FILLERS] == [w for w in other.split() if w not in _FILLERS]


def _same_words(one: str, other: str) -> bool:
    """Whether all telling words of the shorter text stand in the longer one: 'bath', 'ratio acid : alcohol'."""
    a, b = set(one.split()) - _FILLERS, set(other.split()) - _FILLERS
    short, long = (a, b) if len(a) <= len(b) else (b, a)
    return short <= long and sum(len(word) for word in short) >= 4


def _abbreviates(short: str, long: str) -> bool:
    """Whether each word of a heading is one of a name, or its first letters, in the order of the name: 'cryst. time', 'stir'."""
    words = iter(long.split())
    told = [part for part in short.split() if part not in _FILLERS]
    return any(len(part) >= _SHORTEST_ABBREVIATION for part in told) and all(
        any(word == part or (len(part) >= _SHORTEST_ABBREVIATION and word.startswith(part)) for word in words) for part in told
    )


def find_heading_row(table: Rows, space: Space, charged: Charged = NO_MATERIALS) -> int:
    """Number of the row with the headings: the one of the first rows in which most cells are understood; 0 for none."""
    known = _known_headings(space, charged)
    scores = [
        sum(match_heading(cell, space, known)[1] for cell in row if cell and not cell[0].isdigit())
        if sum(bool(c) for c in row) > 1 and sum(c[0].isdigit() for c in row if c) < 0.3 * sum(bool(c) for c in row)
        else 0.0
        for row in table[:HEADING_ROWS]
    ]
    best = max(range(len(scores)), key=lambda k: (scores[k], -k), default=0)
    return best + 1 if scores and scores[best] > 0 else 0


def units_for(meaning: str, space: Space) -> tuple[str, ...]:
    """Units in which plain numbers of a column may be, the stored one first; empty for words."""
    if not meaning.startswith("v"):
        return tuple(FACTORS.get(stored_unit(meaning), ()))
    v = next((v for v in space.variables if f"v{v.key}" == meaning), None)
    if v is None or v.is_choice or not v.unit:
        return ()
    return (v.unit, *(u for u in family_of(v) if u != v.unit))


def family_of(v: Variable) -> tuple[str, ...]:
    """Units that convert into the variable's own."""
    if v.role is Role.TEMPERATURE:
        return TEMPERATURE_UNITS
    return next((family for family in (TIME_UNITS, VOLUME_UNITS, MASS_UNITS) if v.unit in family), ())


def columns_of(
    table: Rows,
    heading_row: int,
    space: Space,
    given: Mapping[int, ColumnInput],
    option_names: Mapping[str, OptionNames],
    charged: Charged = NO_MATERIALS,
) -> list[Column]:
    """What every column means: as the chemist says, else as its heading, unit or cells suggest.

    Parameters
    ----------
    option_names : mapping
        For each choice, by variable key: what its options may be called.
    charged : Charged
        Names of the materials of the charge.

    Raises
    ------
    InvalidInputError
        For the field ``column_<number>``: no such meaning, or one that another column has.
    """
    headings = table[heading_row - 1] if 0 < heading_row <= len(table) else [""] * len(table[0])
    below = units_row(table, heading_row, space)
    told = _with_units_of_cells(headings, table, heading_row)
    guessed = _guesses(told, space, charged)
    _guess_other_names(guessed, told, charged)
    _guess_from_cells(guessed, table, heading_row, option_names)
    _guess_days(guessed, headings, table, heading_row)
    # Of a letter alone the cells tell what it is; other words may be a result: conversion, ee.
    bare = [t if len(plain(h)) <= _LETTERS else h for t, h in zip(told, headings, strict=True)]
    _guess_from_units(guessed, bare, space)
    names = dict(meanings_for(space, charged))
    own_names = {v.name.casefold() for v in space.variables}
    out: list[Column] = []
    messages: dict[str, str] = {f"column_{k}": f"There is no column {k}." for k in given if k > len(headings)}
    taken: dict[str, int] = {}
    for k, heading in enumerate(headings, start=1):
        said = given.get(k)
        meaning = said.meaning if said is not None else guessed[k - 1]
        if meaning not in names:
            offered = ", ".join(name for name in names if name)
            messages[f"column_{k}"] = f"Column {k}: there is no meaning “{meaning[:40]}”. Choose one of {offered}, or none."
            continue
        if meaning not in _MAY_REPEAT and meaning in taken:
            messages[f"column_{k}"] = f"Columns {taken[meaning]} and {k} cannot both be “{names[meaning]}”."
        taken.setdefault(meaning, k)
        units = units_for(meaning, space)
        unit = read_unit(said.unit) if said is not None else ""
        unit = next((u for u in units if unit and unit in (u, read_unit(u))), unit)
        if unit and unit not in units:
            messages[f"column_{k}"] = f"Column {k}: {unit} is no unit of {names[meaning]}. Choose {' or '.join(units) or 'none'}."
        is_name = AT_SCALE.sub("", heading).casefold() in own_names
        by_heading = _unit_by_heading("" if is_name else heading, below[k - 1] if below else "", units)
        asks_unit = bool(units) and not by_heading
        unit = unit or by_heading
        sample = next((row[k - 1] for _, row in body_of(table, heading_row, space) if row[k - 1]), "")
        out.append(Column(k, heading, meaning, unit, units, sample, asks_unit))
    if messages:
        raise InvalidInputError(messages)
    return out


def _unit_by_heading(heading: str, below: str, units: tuple[str, ...]) -> str:
    """Unit of plain numbers: as the heading, or the row below it, says; the stored one where they say nothing; else empty."""
    if not units:
        return ""
    named = heading_unit(heading) or read_unit(below)
    among = _unit_among_words(heading)
    if not named:
        return among if among in units else units[0]
    match = next((u for u in units if bare_unit(named) in bare_units(u)), "")
    return match or (among if among in units else "")


def units_row(table: Rows, heading_row: int, space: Space) -> list[str]:
    """The row below the headings, where most of its cells are units and none holds a digit; else empty."""
    if not 0 < heading_row < len(table):
        return []
    own = {v.unit.casefold() for v in space.variables if v.unit}
    row = [cell.strip("()[] ") for cell in table[heading_row]]
    filled = [cell for cell in row if not is_blank(cell)]
    known = sum(is_unit(c) or c.casefold() in own for c in filled)
    return row if known > _MOSTLY * len(filled) and not any(ch.isdigit() for c in filled for ch in c) else []


def _with_units_of_cells(headings: Sequence[str], table: Rows, heading_row: int) -> list[str]:
    """The headings, with the unit of most cells below where they name none: of two columns called t, one holds hours."""
    out = []
    for k, heading in enumerate(headings):
        cells = [row[k] for row in table[heading_row:] if not is_blank(row[k])]
        units = [unit for cell in cells if (unit := unit_behind(cell))]
        told = heading_unit(heading) or _unit_among_words(heading)
        out.append(f"{heading} / {units[0]}" if heading and not told and len(units) > _MOSTLY * len(cells) else heading)
    return out


def _guesses(headings: Sequence[str], space: Space, charged: Charged = NO_MATERIALS) -> list[str]:
    """A meaning per heading; of several that fit one meaning the likest has it, none of equals."""
    known = _known_headings(space, charged)
    found = [match_heading(heading, space, known) for heading in headings]
    out = []
    for meaning, likeness in found:
        rivals = [other for m, other in found if m == meaning]
        is_likest = likeness == max(rivals) and rivals.count(likeness) == 1
        out.append(meaning if meaning in _MAY_REPEAT or is_likest else "")
    return out


def _guess_other_names(guessed: list[str], headings: Sequence[str], charged: Charged) -> None:
    """A column without a meaning that goes by a formula, or by a name of the product, with a unit of mass or volume."""
    for k, heading in enumerate(headings):
        asked = _Heading.of(heading)
        meaning = "" if guessed[k] else charged.named_otherwise(asked.name, asked.unit)
        if meaning and meaning not in guessed:
            guessed[k] = meaning


def _guess_from_cells(guessed: list[str], table: Rows, heading_row: int, option_names: Mapping[str, OptionNames]) -> None:
    """A column without a meaning whose cells are mostly options of a choice is that choice."""
    for key, names in option_names.items():
        for k, meaning in enumerate(guessed):
            cells = [row[k] for row in table[heading_row:] if row[k]]
            known = sum(names.find(c) is not None for c in cells)
            if not meaning and f"v{key}" not in guessed and known > _MOSTLY * len(cells):
                guessed[k] = f"v{key}"


def _guess_days(guessed: list[str], headings: Sequence[str], table: Rows, heading_row: int) -> None:
    """The one column without a heading that holds days has the day, if no other column has."""
    if "made_on" in guessed:
        return
    found = []
    for k, meaning in enumerate(guessed):
        cells = [row[k] for row in table[heading_row:] if row[k]]
        if not meaning and not headings[k] and cells and sum(map(is_day, cells)) > _MOSTLY * len(cells):
            found.append(k)
    if len(found) == 1:
        guessed[found[0]] = "made_on"


def _guess_from_units(guessed: list[str], headings: Sequence[str], space: Space) -> None:
    """A column without a meaning whose unit only one variable has is that variable, if no other column is."""
    for v in space.variables:
        units = {v.unit, *family_of(v)} - {""}
        if f"v{v.key}" in guessed or sum(bool(units & {o.unit, *family_of(o)}) for o in space.variables) != 1:
            continue
        fits = [
            k
            for k, h in enumerate(headings)
            if not guessed[k]
            and heading_unit(h) in units
            and not _NO_SETTINGS & set(plain(h).split())
            and v.role is not Role.RATIO
        ]
        if len(fits) == 1:
            guessed[fits[0]] = f"v{v.key}"


def body_of(table: Rows, heading_row: int, space: Space) -> list[tuple[int, list[str]]]:
    """Rows below the headings (and their units) that hold anything, with their numbers from 1."""
    start = heading_row + bool(units_row(table, heading_row, space))
    return [(k, row) for k, row in enumerate(table, start=1) if k > start and any(row)]
