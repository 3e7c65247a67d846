"""Fitting a time course: the shape by an information criterion, robust, with profile-likelihood ranges.

The few parameters that do not enter linearly are searched on a grid that is refined
around the region the readings allow; the others follow in closed form at every node
(variable projection: Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413). The grid is
also the profile likelihood: the range of any quantity is its smallest and largest value
over the nodes (and linear parameters) that the likelihood-ratio limit allows.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy import optimize, stats

from server.core.course.shapes import TO_A_PLATEAU, Form, Shape
from server.core.space.variables import FloatArray
from server.errors import NotReadyError

FEWEST_READINGS = 4
# A form is fitted from so many readings more than it has parameters.
_READINGS_BESIDE = 3
# More readings than this are joined into medians of equal stretches before the fit.
MOST_FITTED = 150
# Degrees of freedom of the scatter: heavy tails, so that one bad reading does not carry the curve away.
TAIL = 4.0
# Readings with less than this share of the usual weight are named as not fitting.
LOW_WEIGHT = 0.3
# No instrument reads finer than this share of the spread of the readings.
_FINEST = 2e-3
_SURENESS = 0.9
# Forms within this of the smallest criterion have support too. [AICc]
CLEAR_DIFFERENCE = 2.0
# First and second order have as many parameters: one is ruled out where the other is ten times as likely. [AICc]
ORDER_DIFFERENCE = 4.6
# Up to so many degrees of freedom ranges come from plain least squares where no reading is odd, up to the fewest always.
_FEW_BESIDE, _FEWEST_BESIDE = 5, 3
# Of few readings some lie far off in units of the rest by chance: odd is only what counts less than this.
_ODD_WEIGHT = 0.1
_SMALL = 1e-300


@dataclass(frozen=True)
class Range:
    """A value with its 90 % range; an end is None where the readings set no bound to it."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class CourseFit:
    """One form fitted to readings.

    Attributes
    ----------
    parameters : dict
        'start', 'size' in the unit of the readings (size per hour for a straight line);
        'rate', 'decay' in 1/h; 'delay', 'end' in h. Those that are not free are 0 (end: infinite).
    scatter : float
        Standard deviation of a reading about the curve. [unit of the readings]
    aicc : float
        Small-sample information criterion; smaller is better.
    log_likelihood : float
    weights : ndarray of shape (n_readings,)
        1 for a usual reading, towards 0 for one far off the curve.
    residual_sum : float
        Weighted sum of squares.
    widening : float
        By how much the weights make variances too small, see ``range_of``. [-]
    """

    form: Form
    parameters: dict[str, float]
    scatter: float
    aicc: float
    log_likelihood: float
    hours: FloatArray
    values: FloatArray
    weights: FloatArray
    residual_sum: float
    widening: float = 1.0

    def at(self, hours: FloatArray) -> FloatArray:
        """Fitted curve at times [h], same shape. [unit of the readings]"""
        return _curve(self.form, self.parameters, hours)

    def at_one(self, p: dict[str, FloatArray], hours: float) -> FloatArray:
        """The curve at one time for arrays of parameters, as ``range_of`` hands them in. [unit of the readings]"""
        nodes = np.stack([p[name] for name in self.form.nonlinear], axis=1) if self.form.nonlinear else np.empty((1, 0))
        return np.asarray(p["start"] + p["size"] * self.form.basis(nodes, np.array([hours]))[:, 0])

    @property
    def aic(self) -> float:
        """Akaike's criterion, without the term for few readings. Source: Burnham & Anderson 2002, sec. 2.2."""
        return -2.0 * self.log_likelihood + 2.0 * (self.form.n_parameters + 1)

    @property
    def degrees_of_freedom(self) -> int:
        return len(self.hours) - self.form.n_parameters

    @cached_property
    def _for_ranges(self) -> CourseFit:
        """What ranges come from: with few readings beside the parameters, weights leave residuals that are too small."""
        few = self.degrees_of_freedom
        is_plain = bool(np.all(self.weights == 1.0))
        if is_plain or few > _FEW_BESIDE or (few > _FEWEST_BESIDE and self.weights.min() < _ODD_WEIGHT):
            return self
        return fit_form(self.hours, self.values, self.form, is_robust=False)

    def range_of(self, quantity: Callable[[dict[str, FloatArray]], FloatArray]) -> Range:
        """Profile-likelihood range of a quantity.

        Parameters
        ----------
        quantity : callable
            Takes the parameters as arrays of one shape and returns the quantity in that shape.

        Notes
        -----
        All parameters with RSS ≤ RSS_min (1 + c F₁,ν(0.9)/ν), ν degrees of freedom: with equal
        weights (c = 1) exact for a linear parameter, a likelihood ratio otherwise. Source: Bates & Watts,
        Nonlinear Regression Analysis (1988), section 6.1. Weights that were chosen by the residuals make
        RSS too small, which c makes good, see ``_widening``; of few readings none of which is odd, the range is
        that of plain least squares, see ``_for_ranges``. In simulated first-order courses of the right form (200 to
        300 each) the ranges of rate, plateau and time to 95 % held 87 to 94 % with two parameters (6 to 12 readings),
        90 to 92 % with a free start or a delay (6 readings), 88 to 90 % with both (7 readings), 79 to 85 % with both
        at 8 readings; those of a plateau with a free start 87 to 94 % (120 each, 6 to 30 readings).
        """
        value = float(quantity({name: np.array([v]) for name, v in self.parameters.items()})[0])
        found, is_open_low, is_open_high = _allowed(self._for_ranges, quantity)
        low = None if is_open_low else min(float(found.min()), value)
        high = None if is_open_high else max(float(found.max()), value)
        return Range(value, low, high)


