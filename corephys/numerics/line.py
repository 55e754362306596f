"""Straight lines: ordinary, orthogonal, with errors in both axes, with full covariances, and in
batches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = [
    "Line",
    "estimating_rows",
    "generalised_line",
    "instrumental_line",
    "lines_from_sums",
    "ordinary_line",
    "orthogonal_line",
    "york",
]

# --------------------------------------------------------------------------------------------------
# Straight lines: ordinary, orthogonal, with errors in both axes, with full covariances.


@dataclass(frozen=True)
class Line:
    """y = intercept + slope x.

    Parameters
    ----------
    intercept, slope : float
        Values in the units of the data.
    covariance : (2, 2) ndarray
        Covariance of intercept and slope.
    chi_square : float
        Weighted sum of squared residuals.
    degrees_of_freedom : int
        Points less two.
    """

    intercept: float
    slope: float
    covariance: np.ndarray
    chi_square: float
    degrees_of_freedom: int

    @property
    def intercept_uncertainty(self) -> float:
        """Standard uncertainty of the intercept."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def slope_uncertainty(self) -> float:
        """Standard uncertainty of the slope."""
        return float(np.sqrt(self.covariance[1, 1]))


def _enough(x: np.ndarray, y: np.ndarray, *errors: np.ndarray) -> None:
    """Refuse data that cannot fix a line."""
    if x.shape != y.shape or x.ndim != 1:
        raise ValueError(f"x and y must be two equally long rows, not {x.shape} and {y.shape}")
    if not all(np.isfinite(part).all() for part in (x, y, *errors)):
        raise ValueError(
            f"some of the {x.size} points have a value or an uncertainty that is not finite; leave "
            "them out first"
        )
    if x.size < 2 or np.ptp(x) == 0.0:
        raise ValueError(
            f"x has {x.size} values, {np.unique(x).size} of them different; a line needs two "
            "points at different places"
        )


def ordinary_line(x: np.ndarray, y: np.ndarray, sigma: np.ndarray | None = None) -> Line:
    """Least squares of y on x.

    Parameters
    ----------
    x, y : ndarray, (n,)
        Data in any unit.
    sigma : ndarray, (n,), optional
        Standard uncertainties of y, taken as they are; without them the scatter about the line
        sets the covariance, which is not finite for two points.

    Returns
    -------
    Line
        With the residual sum of squares as chi-square where there is no sigma.

    Raises
    ------
    ValueError
        For fewer than two points at different places, or a value that is not finite.

    Notes
    -----
    Closed form about the weighted centre: JCGM 100:2008, annex H.3.
    """
    _enough(x, y, *(() if sigma is None else (sigma,)))
    if sigma is not None and np.any(np.asarray(sigma) <= 0.0):
        raise ValueError(
            f"the smallest sigma is {np.min(sigma):g}; standard uncertainties must be positive"
        )
    weight = np.ones(x.size) if sigma is None else 1.0 / np.asarray(sigma) ** 2
    total = weight.sum()
    xm, ym = (weight @ x) / total, (weight @ y) / total
    u, v = x - xm, y - ym
    sxx = weight @ (u * u)
    slope = (weight @ (u * v)) / sxx
    residual = v - slope * u
    chi_square = float(weight @ residual**2)
    spare = x.size - 2
    scale = 1.0 if sigma is not None else chi_square / spare if spare else np.inf
    covariance = scale * np.array([[1.0 / total + xm**2 / sxx, -xm / sxx], [-xm / sxx, 1.0 / sxx]])
    return Line(float(ym - slope * xm), float(slope), covariance, chi_square, spare)


def orthogonal_line(x: np.ndarray, y: np.ndarray) -> Line:
    """Line of least squared distances, equal errors in both axes.

    Parameters
    ----------
    x, y : ndarray, (n,)
        Data in the same unit.

    Returns
    -------
    Line
        Chi-square is the sum of squared distances; the covariance is that of York's solution
        with the scatter as the common error.

    Raises
    ------
    ValueError
        For fewer than two points at different places, a value that is not finite, or scatter
        without a longest direction that has a slope.

    Notes
    -----
    Major axis of the scatter ellipse: Pearson (1901), Philosophical Magazine 2, 559.
    """
    _enough(x, y)
    u, v = x - x.mean(), y - y.mean()
    sxx, syy, sxy = u @ u, v @ v, u @ v
    excess = syy - sxx
    if sxy == 0.0 and excess >= 0.0:
        raise ValueError(
            "x and y scatter along y or alike in all directions, so that no slope fits best; give "
            "points that spread along a line with a slope"
        )
    # Two equal forms: each is used where it has no difference of nearly equal numbers.
    root = np.hypot(excess, 2.0 * sxy)
    slope = (excess + root) / (2.0 * sxy) if excess >= 0.0 else 2.0 * sxy / (root - excess)
    intercept = y.mean() - slope * x.mean()
    distance = float(np.sum((v - slope * u) ** 2) / (1.0 + slope**2))
    spare = x.size - 2
    if not spare:
        covariance = np.full((2, 2), np.inf)
    else:
        # A common error of 1 gives the same slope as any other; the covariance scales with its
        # square.
        one = np.ones(x.size)
        covariance = distance / spare * york(x, y, one, one).covariance
    return Line(float(intercept), float(slope), covariance, distance, spare)


