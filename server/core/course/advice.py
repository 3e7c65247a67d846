"""What a time course says about the hold: one sentence with its range, and the times that matter."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from server.core.course.fitting import (
    CLEAR_DIFFERENCE,
    LOW_WEIGHT,
    ORDER_DIFFERENCE,
    CourseFit,
    Range,
    fewest_for,
    fit_course,
    may_be_plateau,
    other_order,
    with_delay,
)
from server.core.course.shapes import TO_A_PLATEAU, Shape, best_time, no_longer_pays, time_to
from server.core.space.units import plain
from server.core.space.variables import FloatArray

# The last reading has to lie at least this far up the plateau, at the low end of the range.
FEWEST_REACHED = 0.6
# Whether readings follow their curve is asked from so many on; a stretch of them that lies off it by less than this share
# of their range does not matter; rarer runs of signs are no chance. (Own judgement.)
FEWEST_FOR_RUNS = 10
LARGEST_BEND = 0.02
RARE = 0.005
# Times so many times as long as the readings are no more than a guess at the shape. (Own judgement.)
FARTHEST = 4.0
# Readings that lie off their curve by so large a share of the largest follow none. (Own judgement.)
SCATTERED = 0.2
# A percentage that would end above 100 by no more is scatter. [percentage points]
SLACK = 1.0
# A further hour that brings less than this share of the plateau no longer pays.
SMALL_SHARE = 0.01


@dataclass(frozen=True)
class Advice:
    """Hold advice.

    Attributes
    ----------
    sentence : str
    is_too_early : bool
        The readings stop before the bend: no time is given then.
    to_95, to_99 : Range or None
        Time to 95 % and 99 % of the plateau. [h]
    plateau : Range or None
        [unit of the readings]
    best : Range or None
        Best time to stop a rise and decay, or where a straight line ends. [h]
    rate : Range or None
        First-order rate constant of the rise; of a second-order one times what was there at the start. [1/h]
    last_hour : float
        By how much the curve rose in the last hour of the readings (the last quarter, where they are shorter than two hours).
    last_stretch : float
        Length of that stretch. [h]
    next_hour : float or None
        What another hour is expected to bring; None where too few readings tell no shape from another.
    no_longer_pays : float or None
        Time from which a further hour brings less than 1 % of the plateau. [h]
    odd : tuple of (hours, value)
        Readings that do not fit the curve.
    is_followed : bool
        Whether the readings as a whole follow the curve, see ``is_followed``.
    """

    sentence: str
    is_too_early: bool
    last_hour: float
    last_stretch: float
    next_hour: float | None
    odd: tuple[tuple[float, float], ...]
    rate: Range | None
    to_95: Range | None = None
    to_99: Range | None = None
    plateau: Range | None = None
    best: Range | None = None
    no_longer_pays: float | None = None
    is_followed: bool = True


@dataclass(frozen=True)
class Course:
    """A fitted time course with its advice; ``other`` is the same in the other order, see ``other_order``."""

    fit: CourseFit
    criteria: dict[Shape, float]
    chosen_by_hand: bool
    advice: Advice
    other: CourseFit | None = None


def read_course(
    hours: FloatArray, values: FloatArray, unit: str, *, shape: Shape | None = None, from_zero: bool = True
) -> Course:
    """Fit readings and say what they mean for the hold.

    Parameters
    ----------
    hours, values : ndarray of shape (n,)
        [h], [unit]
    unit : str
        Of the readings, for the sentence.
    shape : Shape or None
        Chosen by the chemist, or None.

    Raises
    ------
    NotReadyError
        See ``fit_course``.
    """
    fit, criteria = fit_course(hours, values, shape=shape, from_zero=from_zero)
    other = other_order(fit)
    advice = _advise(fit, criteria, unit, shape is not None, other, with_delay(fit))
    was_bent = shape is not None or any(one in criteria for one in TO_A_PLATEAU)
    if was_bent and fit.scatter > SCATTERED * float(np.abs(fit.values).max()):
        advice = _scattered(fit, advice, unit)
    elif not advice.is_too_early and not is_followed(fit):
        advice = _not_followed(advice, is_chosen=shape is not None)
    return Course(fit, criteria, shape is not None, advice, other)


def is_followed(fit: CourseFit) -> bool:
    """Whether the readings lie about the curve at random, or so close to it that it does not matter.

    Notes
    -----
    Runs test of the signs of the residuals in time (Wald & Wolfowitz, Ann. Math. Statist. 11 (1940) 147; exact
    probability of so few runs), and stretches that lie ``LARGEST_BEND`` of the readings' range off it on average.
    """
    order = np.argsort(fit.hours, kind="stable")
    residuals = (fit.values - fit.at(fit.hours))[order][fit.weights[order] >= LOW_WEIGHT]
    n = len(residuals)
    if n < FEWEST_FOR_RUNS:
        return True
    above = residuals > 0
    n_runs = 1 + int(np.sum(above[1:] != above[:-1]))
    stretch = max(3, n // 8)
    off = np.convolve(residuals, np.ones(stretch) / stretch, mode="valid")
    is_far = float(np.abs(off).max()) > LARGEST_BEND * float(np.ptp(fit.values))
    return not is_far or _probability_of_so_few_runs(n_runs, int(above.sum()), int((~above).sum())) >= RARE


def _probability_of_so_few_runs(n_runs: int, n_above: int, n_below: int) -> float:
    """Probability of at most so many runs of signs, all orders being as likely."""
    if not n_above or not n_below:
        return 0.0
    ways = 0
    for r in range(2, n_runs + 1):
        k = r // 2
        a, b = math.comb(n_above - 1, k - 1), math.comb(n_below - 1, k - 1)
        if r % 2 == 0:
            ways += 2 * a * b
        else:
            ways += math.comb(n_above - 1, k) * b + a * math.comb(n_below - 1, k)
    return ways / math.comb(n_above + n_below, n_above)


def _scattered(fit: CourseFit, advice: Advice, unit: str) -> Advice:
    """What is said where the readings follow no curve at all."""
    worst = int(np.argmax(np.abs(fit.values - fit.at(fit.hours))))
    sentence = (
        f"The readings lie {plain(fit.scatter, 2)} {unit_of_change(unit)}".rstrip()
        + f" off the nearest curve, so they say nothing about the hold. Check them, {fit.values[worst]:.3g} {unit}".rstrip()
        + f" at {hours_words(float(fit.hours[worst]))} first."
    )
    return Advice(sentence, True, advice.last_hour, advice.last_stretch, None, advice.odd, None, is_followed=False)


def _not_followed(advice: Advice, *, is_chosen: bool) -> Advice:
    """What is said where the curve is not that of the readings: no times, unless the chemist chose the shape."""
    lead = "The readings do not follow this curve: they lie on one side of it for long stretches"
    if is_chosen:
        return replace(advice, sentence=f"{lead}, so times from it are rough. {advice.sentence}", is_followed=False)
    sentence = (
        f"{lead}, so no time is given; look at the readings themselves, or choose another shape. A rate that falls off "
        "otherwise than first or second order, or a slow start, does this."
    )
    return Advice(sentence, True, advice.last_hour, advice.last_stretch, advice.next_hour, advice.odd, None, is_followed=False)


# From here on, three digits leave no decimal. [in the unit shown]
_LONG = 99.95
# Shorter times are told in seconds, and the shortest of these with a decimal: whole minutes would leave one digit or none. [h]
_LONGEST_SECONDS, _SHORT_SECONDS = 0.05, 10 / 3600


def hours_words(hours: float, like: float | None = None, finer: int = 0) -> str:
    """A time in seconds, minutes, hours or days, with no more digits than it deserves.

    Parameters
    ----------
    like : float or None
        Another time whose unit is taken, so that a range has one unit. [h]
    finer : int
        Digits more than usual.

    Examples
    --------
    >>> hours_words(0.4), hours_words(3.14), hours_words(100.0), hours_words(1.4, like=1.6), hours_words(0.004)
    ('24 min', '3.1 h', '4.2 d', '1.4 h', '14 s')
    """
    scale = hours if like is None else like
    if 0 < scale < _LONGEST_SECONDS:
        number, unit, decimals = 3600 * hours, "s", 0 if scale >= _SHORT_SECONDS else 1
    elif scale < 1.5:
        number, unit, decimals = 60 * hours, "min", 0
    else:
        number, unit, decimals = (hours, "h", 1) if scale < 72 else (hours / 24, "d", 1)
    # An end of a range may be much longer than the time whose unit it has.
    return f"{plain(number, 3 + finer) if number >= _LONG else f'{number:.{decimals + finer}f}'} {unit}"


def range_words(r: Range) -> str:
    """A time with its range in words, all in one unit."""
    if r.low is None and r.high is None:
        return f"{hours_words(r.value)} (the readings set no bounds)"
    # A range that is narrower than the usual digits gets one more.
    alike = r.low is not None and r.high is not None and hours_words(r.low, r.value) == hours_words(r.high, r.value)
    finer = int(alike and r.low != r.high)
    value = hours_words(r.value, finer=finer)
    low = hours_words(r.low, r.value, finer) if r.low is not None else "unknown"
    if r.high is None:
        return f"{value} (90 % range from {low}, upwards not bounded)"
    return f"{value} (90 % range {low} to {hours_words(r.high, r.value, finer)})"


def _advise(
    fit: CourseFit,
    criteria: dict[Shape, float],
    unit: str,
    is_chosen: bool,
    other: CourseFit | None,
    late: CourseFit | None,
) -> Advice:
    last = float(fit.hours.max())
    stretch = 1.0 if last >= 2.0 else last / 4.0
    ends = fit.at(np.array([last - stretch, last, last + 1.0]))
    brought, more = float(ends[1] - ends[0]), float(ends[2] - ends[1])
    if unit == "%":
        # A straight line knows no end; a percentage has one.
        more = float(np.clip(ends[2], 0.0, 100.0) - np.clip(ends[1], 0.0, 100.0))
    odd = tuple((float(h), float(v)) for h, v, w in zip(fit.hours, fit.values, fit.weights, strict=True) if w < LOW_WEIGHT)
    if _is_level(fit, brought):
        lately = f"The last {hours_words(stretch)} changed next to nothing."
    else:
        verb = "rose" if brought > 0 else "fell"
        by = f"{plain(abs(brought), 2)} {unit_of_change(unit)}".rstrip()
        lately = f"In the last {hours_words(stretch)} the curve {verb} by {by}."
    rate = fit.range_of(lambda p: p["rate"]) if fit.form.shape is not Shape.STRAIGHT else None
    early = Advice("", True, brought, stretch, more, odd, rate)
    if fit.form.shape is Shape.STRAIGHT:
        if not is_chosen and not any(shape in criteria for shape in TO_A_PLATEAU):
            return replace(early, sentence=_too_few(fit, unit), next_hour=None)
        return _straight(fit, early, lately, unit, is_chosen)
    if fit.form.shape is Shape.RISE_AND_DECAY:
        return _rise_and_decay(fit, early, lately, unit, last)
    return _plateau(fit, early, lately, last, criteria, unit, other, late, is_chosen=is_chosen)


def _plateau(
    fit: CourseFit,
    early: Advice,
    lately: str,
    last: float,
    criteria: dict[Shape, float],
    unit: str,
    other: CourseFit | None,
    late: CourseFit | None,
    *,
    is_chosen: bool,
) -> Advice:
    reached = fit.range_of(lambda p: fit.at_one({**p, "start": np.zeros(1), "size": np.ones(1)}, last))
    is_straight = criteria.get(Shape.STRAIGHT, math.inf) < fit.aicc + CLEAR_DIFFERENCE
    if is_straight or reached.low is None or reached.low < FEWEST_REACHED:
        return replace(early, sentence=f"{_too_early(fit, brought=early.last_hour)} to say where it ends. {lately}")
    to_95, to_99, plateau = _ends_of(fit)
    if to_95.value > FARTHEST * last and not is_chosen:
        words = (
            f"{_way(fit).capitalize()} ever more slowly: 95 % would lie far beyond the last reading, at some "
            f"{hours_words(to_95.value)}, which these readings cannot bear out, so no time is given. {lately}"
        )
        return replace(early, sentence=words)
    if is_chosen or (other is not None and other.aicc > fit.aicc + ORDER_DIFFERENCE):
        other = None
    for same in filter(None, (other, late)):
        to_95, to_99, plateau = (_both(*pair) for pair in zip((to_95, to_99, plateau), _ends_of(same), strict=True))
    also = [f for f in (fit, other, late) if f]
    pays = max(no_longer_pays(SMALL_SHARE, f.parameters["rate"], f.parameters["delay"], f.form.shape) for f in also)
    now = (
        "The last reading is past the 95 %."
        if last >= to_95.value
        else f"The 95 % lie {hours_words(to_95.value - last)} beyond the last reading."
    )
    if len(also) > 1 and last >= to_95.value and (to_95.high is None or last < to_95.high):
        now = "Whether the last reading is past the 95 % cannot be told."
    is_falling = fit.parameters["size"] < 0
    what = "of the way down" if is_falling else "of the plateau"
    text = f"95 % {what} is reached after {range_words(to_95)}, 99 % after {range_words(to_99)}. {now} {lately}"
    if other is not None:
        orders = ("first", "second") if fit.form.shape is Shape.PLATEAU else ("second", "first")
        text += f" Whether it slows as {orders[0]} or {orders[1]} order does, these readings cannot tell; the ranges allow both."
    if late is not None:
        text += " It may have started late; the ranges allow that."
    if unit == "%" and plateau.value > 100.0 + SLACK:
        text += f" The curve would end at {plateau.value:.0f} %, which cannot be, so these times are rather too long."
    if last >= pays:
        whole = "the whole change" if is_falling else "the plateau"
        text += f" From {hours_words(pays)} on, a further hour brings less than 1 % of {whole}."
    return replace(early, sentence=text, is_too_early=False, to_95=to_95, to_99=to_99, plateau=plateau, no_longer_pays=pays)


def _ends_of(fit: CourseFit) -> tuple[Range, Range, Range]:
    """Times to 95 % and 99 % of the plateau [h], and the plateau [unit of the readings]."""
    shape = fit.form.shape
    to_95 = fit.range_of(lambda p: time_to(0.95, p["rate"], p["delay"], shape))
    to_99 = fit.range_of(lambda p: time_to(0.99, p["rate"], p["delay"], shape))
    return to_95, to_99, fit.range_of(lambda p: p["start"] + p["size"])


def _both(own: Range, other: Range) -> Range:
    """The value of the first with a range that holds both."""
    low = None if own.low is None or other.low is None else min(own.low, other.low)
    high = None if own.high is None or other.high is None else max(own.high, other.high)
    return Range(own.value, low, high)


def _is_level(fit: CourseFit, brought: float) -> bool:
    """Whether the last stretch of a curve, which brought so much, changed next to nothing."""
    return abs(brought) < 1e-3 * float(np.ptp(fit.values))


def _too_early(fit: CourseFit, brought: float) -> str:
    """That it is too early, and which way the curve still goes, if it does."""
    if _is_level(fit, brought):
        return "Too early"
    # What rises and decays may fall by now.
    return f"Still {'rising' if brought > 0 else 'falling'}: too early"


def _way(fit: CourseFit) -> str:
    return "rising" if fit.parameters["size"] >= 0 else "falling"


def _rise_and_decay(fit: CourseFit, early: Advice, lately: str, unit: str, last: float) -> Advice:
    best = fit.range_of(_best_times)
    if best.high is None or best.value > 1.5 * last:
        return replace(early, sentence=f"{_too_early(fit, brought=early.last_hour)} to say when to stop. {lately}")
    if fit.parameters["size"] < 0:
        # A dip, of a temperature for example: its lowest point is no time to stop.
        return replace(early, sentence=f"It falls and comes back: lowest after {range_words(best)}. {lately}", is_too_early=False)
    gone = last - best.value
    where = "It is not past yet."
    if gone > 0.02 * last:
        lost = f"{_fallen(fit, best.value, last):.3g} {unit_of_change(unit)}".rstrip()
        were = "were" if unit == "%" else "was"
        where = f"That was {hours_words(gone)} before the last reading; {lost} {were} lost since then."
    text = f"Best time to stop: {range_words(best)}. {where} {lately}"
    return replace(early, sentence=text, is_too_early=False, best=best)


def unit_of_change(unit: str) -> str:
    """Unit of a difference of readings: that of two percentages is no percentage of either."""
    return "points" if unit == "%" else unit


def _too_few(fit: CourseFit, unit: str) -> str:
    """What can be said where no shape with a bend could be tried: nothing but what the last readings were."""
    least = fewest_for(Shape.PLATEAU, from_zero=not fit.form.has_start)
    order = np.argsort(fit.hours, kind="stable")[-2:]
    (earlier, before), (later, after) = ((float(fit.hours[k]), float(fit.values[k])) for k in order)
    moved = f"{before:.3g} to {after:.3g} {unit}".rstrip()
    return (
        f"{len(fit.hours)} readings are too few to tell a straight line from a bend; at least {least} are needed, so no time is "
        f"given. From {hours_words(earlier, later)} to {hours_words(later)} it went from {moved}."
    )


def _straight(fit: CourseFit, early: Advice, lately: str, unit: str, is_chosen: bool) -> Advice:
    slope = f"{fit.parameters['size']:.3g} {unit_of_change(unit)}".rstrip()
    if not fit.form.has_end:
        return replace(early, sentence=f"Still going straight, at {slope} per hour: too early to say where it ends. {lately}")
    end = fit.range_of(lambda p: p["delay"] + p["end"])
    if not is_chosen and may_be_plateau(fit):
        text = (
            f"It bends at about {hours_words(end.value)}: whether it was exhausted there or still comes closer to a plateau, "
            f"these {len(fit.hours)} readings cannot tell, so no time is given. "
            f"Readings around and after the bend would tell. {lately}"
        )
        return replace(early, sentence=text)
    text = f"It went straight, at {slope} per hour, until it was exhausted after {range_words(end)}. {lately}"
    plateau = fit.range_of(lambda p: p["start"] + p["size"] * p["end"])
    return replace(early, sentence=text, is_too_early=False, plateau=plateau, best=end, no_longer_pays=end.value)


def _best_times(p: dict[str, FloatArray]) -> FloatArray:
    return np.array([d + best_time(float(a), float(b)) for a, b, d in zip(p["rate"], p["decay"], p["delay"], strict=True)])


def _fallen(fit: CourseFit, best: float, last: float) -> float:
    at = fit.at(np.array([best, last]))
    return float(at[0] - at[1])
