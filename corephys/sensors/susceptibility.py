"""Volume magnetic susceptibility of a core from the readings of a loop around it.

The order of the work: the reading in air, the unit, the share of the loop that the core fills.
The diameter is the usual error: it enters with its third power, and a diameter that is taken from
the liner while the core is 5 mm thinner costs a fifth of the susceptibility.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, units
from corephys.ground.arguments import positive
from corephys.sensors.susceptibility_baseline import Baseline, drift_baseline
from corephys.sensors.susceptibility_loop import (
    factor_kernel,
    plain_numbers,
    si_factor,
    to_si,
    volume_factor,
    volume_factor_quadratic,
)
from corephys.sensors.susceptibility_wrapping import suggest_unwrapping
from corephys.uncertainty import Measured, stated

__all__ = [
    "Baseline", "drift_baseline", "magnetic_susceptibility", "suggest_unwrapping",
    "susceptibility_kernel", "to_si", "volume_factor", "volume_factor_quadratic",
]  # fmt: skip

_C = constants.CONSTANTS


def susceptibility_kernel(
    reading: Any, baseline: Any, core_diameter: Any, *, scale: float, loop: float, effective: float,
    coefficient: float,
) -> tuple[Any, Any, Any]:  # fmt: skip
    """Volume susceptibility, its change per unit of reading, and reasons.

    Parameters
    ----------
    reading, baseline : float or ndarray
        In the unit of the readings.
    core_diameter : float or ndarray
        [mm].
    scale : float
        SI per unit of the readings.
    loop, effective : float
        Aperture and effective diameter of the loop [mm]; NaN for no volume factor.
    coefficient : float
        Of the volume factor [1].

    Returns
    -------
    tuple of ndarray
        In SI, dimensionless; int64 reasons, ``impossible_value`` and NaN for a core that does not
        pass through the loop.

    Notes
    -----
    kappa = (r - z) scale / K, K of :func:`volume_factor`, 1 without a loop (geometry).
    """
    reading, baseline, diameter = np.broadcast_arrays(
        *(np.asarray(part, dtype=float) for part in (reading, baseline, core_diameter))
    )
    slope, refused = np.full(reading.shape, scale), np.zeros(reading.shape, dtype=bool)
    if not np.isnan(loop):
        refused = (diameter <= 0.0) | (diameter > loop)
        size = np.where(refused, np.nan, diameter)
        slope = scale / factor_kernel(size, effective, coefficient)
    reason = np.where(refused, flags.bit("impossible_value"), 0).astype(np.int64)
    return (reading - baseline) * slope, slope, reason


def magnetic_susceptibility(
    reading: Any, *, unit: str, baseline: Any = 0.0, core_diameter: Any = None,
    loop_diameter: Any = None, volume_corrected: bool = False, reading_uncertainty: Any = None,
    core_diameter_uncertainty: Any = None,
    coefficient: Any = _C["loop_volume_factor"], allowance: Any = _C["loop_allowance"],
    loop_factor_uncertainty: Any = _C["loop_factor_uncertainty"], reason: Any = 0,
) -> xr.Dataset:  # fmt: skip
    """Volume magnetic susceptibility of a core in SI.

    Parameters
    ----------
    reading : DataArray, (reading)
        Of the meter, plain numbers in ``unit``.
    unit : {"1e-5 SI", "SI", "1e-6 cgs", "cgs"}
        Of readings, baseline and ``reading_uncertainty``.
    baseline : float, DataArray or Baseline
        Reading in air, from :func:`drift_baseline` with its uncertainty and reasons; the
        uncertainty of bare numbers other than zero is unknown.
    core_diameter : Quantity, DataArray or str, optional
        [mm]; a scalar or one a reading.
    loop_diameter : Quantity or str, optional
        Aperture of the loop [mm]; without it no volume factor is applied and the systematic
        uncertainty is unknown.
    volume_corrected : bool
        The readings already are per volume, as in many archives.
    reading_uncertainty : float, optional
        Random standard uncertainty of one reading, in ``unit``; unknown gives NaN.
    core_diameter_uncertainty : Quantity or str, optional
        Systematic, of the calliper [mm]; unknown gives NaN.
    coefficient, allowance
        As for :func:`volume_factor`.
    loop_factor_uncertainty : Quantity, str, float or Constant
        Systematic, relative, of the volume factor, a fraction.
    reason : int or DataArray of int
        Reasons already found for these readings.

    Returns
    -------
    Dataset
        ``magnetic_susceptibility`` with uncertainty, effects ``core_diameter`` and
        ``loop_factor``, and flags. Negative values down to -1.5e-5 are physical (diamagnetic).

    Raises
    ------
    UnitError
        For a bare length, a wrong unit, or a susceptibility by mass.
    PositionError
        When the series lie at different positions.
    ValueError
        For readings that would be corrected twice, or a loop without a core diameter.

    Notes
    -----
    kappa = (r - z) / K, K = 3.45 (d / (loop + 8 mm))^3, sources at :func:`volume_factor`;
    effects -3 kappa / d u_d and -kappa u_K / K (JCGM 100:2008, 5.1). The uncertainty of the
    baseline is counted as random, although neighbours in time share it.
    """
    _check(loop_diameter, core_diameter, volume_corrected)
    zero = baseline if isinstance(baseline, Baseline) else _bare_baseline(baseline)
    series.require_same_positions(reading=reading, baseline=zero.values, diameter=core_diameter)
    with_loop = loop_diameter is not None
    loop = float(positive(loop_diameter, "mm", "loop_diameter")) if with_loop else np.nan
    size = positive(core_diameter, "mm", "core_diameter") if with_loop else np.nan
    kappa, slope, found = series.apply(
        susceptibility_kernel, plain_numbers(reading, "reading"),
        plain_numbers(zero.values, "baseline"), size,
        outputs=3, dtypes=[float, float, np.int64], scale=si_factor(unit), loop=loop,
        effective=loop + float(units.as_floats(allowance, "mm", "allowance")),
        coefficient=float(units.as_floats(coefficient, "1", "coefficient")),
    )  # fmt: skip
    u = units.as_floats(reading_uncertainty, "1", "reading_uncertainty", optional=True)
    random = slope * (zero.uncertainty**2 + (np.nan if u is None else u) ** 2) ** 0.5
    u_d = stated(core_diameter_uncertainty, "mm", "core_diameter_uncertainty")
    u_k = stated(loop_factor_uncertainty, "1", "loop_factor_uncertainty")
    effects = {
        "core_diameter": -3.0 * kappa / size * u_d,
        "loop_factor": -kappa * (u_k if with_loop else np.nan),
    }
    for part in (found, zero.reason):
        reason = series.joined_reasons(part, reason)
    return series.build(
        {"magnetic_susceptibility": Measured(kappa, random, effects, reason)},
        steps=_steps(with_loop, volume_corrected, unit),
        constants={"unit": f"readings in {unit}"} | ({
            "loop_diameter": loop_diameter, "coefficient": coefficient, "allowance": allowance,
            "loop_factor_uncertainty": loop_factor_uncertainty,
        } if with_loop else {}),
    )  # fmt: skip


def _bare_baseline(baseline: Any) -> Baseline:
    """A baseline without an uncertainty, unknown save where there is none to be taken off."""
    none = np.ndim(baseline) == 0 and float(baseline) == 0.0
    return Baseline(baseline, 0.0 if none else np.nan, 0)


def _check(loop_diameter: Any, core_diameter: Any, volume_corrected: bool) -> None:
    if volume_corrected and loop_diameter is not None:
        raise ValueError(
            "volume_corrected is True and loop_diameter is given: the readings would be corrected "
            "for volume twice. Leave loop_diameter out, or say volume_corrected=False"
        )
    if loop_diameter is not None and core_diameter is None:
        raise ValueError(
            "loop_diameter is given and core_diameter is not; the volume factor needs both, such "
            "as core_diameter='66 mm'"
        )


def _steps(with_loop: bool, volume_corrected: bool, unit: str) -> tuple[str, ...]:
    last = "no volume factor: the loop is not known"
    if volume_corrected:
        last = "no volume factor: the readings already are per volume"
    if with_loop:
        last = "volume factor K = c (d / (loop + allowance))^3; kappa = reading / K"
    return (
        "reading less the reading in air at its time",
        f"from {unit} to SI" + (", 4 pi" if "cgs" in unit else ""),
        last,
    )
