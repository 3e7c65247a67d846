"""What moved the yield."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.charts.curves import pair_figure, response_curve_figure, unseen_figure
from server.charts.effects import effect_intervals
from server.core.choose.proposal import Purpose
from server.core.model.curves import Curve, highest_words
from server.core.model.effects import Effect
from server.core.model.quality import Quality
from server.core.space.along import broken_along, forbidden_words
from server.core.space.variables import Variable
from server.errors import NothingReachableError, NotReadyError
from server.services.analysis import Analysis, analyse
from server.services.words import plain, setting_text
from server.web.dependencies import Id, ReadSession
from server.web.pages.common import Figure, Frame, forecast_address, trust_sentence
from server.web.pages.work import waiting
from server.web.rendering import render

router = APIRouter()
# A curve with more points shows every fifth in its table.
_MOST_ROWS = 25


@dataclass(frozen=True)
class CurveView:
    """A response curve with the rows of its table."""

    figure: Figure
    curve: Curve
    rows: list[tuple[str, float, float, float, bool]]


@dataclass(frozen=True)
class PairView:
    """The picture of two variables with the rows of its table."""

    figure: Figure
    first: str
    second: str
    header: list[str]
    rows: list[tuple[str, list[float]]]


@dataclass(frozen=True)
class EffectsPage:
    """Context of the page 'what moved the yield'."""

    frame: Frame
    analysis: Analysis
    effects: tuple[Effect, ...]
    message: str
    figure: Figure | None
    unknowns: list[str]
    quality: Quality | None
    separating_names: tuple[str, ...]
    separating: list[tuple[str, str]]
    separating_address: str
    curves: list[CurveView]
    pair: PairView | None
    pair_options: list[tuple[str, str]]
    unseen: Figure | None
    trust: str


def _curves(analysis: Analysis) -> list[CurveView]:
    """One curve per variable that moved, strongest evidence first."""
    columns = {v.key: j for j, v in enumerate(analysis.space.variables)}
    views = []
    for effect in analysis.effects:
        j = columns[effect.key]
        if j in analysis.knowable.never_moved:
            continue
        curve = analysis.curve(j)
        recipe = analysis.counting[analysis.best_position or 0].settings
        along = curve.labels if curve.variable.is_choice else [float(value) for value in curve.values]
        broken = broken_along(analysis.space, recipe, effect.key, along)
        text = highest_words(curve, effect, [bool(rules) for rules in broken])
        if words := forbidden_words(analysis.space, recipe, effect.key, along, broken):
            text += f" {words}"
        values = [r.settings[effect.key] for r in analysis.counting]
        yields = [float(r.percent or 0.0) for r in analysis.counting]
        failed = [r.row.outcome == "failure" for r in analysis.counting]
        data = response_curve_figure(curve, [as_plot(v) for v in values], yields, failed)
        every = range(0, len(curve.mean), 5 if len(curve.mean) > _MOST_ROWS else 1)
        rows = [
            (_label(curve, k), float(curve.mean[k]), float(curve.low_90[k]), float(curve.high_90[k]), bool(curve.tried[k]))
            for k in every
        ]
        views.append(CurveView(Figure(f"curve-{effect.key}", text, data), curve, rows))
    return views


def _label(curve: Curve, k: int) -> str:
    """A point of a curve as its table shows it."""
    return curve.labels[k] if curve.variable.is_choice else plain(float(curve.values[k]), 6)


def as_plot(value: float | str) -> float | str:
    """A setting as the plot takes it."""
    return value if isinstance(value, str) else float(value)


def _pair(analysis: Analysis, first: str, second: str) -> PairView | None:
    """The picture of two variables: those asked for, else the two with the strongest evidence."""
    numeric = {v.key: j for j, v in enumerate(analysis.space.variables) if not v.is_choice}
    ranked = [e.key for e in analysis.effects if e.key in numeric and numeric[e.key] not in analysis.knowable.never_moved]
    ranked += [key for key in numeric if key not in ranked]
    if len(ranked) < 2:
        return None
    a = first if first in numeric else ranked[0]
    b = second if second in numeric and second != a else next(key for key in ranked if key != a)
    pair = analysis.pair(numeric[a], numeric[b])
    runs = [
        (float(r.settings[a]), float(r.settings[b]), float(r.percent or 0.0), r.row.outcome == "failure")
        for r in analysis.counting
    ]
    share = 100.0 * float((pair.untested & ~pair.forbidden).mean())
    text = f"Expected yield over {pair.first.name} and {pair.second.name}, the others at the working recipe"
    if pair.highest is not None:
        i, j = pair.highest
        at = f"{_shown(pair.first, pair.first_values[j])} and {_shown(pair.second, pair.second_values[i])}"
        text += f": of what is tested, highest near {at}"
    text += f". Hatched: untested ground ({share:.0f} % of the picture)."
    if pair.forbidden.any():
        text += " Blank: your rules do not allow it."
    step = 6
    header = [plain(x, 3) for x in pair.first_values[::step]]
    rows = [
        (plain(pair.second_values[k], 3), [float(m) for m in pair.mean[k, ::step]])
        for k in range(0, len(pair.second_values), step)
    ]
    return PairView(Figure("pair", text, pair_figure(pair, runs)), a, b, header, rows)


def _shown(v: Variable, value: float) -> str:
    """A point of the picture as a setting that can be made: the nearest step, as the curves beside it say."""
    return f"{plain(v.snap(value), 6)} {v.unit}".rstrip()


def _unseen(analysis: Analysis) -> Figure | None:
    if analysis.quality.error is None:
        return None
    numbers, observed, mean, sd = (list(column) for column in zip(*analysis.unseen, strict=True))
    failed = {r.number for r in analysis.counting if r.row.outcome == "failure"}
    data = unseen_figure(numbers, observed, mean, sd, [n in failed for n in numbers])
    held = f"{analysis.quality.held_90} of {analysis.quality.n_runs} runs lay inside the 90 % range predicted without them."
    return Figure("unseen", f"{held} Line: agreement.{' Crosses: failed runs, which are not counted.' if failed else ''}", data)


@router.get("/preparations/{preparation_id}/effects")
def show_effects(request: Request, preparation_id: Id, session: ReadSession, first: str = "", second: str = "") -> Response:
    analysis = analyse(session, preparation_id)
    if (instead := waiting(request, analysis, "effects")) is not None:
        return instead
    effects: tuple[Effect, ...] = ()
    message = ""
    try:
        effects = analysis.effects
    except NotReadyError as error:
        message = str(error)
    shown = [e for e in effects if e.change is not None]
    figure = None
    if shown:
        strongest = shown[0]
        text = f"{len(shown)} effect{'s' if len(shown) != 1 else ''} with intervals. {strongest.sentence}"
        figure = Figure("effect-intervals", text, effect_intervals(effects))
    names: tuple[str, ...] = ()
    separating: list[tuple[str, str]] = []
    address = ""
    try:
        found = analysis.separating_run() if effects else None
    except NothingReachableError:
        found = None
    if found is not None:
        names = found[0]
        separating = [(v.name, setting_text(v, found[1][v.key])) for v in analysis.space.variables]
        address = forecast_address(analysis, found[1], Purpose.FIND_OUT)
    page = EffectsPage(
        frame=Frame(analysis.preparation, "effects"),
        analysis=analysis,
        effects=effects,
        message=message,
        figure=figure,
        unknowns=analysis.unknowns,
        quality=analysis.quality if effects else None,
        separating_names=names,
        separating=separating,
        separating_address=address,
        curves=_curves(analysis) if effects else [],
        pair=_pair(analysis, first, second) if effects else None,
        pair_options=[(v.key, v.name) for v in analysis.space.variables if not v.is_choice],
        unseen=_unseen(analysis) if effects else None,
        trust=trust_sentence(analysis) if analysis.beside is not None else "",
    )
    return render(request, "effects/show.html", page)
