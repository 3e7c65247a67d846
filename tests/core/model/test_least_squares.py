"""Least squares against NIST StRD certified values, and effects against textbook factorials."""

import numpy as np
import pytest

from server.core.model.least_squares import fit_least_squares
from server.errors import NotReadyError
from tests.reference import reference


def polynomial(x: np.ndarray, degree: int) -> np.ndarray:
    return np.column_stack([x**k for k in range(degree + 1)])


def test_norris_to_ten_digits() -> None:
    # NIST StRD, lls/Norris (certified).
    published, data = reference("B01")["published"], np.array(reference("B01")["data"]["y_x"])
    fit = fit_least_squares(polynomial(data[:, 1], 1), data[:, 0])
    np.testing.assert_allclose(fit.coefficients, [published["B0"], published["B1"]], rtol=1e-10)
    np.testing.assert_allclose(fit.standard_errors, published["se"], rtol=1e-9)
    assert fit.residual_sd == pytest.approx(published["resid_sd"], rel=1e-9)
    assert fit.r_squared == pytest.approx(published["R2"], rel=1e-12)


def test_pontius_to_nine_digits() -> None:
    # NIST StRD, lls/Pontius (certified).
    published, data = reference("B04")["published"]["quadratic"], np.array(reference("B04")["data"]["y_x"])
    fit = fit_least_squares(polynomial(data[:, 1], 2), data[:, 0])
    np.testing.assert_allclose(fit.coefficients, published["B"], rtol=1e-9)
    np.testing.assert_allclose(fit.standard_errors, published["se"], rtol=1e-9)


def test_longley_to_nine_digits() -> None:
    # NIST StRD, lls/Longley (certified), ill-conditioned.
    published, data = reference("B02")["published"], np.array(reference("B02")["data"]["y_x1..x6"])
    design = np.column_stack([np.ones(len(data)), data[:, 1:]])
    fit = fit_least_squares(design, data[:, 0])
    np.testing.assert_allclose(fit.coefficients, published["B0..B6"], rtol=1e-9)
    np.testing.assert_allclose(fit.standard_errors, published["se"], rtol=1e-9)


def test_wampler_polynomials() -> None:
    # NIST StRD, lls/Wampler1 (no residual) and Wampler4 (huge residual); all coefficients are 1.
    file = reference("B05")
    exact = np.array(file["data"]["Wampler1_y_x"])
    np.testing.assert_allclose(fit_least_squares(polynomial(exact[:, 1], 5), exact[:, 0]).coefficients, 1.0, atol=1e-7)
    rough = np.array(file["data"]["Wampler4_y_x"])
    fit = fit_least_squares(polynomial(rough[:, 1], 5), rough[:, 0])
    np.testing.assert_allclose(fit.coefficients, 1.0, atol=1e-5)
    np.testing.assert_allclose(fit.standard_errors, file["published"]["Wampler4"]["se"], rtol=1e-9)


def factorial_effects(columns: list[np.ndarray], response: np.ndarray) -> np.ndarray:
    design = np.column_stack([np.ones(len(response)), *columns])
    fit = fit_least_squares(design, response)
    return 2.0 * fit.coefficients[1:]  # an effect is the change from −1 to +1


def test_effects_of_the_replicated_pilot_plant() -> None:
    # Box, Hunter & Hunter, Statistics for Experimenters (1978), p. 306: a replicated 2³.
    file = reference("A09")
    published, data = file["published"]["effects"], file["data"]
    t, c, k = (np.repeat(np.array(data[f"X{i}"], dtype=float), 2) for i in (1, 2, 3))
    y = np.array(data["duplicates"], dtype=float).ravel()
    found = factorial_effects([t, c, k, t * c, t * k, c * k, t * c * k], y)
    np.testing.assert_allclose(found, list(published.values()), atol=1e-9)


def test_response_surface_of_the_central_composite() -> None:
    # Montgomery, tables 11.6-11.8: coefficients, stationary point and eigenvalues.
    file = reference("A20")
    data, published = file["data"], file["published"]
    a, b, y = (np.array(data[key]) for key in ("x1", "x2", "Y"))
    fit = fit_least_squares(np.column_stack([np.ones(13), a, b, a * a, b * b, a * b]), y)
    expected = [published["coef"][k] for k in ("const", "x1", "x2", "x1^2", "x2^2", "x1x2")]
    np.testing.assert_allclose(fit.coefficients, expected, atol=1e-3)
    _, b1, b2, b11, b22, b12 = fit.coefficients
    matrix = np.array([[b11, b12 / 2], [b12 / 2, b22]])
    stationary = -0.5 * np.linalg.solve(matrix, [b1, b2])
    np.testing.assert_allclose(stationary, published["stationary_coded"], atol=1e-3)
    np.testing.assert_allclose(sorted(np.linalg.eigvalsh(matrix)), sorted(published["eigenvalues"]), atol=1e-3)


