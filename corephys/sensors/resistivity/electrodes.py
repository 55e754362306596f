"""Resistivity between electrodes: current through the outer two, voltage between the inner two.

Only four electrodes leave the resistance of the contacts out; a reading between two holds it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, units
from corephys.ground.arguments import positive
from corephys.ground.provenance import SourcedText
from corephys.uncertainty import Measured, bare, stated

__all__ = ["CellConstant", "cell_constant", "four_electrode", "wenner_constant"]


@dataclass(frozen=True)
class CellConstant:
    """Resistivity over resistance of an arrangement of electrodes.

    Parameters
    ----------
    value : float
        [m].
    uncertainty : float
        Standard uncertainty [m]; NaN where it is not known.
    source : str
        How it was found.
    """

    value: float
    uncertainty: float
    source: str

    def describe(self) -> str:
        """Value, uncertainty and where it comes from."""
        return f"{self.value:.5g} +- {self.uncertainty:.2g} m ({self.source})"


def electrode_kernel(voltage: Any, current: Any, *, constant: float) -> tuple[Any, Any]:
    """Resistivity from voltage, current and cell constant.

    Parameters
    ----------
    voltage, current : float or ndarray
        [V], [A].
    constant : float
        [m].

    Returns
    -------
    tuple of ndarray
        [ohm m], NaN where it is not positive, and int64 reasons.

    Notes
    -----
    rho = K V / I: Ohm's law and the definition of the cell constant.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        rho = constant * np.asarray(voltage, dtype=float) / np.asarray(current, dtype=float)
    impossible = (rho <= 0.0) | np.isinf(rho) | (np.isfinite(voltage) & (current == 0.0))
    reason = np.where(impossible, flags.bit("impossible_value"), 0).astype(np.int64)
    return np.where(impossible, np.nan, rho), reason


