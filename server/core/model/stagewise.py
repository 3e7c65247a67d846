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
from dataclasses import dataclass, replace

import numpy as np

from server.core.model.effects import listed
from server.core.model.runs import FAILURE_SD, Beside, RunTable
from server.core.space.variables import REACTION_STAGES, STAGE_WORDS, FloatArray, Stage, Variable

# Fewer runs with a checkpoint at the end of a stage give no column of their own (own convention).
FEWEST_RUNS_OF_STAGE = 3
# Fewer complete runs do not say which stretch makes yields differ (own convention).
FEWEST_RUNS_FOR_SHARES = 4
# One stretch is named as the source of the differences if it holds most of them whichever run is left out.
_MOST = 0.5
# Content of a checkpoint is known about this well. [percentage points of theory] (own judgement)
CONTENT_SD = 2.0
_NINETY = 1.645
# More gained than this, against theory or an earlier checkpoint, is a mistake in a mass or a content. [percentage points
# of theory] Such runs are shown, but their checkpoints play no part.
_GAIN = 2.0 * CONTENT_SD
# What two runs together imply is doubted by this much in any case [percentage points], and by this share of its
# distance from what either run gave (own judgement): one stage may make the work of the next harder.
LEAST_SD = 3.0
DOUBT = 0.1
# A run with less than this left at a checkpoint says nothing about what comes after it. [% of theory]
LEAST_LEFT = 10.0
# So many runs are crossed with the best, the better ones first: more would make the models slow and teach little.
MOST_CROSSED = 20
# An implied yield above this is no yield. [%]
_HIGHEST = 110.0
# These two come in either order: crystals are isolated, then dried; a solution is dried, then evaporated.
_EITHER_ORDER = (Stage.ISOLATION, Stage.DRYING)
_DRYING_FIRST = (*(s for s in Stage if s not in _EITHER_ORDER), Stage.DRYING, Stage.ISOLATION)


@dataclass(frozen=True)
class WorkOrder:
    """The order of the stages in a preparation.

    ``is_known`` says whether a run showed in which order isolation and drying came; unless it is, each
    may have come before the other.
    """

    stages: tuple[Stage, ...] = tuple(Stage)
    is_known: bool = False

    @classmethod
    def of(cls, sequences: Sequence[Sequence[Stage]], drying_first: bool | None = None) -> WorkOrder:
        """The order in which most runs had isolation and drying, from the stages of each run as they were weighed.

        ``drying_first`` is the order where the chemist has said it.
        """
        if drying_first is not None:
            return cls(_DRYING_FIRST if drying_first else tuple(Stage), True)
        both = [[s for s in sequence if s in _EITHER_ORDER] for sequence in sequences]
        seen = [s[0] is Stage.DRYING for s in both if len(set(s)) == 2]
        return cls(_DRYING_FIRST if sum(seen) * 2 > len(seen) else tuple(Stage), bool(seen))

    def agrees(self, sequence: Sequence[Stage]) -> bool:
        """Whether a run was weighed in this order."""
        places = [self.stages.index(s) for s in sequence]
        return places == sorted(places)

    def up_to(self, stage: Stage) -> frozenset[Stage]:
        """Stages that surely came before the end of ``stage``, itself included."""
        surely = set(self.stages[: self.stages.index(stage) + 1])
        return frozenset(surely - self.unclear(stage))

    def surely_before(self, one: Stage, other: Stage) -> bool:
        """Whether a stage surely comes before another one."""
        return one is not other and one in self.up_to(other)

    def unclear(self, stage: Stage) -> frozenset[Stage]:
        """Stages of which it is not known whether they came before the end of ``stage``."""
        if self.is_known or stage not in _EITHER_ORDER:
            return frozenset()
        return frozenset(_EITHER_ORDER) - {stage}


USUAL_ORDER = WorkOrder()


