"""Where the product is lost, over all runs: what is left of theory at the end of each stage.

The yield of a run is the product of the recoveries of the stretches between its
checkpoints. Side by side the runs say which stretch loses most, and which one makes
the yields differ. A variable can act on its own stage and on those after it only,
so that each stretch has fewer variables to be told apart than the yield has.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from server.core.model.runs import Beside, RunTable
from server.core.space.variables import REACTION_STAGES, STAGE_WORDS, FloatArray, Stage, Variable

# Fewer runs with a checkpoint at the end of a stage give no column of their own (own convention).
FEWEST_RUNS_OF_STAGE = 3
# Fewer complete runs do not say which stretch makes yields differ (own convention).
FEWEST_RUNS_FOR_SHARES = 4
# One stretch is named as the source of the differences if it holds most of them whichever run is left out.
_MOST = 0.5
# More product after a stretch than before it, beyond what weighing scatters by. [%] (own judgement)
_GAIN = 101.0
# Content of a checkpoint is known about this well. [percentage points of theory] (own judgement)
CONTENT_SD = 2.0
# What two runs together imply is doubted by this much in any case [percentage points], and by this share of its
# distance from what either run gave (own judgement): one stage may make the work of the next harder.
LEAST_SD = 3.0
DOUBT = 0.1
# A run with less than this left at a checkpoint says nothing about what comes after it. [% of theory]
_LEAST_LEFT = 10.0
# So many runs are crossed with the best, the better ones first: more would make the models slow and teach little.
MOST_CROSSED = 20


@dataclass(frozen=True)
class Way:
    """The product of one run along its way.

    Attributes
    ----------
    number : int
        Of the run.
    left : mapping of Stage to float
        Product at the end of a stage as a share of theory. [%]
    percent : float
        Isolated yield. [%]
    """

    number: int
    left: Mapping[Stage, float]
    percent: float

    def at(self, end: Stage | None) -> float | None:
        """What is left at the end of a stage, of the way where None; None where it was not weighed. [%]"""
        return self.percent if end is None else self.left.get(end)


@dataclass(frozen=True)
class Stretch:
    """A part of the way that several runs have: from the end of one stage to that of another.

    ``start`` is None for theory, ``end`` None for the isolated product. Arrays have shape (n_runs,).
    ``share`` is the part of the differences between complete runs that this stretch makes,
    ``share_low`` and ``share_high`` what it is with any one of them left out; None where they
    are too few or hardly differ. [fraction]
    """

    start: Stage | None
    end: Stage | None
    numbers: tuple[int, ...]
    before: FloatArray
    after: FloatArray
    share: float | None = None
    share_low: float | None = None
    share_high: float | None = None

    @property
    def title(self) -> str:
        return f"{_short(self.start, 'theory')} → {_short(self.end, 'isolated product')}"

    @property
    def where(self) -> str:
        """Where it lies, in words that fit after 'lost'."""
        if self.start is None:
            return "in the reaction" if self.end in REACTION_STAGES else f"up to the end of the {_short(self.end, '')}"
        if self.end is None:
            return f"after the {_short(self.start, '')}"
        return f"between the end of the {_short(self.start, '')} and that of the {_short(self.end, '')}"

    @property
    def is_first(self) -> bool:
        return self.start is None

    @property
    def recovery(self) -> FloatArray:
        """Product at the end against product at the start. [%]"""
        return np.asarray(100.0 * self.after / self.before)

    @property
    def lost(self) -> float:
        """Mean loss. [percentage points of theory]"""
        return float(np.mean(self.before - self.after))

    @property
    def quantity(self) -> str:
        """What the recovery is, in words that fit after 'raised'."""
        if self.is_first and self.end in REACTION_STAGES:
            return "what the reaction gives"
        return f"the recovery from {_short(self.start, 'theory')} to {_short(self.end, 'isolated product')}"

    def acts(self, variable: Variable) -> bool:
        """Whether a variable can act on this stretch: it belongs to no later stage."""
        stages = list(Stage)
        return self.end is None or stages.index(variable.stage) <= stages.index(self.end)


def _short(stage: Stage | None, otherwise: str) -> str:
    return otherwise if stage is None else STAGE_WORDS[stage].replace(",", "")


@dataclass(frozen=True)
class StageByStage:
    """The ways of all runs side by side.

    ``stations`` are the stages at whose ends enough runs were weighed, in the order of the
    work; ``complete`` the numbers of the runs that have them all.
    """

    ways: tuple[Way, ...]
    stations: tuple[Stage, ...]
    stretches: tuple[Stretch, ...]
    complete: tuple[int, ...]
    sentences: tuple[str, ...]


def stage_by_stage(ways: Sequence[Way], repeatability: float) -> StageByStage | None:
    """Lay the ways of the product side by side.

    Parameters
    ----------
    ways : sequence of Way
        Of runs that gave a yield; those without a checkpoint play no part.
    repeatability : float
        Standard deviation of a repeated run. [percentage points]

    Returns
    -------
    found : StageByStage or None
        None where no stage has a checkpoint in ``FEWEST_RUNS_OF_STAGE`` runs.

    Notes
    -----
    With Y = r₁·r₂·…, the share of stretch k in the differences is cov(ln rₖ, ln Y)/var(ln Y);
    shares add up to 1 because the covariance is linear. One may be negative: then that stretch
    made up for another.
    """
    usable = [w for w in ways if w.percent > 0 and any(x > 0 for x in w.left.values())]
    counts = {s: sum(w.left.get(s, 0.0) > 0 for w in usable) for s in Stage}
    stations = tuple(s for s in Stage if counts[s] >= FEWEST_RUNS_OF_STAGE)
    if not stations:
        return None
    complete = [w for w in usable if all(w.left.get(s, 0.0) > 0 for s in stations)]
    shares = _shares(complete, stations, repeatability)
    stretches = []
    for k, (start, end) in enumerate(itertools.pairwise([None, *stations, None])):
        both = [(w, 100.0 if k == 0 else w.at(start), w.at(end)) for w in usable]
        there = [(w.number, b, a) for w, b, a in both if b and a]
        numbers, before, after = zip(*there, strict=True) if there else ((), (), ())
        one = Stretch(start, end, numbers, np.array(before, dtype=float), np.array(after, dtype=float))
        if shares is not None:
            low, high = float(shares[1:, k].min()), float(shares[1:, k].max())
            one = Stretch(start, end, numbers, one.before, one.after, float(shares[0, k]), low, high)
        stretches.append(one)
    numbers = tuple(w.number for w in complete)
    return StageByStage(tuple(usable), stations, tuple(stretches), numbers, _sentences(stretches, complete, repeatability))


def _shares(complete: Sequence[Way], stations: Sequence[Stage], repeatability: float) -> FloatArray | None:
    """Shares of the stretches, shape (1 + n_runs, n_stretches): of all complete runs, then without each of them."""
    if len(complete) < FEWEST_RUNS_FOR_SHARES or _hardly_differ(complete, repeatability):
        return None
    marks = np.log([[100.0, *(w.left[s] for s in stations), w.percent] for w in complete])
    logs = np.diff(marks, axis=1)
    kept = [list(range(len(logs))), *([i for i in range(len(logs)) if i != j] for j in range(len(logs)))]
    out = []
    for rows in kept:
        part = logs[rows] - logs[rows].mean(axis=0)
        total = part.sum(axis=1)
        variance = float(total @ total)
        out.append(part.T @ total / variance if variance > 1e-12 else np.full(logs.shape[1], np.nan))
    shares = np.array(out)
    return shares if np.all(np.isfinite(shares)) else None


def _hardly_differ(complete: Sequence[Way], repeatability: float) -> bool:
    """Whether the yields differ no more than repeats do."""
    return float(np.std([w.percent for w in complete], ddof=1)) <= repeatability


def _sentences(stretches: Sequence[Stretch], complete: Sequence[Way], repeatability: float) -> tuple[str, ...]:
    told = [s for s in stretches if s.numbers]
    worst = max(told, key=lambda s: s.lost)
    out = []
    if worst.lost > 0:
        low, high = float((worst.before - worst.after).min()), float((worst.before - worst.after).max())
        out.append(
            f"Most is lost {worst.where}: {worst.lost:.0f} points of theory on average of {len(worst.numbers)} runs "
            f"({low:.0f} to {high:.0f})."
        )
    known = [s for s in stretches if s.share is not None]
    if known:
        out += _share_sentences(known, len(complete))
    elif len(complete) < FEWEST_RUNS_FOR_SHARES:
        have = f"{len(complete)} run has" if len(complete) == 1 else f"{len(complete)} runs have"
        out.append(
            f"Which stretch makes the yields differ takes {FEWEST_RUNS_FOR_SHARES} runs that were weighed at the end of each of "
            f"these stages; {have} been."
        )
    elif _hardly_differ(complete, repeatability):
        out.append(f"The yields of these {len(complete)} runs differ no more than repeats do: no stretch makes a difference.")
    gains = [(s, n) for s in stretches for n, r in zip(s.numbers, s.recovery, strict=True) if r > _GAIN and not s.is_first]
    out += [f"Run {n} gained product {s.where}: a checkpoint was wet, or its content is not right." for s, n in gains]
    return tuple(out)


def _share_sentences(known: Sequence[Stretch], count: int) -> list[str]:
    """Which stretch makes the runs differ, and which ones run against the rest."""
    top = max(known, key=lambda s: s.share or 0.0)
    if (top.share_low or 0.0) > _MOST:
        lead = f"The yields of these {count} runs differ mostly because of what happens {top.where}"
    else:
        lead = f"The largest part of the differences between these {count} runs arises {top.where}"
    out = [f"{lead}: {percent_text(top.share or 0.0)} of the differences ({range_text(top)} with any one run left out)."]
    out += [
        f"What happens {s.where} runs against the rest ({percent_text(s.share or 0.0)} of the differences): where more came in, "
        "less was kept. That can be real, or a checkpoint was wet or its content is off."
        for s in known
        if (s.share_high or 0.0) < 0
    ]
    return out


def crossed_evidence(table: RunTable, ways: Sequence[Way]) -> Beside | None:
    """What the reaction of one run with the work-up of another would have given.

    Every run is crossed with the best one at every stage at which both were weighed: its first
    stages with the rest of the best run, and the other way round. The yield of the cross is what
    was left after the first part, times the recovery of the second.

    Parameters
    ----------
    table : RunTable
        The runs that count.
    ways : sequence of Way
        Of some of them.

    Returns
    -------
    beside : Beside or None
        Row numbers are those of the crossed run, negative: they are no runs. None where nothing can be crossed.

    Notes
    -----
    Assumes that a stage works the same whatever came before it, apart from the amount of product;
    ``DOUBT`` and ``LEAST_SD`` allow for that not being so (own judgement). Compared on simulated
    preparations: ``tests/bench/followed_runs.py``.
    """
    position = {number: i for i, number in enumerate(table.numbers)}
    known = [w for w in ways if w.number in position and w.percent > 0]
    known.sort(key=lambda w: (round(w.percent, 6), tuple(np.round(table.coded[position[w.number]], 7))), reverse=True)
    if len(known) < 2:
        return None
    best = known[0]
    order = list(Stage)
    # Crosses at different stages may come to the same settings: one row then, the mean of what they imply.
    implied: dict[tuple[int, tuple[float, ...]], list[tuple[float, float]]] = {}
    for way in known[1 : MOST_CROSSED + 1]:
        for stage in Stage:
            is_first = np.array([order.index(v.stage) <= order.index(stage) for v in table.variables], dtype=bool)
            for first, second in ((way, best), (best, way)):
                a, b = table.coded[position[first.number]], table.coded[position[second.number]]
                row = np.where(is_first, a, b)
                crossed = _cross(first, second, stage)
                # Where one part is the same in both runs, the cross is one of the runs themselves.
                if crossed is not None and not _same(row, a) and not _same(row, b):
                    implied.setdefault((way.number, tuple(row)), []).append(crossed)
    if not implied:
        return None
    numbers = tuple(-number for number, _ in implied)
    means = np.array([np.mean(found, axis=0) for found in implied.values()])
    crosses = RunTable(table.variables, np.array([row for _, row in implied]), means[:, 0], means[:, 1], numbers)
    return Beside(crosses, tuple(frozenset((-number, best.number)) for number in numbers))


def _same(row: FloatArray, other: FloatArray) -> bool:
    return bool(np.allclose(row, other, rtol=0.0, atol=1e-7))


def _cross(first: Way, second: Way, stage: Stage) -> tuple[float, float] | None:
    """Yield and its standard deviation of one run up to a stage, another after it. [%, percentage points]"""
    made, left = first.left.get(stage, 0.0), second.left.get(stage, 0.0)
    if made <= 0 or left < _LEAST_LEFT:
        return None
    percent = made * second.percent / left
    if percent > 110.0:
        return None
    relative = math.hypot(CONTENT_SD / max(made, 5.0), CONTENT_SD / left, CONTENT_SD / max(second.percent, 5.0))
    sd = math.hypot(percent * relative, LEAST_SD, DOUBT * (percent - first.percent), DOUBT * (percent - second.percent))
    return min(percent, 100.0), sd


def percent_text(share: float) -> str:
    """A share as a whole percentage.

    Examples
    --------
    >>> percent_text(0.634), percent_text(-0.08)
    ('63 %', '−8 %')
    """
    rounded = math.floor(100.0 * abs(share) + 0.5)
    return f"{'−' if share < 0 and rounded else ''}{rounded} %"


def range_text(stretch: Stretch) -> str:
    """The share of a stretch with any one run left out, in words; a dash where it is not known."""
    if stretch.share_low is None or stretch.share_high is None:
        return "–"
    return f"{percent_text(stretch.share_low)} to {percent_text(stretch.share_high)}"
