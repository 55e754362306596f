"""Temperature between and below the stations of a hole: straight lines in depth."""

from __future__ import annotations

import numpy as np


def line_from_seafloor(
    depth: np.ndarray, temperature: np.ndarray, seafloor: float
) -> tuple[float, float]:
    """Gradient of the straight line from the seafloor through stations, and their scatter.

    Parameters
    ----------
    depth : ndarray, (station)
        Depth below seafloor [m].
    temperature : ndarray, (station)
        Formation temperature [degC].
    seafloor : float
        Temperature at the seafloor, where the line begins [degC].

    Returns
    -------
    tuple of float
        Gradient [K/m], and root mean square of the stations about the line [K].

    Notes
    -----
    Least squares of a line with a fixed intercept: sum z (T - T0) / sum z^2. Definition.
    """
    warmer = temperature - seafloor
    gradient = float(depth @ warmer / (depth @ depth))
    return gradient, float(np.sqrt(np.mean((warmer - gradient * depth) ** 2)))


def line_or_usual_gradient(
    depth: np.ndarray,
    known_depth: np.ndarray,
    known_temperature: np.ndarray,
    usual: float,
    usual_uncertainty: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Temperature at depths from known temperatures, and what an assumed gradient leaves open.

    Parameters
    ----------
    depth : ndarray, (reading)
        Depth below seafloor where the temperature is wanted [m].
    known_depth, known_temperature : ndarray, (point)
        Points of known temperature [m] and [degC]; a single depth among them is the seafloor.
    usual, usual_uncertainty : float
        Gradient to assume with a single depth, and its standard uncertainty [K/m].

    Returns
    -------
    tuple of ndarray, (reading)
        Temperature [degC], and its standard uncertainty by the assumed gradient [K]; zero with
        two depths or more.

    Notes
    -----
    Least-squares line through all points. Definition. With one depth T0 + g z.
    """
    if np.unique(known_depth).size > 1:
        return np.polyval(np.polyfit(known_depth, known_temperature, 1), depth), np.zeros(
            depth.size
        )
    return known_temperature[0] + usual * depth, usual_uncertainty * depth