def thinned(hours: FloatArray, values: FloatArray, most: int = MOST_FITTED) -> tuple[FloatArray, FloatArray]:
    """Join many readings into medians over stretches with equally many readings each.

    Returns
    -------
    hours, values : ndarray of shape (≤ most,)
    """
    order = np.argsort(hours, kind="stable")
    hours, values = hours[order], values[order]
    if len(hours) <= most:
        return hours, values
    parts = np.array_split(np.arange(len(hours)), most)
    return np.array([np.median(hours[p]) for p in parts]), np.array([np.median(values[p]) for p in parts])


def check_readings(hours: FloatArray, values: FloatArray) -> None:
    """Refuse readings, both of shape (n_readings,), that no curve can be fitted to.

    Raises
    ------
    NotReadyError
        Too few, all at one time, or all equal.
    """
    n = len(np.unique(np.round(hours, 6)))
    if n < FEWEST_READINGS:
        plural = "reading" if n == 1 else "readings"
        raise NotReadyError(
            f"{n} {plural} at different times so far; a time course needs at least {FEWEST_READINGS}.",
            have=n,
            need=FEWEST_READINGS,
        )
    if not np.ptp(values) > 1e-9 * np.max(np.abs(values)):
        raise NotReadyError(f"All readings are equal ({values[0]:g}): nothing has moved, so there is no curve.", have=1, need=2)


def forms_for(shape: Shape | None, *, from_zero: bool) -> list[Form]:
    """Forms that are tried: of one shape, or of all; ``from_zero`` says that the readings start at nothing."""
    return [
        Form(one, has_delay=delay, has_start=not from_zero, has_end=end)
        for one in ([shape] if shape else list(Shape))
        for delay in (False, True)
        for end in ((False, True) if one is Shape.STRAIGHT else (False,))
    ]


def fewest_for(shape: Shape | None, *, from_zero: bool) -> int:
    """Number of readings from which a shape (None: any) can be fitted: three more than its parameters."""
    return min(form.n_parameters for form in forms_for(shape, from_zero=from_zero)) + _READINGS_BESIDE