def test_linked_columns_are_refused_not_halved() -> None:
    x = np.arange(6.0)
    with pytest.raises(NotReadyError, match="Only 2 of 3 terms"):
        fit_least_squares(np.column_stack([np.ones(6), x, 2 * x]), x)


def test_more_terms_than_runs_says_how_many_are_needed() -> None:
    with pytest.raises(NotReadyError, match="at least 4 runs; there are 2"):
        fit_least_squares(np.ones((2, 3)), np.ones(2))


def test_wampler_2_3_and_5() -> None:
    # NIST StRD, lls/Wampler2, 3 and 5. Wampler3, 4 and 5 share one residual pattern, scaled 1, 100, 10000;
    # certified standard errors scale with it (Wampler3: 2152.32624678170 for the constant).
    file = reference("B05")
    exact, rough = np.array(file["data"]["Wampler1_y_x"]), np.array(file["data"]["Wampler4_y_x"])
    x, pattern = exact[:, 1], (rough[:, 0] - exact[:, 0]) / 100.0
    assert (exact[:2, 0] + pattern[:2]).tolist() == [760.0, -2042.0]  # the first two values of Wampler3
    design = polynomial(x, 5)
    second = fit_least_squares(design, design @ np.array([1.0, 1e-1, 1e-2, 1e-3, 1e-4, 1e-5]))
    np.testing.assert_allclose(second.coefficients, [1.0, 1e-1, 1e-2, 1e-3, 1e-4, 1e-5], rtol=1e-8)
    errors = np.array(file["published"]["Wampler4"]["se"])
    for factor, digits in ((1.0, 1e-7), (10_000.0, 1e-3)):
        fit = fit_least_squares(design, exact[:, 0] + factor * pattern)
        np.testing.assert_allclose(fit.coefficients, 1.0, atol=digits)
        np.testing.assert_allclose(fit.standard_errors, errors * factor / 100.0, rtol=1e-9)


def test_filip_to_seven_digits() -> None:
    # NIST StRD, lls/Filip: a 10th-degree polynomial so ill-conditioned that many programs refuse it.
    published, data = reference("B06")["published"], np.array(reference("B06")["data"]["y_x"])
    fit = fit_least_squares(polynomial(data[:, 1], 10), data[:, 0])
    np.testing.assert_allclose(fit.coefficients, published["B"], rtol=1e-6)
    np.testing.assert_allclose(fit.standard_errors, published["se"], rtol=1e-6)


def blocked_factorial() -> tuple[np.ndarray, dict[str, np.ndarray], np.ndarray]:
    data = reference("A05")["data"]
    blocks = np.array(data["block"])
    dummies = (blocks[:, None] == np.unique(blocks)[None, 1:]).astype(float)
    factors = {k: 2.0 * np.array(data[k], dtype=float) - 1.0 for k in "NPK"}
    return dummies, factors, np.array(data["yield"], dtype=float)


def test_the_blocked_fertiliser_experiment() -> None:
    # Venables & Ripley, MASS 4th ed. p. 165: effects and residual mean square of the blocked 2³.
    dummies, f, y = blocked_factorial()
    terms = [f["N"], f["P"], f["K"], f["N"] * f["P"], f["N"] * f["K"], f["P"] * f["K"]]
    fit = fit_least_squares(np.column_stack([np.ones(24), dummies, *terms]), y)
    published = reference("A05")["published"]
    np.testing.assert_allclose(2 * fit.coefficients[6:9], list(published["effects"].values()), atol=1e-4)
    assert fit.degrees_of_freedom == 12
    assert fit.residual_sd**2 == pytest.approx(published["anova"]["resid"][2], abs=1e-5)


def test_what_is_confounded_with_blocks_is_refused() -> None:
    dummies, f, y = blocked_factorial()
    triple = f["N"] * f["P"] * f["K"]
    with pytest.raises(NotReadyError, match="can be told apart"):
        fit_least_squares(np.column_stack([np.ones(24), dummies, f["N"], f["P"], f["K"], triple]), y)