def four_electrode(
    voltage: Any,
    current: Any,
    *,
    cell_constant: Any,
    cell_constant_uncertainty: Any = None,
    voltage_uncertainty: Any = None,
    current_uncertainty: Any = None,
    temperature: Any = None,
    reason: Any = 0,
) -> xr.Dataset:
    """Electrical resistivity from four electrodes.

    Parameters
    ----------
    voltage, current : DataArray or Quantity, (reading)
        Between the inner and through the outer electrodes [mV], [mA].
    cell_constant : CellConstant, Quantity or str
        From :func:`cell_constant` or :func:`wenner_constant`, or a number [m].
    cell_constant_uncertainty : Quantity or str, optional
        Systematic, of a number [m]; unknown gives NaN.
    voltage_uncertainty, current_uncertainty : Quantity or str, optional
        Random standard uncertainties of one reading [mV], [mA]; unknown gives NaN.
    temperature : Quantity, DataArray or str, optional
        Of the core [degC]; the result stands at this temperature, which is only compared in
        position.
    reason : int or DataArray of int
        Reasons already found for these readings.

    Returns
    -------
    Dataset
        ``electrical_resistivity`` with uncertainty, effects and flags. No current, or a voltage
        against the current, gives NaN and ``impossible_value``.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the series lie at different positions.

    Notes
    -----
    rho = K V / I, the definition of the cell constant K. Alternating current of 1 to 10 kHz keeps
    electrodes from polarising (common practice).
    """
    series.require_same_positions(voltage=voltage, current=current, temperature=temperature)
    cell = _cell(cell_constant, cell_constant_uncertainty)
    v = units.as_floats(voltage, "V", "voltage")
    i = positive(current, "A", "current")
    rho, found = series.apply(
        electrode_kernel, v, i, outputs=2, dtypes=[float, np.int64], constant=cell.value
    )
    u_v, u_i = (
        stated(value, unit, name)
        for value, unit, name in (
            (voltage_uncertainty, "V", "voltage_uncertainty"),
            (current_uncertainty, "A", "current_uncertainty"),
        )
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = (u_v / bare(v)) ** 2 + (u_i / bare(i)) ** 2
    random = bare(rho) * relative**0.5
    effects = {"cell_constant": bare(rho) * (cell.uncertainty / cell.value)}
    joined = np.bitwise_or(bare(found), bare(reason))
    return series.build(
        {"electrical_resistivity": Measured(rho, random, effects, joined)},
        steps=("rho = K V / I",),
        constants={
            "cell_constant": (
                SourcedText(cell.describe(), "fitted")
                if cell is cell_constant
                else (cell_constant, cell_constant_uncertainty)
            )
        },
    )


def _cell(constant: Any, uncertainty: Any) -> CellConstant:
    if isinstance(constant, CellConstant):
        return constant
    value = float(positive(constant, "m", "cell_constant"))
    return CellConstant(
        value, float(stated(uncertainty, "m", "cell_constant_uncertainty")), "given"
    )


def cell_constant(
    voltage: Any, current: Any, conductivity: Any, *, conductivity_uncertainty: Any = None
) -> CellConstant:
    """Cell constant from readings in water of known conductivity.

    Parameters
    ----------
    voltage, current : Quantity, DataArray or str, (repeat)
        [mV], [mA].
    conductivity : Quantity, DataArray or str
        Of the water at its temperature [S/m], such as sea water from
        :func:`corephys.ground.seawater.conductivity`.
    conductivity_uncertainty : Quantity or str, optional
        Systematic [S/m]; unknown gives NaN.

    Returns
    -------
    CellConstant
        Mean of the repeats [m]; its uncertainty joins that of the mean, where there are repeats,
        with that of the conductivity.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When a voltage, current or conductivity is not positive.

    Notes
    -----
    K = I / (sigma V), the definition.
    """
    v, i, sigma = (
        np.atleast_1d(np.asarray(units.as_floats(value, unit, name), dtype=float))
        for value, unit, name in (
            (voltage, "V", "voltage"),
            (current, "A", "current"),
            (conductivity, "S/m", "conductivity"),
        )
    )
    if not (np.all(v > 0) and np.all(i > 0) and np.all(sigma > 0)):
        raise ValueError(
            "a cell constant needs positive voltages, currents and conductivities; leave repeats "
            "out that have none"
        )
    each = i / (sigma * v)
    scatter = float(each.std(ddof=1) / np.sqrt(each.size)) if each.size > 1 else 0.0
    u = stated(conductivity_uncertainty, "S/m", "conductivity_uncertainty")
    mean = float(each.mean())
    joined = float(np.hypot(scatter, mean * float(np.max(u / sigma))))
    return CellConstant(mean, joined, f"{each.size} readings in water of known conductivity")


def wenner_constant(
    spacing: Any,
    *,
    spacing_uncertainty: Any = None,
    geometry_factor: Any = 1.0,
    geometry_factor_uncertainty: Any = None,
) -> CellConstant:
    """Cell constant of four electrodes in line, equally spaced, on a flat surface.

    Parameters
    ----------
    spacing : Quantity or str
        Between neighbours [mm].
    spacing_uncertainty : Quantity or str, optional
        Systematic [mm]; unknown gives NaN.
    geometry_factor : float
        What the finite core leaves of the half-space, from a standard or a numerical model; 1 for
        a core much larger than the spacing.
    geometry_factor_uncertainty : float, optional
        Systematic [1]; unknown gives NaN.

    Returns
    -------
    CellConstant
        [m].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.

    Notes
    -----
    K = 2 pi a f: point electrodes on a uniform half-space (Wenner 1916, from memory).
    """
    a = float(positive(spacing, "m", "spacing"))
    f = float(positive(geometry_factor, "1", "geometry_factor"))
    u_a = stated(spacing_uncertainty, "m", "spacing_uncertainty")
    u_f = stated(geometry_factor_uncertainty, "1", "geometry_factor_uncertainty")
    value = 2.0 * np.pi * a * f
    u = value * float(np.hypot(u_a / a, u_f / f))
    return CellConstant(value, u, f"four electrodes {1e3 * a:g} mm apart, geometry factor {f:g}")