def fit_course(
    hours: FloatArray, values: FloatArray, *, shape: Shape | None = None, from_zero: bool = True
) -> tuple[CourseFit, dict[Shape, float]]:
    """Fit readings of one run.

    Parameters
    ----------
    hours : ndarray of shape (n,)
        Time since the start of the run. [h]
    values : ndarray of shape (n,)
    shape : Shape or None
        Chosen by the chemist, or None: by the information criterion.
    from_zero : bool
        Whether the curve starts at 0 (a volume collected, a conversion) or at a free value.

    Returns
    -------
    fit : CourseFit
    criteria : dict
        Smallest AICc per shape.

    Raises
    ------
    NotReadyError
        If there are too few or only equal readings.

    Notes
    -----
    AICc = −2 ln L + 2K n/(n − K − 1), K counting the scatter too. Source: Hurvich & Tsai,
    Biometrika 76 (1989) 297. Of the forms within 2 of the smallest, the one with the fewest
    parameters is taken (the usual reading of such differences: Burnham & Anderson 2002, sec. 2.6),
    of two with as many, first order before second order.
    Scatter is Student's t with four degrees of freedom
    (Lange, Little & Taylor, J. Am. Stat. Assoc. 84 (1989) 881).
    """
    check_readings(hours, values)
    hours, values = thinned(np.asarray(hours, dtype=float), np.asarray(values, dtype=float))
    forms = forms_for(shape, from_zero=from_zero)
    fits = [fit_form(hours, values, form) for form in forms if len(hours) >= form.n_parameters + _READINGS_BESIDE]
    if not fits:
        least = fewest_for(shape, from_zero=from_zero)
        words = f"{len(hours)} readings so far; {'this shape' if shape else 'a curve'} needs at least {least}."
        raise NotReadyError(words, have=len(hours), need=least)
    criteria: dict[Shape, float] = {}
    for fit in fits:
        criteria[fit.form.shape] = min(fit.aicc, criteria.get(fit.form.shape, math.inf))
    smallest = min(f.aicc for f in fits)
    supported = [f for f in fits if f.aicc <= smallest + CLEAR_DIFFERENCE]
    return min(supported, key=lambda f: (f.form.n_parameters, f.form.shape is Shape.SLOWING, f.aicc)), criteria


def may_be_plateau(fit: CourseFit) -> bool:
    """Whether a curve that bends towards a plateau, with or without a delay, describes the readings about as well.

    Notes
    -----
    AICc charges one parameter more with 30 units at six readings, so that the shortest form wins whatever the
    readings say. Whether another shape is ruled out is asked without that term.
    """
    every = [f for shape in TO_A_PLATEAU for f in forms_for(shape, from_zero=not fit.form.has_start)]
    forms = [f for f in every if len(fit.hours) > f.n_parameters]
    return any(fit_form(fit.hours, fit.values, form).aic <= fit.aic + CLEAR_DIFFERENCE for form in forms)


def other_order(fit: CourseFit) -> CourseFit | None:
    """The same curve slowing as second order where it was fitted as first order, and the other way; None for other shapes."""
    if fit.form.shape not in TO_A_PLATEAU:
        return None
    other = Shape.SLOWING if fit.form.shape is Shape.PLATEAU else Shape.PLATEAU
    return fit_form(fit.hours, fit.values, replace(fit.form, shape=other))


def with_delay(fit: CourseFit) -> CourseFit | None:
    """The same curve after a delay, where the readings rather speak for one; None else.

    Notes
    -----
    AICc charges the delay with 9 to 19 units at eight readings, so that curves without one are taken whatever
    the readings say. Whether one is ruled out is asked by AIC, see ``may_be_plateau``.
    """
    form = replace(fit.form, has_delay=True)
    if fit.form.has_delay or fit.form.shape not in TO_A_PLATEAU or len(fit.hours) <= form.n_parameters + 1:
        return None
    late = fit_form(fit.hours, fit.values, form)
    return late if late.aic <= fit.aic else None


