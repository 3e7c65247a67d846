"""Lack of fit: do straight lines miss more than the repeats scatter?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from server.core.model.knowable import design_columns
from server.core.model.least_squares import fit_least_squares
from server.core.model.runs import RunTable
from server.core.space.variables import FloatArray
from server.errors import NotReadyError


@dataclass(frozen=True)
class LackOfFit:
    """The partition of a residual sum of squares into lack of fit and pure error.

    Attributes
    ----------
    f : float or None
        Ratio of the two mean squares; None where repeats agree exactly. [-]
    p : float or None
        Probability of a larger ratio if the terms were right. [-]
    """

    lack_of_fit_ss: float
    lack_of_fit_dof: int
    pure_error_ss: float
    pure_error_dof: int
    f: float | None
    p: float | None


def judge_lack_of_fit(design: FloatArray, response: FloatArray, groups: np.ndarray) -> LackOfFit:
    """Test a least-squares fit against the scatter of repeats.

    Parameters
    ----------
    design : ndarray of shape (n_runs, n_terms)
        With a column of ones.
    response : ndarray of shape (n_runs,)
    groups : ndarray of shape (n_runs,)
        Equal labels are repeats.

    Raises
    ------
    NotReadyError
        Without repeats, or without more different settings than terms.

    Notes
    -----
    F = (SS_lof/(m − p)) / (SS_pe/(n − m)) with m different settings and p terms.
    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 4.4.4.6.
    """
    labels = np.unique(groups)
    n, m, p = len(response), len(labels), design.shape[1]
    if n == m:
        raise NotReadyError("Lack of fit needs repeats: run one setting twice.", have=0, need=1)
    if m <= p:
        raise NotReadyError(
            f"Lack of fit of {p} terms needs at least {p + 1} different settings; there are {m}.", have=m, need=p + 1
        )
    residual_ss = fit_least_squares(design, response).residual_sum_of_squares
    pure = sum(float(np.sum((response[groups == g] - response[groups == g].mean()) ** 2)) for g in labels)
    lack = max(residual_ss - pure, 0.0)
    # Equal repeats leave rounding errors.
    if pure <= 1e-18 * float(response @ response):
        return LackOfFit(lack, m - p, 0.0, n - m, None, None)
    f = (lack / (m - p)) / (pure / (n - m))
    return LackOfFit(lack, m - p, pure, n - m, f, float(stats.f.sf(f, m - p, n - m)))


def straight_lines_sentence(table: RunTable) -> str:
    """Say whether straight lines (in coded coordinates) fit as well as the repeats allow.

    Empty without repeats, where nothing moved, and where one choice alone moved: each option has a mean of its own, and
    there is no line.
    """
    n_all = table.n_runs
    table = table.telling_scatter()
    blocks = design_columns(table)
    moved = [v for v, block in zip(table.variables, blocks, strict=True) if block.shape[1]]
    if not moved or (len(moved) == 1 and moved[0].is_choice):
        return ""
    design = np.hstack([np.ones((table.n_runs, 1)), *blocks])
    try:
        found = judge_lack_of_fit(design, table.yields, table.groups())
    except NotReadyError as error:
        apart = " Runs that failed or were measured poorly are left out." if table.n_runs < n_all else ""
        return "" if error.need == 1 else f"Whether straight lines would do cannot be tested yet. {error}{apart}"
    if found.f is None or found.p is None:
        return "The repeats agree exactly, so lack of fit cannot be judged against them."
    p = "p < 0.001" if found.p < 0.001 else "p > 0.99" if found.p > 0.99 else f"p = {found.p:.2g}"
    dof = f"F({found.lack_of_fit_dof}, {found.pure_error_dof}) = {found.f:.3g}, {p}"
    if found.p < 0.05:
        return f"Straight lines alone do not fit: they miss more than the repeats scatter ({dof})."
    return f"Straight lines fit as well as the repeats allow to judge ({dof})."
