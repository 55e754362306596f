"""Conduction along the grains beside that of the pore water, from many readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from corephys.ground import fitting, series, thresholds
from corephys.ground.arguments import measured_fraction

__all__ = ["SurfaceConduction", "surface_conduction_fit"]

# Brun, Reichert and Kuensch (2001), from memory: indices above 10 to 20 are not to be told apart.
MOST_COLLINEAR = thresholds.value("surface_collinearity")


@dataclass(frozen=True)
class SurfaceConduction:
    """sigma = sigma_w phi^m / a + sigma_s.

    Parameters
    ----------
    a, m : float
        Factor and exponent of the pores, 1.
    surface_conductivity : float
        sigma_s [S/m].
    a_uncertainty, m_uncertainty, surface_conductivity_uncertainty : float
        Standard; zero for what was fixed, NaN where the readings do not tell the parameters apart.
    collinearity : float
        One where every parameter leaves its own trace in the readings, large where one can make
        up for another.
    points : int
        Readings in the fit.
    reduced_chi_square : float
        Above one it has widened the uncertainties.
    note : str
        Why an uncertainty is NaN; empty otherwise.
    """

    a: float
    m: float
    surface_conductivity: float
    a_uncertainty: float
    m_uncertainty: float
    surface_conductivity_uncertainty: float
    collinearity: float
    points: int
    reduced_chi_square: float
    note: str = ""


def model(x: np.ndarray, inverse_a: float, m: float, surface: float) -> np.ndarray:
    """Conductivity of a core [S/m]; ``x`` holds that of the pore water [S/m] and the porosity."""
    return inverse_a * x[0] * x[1] ** m + surface


def surface_conduction_fit(
    resistivity: Any, pore_water_resistivity: Any, porosity: Any, *, fixed_a: float | None = 1.0,
    fixed_m: float | None = None, resistivity_uncertainty: Any = None,
    porosity_uncertainty: Any = None,
) -> SurfaceConduction:  # fmt: skip
    """Fit the conduction of grain surfaces beside that of the pores.

    Parameters
    ----------
    resistivity, pore_water_resistivity : DataArray, Dataset or Quantity, (reading)
        Of core and pore water at one temperature [ohm m].
    porosity : DataArray, Dataset or Quantity, (reading)
        Fraction [1].
    fixed_a, fixed_m : float, optional
        Hold these; None lets them be fitted [1].
    resistivity_uncertainty, porosity_uncertainty : Quantity or DataArray, optional
        Random [ohm m], [1]; those of a Dataset where not given. Without both the scatter sets the
        errors.

    Returns
    -------
    SurfaceConduction
        Parameters with uncertainties, surface conductivity in S/m.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        With no more readings than parameters.

    Notes
    -----
    sigma = sigma_w phi^m / a + sigma_s: Waxman and Smits (1968), from memory, with one surface
    conductivity for all readings. It is told from m by readings that differ in pore water or widely
    in porosity; in cores of one pore water and like porosity any sigma_s has an m that fits as
    well, and the uncertainties are NaN with a note. Errors in porosity by effective variance.
    """
    rho, rho_w, phi = (
        series.unpack(value, name, uncertainty_given=u)
        for value, name, u in (
            (resistivity, "electrical_resistivity", resistivity_uncertainty),
            (pore_water_resistivity, "pore_water_resistivity", None),
            (porosity, "porosity", porosity_uncertainty),
        )
    )
    phi = measured_fraction(phi, "porosity")
    series.require_same_positions(resistivity=rho.values, pore=rho_w.values, porosity=phi.values)
    shape = np.broadcast_shapes(*(np.shape(part.values) for part in (rho, rho_w, phi)))
    rows = [
        np.ravel(np.broadcast_to(np.asarray(part, dtype=float), shape))
        for part in (rho.values, rho_w.values, phi.values, rho.u_random, phi.u_random)
    ]
    usable = np.all([np.isfinite(row) & (row > 0) for row in rows[:3]], axis=0)
    rho_c, water, share, u_rho, u_phi = (row[usable] for row in rows)
    return _fit(rho_c, water, share, u_rho, u_phi, fixed_a, fixed_m)


def _fit(
    rho: np.ndarray, water: np.ndarray, phi: np.ndarray, u_rho: np.ndarray, u_phi: np.ndarray,
    fixed_a: float | None, fixed_m: float | None,
) -> SurfaceConduction:  # fmt: skip
    x, y = np.vstack([1.0 / water, phi]), 1.0 / rho
    held = {
        name: value
        for name, value in (
            ("inverse_a", None if fixed_a is None else 1.0 / fixed_a),
            ("m", fixed_m),
        )
        if value is not None
    }
    start = {
        name: value
        for name, value in (("inverse_a", 1.0), ("m", 2.0), ("surface", 0.0))
        if name not in held
    }
    if y.size <= len(start):
        raise ValueError(
            f"{y.size} readings for {len(start)} parameters; more readings than parameters are "
            "needed. Fix a or m, or bring more readings"
        )

    def free(at: np.ndarray, **values: float) -> np.ndarray:
        return model(at, **held, **values)

    known = bool(np.all(u_rho > 0) and np.all(u_phi >= 0))
    found = fitting.fit(free, x, y, start=start, absolute_sigma=False)
    for _ in range(3 if known else 0):
        m = found.values.get("m", fixed_m)
        pores = found.values.get("inverse_a", held.get("inverse_a")) * x[0] * phi**m
        sigma = np.hypot(u_rho / rho**2, m * pores / phi * u_phi)
        found = fitting.fit(free, x, y, sigma, start=found.values, absolute_sigma=True)
    return _told(found, x, held, known)


def _told(
    found: fitting.Fit, x: np.ndarray, held: dict[str, float], known: bool
) -> SurfaceConduction:
    values = {**held, **found.values}
    pores = x[0] * x[1] ** values["m"]
    columns = {
        "inverse_a": pores,
        "m": values["inverse_a"] * pores * np.log(x[1]),
        "surface": np.ones_like(pores),
    }
    design = np.column_stack([columns[name] for name in found.values])
    design = design / np.linalg.norm(design, axis=0)
    smallest = float(np.linalg.svd(design, compute_uv=False)[-1])
    collinearity = 1.0 / max(smallest, 1e-300)
    note = ""
    widening = np.sqrt(max(found.reduced_chi_square, 1.0)) if known else 1.0
    errors = {name: error * widening for name, error in found.errors.items()}
    if collinearity > MOST_COLLINEAR:
        note = (
            "the readings do not tell the parameters apart: bring readings with other pore water "
            "or a wider range of porosity, or fix m"
        )
        errors = dict.fromkeys(errors, float("nan"))
    a = 1.0 / values["inverse_a"]
    return SurfaceConduction(
        a, values["m"], values["surface"], errors.get("inverse_a", 0.0) * a**2,
        errors.get("m", 0.0), errors.get("surface", 0.0), collinearity, x.shape[1],
        found.reduced_chi_square if known else float("nan"), note,
    )  # fmt: skip