def fit_form(hours: FloatArray, values: FloatArray, form: Form, *, is_robust: bool = True) -> CourseFit:
    """Fit one form to readings, both of shape (n_readings,), by Student's t (robust) or by plain least squares. [h, own unit]"""
    finest = _FINEST * float(np.ptp(values))
    n = len(hours)
    weights = np.ones(n)
    scatter = math.inf
    parameters: dict[str, float] = {}
    for _ in range(20 if is_robust else 1):
        parameters = _polish(hours, values, weights, form, _best_node(hours, values, weights, form))
        residuals = values - _curve(form, parameters, hours)
        if not is_robust:
            scatter = max(math.sqrt(float(residuals @ residuals) / max(n - form.n_parameters, 1)), finest)
            break
        if not math.isfinite(scatter):
            # The median keeps one bad reading from setting the scale of all.
            scatter = max(1.4826 * float(np.median(np.abs(residuals))), finest)
        fresh = (TAIL + 1.0) / (TAIL + (residuals / scatter) ** 2)
        scatter = max(math.sqrt(float(fresh @ residuals**2) / n), finest)
        if np.max(np.abs(fresh - weights)) < 1e-4:
            weights = fresh
            break
        weights = fresh
    residuals = values - _curve(form, parameters, hours)
    k = form.n_parameters + 1
    if is_robust:
        log_likelihood = float(np.sum(stats.t.logpdf(residuals / scatter, TAIL))) - n * math.log(scatter)
        weights = weights / ((TAIL + 1.0) / TAIL)
    else:
        rss = max(float(residuals @ residuals), n * finest**2)
        log_likelihood = -0.5 * n * (math.log(2 * math.pi * rss / n) + 1.0)
    aicc = -2.0 * log_likelihood + 2.0 * k * n / (n - k - 1.0) if n > k + 1 else math.inf
    residual_sum = float(weights @ residuals**2)
    widening = _widening(residuals / scatter, weights, form.n_parameters) if is_robust else 1.0
    return CourseFit(form, parameters, scatter, aicc, log_likelihood, hours, values, weights, residual_sum, widening)


def _widening(scaled: FloatArray, weights: FloatArray, n_parameters: int) -> float:
    """By how much weighted least squares makes variances too small where the residuals chose the weights.

    Notes
    -----
    Variance of an M-estimate, K² Σψ²/(n − p) / (Σψ'/n)², over what the weights say, Σwz²/(n − p) / (Σw/n),
    with K = 1 + p var(ψ')/((n − p) mean(ψ')²) for few readings. Source: Huber, Robust Statistics (1981), section 7.6
    (from memory), where p/n stands for p/(n − p): too little in simulations of few readings.
    """
    n = len(scaled)
    # Score ψ = w z and its slope, for weights w = τ/(τ + z²).
    slope = weights - 2.0 * weights**2 * scaled**2 / TAIL
    mean = max(float(slope.mean()), 0.1)
    small = 1.0 + n_parameters / max(n - n_parameters, 1) * float(slope.var()) / mean**2
    sandwich = small**2 * float(np.sum(weights**2 * scaled**2)) / mean**2
    said = float(np.sum(weights * scaled**2)) / float(weights.mean())
    return max(1.0, sandwich / said) if said > 0 else 1.0


def _curve(form: Form, parameters: dict[str, float], hours: FloatArray) -> FloatArray:
    node = np.array([[parameters[name] for name in form.nonlinear]])
    return np.asarray(parameters["start"] + parameters["size"] * form.basis(node, hours)[0])


def _bounds(form: Form, hours: FloatArray) -> dict[str, tuple[float, float]]:
    """Where parameters are looked for: rates on a logarithmic scale, times within the readings."""
    span = float(hours.max())
    gap = max(float(np.min(np.diff(np.unique(hours)))), 1e-3 * span)
    return {
        "rate": (0.01 / span, 10.0 / gap),
        "decay": (0.01 / span, 10.0 / gap),
        "delay": (0.0, 0.8 * span),
        "end": (0.02 * span, span),
    }


def _grid(form: Form, limits: dict[str, tuple[float, float]], counts: dict[str, int]) -> FloatArray:
    axes = []
    for name in form.nonlinear:
        low, high = limits[name]
        if name in ("rate", "decay"):
            axes.append(np.geomspace(low, high, counts[name]))
        else:
            axes.append(np.linspace(low, high, counts[name]))
    if not axes:
        return np.empty((1, 0))
    nodes = np.stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")], axis=1)
    if form.shape is Shape.RISE_AND_DECAY:
        # The two rates may be exchanged with the size; the faster one is called the rise.
        nodes = nodes[nodes[:, 0] >= nodes[:, 1]]
    return nodes