def york(
    x: np.ndarray, y: np.ndarray, ux: np.ndarray, uy: np.ndarray, correlation: float = 0.0
) -> Line:
    """Best line with errors in both axes, independent between points.

    Parameters
    ----------
    x, y : ndarray, (n,)
        Data in any unit.
    ux, uy : ndarray, (n,)
        Standard uncertainties.
    correlation : float or ndarray, (n,)
        Correlation of the two errors of a point [1].

    Returns
    -------
    Line
        Standard errors at the adjusted points, the convention of York and others (2004).

    Raises
    ------
    ValueError
        For fewer than two points at different places, or errors that are not positive.
    RuntimeError
        When the iteration does not settle.

    Notes
    -----
    York, Evensen, Lopez Martinez and De Basabe Delgado (2004), American Journal of Physics 72,
    367, equations 13 and 14.
    """
    ux, uy = np.broadcast_to(ux, x.shape), np.broadcast_to(uy, x.shape)
    _enough(x, y, ux, uy)
    if np.any(ux <= 0) or np.any(uy <= 0):
        raise ValueError(
            f"the smallest ux is {ux.min():g} and the smallest uy {uy.min():g}; uncertainties must "
            "be positive in both axes"
        )
    wx, wy = ux**-2.0, uy**-2.0
    alpha = np.sqrt(wx * wy)
    slope, last = ordinary_line(x, y, uy).slope, np.inf
    for _ in range(500):
        w = wx * wy / (wx + slope**2 * wy - 2.0 * slope * correlation * alpha)
        xm, ym = (w @ x) / w.sum(), (w @ y) / w.sum()
        u, v = x - xm, y - ym
        beta = w * (u / wy + slope * v / wx - (slope * u + v) * correlation / alpha)
        below = (w * beta) @ u
        if below == 0.0:
            raise RuntimeError(
                "the line through x and y becomes vertical, so that no slope fits best; give a "
                "wider range of x, or check ux and uy"
            )
        new = float((w * beta) @ v / below)
        change, slope = abs(new - slope), new
        # The sums over many points have more rounding than the last digit of the slope: below that
        # the changes no longer fall.
        if change <= 1e-15 * abs(slope) or last <= change <= 1e-13 * abs(slope):
            break
        last = change
    else:
        if not change <= 1e-9 * abs(slope) + 1e-12 * np.ptp(y) / np.ptp(x):
            raise RuntimeError(
                f"the slope did not converge, it still changes by {change:g}; check ux and uy"
            )
    intercept = ym - slope * xm
    adjusted = xm + beta
    centre = (w @ adjusted) / w.sum()
    variance = 1.0 / (w @ (adjusted - centre) ** 2)
    covariance = np.array(
        [[1.0 / w.sum() + centre**2 * variance, -centre * variance], [-centre * variance, variance]]
    )
    chi_square = float(w @ (y - intercept - slope * x) ** 2)
    return Line(float(intercept), slope, covariance, chi_square, x.size - 2)