@dataclass(frozen=True)
class Way:
    """The product of one run along its way.

    Attributes
    ----------
    number : int
        Of the run.
    left : mapping of Stage to float
        Product at the end of a stage as a share of theory, in the order of the work. [%]
    percent : float
        Isolated yield. [%]
    """

    number: int
    left: Mapping[Stage, float]
    percent: float

    def at(self, end: Stage | None) -> float | None:
        """What is left at the end of a stage, of the way where None; None where it was not weighed. [%]"""
        return self.percent if end is None else self.left.get(end)

    @property
    def gains(self) -> list[tuple[Stage | None, Stage | None, float]]:
        """Stretches between neighbouring checkpoints at which more was there than before, and by how much. [points of theory]"""
        marks: list[tuple[Stage | None, float]] = [(None, 100.0), *self.left.items(), (None, self.percent)]
        return [(a, b, after - before) for (a, before), (b, after) in itertools.pairwise(marks) if after - before > _GAIN]


@dataclass(frozen=True)
class Stretch:
    """A part of the way that several runs have: from the end of one stage to that of another.

    ``start`` is None for theory, ``end`` None for the isolated product. Arrays have shape (n_runs,).
    ``share`` is the part of the differences between complete runs that this stretch makes, ``share_low``
    and ``share_high`` what it is with any one of them left out, ``share_u`` its standard uncertainty from that of
    the contents; None where they are too few or hardly differ. [fraction] ``acting`` are the stages whose variables
    can act on it.
    """

    start: Stage | None
    end: Stage | None
    numbers: tuple[int, ...]
    before: FloatArray
    after: FloatArray
    acting: frozenset[Stage] = frozenset(Stage)
    share: float | None = None
    share_low: float | None = None
    share_high: float | None = None
    share_u: float | None = None

    @property
    def title(self) -> str:
        return f"{_short(self.start, 'theory')} → {_short(self.end, 'isolated product')}"

    @property
    def where(self) -> str:
        """Where it lies, in words that fit after 'lost'."""
        if self.start is None:
            return "in the reaction" if self.end in REACTION_STAGES else f"up to the end of the {_short(self.end, 'way')}"
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
    def recovery_sd(self) -> FloatArray:
        """Uncertainty of the recoveries from the contents of the checkpoints. [percentage points]"""
        at_start = np.zeros_like(self.before) if self.is_first else CONTENT_SD / self.before
        at_end = np.zeros_like(self.after) if self.end is None else CONTENT_SD / self.after
        return np.asarray(self.recovery * np.hypot(at_start, at_end))

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

    @property
    def telling(self) -> Stretch:
        """The same with the runs only that had enough left at its start to say what became of it.

        A recovery as doubtful as the result of a failed run tells next to nothing.
        """
        return self.of_runs((self.before >= LEAST_LEFT) & (self.recovery_sd < FAILURE_SD))

    def of_runs(self, chosen: np.ndarray) -> Stretch:
        """The same with some of the runs; ``chosen`` is a mask of shape (n_runs,)."""
        numbers = tuple(n for n, is_in in zip(self.numbers, chosen, strict=True) if is_in)
        return replace(self, numbers=numbers, before=self.before[chosen], after=self.after[chosen])

    def acts(self, variable: Variable) -> bool:
        """Whether a variable can act on this stretch: it belongs to no later stage."""
        return variable.stage in self.acting


def _short(stage: Stage | None, otherwise: str) -> str:
    return otherwise if stage is None else STAGE_WORDS[stage].replace(",", "")


@dataclass(frozen=True)
class StageByStage:
    """The ways of all runs side by side.

    ``stations`` are the stages at whose ends enough runs were weighed, in the order of the
    work; ``complete`` the numbers of the runs that have them all and gained nothing. ``headline``
    is the sentence that tells most; empty where nothing is lost.
    """

    ways: tuple[Way, ...]
    stations: tuple[Stage, ...]
    stretches: tuple[Stretch, ...]
    complete: tuple[int, ...]
    sentences: tuple[str, ...]
    headline: str


