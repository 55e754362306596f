"""What the liner adds to a P-wave reading: time in its walls, and a gap around a thin core."""

from __future__ import annotations

import numpy as np


def time_in_walls(wall: float, velocity: float, uncertainty: float) -> tuple[float, float]:
    """Time of the P-wave in two walls of a liner of known velocity.

    Parameters
    ----------
    wall : float
        Thickness of one wall [mm].
    velocity : float
        P-wave velocity of the wall [m/s].
    uncertainty : float
        Standard uncertainty of that velocity [m/s].

    Returns
    -------
    tuple of float
        Time [us] and its standard uncertainty [us].

    Notes
    -----
    Definition of velocity: t = 2 d / V.
    """
    # A thickness in mm over a velocity in m/s is a time in ms.
    time = 2e3 * wall / velocity
    return time, uncertainty / velocity * time


def fluid_gap(
    thickness: np.ndarray, walls: np.ndarray, wall: float, diameter: np.ndarray, bore: np.ndarray
) -> np.ndarray:
    """Fluid in the way of the P-wave between a thin core and its liner.

    Parameters
    ----------
    thickness : ndarray, (reading)
        Distance of the transducers, outside the liner [mm].
    walls : ndarray, (reading)
        Walls of the liner in the way: 2, 1 or 0.
    wall : float
        Thickness of one wall [mm].
    diameter, bore : ndarray, (reading)
        Diameter of the core, and of the space inside its liner [mm].

    Returns
    -------
    ndarray, (reading)
        Path in the fluid [mm]; zero where the core fills its liner.

    Notes
    -----
    Plain geometry: what the calliper measures beyond the walls and the core.
    """
    inside = thickness - walls * wall
    return np.where(bore > diameter, np.clip(inside - diameter, 0.0, None), 0.0)
