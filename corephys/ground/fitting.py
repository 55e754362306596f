"""Nonlinear least squares through lmfit; the caller must state how uncertainties are used."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from corephys.ground.cards import Card, Shown, fit_warnings, with_uncertainty
from corephys.numerics.polynomial import akaike_corrected

__all__ = ["Fit", "criterion", "fit", "linear"]

_STEPS = 60  # maximum of Gauss-Newton steps; each gains only half a digit in flat problems
_LONGEST = 1e-4  # relative length of a step that still belongs to the last digits


@dataclass(frozen=True)
class Fit(Shown):
    """A finished fit on plain floats.

    Parameters
    ----------
    values, errors : dict of str to float
        Parameters and standard errors; an unknown error is NaN, never zero.
    covariance : (k, k) ndarray
        Covariance in the order of ``values``; NaN if not known.
    residual : (n,) ndarray
        Data less model, in the unit of the data.
    chi_square, reduced_chi_square : float
        Weighted sum of squares, and this divided by the degrees of freedom.
    points, degrees_of_freedom : int
        Number of data, and of data less parameters.
    aicc : float
        Corrected information criterion.
    at_bound : tuple of str
        Parameters that ended on a bound.
    success : bool
        Whether the minimiser converged.
    message : str
        Message of the minimiser.
    absolute_sigma : bool
        Whether the given uncertainties are absolute and not relative weights.
    """

    values: dict[str, float]
    errors: dict[str, float]
    covariance: np.ndarray
    residual: np.ndarray
    chi_square: float
    reduced_chi_square: float
    points: int
    degrees_of_freedom: int
    aicc: float
    at_bound: tuple[str, ...]
    success: bool
    message: str
    absolute_sigma: bool

    def card(self) -> Card:
        """Parameters with errors, scatter and warnings."""
        rows = [(name, with_uncertainty(v, self.errors[name])) for name, v in self.values.items()]
        rows += [
            ("points", f"{self.points}, {self.degrees_of_freedom} degrees of freedom"),
            ("reduced chi-square", f"{self.reduced_chi_square:.3g}"),
            ("AICc", f"{self.aicc:.2f}"),
        ]
        warnings = [] if self.success else [f"the fit did not converge: {self.message}"]
        warnings += [f"{name} ended on a bound" for name in self.at_bound]
        scatter = self.reduced_chi_square if self.absolute_sigma else float("nan")
        warnings += fit_warnings(scatter, self.residual, "1")
        return Card("Fit", tuple(rows), tuple(warnings))


def fit(
    model: Callable[..., Any],
    x: Any,
    y: Any,
    sigma: Any = None,
    *,
    start: Mapping[str, float],
    absolute_sigma: bool,
    bounds: Mapping[str, tuple[float, float]] | None = None,
    jacobian: Callable[..., Any] | None = None,
) -> Fit:
    """Fit a model to data.

    Parameters
    ----------
    model : callable
        ``model(x, **parameters)`` on plain floats.
    x, y : ndarray, (n,)
        Data in the unit the model works in.
    sigma : ndarray, (n,), optional
        Standard uncertainties of ``y``; equal weights where not given.
    start : mapping of str to float
        First values, in the order of the covariance.
    absolute_sigma : bool
        True takes ``sigma`` as it is; False takes it as relative weights and lets the scatter set
        the scale. There is no default, because the two differ by any factor.
    bounds : mapping of str to (float, float), optional
        Lower and upper limit of a parameter.
    jacobian : callable, optional
        ``jacobian(x, **parameters)``: derivatives of the model, (n, k), in the order of ``start``;
        extrapolated central differences without it.

    Returns
    -------
    Fit
        Values, errors, covariance and what happened.

    Raises
    ------
    ValueError
        With fewer data than parameters, values that are not finite, or ``absolute_sigma`` without
        uncertainties.

    Notes
    -----
    Levenberg-Marquardt through lmfit (Newville and others), then Gauss-Newton steps with the given
    or extrapolated derivatives until they reach the rounding of the residuals. The covariance is
    that of the linearised problem at the solution, from the QR of the weighted derivatives; with
    ``absolute_sigma=False`` it is multiplied by the reduced chi-square.
    """
    import lmfit

    x, y = np.asarray(x, float), np.asarray(y, float)
    weight = _checked(x, y, sigma, len(start), absolute_sigma)
    parameters = lmfit.Parameters()
    limits = bounds or {}
    for name, value in start.items():
        low, high = limits.get(name, (-np.inf, np.inf))
        parameters.add(name, value=float(value), min=low, max=high)

    def residual(p: Any) -> Any:
        return (y - model(x, **p.valuesdict())) * weight

    found = lmfit.minimize(
        residual,
        parameters,
        method="leastsq",
        scale_covar=not absolute_sigma,
        xtol=1e-12,
        ftol=1e-12,
        gtol=1e-14,
        max_nfev=20000,
        epsfcn=1e-14,
    )
    return finish(
        model,
        x,
        y,
        sigma,
        values={name: float(found.params[name].value) for name in start},
        absolute_sigma=absolute_sigma,
        bounds=limits,
        jacobian=jacobian,
        success=bool(found.success),
        message=str(found.message),
    )


def finish(
    model: Callable[..., Any],
    x: np.ndarray,
    y: np.ndarray,
    sigma: np.ndarray | None,
    *,
    values: dict[str, float],
    absolute_sigma: bool,
    bounds: Mapping[str, tuple[float, float]],
    jacobian: Callable[..., Any] | None,
    success: bool,
    message: str,
) -> Fit:
    """Take the parameters of any minimiser to their last digits, with errors and covariance.

    Parameters
    ----------
    model, x, y, sigma, absolute_sigma, bounds, jacobian
        As for :func:`fit`.
    values : dict of str to float
        Parameters that the minimiser found.
    success : bool
        Whether the minimiser converged.
    message : str
        Report of the minimiser.

    Returns
    -------
    Fit
        As from :func:`fit`.

    Raises
    ------
    ValueError
        As for :func:`fit`.

    Notes
    -----
    Gauss-Newton steps and the covariance of the linearised problem, see :func:`fit`.
    """
    weight = _checked(x, y, sigma, len(values), absolute_sigma)
    at_bound = tuple(n for n in values if _touches(values[n], bounds.get(n)))

    def slopes(at: dict[str, float]) -> np.ndarray:
        if jacobian is None:
            return _slopes(model, x, weight, at)
        return np.asarray(jacobian(x, **at) * weight[:, None])

    values = _polished(model, slopes, x, y, weight, values, at_bound)
    covariance, chi_square = _covariance(model, slopes, x, y, weight, values, at_bound)
    freedom = y.size - len(values)
    reduced = chi_square / freedom if freedom else float("nan")
    if not absolute_sigma:
        covariance = covariance * reduced
    with np.errstate(invalid="ignore"):
        errors = dict(zip(values, np.sqrt(np.diag(covariance)).tolist(), strict=True))
    return Fit(
        values,
        errors,
        covariance,
        y - model(x, **values),
        chi_square,
        reduced,
        y.size,
        freedom,
        criterion(chi_square, y.size, len(values), absolute_sigma),
        at_bound,
        success,
        message,
        absolute_sigma,
    )


def _checked(
    x: np.ndarray, y: np.ndarray, sigma: Any, parameters: int, absolute: bool
) -> np.ndarray:
    """Weights of the residuals, once the data are found fit to be fitted."""
    weight = _weights(y, sigma, absolute)
    if y.size < parameters:
        raise ValueError(
            f"{y.size} points cannot fix {parameters} parameters; give {parameters} points or more"
        )
    if not (np.isfinite(y).all() and np.isfinite(x).all()):
        raise ValueError(f"some of the {y.size} points are not finite; leave them out first")
    return weight


def _weights(y: np.ndarray, sigma: Any, absolute: bool) -> np.ndarray:
    if sigma is None:
        if absolute:
            raise ValueError(
                "absolute_sigma=True needs the standard uncertainties of the data; give them, or "
                "use absolute_sigma=False and let the scatter set the scale"
            )
        return np.ones(y.size)
    sigma = np.broadcast_to(np.asarray(sigma, float), y.shape)
    if np.any(~(sigma > 0)):
        raise ValueError(
            f"{int(np.sum(~(sigma > 0)))} of {y.size} uncertainties are missing or not positive; "
            "give them, or use absolute_sigma=False and let the scatter set the scale"
        )
    return np.asarray(1.0 / sigma)


def _touches(value: float, limits: tuple[float, float] | None) -> bool:
    if limits is None:
        return False
    span = limits[1] - limits[0]
    near = 1e-6 * (span if np.isfinite(span) else max(abs(value), 1.0))
    return bool(value - limits[0] < near or limits[1] - value < near)


def _slopes(
    model: Callable[..., Any], x: np.ndarray, weight: np.ndarray, values: dict[str, float]
) -> np.ndarray:
    """Weighted derivatives of the model by extrapolated central differences, (n, k).

    One central difference keeps ten digits, too few where the parameters are nearly dependent.
    Differences over steps that are halved are extrapolated to a step of zero (Ridders 1982,
    Advances in Engineering Software 4, 75; from memory); of the table, the entry that differs least
    from its neighbours is taken.
    """
    columns = []
    for name, value in values.items():
        step = 0.02 * (abs(value) or 1.0)
        rows: list[list[np.ndarray]] = []
        best, least = np.full(x.shape, np.nan), np.inf
        for i in range(6):
            up = model(x, **{**values, name: value + step})
            down = model(x, **{**values, name: value - step})
            row = [(up - down) / (2.0 * step) * weight]
            for j in range(i):
                row.append(row[j] + (row[j] - rows[-1][j]) / (4.0 ** (j + 1) - 1.0))
                apart = max(
                    float(np.linalg.norm(row[-1] - row[j])),
                    float(np.linalg.norm(row[-1] - rows[-1][j])),
                )
                if apart <= least:
                    best, least = row[-1], apart
            rows.append(row)
            step *= 0.5
        columns.append(best)
    return np.column_stack(columns)


def _polished(
    model: Callable[..., Any],
    slopes: Callable[..., Any],
    x: np.ndarray,
    y: np.ndarray,
    weight: np.ndarray,
    values: dict[str, float],
    at_bound: tuple[str, ...],
) -> dict[str, float]:
    """Last digits by Gauss-Newton steps with the better derivatives, where no bound is touched.

    The minimiser stops where one-sided derivatives show no way down, three digits early on flat
    problems. A step that is not small or that makes the fit worse is not taken. The first step may
    be short by chance, so that one step may be longer than the one before; the second such step is
    the rounding of the residuals.
    """
    if at_bound:
        return values

    def cost(v: dict[str, float]) -> float:
        return float(np.sum(((y - model(x, **v)) * weight) ** 2))

    best, before, longer = cost(values), _LONGEST, 0
    for _ in range(_STEPS):
        jacobian = slopes(values)
        size = np.linalg.norm(jacobian, axis=0)
        if not (np.isfinite(jacobian).all() and np.all(size > 0)):
            return values
        left = (y - model(x, **values)) * weight
        step = np.linalg.lstsq(jacobian / size, left, rcond=1e-12)[0] / size
        moved = {n: v + float(d) for (n, v), d in zip(values.items(), step, strict=True)}
        length = max(abs(moved[n] - v) / (abs(v) or 1.0) for n, v in values.items())
        longer += length > before
        if not length <= _LONGEST or longer > 1:
            return values
        reached = cost(moved)
        if not reached <= best * (1.0 + 1e-11):
            return values
        values, best, before = moved, min(best, reached), length
        if length < 1e-14:
            return values
    return values


def criterion(chi_square: float, points: int, parameters: int, absolute: bool) -> float:
    """Corrected information criterion, up to what all models of the same data share.

    Parameters
    ----------
    chi_square : float
        Weighted sum of squared residuals.
    points, parameters : int
        Number of data and of fitted parameters.
    absolute : bool
        Whether the uncertainties are used as they are. Where the scatter sets the scale, the scale
        is a parameter too.

    Returns
    -------
    float
        AICc (Hurvich and Tsai 1989, Biometrika 76, 297).
    """
    if absolute:
        return akaike_corrected(chi_square, points, parameters)
    deviance = float(points * np.log(max(chi_square, 1e-300) / points))
    return akaike_corrected(deviance, points, parameters + 1)


def _covariance(
    model: Callable[..., Any],
    slopes: Callable[..., Any],
    x: np.ndarray,
    y: np.ndarray,
    weight: np.ndarray,
    values: dict[str, float],
    at_bound: tuple[str, ...],
) -> tuple[np.ndarray, float]:
    """Covariance from the derivatives of the model at the solution; NaN at a bound.

    The minimiser's own Jacobian is one-sided and loses half of the digits of the errors.
    """
    jacobian = slopes(values)
    chi_square = float(np.sum(((y - model(x, **values)) * weight) ** 2))
    size = np.linalg.norm(jacobian, axis=0)
    unknown = np.full((len(values), len(values)), np.nan)
    if at_bound or np.any(size == 0) or not np.isfinite(jacobian).all():
        return unknown, chi_square
    r = np.linalg.qr(jacobian / size, mode="r")
    if np.min(np.abs(np.diag(r))) < 1e-12:
        return unknown, chi_square
    inverse = np.linalg.inv(r)
    return inverse @ inverse.T / np.outer(size, size), chi_square


def linear(columns: Mapping[str, Any], y: Any, sigma: Any = None, *, absolute_sigma: bool) -> Fit:
    """Fit a sum of known columns to data, in one step and to full precision.

    Parameters
    ----------
    columns : mapping of str to ndarray, (n,)
        Columns by the names of their parameters; a constant is a column of ones.
    y : ndarray, (n,)
        Data.
    sigma : ndarray, (n,), optional
        Standard uncertainties of ``y``; equal weights where not given.
    absolute_sigma : bool
        Whether ``sigma`` is absolute, see :func:`fit`.

    Returns
    -------
    Fit
        Values, errors and covariance; NaN errors where the columns are dependent to the precision
        of the arithmetic.

    Raises
    ------
    ValueError
        For data that :func:`fit` refuses.

    Notes
    -----
    Householder QR of the columns at unit length, then the solution is refined twice with residuals
    in extended precision (Bjorck 1996, Numerical Methods for Least Squares Problems, section 2.9;
    from memory).
    """
    y = np.asarray(y, float)
    design = np.column_stack(
        [np.broadcast_to(np.asarray(c, float), y.shape) for c in columns.values()]
    )
    weight = _weights(y, sigma, absolute_sigma)
    if y.size < design.shape[1]:
        raise ValueError(
            f"{y.size} points cannot fix {design.shape[1]} parameters; give {design.shape[1]} or "
            "more"
        )
    if not (np.isfinite(y).all() and np.isfinite(design).all()):
        raise ValueError(f"some of the {y.size} points are not finite; leave them out first")
    solution, residual, inverse = _solved(design, y, weight)
    chi_square = float(np.sum((residual * weight) ** 2))
    freedom = y.size - design.shape[1]
    reduced = chi_square / freedom if freedom else float("nan")
    covariance = inverse * (1.0 if absolute_sigma else reduced)
    known = bool(np.isfinite(inverse).all())
    values = dict(zip(columns, solution.tolist(), strict=True))
    errors = dict(zip(columns, np.sqrt(np.diag(covariance)).tolist(), strict=True))
    return Fit(
        values,
        errors,
        covariance,
        residual,
        chi_square,
        reduced,
        y.size,
        freedom,
        criterion(chi_square, y.size, solution.size, absolute_sigma),
        (),
        known,
        "solved in one step" if known else "the columns depend on each other",
        absolute_sigma,
    )


def _solved(
    design: np.ndarray, y: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Solution, residuals, and the inverse of the normal matrix; NaN where that has none."""
    size = np.linalg.norm(design * weight[:, None], axis=0)
    size = np.where(size > 0.0, size, 1.0)
    q, r = np.linalg.qr(design * weight[:, None] / size)
    long_design, long_y = design.astype(np.longdouble), y.astype(np.longdouble)
    solution = np.zeros(design.shape[1], dtype=np.longdouble)
    for _ in range(3):
        left = np.asarray((long_y - long_design @ solution) * weight, dtype=float)
        solution = solution + np.linalg.lstsq(r, q.T @ left, rcond=None)[0] / size
    residual = np.asarray(long_y - long_design @ solution, dtype=float)
    normal = np.full((size.size, size.size), np.nan)
    if np.min(np.abs(np.diag(r))) > 1e-14:
        inverse = np.linalg.inv(r)
        normal = inverse @ inverse.T / np.outer(size, size)
    return np.asarray(solution, dtype=float), residual, normal
