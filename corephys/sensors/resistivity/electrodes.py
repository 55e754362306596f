"""Resistivity from four electrodes: current through the outer two, voltage between the inner two.

The resistance of the contacts does not enter a reading with four electrodes; it is part of a
reading with two.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import fits, flags, series, units
from corephys.ground.arguments import positive
from corephys.ground.provenance import SourcedText
from corephys.uncertainty import Measured, given_uncertainty, without_coords

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from corephys.ground.types import Dimensional, Scalar

__all__ = ["CellConstant", "cell_constant", "four_electrode", "wenner_constant"]


@dataclass(frozen=True)
class CellConstant(fits.FitResult):
    """Cell constant: resistivity over resistance of an arrangement of electrodes.

    Parameters
    ----------
    value : float
        Cell constant [m].
    uncertainty : float
        Standard uncertainty [m]; NaN where unknown.
    source : str
        Origin of the value, in words.
    u_random, u_systematic : float
        Parts of the uncertainty [m]: scatter of the repeats, and error that they share; NaN where
        unknown.
    resistance, resistivity : ndarray, (repeat)
        Resistance [ohm] of each repeat, and resistivity of its water [ohm m].
    """

    value: float
    uncertainty: float
    source: str
    u_random: float = float("nan")
    u_systematic: float = float("nan")
    resistance: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    resistivity: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)

    _TITLE = "Cell constant, resistivity over resistance"

    @property
    def dataset(self) -> xr.Dataset:
        """Cell constant with its uncertainties."""
        words = "cell constant, resistivity over resistance"
        given = (self.u_random, {}, self.u_systematic)
        return fits.parameters(
            [fits.Parameter("cell_constant", self.value, "m", words, *given)],
            equation="rho = K V / I",
            source_of_the_value=self.source,
        )

    def _draw(self, ax: Axes) -> None:
        """Resistivity of the water against the resistance of each repeat."""
        end = float(self.resistance.max()) if self.resistance.size else 1.0
        x = np.array([0.0, 1.1 * end])
        u = self.uncertainty * x
        fits.draw_points(ax, self.resistance, self.resistivity, label="repeats")
        fits.draw_curve(ax, x, self.value * x, u=u, label="cell constant times resistance")
        ax.set_xlabel("resistance [ohm]")
        ax.set_ylabel("resistivity [ohm m]")

    def describe(self) -> str:
        """Value, uncertainty and origin in one line."""
        return f"{self.value:.5g} +- {self.uncertainty:.2g} m ({self.source})"


def _electrode_kernel(
    voltage: float | np.ndarray, current: float | np.ndarray, *, constant: float
) -> tuple[np.ndarray, np.ndarray]:
    """Resistivity [ohm m] from V, A and m, NaN where it is not positive, and reasons."""
    with np.errstate(divide="ignore", invalid="ignore"):
        rho = constant * np.asarray(voltage, dtype=float) / np.asarray(current, dtype=float)
    # A voltage without a current is a fault; NaN is a missing reading and gets its own reason.
    impossible = (rho <= 0.0) | np.isinf(rho) | (np.isfinite(voltage) & (current == 0.0))
    reason = np.where(impossible, flags.bit("impossible_value"), 0).astype(np.int64)
    return np.where(impossible, np.nan, rho), reason


def four_electrode(
    voltage: Dimensional,
    current: Dimensional,
    *,
    cell_constant: CellConstant | Scalar,
    cell_constant_uncertainty: Scalar | None = None,
    voltage_uncertainty: Scalar | None = None,
    current_uncertainty: Scalar | None = None,
    temperature: Dimensional | None = None,
    reason: int | np.ndarray | xr.DataArray = 0,
) -> xr.Dataset:
    """Electrical resistivity from four electrodes.

    Parameters
    ----------
    voltage, current : DataArray or Quantity, (reading)
        Voltage between the inner electrodes [mV] and current through the outer ones [mA].
    cell_constant : CellConstant, Quantity or str
        Result of :func:`cell_constant` or :func:`wenner_constant`, or a number [m].
    cell_constant_uncertainty : Quantity or str, optional
        Systematic standard uncertainty of a number [m]; NaN if not given.
    voltage_uncertainty, current_uncertainty : Quantity or str, optional
        Random standard uncertainties of one reading [mV], [mA]; NaN if not given.
    temperature : Quantity, DataArray or str, optional
        Temperature of the core [degC], which is that of the result. Only its positions are
        compared; it does not change the result.
    reason : int or DataArray of int
        Reasons already found for these readings.

    Returns
    -------
    Dataset
        ``electrical_resistivity`` with uncertainty, effects and flags. No current, or a voltage
        against the current, gives NaN and ``impossible_value``.

    Raises
    ------
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
        _electrode_kernel, v, i, outputs=2, dtypes=[float, np.int64], constant=cell.value
    )
    u_v, u_i = (
        given_uncertainty(value, unit, name)
        for value, unit, name in (
            (voltage_uncertainty, "V", "voltage_uncertainty"),
            (current_uncertainty, "A", "current_uncertainty"),
        )
    )
    # A reading of no voltage has no relative uncertainty; its resistivity is NaN already.
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = (u_v / without_coords(v)) ** 2 + (u_i / without_coords(i)) ** 2
    random = without_coords(rho) * relative**0.5
    effects = {"cell_constant": without_coords(rho) * (cell.uncertainty / cell.value)}
    joined = np.bitwise_or(without_coords(found), without_coords(reason))
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