def generalised_line(
    x: np.ndarray, y: np.ndarray, covariance_x: np.ndarray, covariance_y: np.ndarray
) -> Line:
    """Line with correlated errors in both axes, those of x independent of those of y.

    Parameters
    ----------
    x, y : ndarray, (n,)
        Data in any unit.
    covariance_x, covariance_y : ndarray, (n, n) or (n,)
        Covariance matrices; a vector stands for variances.

    Returns
    -------
    Line
        The most likely line for Gaussian errors, and the covariance of its parameters at the
        adjusted points.

    Raises
    ------
    ValueError
        For fewer than two points at different places, or a covariance that is not positive.
    RuntimeError
        When the iteration does not settle.

    Notes
    -----
    With Omega = C_y + slope^2 C_x the residuals r = y - a - b x give the adjusted x* = x + b C_x
    Omega^-1 r; a and b solve [1, x*]' Omega^-1 (y - a - b x) = 0, which for diagonal matrices is
    York's solution: Deming (1943), Statistical Adjustment of Data; York and others (2004).
    """
    _enough(x, y, np.asarray(covariance_x), np.asarray(covariance_y))
    cx, cy = _matrix(covariance_x), _matrix(covariance_y)
    first = ordinary_line(x, y).slope
    estimate = np.array([y.mean() - first * x.mean(), first])
    before = np.inf
    for _ in range(200):
        step, covariance, chi_square = _step(estimate, x, y, cx, cy)
        # In units of the standard errors, so that a slope of zero settles too.
        change = float((np.abs(step) / np.sqrt(np.diag(covariance))).max())
        if change <= 1e-13 or (change <= 1e-9 and change >= before):
            break  # settled, or down to the noise of the arithmetic
        before, estimate = change, estimate + step
    else:
        # A line far worse than its errors overshoots: go down the same chi-square by search.
        estimate = _search(first, x, y, cx, cy)
        _, covariance, chi_square = _step(estimate, x, y, cx, cy)
    return Line(float(estimate[0]), float(estimate[1]), covariance, chi_square, x.size - 2)


def instrumental_line(
    x: np.ndarray,
    y: np.ndarray,
    covariance_x: np.ndarray,
    covariance_y: np.ndarray,
    instrument: np.ndarray,
) -> Line:
    """Line whose weights come from an instrument that shares no error with the data.

    Parameters
    ----------
    x, y : ndarray, (n,)
        Data in any unit.
    covariance_x, covariance_y : ndarray, (n, n) or (n,)
        Covariance matrices; a vector stands for variances.
    instrument : ndarray, (n,)
        Goes with the true x and is independent of the errors of x and y.

    Returns
    -------
    Line
        Chi-square is that of the residuals with the full covariance.

    Raises
    ------
    ValueError
        For fewer than two points or an instrument without two different places, or a covariance
        that is not positive.
    RuntimeError
        When the iteration does not settle.

    Notes
    -----
    With Omega = C_y + b^2 C_x and Z = [1, z], a and b solve Z' Omega^-1 (y - a - b x) = 0; their
    covariance is A Z' Omega^-1 Z A', A = (Z' Omega^-1 [1, x])^-1. The estimate has no bias to
    first order for any errors, also where they are not as stated: the weights do not follow the
    data (Reiersol 1945; Fuller 1987, Measurement Error Models, section 1.4; both from memory).
    ``generalised_line`` takes the adjusted x for z. It is the most likely line for Gaussian
    errors that are as stated, and leans on the statement.
    """
    _enough(x, y, np.asarray(covariance_x), np.asarray(covariance_y), instrument)
    if np.ptp(instrument) == 0.0:
        raise ValueError(
            f"instrument has the value {instrument.flat[0]:g} at all points; it needs two "
            "different values or more"
        )
    from scipy.linalg import cho_solve

    cx, cy = _matrix(covariance_x), _matrix(covariance_y)
    ones = np.ones(x.size)
    design, guide = np.column_stack([ones, x]), np.column_stack([ones, instrument])
    centred = instrument - instrument.mean()
    slope = float((centred @ y) / (centred @ x))
    for _ in range(200):
        factor = _weighted(slope, cx, cy)
        rows = cho_solve(factor, guide, check_finite=False).T
        try:
            gain = np.linalg.inv(rows @ design)
        except np.linalg.LinAlgError:
            raise RuntimeError(
                "instrument does not vary with x, so that no slope fits best; give one that does"
            ) from None
        estimate = gain @ (rows @ y)
        covariance = gain @ (rows @ guide) @ gain.T
        step = float(estimate[1]) - slope
        slope = float(estimate[1])
        if abs(step) <= 1e-10 * np.sqrt(covariance[1, 1]):
            break
    else:
        raise RuntimeError(
            "the line did not converge in 200 steps; check covariance_x and covariance_y"
        )
    residual = y - design @ estimate
    chi_square = float(residual @ cho_solve(factor, residual, check_finite=False))
    return Line(float(estimate[0]), slope, covariance, chi_square, x.size - 2)


