"""P- and S-wave velocity of discrete samples between two transducers, along three axes.

The order of the work: the delay of the transducers, the calliper's zero and scale, length over
time; then what two axes at one place say of anisotropy, and what two waves say of the moduli.
At 1600 m/s and 25 mm, 0.1 us of delay is 10 m/s and 0.1 mm is 6 m/s.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, units
from corephys.ground.provenance import SourcedText
from corephys.samples.sample_velocity_anisotropy import anisotropy
from corephys.samples.sample_velocity_calibration import Calibration, calibrate
from corephys.samples.sample_velocity_moduli import elastic_moduli
from corephys.uncertainty import Measured, covariance_effects, stated

__all__ = [
    "Calibration", "anisotropy", "calibrate", "elastic_moduli", "reduce_table", "velocity",
    "velocity_kernel",
]  # fmt: skip

QUANTITIES = {"P": "p_wave_velocity", "S": "s_wave_velocity"}
_AXES = ("along", "across", "normal")


def velocity_kernel(
    length: Any, travel_time: Any, *, delay: float, offset: float, factor: float
) -> tuple[Any, Any, Any, Any]:
    """Velocity, path, net time and reasons of readings.

    Parameters
    ----------
    length, travel_time : float or ndarray, broadcastable
        As read [mm], [us].
    delay, offset, factor : float
        [us], [mm] and [1]: path = offset + factor length.

    Returns
    -------
    tuple of ndarray
        Velocity [m/s], path [mm], time in the sample [us], int64 reasons. Velocity is NaN where
        path or time is not positive.

    Notes
    -----
    V = path / (t - t0): geometry of a straight ray.
    """
    path, net = np.broadcast_arrays(
        np.asarray(offset + factor * length, dtype=float),
        np.asarray(travel_time - delay, dtype=float),
    )
    refused = (net <= 0.0) | (path <= 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = np.where(refused, np.nan, 1e3 * path / net)
    reason = np.where(refused, flags.bit("impossible_value"), 0).astype(np.int64)
    return speed, path, net, reason


def velocity(
    length: Any, travel_time: Any, *, wave: str = "P", calibration: Calibration | None = None,
    delay: Any = None, delay_uncertainty: Any = None, length_offset: Any = "0 mm",
    length_factor: Any = 1.0, length_systematic: Any = None, length_uncertainty: Any = None,
    travel_time_uncertainty: Any = None, reason: Any = 0,
) -> xr.Dataset:  # fmt: skip
    """Velocity of samples from length and travel time.

    Parameters
    ----------
    length : DataArray, Quantity or str, (reading)
        Distance of the transducers' faces as read [mm].
    travel_time : DataArray, Quantity or str, (reading)
        As picked, with the delay [us].
    wave : {"P", "S"}
        Which wave was sent. Each has transducers, and errors of delay, of its own.
    calibration : Calibration, optional
        From :func:`calibrate`: delay and scale of length with their covariance. It goes before
        ``delay`` and ``length_factor``.
    delay : Quantity or str, optional
        Of transducers and electronics [us], where there is no calibration.
    delay_uncertainty : Quantity or str, optional
        Systematic [us]; effect ``sample_velocity_delay``. Unknown gives NaN.
    length_offset : Quantity or str
        Zero of the calliper [mm]: path = offset + factor length.
    length_factor : float
        Scale of the calliper, a pure number.
    length_systematic : Quantity or str, optional
        Error that all lengths share [mm]; effect ``sample_length``. Unknown gives NaN.
    length_uncertainty, travel_time_uncertainty : Quantity, DataArray or str, optional
        Random standard uncertainties of one reading [mm], [us]; unknown gives NaN.
    reason : int or DataArray of int
        Reasons already found for these readings.

    Returns
    -------
    Dataset
        ``p_wave_velocity`` or ``s_wave_velocity`` [m/s] with uncertainty, effects and flags. A
        path or net time that is not positive gives NaN and ``impossible_value``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.
    ValueError
        When the wave is not known, or neither calibration nor delay is given.

    Notes
    -----
    V = (a + b L) / (t - t0), as in :func:`velocity_kernel`: geometry. dV/dt0 = V / (t - t0) and
    dV/da = V / path; uncertainties by JCGM 100:2008, 5.1. The effects of an S-wave's delay end in
    ``_s_wave``, since its transducers are others; the calliper is the same.
    """
    quantity = _quantity(wave)
    series.require_same_positions(length=length, travel_time=travel_time)
    used = calibration or _stated(delay, delay_uncertainty, length_factor, wave)
    offset = float(units.as_floats(length_offset, "mm", "length_offset"))
    speed, path, net, found = series.apply(
        velocity_kernel,
        units.as_floats(length, "mm", "length"),
        units.as_floats(travel_time, "us", "travel_time"),
        outputs=4,
        dtypes=[float, float, float, np.int64],
        delay=used.delay,
        offset=offset,
        factor=used.length_factor,
    )
    u_length = used.length_factor * stated(length_uncertainty, "mm", "length_uncertainty")
    u_time = stated(travel_time_uncertainty, "us", "travel_time_uncertainty")
    random = ((speed / path * u_length) ** 2 + (speed / net * u_time) ** 2) ** 0.5
    effects = {"sample_length": speed / path * stated(length_systematic, "mm", "length_systematic")}
    effects.update(_delay_effects(used, speed, net, wave, joined=calibration is not None))
    return series.build(
        {quantity: Measured(speed, random, effects, series.joined_reasons(found, reason))},
        steps=_STEPS,
        constants={
            **({"calibration": SourcedText(used.describe(), "fitted")} if calibration else
               {"delay": (delay, delay_uncertainty),
                "length_factor": None if used.length_factor == 1.0 else length_factor}),
            "length_offset": length_offset if offset else None,
        },
    )  # fmt: skip


_STEPS = (
    "path = offset + factor length, of the calliper",
    "time in the sample = travel time - delay of the transducers",
    "V = path / time in the sample",
)


def _quantity(wave: str) -> str:
    if wave not in QUANTITIES:
        raise ValueError(f"wave is {wave!r}; it is 'P' or 'S'")
    return QUANTITIES[wave]


def _stated(delay: Any, uncertainty: Any, factor: Any, wave: str) -> Calibration:
    if delay is None:
        raise ValueError(
            f"give a calibration from sample_velocity.calibrate, or the delay of the {wave}-wave "
            "transducers such as '4.2 us'"
        )
    variance = stated(uncertainty, "us", "delay_uncertainty") ** 2
    return Calibration(
        float(units.as_floats(delay, "us", "delay")),
        float(units.as_floats(factor, "1", "length_factor")),
        np.diag([variance, 0.0]),
    )


def _delay_effects(
    used: Calibration, speed: Any, net: Any, wave: str, *, joined: bool
) -> dict[str, Any]:
    """A longer delay leaves less time in the sample, hence a faster sample."""
    end = "" if wave == "P" else "_s_wave"
    per_delay = speed / net
    if not joined:
        return {f"sample_velocity_delay{end}": per_delay * used.delay_uncertainty}
    return covariance_effects(
        [per_delay, speed / used.length_factor], used.covariance,
        f"sample_velocity_calibration{end}",
    )  # fmt: skip


def reduce_table(
    table: xr.Dataset, *, calibration: Calibration | None = None, delay: Any = None,
    delay_uncertainty: Any = None, s_calibration: Calibration | None = None, s_delay: Any = None,
    s_delay_uncertainty: Any = None, length_offset: Any = "0 mm", length_factor: Any = 1.0,
    length_systematic: Any = None, length_uncertainty: Any = None,
    travel_time_uncertainty: Any = None, s_travel_time_uncertainty: Any = None,
) -> dict[str, xr.Dataset]:  # fmt: skip
    """Velocities of a table of samples, one Dataset for each wave that is there.

    Parameters
    ----------
    table : Dataset, (reading)
        With ``length`` [mm], ``travel_time`` [us], ``axis`` (``along`` the core, ``across`` it in
        the split face, or ``normal`` to that face) and, where there is more than P, ``wave``; an
        empty wave is P. Its ``reason`` is carried on.
    calibration, s_calibration : Calibration, optional
        Of the P-wave and of the S-wave transducers.
    delay, delay_uncertainty, s_delay, s_delay_uncertainty : Quantity or str, optional
        [us], where there is no calibration; those of S are needed only where there are S rows.
    length_offset, length_factor, length_systematic, length_uncertainty : Quantity, str or float
        As in :func:`velocity` [mm], the factor a pure number.
    travel_time_uncertainty, s_travel_time_uncertainty : Quantity, DataArray or str, optional
        Random, of one P and of one S pick [us]; an S onset is picked less surely.

    Returns
    -------
    dict of str to Dataset
        ``p_wave_velocity`` and ``s_wave_velocity``, each with the rows of its wave in their order
        and the quantity of that name [m/s]; ``axis``, ``wave`` and, where given, ``temperature``
        as coordinates. Their rows together are those of the table.

    Raises
    ------
    ValueError
        When a column is missing, an axis or a wave is not known, or the delay of a wave is not
        given.

    Notes
    -----
    V = (a + b L) / (t - t0) by :func:`velocity`: geometry.
    """
    lacking = [name for name in ("length", "travel_time", "axis") if name not in table]
    if lacking:
        raise ValueError(
            f"the table of sample velocities has {table.sizes.get('reading', 0)} rows and no "
            f"column {lacking[0]!r}"
        )
    waves = np.array([str(w) or "P" for w in _words(table, "wave", "P")], dtype=object)
    axes = np.array([str(a) for a in _words(table, "axis", "")], dtype=object)
    for word, legal, what in ((waves, tuple(QUANTITIES), "wave"), (axes, _AXES, "axis")):
        unknown = np.flatnonzero(~np.isin(word, legal))
        if unknown.size:
            raise ValueError(
                f"{what} is {word[unknown[0]]!r} in {unknown.size} rows, first in reading "
                f"{unknown[0]}; it is one of {', '.join(map(repr, legal))}"
            )
    of_wave = {
        "P": (calibration, delay, delay_uncertainty, travel_time_uncertainty),
        "S": (s_calibration, s_delay, s_delay_uncertainty, s_travel_time_uncertainty),
    }
    placed = _placed(table, axes, waves)
    found: dict[str, xr.Dataset] = {}
    for wave, quantity in QUANTITIES.items():
        rows = np.flatnonzero(waves == wave)
        if rows.size:
            part = placed.isel(reading=rows)
            fitted, late, u_late, u_time = of_wave[wave]
            found[quantity] = velocity(
                part["length"], part["travel_time"], wave=wave, calibration=fitted, delay=late,
                delay_uncertainty=u_late, length_offset=length_offset,
                length_factor=length_factor, length_systematic=length_systematic,
                length_uncertainty=series.at_rows(length_uncertainty, rows, waves.size),
                travel_time_uncertainty=series.at_rows(u_time, rows, waves.size),
                reason=part["reason"],
            )  # fmt: skip
            if "temperature" in table:
                warm = units.as_floats(table["temperature"], "degC", "temperature")
                found[quantity].coords["temperature"] = (
                    "reading", warm.values[rows],
                    {"units": "degC", "long_name": "temperature of the sample"},
                )  # fmt: skip
    return found


def _words(table: xr.Dataset, name: str, default: str) -> np.ndarray:
    size = table.sizes["reading"]
    return table[name].values if name in table else np.full(size, default, dtype=object)


def _placed(table: xr.Dataset, axes: np.ndarray, waves: np.ndarray) -> xr.Dataset:
    """Readings and reasons, with axis and wave as coordinates."""
    extra: dict[str, Any] = {"axis": ("reading", axes), "wave": ("reading", waves)}
    reason = (
        table["reason"].variable if "reason" in table else ("reading", np.zeros(axes.size, int))
    )
    kept = table[["length", "travel_time"]].assign(reason=reason)
    return kept.assign_coords(extra)