def _cell(constant: CellConstant | Scalar, uncertainty: Scalar | None) -> CellConstant:
    """Cell constant with its uncertainty, from a number where it is one."""
    if isinstance(constant, CellConstant):
        return constant
    value = float(positive(constant, "m", "cell_constant"))
    u = float(given_uncertainty(uncertainty, "m", "cell_constant_uncertainty"))
    return CellConstant(value, u, "given", u_systematic=u)


def cell_constant(
    voltage: Dimensional,
    current: Dimensional,
    conductivity: Dimensional,
    *,
    conductivity_uncertainty: Scalar | None = None,
) -> CellConstant:
    """Cell constant from readings in water of known conductivity.

    Parameters
    ----------
    voltage, current : Quantity, DataArray or str, (repeat)
        Voltage between the inner electrodes [mV] and current through the outer ones [mA].
    conductivity : Quantity, DataArray or str
        Conductivity of the water at its temperature [S/m], for sea water from
        :func:`corephys.ground.seawater.conductivity`.
    conductivity_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [S/m]; NaN if not given.

    Returns
    -------
    CellConstant
        Mean of the repeats [m]. Its uncertainty combines that of the conductivity with that of the
        mean, where there are repeats.

    Raises
    ------
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
            f"the smallest voltage, current and conductivity are {np.min(v):g} V, {np.min(i):g} A "
            f"and {np.min(sigma):g} S/m; a cell constant needs all of them positive. Leave such "
            "repeats out"
        )
    each = i / (sigma * v)
    # A single reading has no scatter: its uncertainty is that of the conductivity alone.
    scatter = float(each.std(ddof=1) / np.sqrt(each.size)) if each.size > 1 else 0.0
    u = given_uncertainty(conductivity_uncertainty, "S/m", "conductivity_uncertainty")
    mean = float(each.mean())
    # All repeats share the error of the conductivity; the largest relative one holds for the mean.
    common = mean * float(np.max(u / sigma))
    return CellConstant(
        mean,
        float(np.hypot(scatter, common)),
        f"{each.size} readings in water of known conductivity",
        scatter if each.size > 1 else float("nan"),
        common,
        np.broadcast_to(v / i, each.shape),
        np.broadcast_to(1.0 / sigma, each.shape),
    )


def wenner_constant(
    spacing: Scalar,
    *,
    spacing_uncertainty: Scalar | None = None,
    geometry_factor: float | Scalar = 1.0,
    geometry_factor_uncertainty: float | Scalar | None = None,
) -> CellConstant:
    """Cell constant of four electrodes in line, equally spaced, on a flat surface.

    Parameters
    ----------
    spacing : Quantity or str
        Distance between neighbouring electrodes [mm].
    spacing_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [mm]; NaN if not given.
    geometry_factor : float
        Cell constant on the finite core over that on a half-space [1], from a standard or a
        numerical model; 1 for a core much larger than the spacing.
    geometry_factor_uncertainty : float, optional
        Systematic standard uncertainty [1]; NaN if not given.

    Returns
    -------
    CellConstant
        Cell constant [m].

    Notes
    -----
    K = 2 pi a f: point electrodes on a uniform half-space (Wenner 1916, from memory).
    """
    a = float(positive(spacing, "m", "spacing"))
    f = float(positive(geometry_factor, "1", "geometry_factor"))
    u_a = given_uncertainty(spacing_uncertainty, "m", "spacing_uncertainty")
    u_f = given_uncertainty(geometry_factor_uncertainty, "1", "geometry_factor_uncertainty")
    value = 2.0 * np.pi * a * f
    u = value * float(np.hypot(u_a / a, u_f / f))
    words = f"four electrodes {1e3 * a:g} mm apart, geometry factor {f:g}"
    return CellConstant(value, u, words, u_systematic=u)