def stage_by_stage(ways: Sequence[Way], order: WorkOrder = USUAL_ORDER) -> StageByStage | None:
    """Lay the ways of the product side by side.

    Parameters
    ----------
    ways : sequence of Way
        Of runs that gave a yield; those without a checkpoint play no part.
    order : WorkOrder

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
    shown = [w for w in ways if w.percent > 0 and any(x > 0 for x in w.left.values())]
    usable = [w for w in shown if not w.gains]
    counts = {s: sum(w.left.get(s, 0.0) > 0 for w in usable) for s in Stage}
    stations = tuple(s for s in order.stages if counts[s] >= FEWEST_RUNS_OF_STAGE)
    if not stations:
        return None
    complete = [w for w in usable if all(w.left.get(s, 0.0) > 0 for s in stations)]
    stretches: list[Stretch] = []
    for start, end in itertools.pairwise([None, *stations, None]):
        both = [(w, 100.0 if start is None else w.at(start), w.at(end)) for w in usable]
        there = [(w.number, b, a) for w, b, a in both if b and a]
        numbers, before, after = zip(*there, strict=True) if there else ((), (), ())
        acting = frozenset(Stage) if end is None else order.up_to(end) | order.unclear(end)
        stretches.append(Stretch(start, end, numbers, np.array(before, dtype=float), np.array(after, dtype=float), acting))
    shares, alone = _shares(complete, stations)
    if shares is not None:
        u = _share_u(complete, stations)
        stretches = [replace(s, share=float(shares[0, k]), share_u=float(u[k])) for k, s in enumerate(stretches)]
        if alone is None:
            low, high = shares[1:].min(axis=0), shares[1:].max(axis=0)
            stretches = [replace(s, share_low=float(low[k]), share_high=float(high[k])) for k, s in enumerate(stretches)]
    numbers = tuple(w.number for w in complete)
    losses, differences = _loss_sentences(stretches, numbers), _share_sentences(stretches, numbers, alone)
    sentences = (*losses, *differences, *_gain_sentences(shown), *_dropped_sentences(shown, order, stations))
    headline = differences[0] if shares is not None else " ".join(losses)
    return StageByStage(tuple(shown), stations, tuple(stretches), numbers, sentences, headline)


def _shares(complete: Sequence[Way], stations: Sequence[Stage]) -> tuple[FloatArray | None, int | None]:
    """Shares of the stretches, shape (1 + n_runs, n_stretches): of all complete runs, then without each of them.

    None where the runs are too few or hardly differ. Second, the number of the run without which they
    hardly differ, if there is one; rows without a run mean nothing then.
    """
    if len(complete) < FEWEST_RUNS_FOR_SHARES or _hardly_differ(complete):
        return None, None
    alone = next((w.number for w in complete if _hardly_differ([o for o in complete if o is not w])), None)
    marks = np.log([[100.0, *(w.left[s] for s in stations), w.percent] for w in complete])
    logs = np.diff(marks, axis=1)
    everything = np.arange(len(logs))
    out = []
    for rows in [everything] if alone is not None else [everything, *(np.delete(everything, k) for k in everything)]:
        part = logs[rows] - logs[rows].mean(axis=0)
        total = part.sum(axis=1)
        out.append(part.T @ total / (total @ total))
    return np.array(out), alone


def _share_u(complete: Sequence[Way], stations: Sequence[Stage]) -> FloatArray:
    """Standard uncertainty of the shares from that of the contents (``CONTENT_SD``), shape (n_stretches,).

    Notes
    -----
    With T the centred ln Y, a share is Σ Tᵢ ln rᵢ / Σ Tᵢ²: uncertainties uᵢ of the ln rᵢ give √Σ(Tᵢuᵢ)² / Σ Tᵢ²
    (JCGM 100:2008, 5.1). Every checkpoint enters the stretch that ends there and the next one.
    """
    left = np.array([[w.left[s] for s in stations] for w in complete])
    marks = np.hstack([np.zeros((len(left), 1)), (CONTENT_SD / left) ** 2, np.zeros((len(left), 1))])
    u = np.sqrt(marks[:, :-1] + marks[:, 1:])
    total = np.log([w.percent for w in complete])
    total = total - total.mean()
    return np.asarray(np.sqrt(((total[:, None] * u) ** 2).sum(axis=0)) / (total @ total))


def _hardly_differ(complete: Sequence[Way]) -> bool:
    """Whether the yields differ by no more than what the content of a checkpoint is known to."""
    return float(np.std([w.percent for w in complete], ddof=1)) <= CONTENT_SD


def _loss_sentences(stretches: Sequence[Stretch], complete: Sequence[int]) -> list[str]:
    """Where most is lost: over complete runs if there are enough, so that the stretches are compared over the same runs."""
    told = [s for s in stretches if s.numbers]
    if len(complete) >= FEWEST_RUNS_OF_STAGE:
        told = [s.of_runs(np.isin(s.numbers, complete)) for s in told]
    worst = max(told, key=lambda s: s.lost)
    if worst.lost <= 0:
        return []
    low, high = float((worst.before - worst.after).min()), float((worst.before - worst.after).max())
    count = f"{len(worst.numbers)} run{'' if len(worst.numbers) == 1 else 's'}"
    return [f"Most is lost {worst.where}: {worst.lost:.0f} points of theory on average of {count} ({low:.0f} to {high:.0f})."]


def _share_sentences(stretches: Sequence[Stretch], complete: Sequence[int], alone: int | None) -> list[str]:
    """Which stretch makes the runs differ, and which ones run against the rest; or why that is not said."""
    count = len(complete)
    # The overview says it too, where no runs stand beside it.
    those = f"the {count} runs weighed on the way"
    known = [s for s in stretches if s.share is not None]
    if not known:
        if count < FEWEST_RUNS_FOR_SHARES:
            have = f"{count} run has" if count == 1 else f"{count} runs have"
            return [
                f"Which stretch makes the yields differ takes {FEWEST_RUNS_FOR_SHARES} runs that were weighed at the end of each "
                f"of these stages and gained nothing on the way; {have} been."
            ]
        return [
            f"The yields of {those} differ too little (standard deviation at most {CONTENT_SD:g} points) to say "
            "which stretch makes that."
        ]
    top = max(known, key=lambda s: s.share or 0.0)
    share = percent_text(top.share or 0.0)
    above = " It is more than the whole, because what happens elsewhere runs against it." if (top.share or 0.0) > 1.0 else ""
    if alone is not None:
        return [
            f"The differences between {those} arise mostly {top.where} ({share} of them), but they rest on run {alone} alone: "
            f"the others hardly differ.{above}"
        ]
    if _surely_at_least(top) > _MOST:
        lead = f"The yields of {those} differ mostly because of what happens {top.where}"
    else:
        lead = f"The largest part of the differences between {those} arises {top.where}"
    out = [f"{lead}: {share} of the differences ({range_text(top)} with any one run left out).{above}"]
    # Between neighbours the content of their common checkpoint moves both shares, one up and one down.
    rivals = [s for s in known if s is not top and (s.share_high or 0.0) + _NINETY * (s.share_u or 0.0) >= _surely_at_least(top)]
    if rivals:
        named = " and ".join(f"what happens {s.where} ({percent_text(s.share or 0.0)}, {range_text(s)})" for s in rivals)
        out[0] += f" It cannot be told from {named}."
    out += [
        f"What happens {s.where} runs against the rest ({percent_text(s.share or 0.0)} of the differences): where more came in, "
        "less was kept. That can be real, or the content of a checkpoint is off."
        for s in known
        if (s.share_high or 0.0) < 0
    ]
    return out


def _surely_at_least(stretch: Stretch) -> float:
    """The share of a stretch at the least: whichever run is left out, and as far as contents are known (90 % range)."""
    return (stretch.share_low or 0.0) - _NINETY * (stretch.share_u or 0.0)


def _gain_sentences(ways: Sequence[Way]) -> list[str]:
    """Runs in which more was there after a stretch than before."""
    out = []
    for way in ways:
        for start, end, gain in way.gains:
            what = "isolated product" if end is None else f"product at the end of the {_short(end, '')}"
            than = "theory allows" if start is None else f"at the end of the {_short(start, '')}"
            out.append(
                f"Run {way.number} has {gain:.0f} points of theory more {what} than {than}: something was wet, or a content is "
                "not right. Its checkpoints are shown, but play no part."
            )
    return out


def _dropped_sentences(ways: Sequence[Way], order: WorkOrder, stations: Sequence[Stage]) -> list[str]:
    """Checkpoints of stages at whose ends too few runs were weighed."""
    out = []
    for stage in order.stages:
        numbers = [str(w.number) for w in ways if w.left.get(stage, 0.0) > 0]
        if stage in stations or not numbers:
            continue
        many = len(numbers) > 1
        out.append(
            f"The checkpoint{'s' if many else ''} of run{'s' if many else ''} {listed(numbers)} at the end of the "
            f"{_short(stage, '')} {'are' if many else 'is'} not in the picture: a stage takes {FEWEST_RUNS_OF_STAGE} runs that "
            "were weighed at its end and gained nothing on the way."
        )
    return out


@dataclass(frozen=True)
class Cross:
    """What the first stages of one run, up to the end of ``stage``, would have given with the rest of another.

    ``row`` are the coded settings of shape (n_variables,); ``percent`` and ``sd`` the implied yield.
    [%, percentage points]
    """

    first: int
    second: int
    stage: Stage
    row: FloatArray
    percent: float
    sd: float


def cross_runs(table: RunTable, ways: Sequence[Way], order: WorkOrder = USUAL_ORDER) -> tuple[Cross, ...]:
    """Cross the runs with the best.

    At every stage, each run that was weighed there is crossed with the best of them: its first stages
    with the rest of the best run, and the other way round. The yield of the cross is what was left
    after the first part, times the recovery of the second.

    Parameters
    ----------
    table : RunTable
        The runs that count.
    ways : sequence of Way
        Of some of them; runs that gained product on the way are left out.
    order : WorkOrder

    Returns
    -------
    crosses : tuple of Cross
        None of them has the settings of one of its two runs.

    Notes
    -----
    Assumes that a stage works the same whatever came before it, apart from the amount of product;
    ``DOUBT`` and ``LEAST_SD`` allow for that not being so (own judgement). Compared on simulated
    preparations: ``tests/bench/followed_runs.py``.
    """
    position = {number: i for i, number in enumerate(table.numbers)}
    known = [w for w in ways if w.number in position and w.percent > 0 and not w.gains]
    known.sort(key=lambda w: (round(w.percent, 6), tuple(np.round(table.coded[position[w.number]], 7))), reverse=True)
    crosses = []
    for stage in order.stages:
        weighed = [w for w in known if w.left.get(stage, 0.0) > 0]
        is_first = np.array([v.stage in order.up_to(stage) for v in table.variables], dtype=bool)
        is_unclear = np.array([v.stage in order.unclear(stage) for v in table.variables], dtype=bool)
        for way in weighed[1 : MOST_CROSSED + 1]:
            best = weighed[0]
            if not _same(*(table.coded[position[w.number], is_unclear] for w in (way, best))):
                continue
            for first, second in ((way, best), (best, way)):
                a, b = table.coded[position[first.number]], table.coded[position[second.number]]
                row = np.where(is_first, a, b)
                implied = _implied(first, second, stage)
                # Where one part is the same in both runs, the cross is one of the runs themselves.
                if implied is not None and not _same(row, a) and not _same(row, b):
                    crosses.append(Cross(first.number, second.number, stage, row, *implied))
    return tuple(crosses)


def crossed_evidence(table: RunTable, crosses: Sequence[Cross]) -> Beside | None:
    """Crosses as evidence beside the runs.

    Crosses of the same two runs at different stages may come to the same settings: they are one row
    then, the mean of what they imply. Row numbers are 0: they are no runs. None without crosses.
    """
    alike: dict[tuple[frozenset[int], tuple[float, ...]], list[Cross]] = {}
    for c in crosses:
        alike.setdefault((frozenset((c.first, c.second)), tuple(c.row)), []).append(c)
    if not alike:
        return None
    rows = np.array([row for _, row in alike])
    means = np.array([np.mean([(c.percent, c.sd) for c in group], axis=0) for group in alike.values()])
    numbers = (0,) * len(rows)
    return Beside(RunTable(table.variables, rows, means[:, 0], means[:, 1], numbers), tuple(runs for runs, _ in alike))


def _same(row: FloatArray, other: FloatArray) -> bool:
    return bool(np.allclose(row, other, rtol=0.0, atol=1e-7))


def _implied(first: Way, second: Way, stage: Stage) -> tuple[float, float] | None:
    """Yield and its standard deviation of one run up to a stage, another after it. [%, percentage points]"""
    made, left = first.left[stage], second.left[stage]
    percent = made * second.percent / left
    if left < LEAST_LEFT or percent > _HIGHEST:
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
