"""Settings and windows as people read them, the same on pages, in files and in write-ups."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from decimal import Decimal

from server.core.chemistry.charge import FEWEST_DIGITS, AmountKind, ChargeLine
from server.core.choose.tolerance import End, ToleranceWindow, VariableWindow
from server.core.model.effects import points_text
from server.core.space.units import plain as plain
from server.core.space.variables import Role, Setting, Variable

# Volumes that grow with the scale; mL per g or per mmol do not.
ABSOLUTE_VOLUMES = ("mL", "ml", "L", "l", "µL", "uL", "cL", "dL")

# What became of a finished run that gave no yield.
OUTCOME_LABELS = {"failure": "failed", "no_information": "no information"}
# Beginning of the window of a choice with other options.
OR = "or "
NO_LEEWAY = "hold as closely as you can"
NO_OTHER_NUMBER = "no other number is sure to keep the yield"
NO_OTHER_OPTION = "no other option is sure to keep the yield"


def setting_text(v: Variable, value: Setting) -> str:
    """A setting with its unit."""
    return str(value) if v.is_choice else f"{plain(float(value), 6)} {v.unit}".rstrip()


def grows_with_scale(v: Variable, driving: Collection[str]) -> bool:
    """Whether a setting is an amount at the base scale: an absolute volume, or one that sets a mass or volume of the charge.

    Parameters
    ----------
    driving : collection of str
        Keys of the variables that set masses and volumes, see ``vessels.variables_of_amounts``.
    """
    return not v.is_choice and ((v.role is Role.VOLUME and v.unit in ABSOLUTE_VOLUMES) or v.key in driving)


def setting_at_scale(
    v: Variable, value: Setting, scale: float | None, base_scale: float | None, driving: Collection[str] = ()
) -> str:
    """A setting with its unit; an amount counts at the base scale, so what it is at another scale is said beside it."""
    text = setting_text(v, value)
    if not grows_with_scale(v, driving) or not scale or not base_scale or math.isclose(scale, base_scale):
        return text
    return f"{plain(float(value) * scale / base_scale)} {v.unit}".rstrip() + f" ({text} at the base scale)"


def window_words(windows: Sequence[str], allowed_loss: float, percent: float) -> str:
    """What ranges beside settings mean, from the words of each."""
    if not has_leeway(windows):
        return (
            f"No range could be given: beyond the settings themselves nothing is sure to keep the true yield within "
            f"{points_text(allowed_loss)} of the recipe with a probability of {percent:g} %."
        )
    has_ranges = has_leeway([w for w in windows if not w.startswith(OR)])
    has_options = any(w.startswith(OR) for w in windows)
    where = []
    if has_ranges:
        options = ", and the options as in the recipe" if has_options else ""
        where.append(f"At any one setting in the ranges given, all variables off together{options}")
    if has_options:
        where.append(f"{'with' if has_ranges else 'With'} another option named here, all else at its setting")
    return (
        f"{', or '.join(where)}, the true yield is within {points_text(allowed_loss)} of the recipe with a probability of at "
        f"least {percent:g} %."
    )


def sureness_words(windows: Sequence[str], window: ToleranceWindow) -> str:
    """How probable it is that the yield keeps, where ranges are given; named options say theirs themselves.

    A single point, the recipe itself, has nothing to say about the options.
    """
    if not has_leeway([w for w in windows if not w.startswith(OR)]):
        return ""
    worst, mean = (plain(100.0 * p, 3) for p in (window.worst, window.reached))
    return f"At the least favourable one it is {worst} %, on average over the ranges {mean} %."


def has_leeway(windows: Sequence[str]) -> bool:
    """Whether any of the windows leaves room beside the setting."""
    return not all(w in (NO_LEEWAY, NO_OTHER_NUMBER, NO_OTHER_OPTION) for w in windows)


def content_words(line: ChargeLine) -> str:
    """Equivalents, purity, water and concentration of a line of the charge as on a label; empty where there is nothing to say."""
    m = line.material
    amount = m.amount * m.portions
    parts = {
        AmountKind.EQUIVALENTS: f"{plain(amount)} eq",
        AmountKind.MOL_PERCENT: f"{plain(amount)} mol%",
        AmountKind.MASS_PERCENT: f"{plain(amount)} wt%",
        AmountKind.VOLUME_PER_GRAM: f"{plain(amount)} mL/g",
        AmountKind.CONCENTRATION: f"for {plain(m.amount)} mol/L",
    }
    words = [parts[m.amount_kind]] if m.amount_kind in parts else []
    if m.concentration:
        words.append(f"{plain(m.concentration)} mol/L")
    elif m.purity < 1.0:
        words.append(f"{plain(100 * m.purity)} % pure")
    if m.water > 0.0:
        words.append(f"{plain(100 * m.water)} % water")
    return ", ".join(words)


def portions_text(line: ChargeLine) -> str:
    """The portions in which a material is taken, such as 3 × 50 mL; empty where it is taken once."""
    n = line.material.portions
    if n in (0.0, 1.0):
        return ""
    if line.volume_ml is not None:
        return f"{n:g} × {plain(line.volume_ml / n)} mL"
    return f"{n:g} × {plain(line.mass_g / n)} g" if line.mass_g is not None else ""


def rounded_down(value: float, digits: int = 3) -> float:
    """A positive number cut after so many digits: what must be at most so much stays possible as it is shown.

    Examples
    --------
    >>> rounded_down(0.039198), rounded_down(0.05), rounded_down(127.9)
    (0.0391, 0.05, 127.0)
    """
    unit = 10.0 ** (math.floor(math.log10(value)) - digits + 1)
    return float(f"{math.floor(value / unit * (1 + 1e-12)) * unit:.{digits}g}")


def window_text(w: VariableWindow) -> str:
    """The window of one variable in words.

    A window that is narrower than a tenth of a step on both sides is no leeway at all.
    """
    if w.variable.is_choice:
        if not w.keeps:
            return NO_OTHER_OPTION
        return OR + ", ".join(f"{name} ({100 * chance:.0f} %)" for name, chance in w.keeps)
    return _span(w, float(w.low or 0.0), float(w.high or 0.0), (w.low_end, w.high_end))


def alone_text(w: VariableWindow) -> str:
    """How far one variable may drift while all others keep to their settings, in words; empty for a choice."""
    return "" if w.alone is None else _span(w, *w.alone, (End.LOSS, End.LOSS))


def _span(w: VariableWindow, low: float, high: float, reasons: tuple[End, End]) -> str:
    setting = float(w.setting)
    if w.variable.role is Role.COUNT:
        low, high = math.ceil(low - 1e-9), math.floor(high + 1e-9)
    tenth = 0.1 * w.variable.working_step
    if setting - low < tenth and high - setting < tenth:
        return NO_OTHER_NUMBER if w.variable.role is Role.COUNT else NO_LEEWAY
    # A tenth of a step is fine enough; rounded inwards, but never past the setting.
    decimals = max(0, math.ceil(-math.log10(tenth)))
    grain = 10.0**decimals
    low, high = min(math.ceil(low * grain - 1e-6) / grain, setting), max(math.floor(high * grain + 1e-6) / grain, setting)
    unit = f" {w.variable.unit}".rstrip()
    begin = plain(low, 12) + (f"{unit} ({reasons[0]})" if reasons[0] else "")
    return f"{begin} to {plain(high, 12)}{unit}" + (f" ({reasons[1]})" if reasons[1] else "")


def weighed_text(value: float, readability: float) -> str:
    """A mass that was weighed, with the decimals of the balance, or of what was typed where it has more.

    Examples
    --------
    >>> weighed_text(2.9, 0.01), weighed_text(2.905, 0.01), weighed_text(0.1 + 0.2, 0.01), weighed_text(23456.0, 1.0)
    ('2.90', '2.905', '0.30', '23456')
    """
    # Sums of masses carry the dust of the arithmetic behind the twelfth digit.
    typed = Decimal(f"{value:.12g}").as_tuple().exponent
    return f"{value:.{max(_decimals(readability), -int(typed))}f}"


def mass_text(value: float, readability: float) -> str:
    """A mass with the decimals of the balance; what is too little for it with its digits.

    Examples
    --------
    >>> mass_text(17.9, 0.01), mass_text(0.00213, 0.01)
    ('17.90', '0.00213')
    """
    if 0 < value < FEWEST_DIGITS * readability:
        return f"{value:.3g}"
    return f"{value:.{_decimals(readability)}f}"


def _decimals(readability: float) -> int:
    """Decimals that a balance shows."""
    return max(0, -math.floor(math.log10(readability) + 1e-9))