def _counts(form: Form) -> dict[str, int]:
    both = form.shape is Shape.RISE_AND_DECAY
    return {"rate": 26 if both else 48, "decay": 26, "delay": 9 if both else 25, "end": 33}


def _linear(
    form: Form, nodes: FloatArray, hours: FloatArray, values: FloatArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Best start and size at every node, the weighted RSS, and the curvature in the size. Shapes (n_nodes,)."""
    g = form.basis(nodes, hours)
    total = weights.sum()
    if form.has_start:
        g_mean, y_mean = g @ weights / total, float(values @ weights / total)
        centred, y = g - g_mean[:, None], values - y_mean
    else:
        g_mean, y_mean = np.zeros(len(g)), 0.0
        centred, y = g, values
    curvature = np.maximum((centred**2) @ weights, _SMALL)
    size = (centred * y) @ weights / curvature
    start = y_mean - size * g_mean if form.has_start else np.zeros(len(g))
    rss = np.maximum(((y - size[:, None] * centred) ** 2) @ weights, 0.0)
    return start, size, rss, curvature


def _best_node(hours: FloatArray, values: FloatArray, weights: FloatArray, form: Form) -> FloatArray:
    nodes = _grid(form, _bounds(form, hours), _counts(form))
    rss = _linear(form, nodes, hours, values, weights)[2]
    return np.asarray(nodes[int(np.argmin(rss))])


def _polish(hours: FloatArray, values: FloatArray, weights: FloatArray, form: Form, node: FloatArray) -> dict[str, float]:
    """Go from the best node to the optimum; rates move on a logarithmic scale."""
    names = form.nonlinear
    root = np.sqrt(weights)
    limits = _bounds(form, hours)
    is_log = np.array([name in ("rate", "decay") for name in names], dtype=bool)

    def to_node(theta: FloatArray) -> FloatArray:
        return np.where(is_log, np.exp(np.where(is_log, theta, 0.0)), theta)

    def residuals(theta: FloatArray) -> FloatArray:
        start, size, _, _ = _linear(form, to_node(theta)[None], hours, values, weights)
        return np.asarray(root * (values - start[0] - size[0] * form.basis(to_node(theta)[None], hours)[0]))

    if names:
        low = np.array([math.log(limits[n][0]) if log else limits[n][0] for n, log in zip(names, is_log, strict=True)])
        high = np.array([math.log(limits[n][1]) if log else limits[n][1] for n, log in zip(names, is_log, strict=True)])
        begin = np.where(is_log, np.log(np.maximum(node, _SMALL)), node)
        solved = optimize.least_squares(
            residuals, np.clip(begin, low, high), bounds=(low - 1e-9, high + 1e-9), xtol=1e-15, ftol=1e-15, gtol=1e-15
        )
        node = to_node(solved.x) if solved.cost <= 0.5 * float(np.sum(residuals(begin) ** 2)) else node
    start, size, _, _ = _linear(form, node[None], hours, values, weights)
    found = {"start": float(start[0]), "size": float(size[0]), "rate": 0.0, "decay": 0.0, "delay": 0.0, "end": math.inf}
    found.update({name: float(v) for name, v in zip(names, node, strict=True)})
    if form.shape is Shape.RISE_AND_DECAY and found["decay"] > found["rate"]:
        # The same curve with the names of the rates exchanged.
        found["size"] *= found["rate"] / found["decay"]
        found["rate"], found["decay"] = found["decay"], found["rate"]
    return found


def _allowed(fit: CourseFit, quantity: Callable[[dict[str, FloatArray]], FloatArray]) -> tuple[FloatArray, bool, bool]:
    """Values of a quantity over all allowed parameters, and whether its low or high side is open."""
    form, dof = fit.form, max(fit.degrees_of_freedom, 1)
    finest = (_FINEST * float(np.ptp(fit.values))) ** 2 * len(fit.hours)
    least = max(fit.residual_sum, finest)
    limit = least * (1.0 + fit.widening * float(stats.f.ppf(_SURENESS, 1, dof)) / dof)
    whole = _bounds(form, fit.hours)
    limits, nodes = dict(whole), np.empty((0, len(form.nonlinear)))
    for _ in range(4):
        nodes = _grid(form, limits, _counts(form))
        nodes = np.vstack([nodes, [[fit.parameters[name] for name in form.nonlinear]]])
        inside = nodes[_linear(form, nodes, fit.hours, fit.values, fit.weights)[2] <= limit]
        limits = _around(form, inside, whole, limits)
    start, size, rss, curvature = _linear(form, nodes, fit.hours, fit.values, fit.weights)
    keep = rss <= limit
    if not keep.any():
        keep[-1] = True
    base = {"rate": np.zeros(keep.sum()), "decay": np.zeros(keep.sum()), "delay": np.zeros(keep.sum())}
    base["end"] = np.full(keep.sum(), math.inf)
    base.update({name: nodes[keep, k] for k, name in enumerate(form.nonlinear)})
    reach = np.sqrt(np.maximum(limit - rss[keep], 0.0))
    by_size, by_level = reach / np.sqrt(curvature[keep]), reach / np.sqrt(fit.weights.sum())
    g_mean = form.basis(nodes[keep], fit.hours) @ fit.weights / fit.weights.sum()

    def moved(size_part: FloatArray | float, level_part: FloatArray | float = 0.0) -> FloatArray:
        """The quantity at every node, with the linear parameters moved by these parts of what the limit allows."""
        change = size_part * by_size
        shift = level_part * by_level - change * g_mean if form.has_start else 0.0
        return quantity({**base, "size": size[keep] + change, "start": start[keep] + shift})

    parts = [moved(0.0), moved(-1.0), moved(1.0)]
    if form.has_start:
        # The level at the mean of the curve is free beside the size; what is linear in both is farthest along its slopes.
        parts.append(moved(0.0, 1.0))
        slopes = parts[2] - parts[0], parts[3] - parts[0]
        steepest = np.maximum(np.hypot(*slopes), _SMALL)
        parts += [moved(sign * slopes[0] / steepest, sign * slopes[1] / steepest) for sign in (-1.0, 1.0)]
    found = np.concatenate(parts)
    is_open_low, is_open_high = _open_sides(form, nodes[keep], whole, found, np.tile(np.arange(int(keep.sum())), len(parts)))
    return found, is_open_low, is_open_high


def _around(
    form: Form, inside: FloatArray, whole: dict[str, tuple[float, float]], before: dict[str, tuple[float, float]]
) -> dict[str, tuple[float, float]]:
    """The box about the allowed nodes, one step wider, within the whole."""
    if len(inside) == 0:
        return before
    counts = _counts(form)
    box = dict(before)
    for k, name in enumerate(form.nonlinear):
        low, high = float(inside[:, k].min()), float(inside[:, k].max())
        if name in ("rate", "decay"):
            step = (before[name][1] / before[name][0]) ** (1.2 / (counts[name] - 1))
            low, high = low / step, high * step
        else:
            step = 1.2 * (before[name][1] - before[name][0]) / (counts[name] - 1)
            low, high = low - step, high + step
        box[name] = (max(low, whole[name][0]), min(high, whole[name][1]))
        if box[name][0] >= box[name][1]:
            box[name] = before[name]
    return box


def _open_sides(
    form: Form, nodes: FloatArray, whole: dict[str, tuple[float, float]], found: FloatArray, owner: np.ndarray
) -> tuple[bool, bool]:
    """Whether the extreme values of a quantity belong to nodes at the edge of what was searched.

    A delay of 0 and an end at the last reading are natural edges, not open ones.
    """
    at_edge = np.zeros(len(nodes), dtype=bool)
    for k, name in enumerate(form.nonlinear):
        if name in ("rate", "decay"):
            low, high = whole[name]
            at_edge |= nodes[:, k] <= low * 1.001
            at_edge |= (nodes[:, k] >= high / 1.001) if name == "rate" else False
    if not at_edge.any():
        return False, False
    edge = at_edge[owner]
    span = max(float(np.ptp(found)), _SMALL)
    is_low = bool(found[edge].min() <= found.min() + 1e-6 * span)
    is_high = bool(found[edge].max() >= found.max() - 1e-6 * span)
    return is_low, is_high
