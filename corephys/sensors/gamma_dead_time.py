"""Dead time of the counter from standards of many rates."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy import optimize

from corephys.ground import constants, seawater, thresholds, units
from corephys.ground.provenance import UsedConstant, records
from corephys.numerics import polynomial
from corephys.sensors.gamma_calibration import check_standards

__all__ = ["DeadTime", "dead_time_from_standards"]

_HIGHEST = thresholds.value("dead_time_limit")


@dataclass(frozen=True)
class DeadTime:
    """A dead time with what stands behind it.

    Parameters
    ----------
    value, uncertainty : float
        [s].
    reduced_chi_square : float
        Of ln I against areal density with that dead time; well above one means that something
        else than dead time bends the line.
    standards : int
        How many were used.
    used : dict of str to UsedConstant
        Constants that the estimate used.
    """

    value: float
    uncertainty: float
    reduced_chi_square: float
    standards: int
    used: dict[str, UsedConstant] = field(default_factory=dict, repr=False)

    def __str__(self) -> str:
        return f"{self.value * 1e6:.3g} us +- {self.uncertainty * 1e6:.2g} us"


def dead_time_from_standards(
    counts: Any, real_time: Any, aluminium_thickness: Any, bore: Any, *,
    background_rate: Any = "0 1/s", decay: Any = 1.0, water_temperature: Any = "20 degC",
    aluminium_density: Any = constants.CONSTANTS["aluminium_density"],
) -> DeadTime:  # fmt: skip
    """Dead time that makes ln I a straight line in areal density.

    Parameters
    ----------
    counts, real_time : Quantity or DataArray, (standard)
        Counts [count] and real counting time [s]; a live time has lost its dead time already.
    aluminium_thickness, bore : Quantity or DataArray, (standard)
        [cm].
    background_rate : Quantity or str
        [1/s].
    decay : float or ndarray
        Factor to the reference time of each standard.
    water_temperature : Quantity or str
        Of the water in the standards [degC].
    aluminium_density : Quantity, str or Constant
        [g/cm^3].

    Returns
    -------
    DeadTime
        Zero at the least; its uncertainty is widened where the line does not fit.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        With fewer than four different thicknesses, or rates too alike to tell a dead time.

    Notes
    -----
    m = I / (1 + I tau), the non-paralysable counter of Knoll (2010), Radiation Detection and
    Measurement, section 4.VII; I = exp(c0 + c1 x). Weighted least squares over tau, with c0 and
    c1 in closed form. What else bends ln I (scatter into a wide beam, a liner of another wall) is
    taken for dead time: use it only for a narrow beam, and a stated dead time where there is one.
    """
    n = np.asarray(units.as_floats(counts, "count", "counts"), dtype=float)
    t = np.broadcast_to(units.as_floats(real_time, "s", "real_time"), n.shape)
    thick = np.broadcast_to(
        units.as_floats(aluminium_thickness, "cm", "aluminium_thickness"), n.shape
    )
    wide = np.broadcast_to(units.as_floats(bore, "cm", "bore"), n.shape)
    background = float(units.as_floats(background_rate, "1/s", "background_rate"))
    if np.isinf(n).any() or np.isnan(thick).any():
        raise ValueError("standards need positive counts and times, and a known thickness")
    check_standards(n, t, thick, wide)
    if background < 0:
        raise ValueError("background_rate is below zero")
    if np.unique(np.round(thick, 4)).size < 4:
        raise ValueError(
            "a dead time needs standards of at least four different thicknesses; state it as "
            "dead_time instead"
        )
    water = float(seawater.density("0 g/kg", water_temperature, "0 dbar") / 1000.0)
    metal = units.as_floats(aluminium_density, "g/cm^3", "aluminium_density")
    x = metal * thick + water * (wide - thick)
    found = _fit(n, t, x, background, np.asarray(decay, dtype=float))
    return replace(found, used=records(
        aluminium_density=aluminium_density, background_rate=background_rate,
    ))  # fmt: skip


def _line(
    tau: float, n: np.ndarray, t: np.ndarray, x: np.ndarray, background: float, decay: np.ndarray
) -> tuple[np.ndarray, float]:
    """Residuals in standard uncertainties and their sum of squares, at one dead time."""
    live = t - n * tau
    net = n / live - background
    sigma = np.sqrt(n) / live / net
    y = np.log(net * decay)
    c, _, chi_square = polynomial.fit_polynomial(x, y, sigma, 1)
    if c[1] >= 0.0:
        raise ValueError(
            "the count rate does not fall with density; the standards may stand in the wrong order"
        )
    return (y - np.polynomial.polynomial.polyval(x, c)) / sigma, chi_square


def _fit(
    n: np.ndarray, t: np.ndarray, x: np.ndarray, background: float, decay: np.ndarray
) -> DeadTime:
    given = (n, t, x, background, decay)
    highest = _HIGHEST / float(np.max(n / t))
    found = optimize.minimize_scalar(
        lambda tau: _line(tau, *given)[1], bounds=(0.0, highest), method="bounded",
        options={"xatol": 1e-6 * highest},
    )  # fmt: skip
    tau, chi_square = float(found.x), float(found.fun)
    if highest - tau < 1e-3 * highest:
        raise ValueError(
            "no dead time below half of the counting time straightens the standards; check their "
            "thicknesses, or state dead_time"
        )
    # Curvature of the profile by the change of the residuals (Gauss and Newton).
    step = 1e-4 * highest
    low = max(tau - step, 0.0)
    slope = (_line(low + 2.0 * step, *given)[0] - _line(low, *given)[0]) / (2.0 * step)
    size = float(slope @ slope)
    if not size > 0.0 or 1.0 / np.sqrt(size) > highest:
        raise ValueError("the rates of the standards are too alike to tell a dead time")
    reduced = chi_square / (n.size - 3) if n.size > 3 else float("nan")
    return DeadTime(tau, float(np.sqrt(max(reduced, 1.0) / size)), reduced, n.size)
