"""The constants that were fitted to standards, kept with what was reduced by them."""

from __future__ import annotations

import json

import numpy as np
import xarray as xr

from corephys.sensors import gamma, natural_gamma, pwave, resistivity

__all__ = [
    "keep", "of_gamma", "of_natural_gamma", "of_pwave", "of_resistivity",
]  # fmt: skip

Row = tuple[str, str, float, float, str]  # symbol, meaning, value, standard uncertainty, unit
_LINE = ("logarithm of the rate without matter", "slope in areal density", "curvature")
_RESPONSE = ("logarithm of the resistivity at 1 mV", "slope in the logarithm", "curvature")


def keep(dataset: xr.Dataset, rows: list[Row], standards: int, chi_square: float) -> None:
    """Write fitted constants into the attributes of a result.

    Parameters
    ----------
    dataset : Dataset
        Leaf that they belong to; changed in place.
    rows : list of (symbol, meaning, value, standard uncertainty, unit)
        An uncertainty that is NaN is not known.
    standards : int
        Readings of standards that the fit rests on.
    chi_square : float
        Reduced; NaN where there is none.
    """
    known = [
        [symbol, meaning, *(float(x) if np.isfinite(x) else None for x in (value, u)), unit]
        for symbol, meaning, value, u, unit in rows
    ]
    chi = float(chi_square) if np.isfinite(chi_square) else None
    dataset.attrs["fitted_constants"] = json.dumps(
        {"rows": known, "standards": int(standards), "reduced_chi_square": chi}
    )


def of_gamma(dataset: xr.Dataset, fit: gamma.Calibration) -> None:
    """Keep the coefficients of ln I = c0 + c1 x + c2 x^2."""
    rows = _coefficients(fit.coefficients, fit.covariance, _LINE, ("1", "cm^2/g", "cm^4/g^2"))
    keep(dataset, rows, fit.areal_density.size, fit.reduced_chi_square)


def of_resistivity(dataset: xr.Dataset, fit: resistivity.Calibration) -> None:
    """Keep the coefficients of log10(resistivity) = c0 + c1 x + c2 x^2."""
    rows = _coefficients(fit.coefficients, fit.covariance, _RESPONSE, ("1", "1", "1"))
    keep(dataset, rows, fit.log_response.size, fit.reduced_chi_square)


def of_pwave(dataset: xr.Dataset, fit: pwave.Calibration) -> None:
    """Keep the delays, and the velocities that were fitted to solid standards."""
    rows: list[Row] = [
        ("t0", "delay of transducers and electronics", fit.delay, fit.delay_uncertainty, "us"),
        ("tl", f"time in two walls of the liner, from {fit.liner_from}", fit.liner_delay,
         fit.liner_delay_uncertainty, "us"),
    ]  # fmt: skip
    rows += [
        ("V", f"velocity of the standard {medium}", speed, float("nan"), "m/s")
        for medium, speed in fit.medium_velocity.items()
    ]
    keep(dataset, rows, fit.length.size, float("nan"))


def of_natural_gamma(dataset: xr.Dataset, fit: natural_gamma.Stripping, standards: int) -> None:
    """Keep sensitivities and background of every window."""
    rows: list[Row] = []
    elements = (("potassium", "%"), ("uranium", "mg/kg"), ("thorium", "mg/kg"))
    for row, window in enumerate(fit.windows):
        u = _standard(fit.covariance[row])
        for column, (element, unit) in enumerate(elements):
            meaning = f"window {window}, sensitivity to {element}"
            # Rate of 1 g/cm in view with one unit of the element.
            of = f"cm/(g s {unit})"
            rows.append(("S", meaning, float(fit.sensitivity[row, column]), float(u[column]), of))
        rows.append(("b", f"window {window}, background", float(fit.background[row]),
                     float(fit.background_uncertainty[row]), "1/s"))  # fmt: skip
    keep(dataset, rows, standards, fit.reduced_chi_square)


def _coefficients(
    values: np.ndarray, covariance: np.ndarray, meanings: tuple[str, ...], units: tuple[str, ...]
) -> list[Row]:
    """The coefficients that were fitted; one that was not is no constant of the calibration."""
    u = _standard(covariance)
    return [(f"c{i}", meanings[i], float(values[i]), float(u[i]), units[i]) for i in range(u.size)]


def _standard(covariance: np.ndarray) -> np.ndarray:
    """Standard uncertainties; not known where standards leave a variance below zero by rounding."""
    variance = np.diag(covariance)
    return np.sqrt(np.where(variance >= 0.0, variance, np.nan))