def _matrix(covariance: np.ndarray) -> np.ndarray:
    """Covariance matrix; a vector stands for variances."""
    return np.diag(covariance) if np.ndim(covariance) == 1 else np.asarray(covariance)


def _weighted(slope: float, cx: np.ndarray, cy: np.ndarray) -> tuple[np.ndarray, bool]:
    """Cholesky factor of the covariance of the residuals, as ``cho_solve`` takes it."""
    from scipy.linalg import cho_factor

    try:
        factor, lower = cho_factor(cy + slope**2 * cx, lower=True, check_finite=False)
    except np.linalg.LinAlgError:
        raise ValueError(
            "covariance_x and covariance_y must be positive definite together; check for a "
            "variance of zero or below"
        ) from None
    return factor, lower


def _step(
    estimate: np.ndarray, x: np.ndarray, y: np.ndarray, cx: np.ndarray, cy: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """Step of the iteration, covariance and chi-square at an estimate."""
    from scipy.linalg import cho_solve

    factor = _weighted(float(estimate[1]), cx, cy)
    design = np.column_stack([np.ones(x.size), x])
    residual = y - design @ estimate
    solved = cho_solve(factor, residual, check_finite=False)
    star = np.column_stack([np.ones(x.size), x + estimate[1] * (cx @ solved)])
    weighted = cho_solve(factor, star, check_finite=False).T
    try:
        step = np.linalg.solve(weighted @ design, weighted @ y) - estimate
        return step, np.linalg.inv(weighted @ star), float(residual @ solved)
    except np.linalg.LinAlgError:
        raise RuntimeError(
            "the line through x and y becomes vertical, so that no slope fits best; give a wider "
            "range of x, or check covariance_x and covariance_y"
        ) from None


def _search(
    first: float, x: np.ndarray, y: np.ndarray, cx: np.ndarray, cy: np.ndarray
) -> np.ndarray:
    """Intercept and slope at the least chi-square, the intercept in closed form."""
    from scipy.linalg import solve_triangular
    from scipy.optimize import minimize_scalar

    def solve(slope: float) -> tuple[float, float]:
        factor, _ = _weighted(slope, cx, cy)
        columns = np.column_stack([np.ones(x.size), y - slope * x])
        one, rest = solve_triangular(factor, columns, lower=True, check_finite=False).T
        intercept = float(one @ rest / (one @ one))
        return intercept, float(np.sum((rest - intercept * one) ** 2))

    bracket = (first, first * 1.1 if first else 1e-6 * float(np.ptp(y)) / float(np.ptp(x)))
    found = minimize_scalar(lambda slope: solve(slope)[1], bracket=bracket, options={"xtol": 1e-12})
    if not found.success:
        raise RuntimeError(
            f"the line did not converge ({found.message}); check covariance_x and covariance_y"
        )
    return np.array([solve(found.x)[0], found.x])


# --------------------------------------------------------------------------------------------------
# Many straight lines at once: the weights of one fit laid over all draws of its data.


def estimating_rows(adjusted: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Two rows of weights whose sums over the data give intercept and slope.

    Parameters
    ----------
    adjusted : ndarray, (n,)
        Positions along x, those of the best line where x has errors too.
    covariance : ndarray, (n, n)
        Covariance of the residuals y - slope x.

    Returns
    -------
    ndarray, (2, n)
        The first row adds up to one, the second to zero.

    Raises
    ------
    ValueError
        For fewer than two points at different places.

    Notes
    -----
    The equations [1, x*]' C^-1 (y - a - b x) = 0 of the generalised line (York and others 2004,
    American Journal of Physics 72, 367), combined so that the first holds a alone.
    """
    if adjusted.size < 2 or np.ptp(adjusted) == 0.0:
        raise ValueError(
            f"the line has {adjusted.size} adjusted points; it needs two points at different places"
        )
    one, other = np.linalg.solve(covariance, np.column_stack([np.ones(adjusted.size), adjusted])).T
    mean = one / one.sum()
    return np.stack([mean, other - other.sum() * mean])


def lines_from_sums(along_x: np.ndarray, along_y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Intercepts and slopes of many lines from the weighted sums of their data.

    Parameters
    ----------
    along_x, along_y : ndarray, (draws, 2)
        Data times the rows of :func:`estimating_rows`.

    Returns
    -------
    tuple of (draws,) and (draws,) ndarray
        Intercepts and slopes.
    """
    slope = along_y[:, 1] / along_x[:, 1]
    return along_y[:, 0] - slope * along_x[:, 0], slope
