"""What a run changes against the working recipe, and what each of the changes is expected to bring."""

from __future__ import annotations

from dataclasses import dataclass

from server.core.choose.gain import chance_of_gain
from server.core.choose.search import Score
from server.core.model.ladder import Ladder
from server.core.space.coordinates import encode
from server.core.space.limits import Space
from server.core.space.units import plain
from server.core.space.variables import Setting, Settings, Variable


def changes_in_words(space: Space, before: Settings, after: Settings) -> list[str]:
    """Say what differs between two settings, variable by variable."""
    return [_change(v, before[v.key], after[v.key]) for v in space.variables if before[v.key] != after[v.key]]


def is_change(v: Variable, before: Setting, after: Setting) -> bool:
    """Whether a setting is meant to be another one: not where what was really set or weighed is only put on the steps."""
    if v.is_choice or before == after:
        return before != after
    on_steps = v.snap(float(before))
    return after != on_steps or abs(float(before) - on_steps) > 0.5 * v.working_step


def meant_changes(space: Space, before: Settings, after: Settings) -> list[str]:
    """Say what differs between two settings beyond the steps; what is put on the steps only where nothing else differs."""
    meant = [_change(v, before[v.key], after[v.key]) for v in space.variables if is_change(v, before[v.key], after[v.key])]
    return meant or changes_in_words(space, before, after)


def _change(v: Variable, before: Setting, after: Setting) -> str:
    if v.is_choice:
        return f"{v.name} {before} → {after}"
    return f"{v.name} {plain(float(before), 6)} → {plain(float(after), 6)} {v.unit}".rstrip()


@dataclass(frozen=True)
class LeftAsItWas:
    """The same run with one change not made.

    ``change`` is that change in words, ``settings`` are those of the run without it. ``gain`` is the expected gain then
    [percentage points] and ``chance_to_beat`` the probability that the true yield lies above that of the working recipe.
    """

    key: str
    change: str
    settings: dict[str, Setting]
    gain: float
    chance_to_beat: float


@dataclass(frozen=True)
class SimplerRun:
    """A run with fewer of the changes: they in words, its settings and its expected gain. [percentage points]"""

    changes: tuple[str, ...]
    settings: dict[str, Setting]
    gain: float


@dataclass(frozen=True)
class Changes:
    """What the changes of a run bring: the expected gain with all of them, and with each of them not made.

    ``simpler`` is a run with fewer of them, if there is one that keeps most of the gain. ``beside_pending`` says that gains
    are over the best of the working recipe and of the runs that are planned or under way, as these are expected to come
    out; else they are over the working recipe, as the chances are in any case.
    """

    gain: float
    each: tuple[LeftAsItWas, ...]
    simpler: SimplerRun | None = None
    beside_pending: bool = False


def what_changes_bring(
    space: Space,
    ladder: Ladder,
    before: Settings,
    after: Settings,
    gain_of: Score,
    fewer: dict[str, Setting] | None = None,
    *,
    beside_pending: bool = False,
) -> Changes | None:
    """Work out what is expected of a run where one of its changes is not made, for each of them.

    Parameters
    ----------
    before, after : settings
        Of the working recipe and of the run.
    gain_of : callable
        Maps coded rows (n, n_variables) to expected gains (n,). [percentage points]
    fewer : settings or None
        Of a run with fewer of the changes, if there is one; the same as ``after`` counts as none.
    beside_pending : bool
        Whether ``gain_of`` counts from runs that are planned or under way too.

    Returns
    -------
    changes : Changes or None
        In the order of the variables; None unless at least two changes are meant (``is_change``). Those that cannot be
        left out alone, because a limit or a rule would be broken, are not among them.
    """
    changed = [v for v in space.variables if is_change(v, before[v.key], after[v.key])]
    trials = [(v, {**after, v.key: before[v.key]}) for v in changed]
    trials = [(v, settings) for v, settings in trials if not space.broken_limits(settings)]
    if len(changed) < 2 or not trials:
        return None
    simpler = fewer if fewer is not None and fewer != after else None
    runs = [after, *(settings for _, settings in trials), *([simpler] if simpler else [])]
    rows = encode(space.variables, runs)
    gains = gain_of(rows)
    chances = chance_of_gain(ladder.difference(encode(space.variables, [before]), rows), 0.0)
    each = tuple(
        LeftAsItWas(v.key, _change(v, before[v.key], after[v.key]), settings, float(gains[k]), float(chances[k]))
        for k, (v, settings) in enumerate(trials, start=1)
    )
    offered = SimplerRun(tuple(meant_changes(space, before, simpler)), simpler, float(gains[-1])) if simpler else None
    return Changes(float(gains[0]), each, offered, beside_pending)
