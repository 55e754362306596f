"""Results of fits and calibrations: one base for their Dataset, table, picture and card."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground.cards import Card, Shown, with_uncertainty
from corephys.ground.flags import reason_attributes
from corephys.ground.provenance import constants_attribute

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "FitResult",
    "Parameter",
    "along",
    "baseline_parameters",
    "draw_baseline",
    "draw_curve",
    "draw_points",
    "parameters",
]

_MOST_ROWS = 12  # of a card; a parameter of more values is summed up in one row


@dataclass(frozen=True)
class Parameter:
    """One parameter of a fit with its uncertainties.

    Parameters
    ----------
    name, unit, long_name : str
        Name, unit in the library's spelling, and description.
    value : float, ndarray or DataArray
        One value, or one along ``dim``.
    u_random : float, ndarray or DataArray
        Random standard uncertainty; NaN if not known.
    effects : mapping of str to float or ndarray
        Signed one-sigma shifts by source of error. Without any, the systematic uncertainty is
        ``u_systematic``.
    u_systematic : float, ndarray or DataArray
        Systematic standard uncertainty; NaN if not known.
    """

    name: str
    value: Any
    unit: str
    long_name: str
    u_random: Any = float("nan")
    effects: Mapping[str, Any] = field(default_factory=dict)
    u_systematic: Any = float("nan")


def parameters(
    rows: Sequence[Parameter],
    *,
    equation: str,
    dim: str = "reading",
    covariance: np.ndarray | None = None,
    constants: Mapping[str, Any] | None = None,
    **attributes: Any,
) -> xr.Dataset:
    """Dataset of the parameters of a fit.

    Parameters
    ----------
    rows : sequence of Parameter
        Parameters in their order.
    equation : str
        Equation that was fitted, in words.
    dim : str
        Dimension of values that are arrays.
    covariance : (k, k) ndarray, optional
        Covariance of the first k parameters, in the product of their units.
    constants : mapping of str to anything that :func:`corephys.ground.provenance.records` takes
        Numbers that the fit used.
    **attributes
        Further global attributes.

    Returns
    -------
    Dataset
        Each parameter with ``_u_random``, ``_u_systematic`` and, where sources are known,
        ``_effects (source, ...)``; provenance in ``steps`` and ``constants``.
    """
    sources = sorted({source for row in rows for source in row.effects})
    held: dict[str, xr.Variable] = {}
    coords: dict[Any, Any] = {}
    for row in rows:
        if isinstance(row.value, xr.DataArray):
            coords.update({key: one.variable for key, one in row.value.coords.items()})
        value = _laid(row.value, dim)
        effects = [_laid(row.effects.get(source, 0.0), dim) for source in sources]
        systematic = _laid(row.u_systematic, dim)
        if row.effects:
            squares = [effect**2 for effect in effects]
            systematic = sum(squares[1:], squares[0]) ** 0.5
        beside = {
            f"{row.name}_u_random": (_laid(row.u_random, dim), "random standard uncertainty of "),
            f"{row.name}_u_systematic": (systematic, "systematic standard uncertainty of "),
        }
        if row.effects:
            shifts = xr.Variable.concat([0.0 * value + e for e in effects], dim="source")
            beside[f"{row.name}_effects"] = (shifts, "one-sigma effects by source on ")
        for name, (part, words) in beside.items():
            # A parameter that is not known has no known uncertainty.
            held[name] = (part + 0.0 * value).transpose("source", ..., missing_dims="ignore")
            held[name].attrs = {"units": row.unit, "long_name": f"{words}{row.long_name}"}
        value.attrs = {
            "units": row.unit,
            "long_name": row.long_name,
            "ancillary_variables": " ".join(beside),
        }
        held[row.name] = value
    if covariance is not None:
        words = " and ".join(f"{row.long_name} [{row.unit}]" for row in rows[: len(covariance)])
        held["covariance"] = xr.Variable(
            ("parameter", "parameter_2"),
            np.array(covariance, dtype=float),
            {"units": "1", "long_name": f"covariance of {words}"},
        )
    if sources:
        coords["source"] = ("source", np.array(sources, dtype=object), _SOURCE)
    return xr.Dataset(
        held,
        coords=coords,
        attrs={
            "equation": equation,
            "steps": json.dumps([equation]),
            "constants": constants_attribute(constants),
            **attributes,
        },
    )


_SOURCE = {"long_name": "source of error"}


def _laid(part: Any, dim: str) -> xr.Variable:
    """Floats with dimensions, without coordinates and attributes."""
    if isinstance(part, (xr.DataArray, xr.Variable)):
        return xr.Variable(part.dims, part.values.astype(float))
    array = np.array(part, dtype=float)
    return xr.Variable((dim,) if array.ndim else (), array)


def along(dim: str, parts: Mapping[str, xr.Dataset], **attributes: Any) -> xr.Dataset:
    """Datasets of several fits of one kind as one, along ``dim`` with their names."""
    names = np.array(list(parts), dtype=object)
    plain = [part.drop_attrs(deep=False) for part in parts.values()]
    joined = xr.concat(plain, dim=dim, join="outer", combine_attrs="override")
    joined = joined.assign_coords({dim: (dim, names, {"long_name": dim})})
    first = next(iter(parts.values()))
    return joined.assign_attrs({**first.attrs, **attributes})


def baseline_parameters(rows: Sequence[Parameter], reason: Any, size: int) -> xr.Dataset:
    """Dataset of a baseline in air: its values come first, and have reasons; ``size`` readings."""
    first = rows[0]
    made = parameters(
        rows,
        equation="linear in time between readings in air, constant outside",
        readings_in_air=size,
    )
    name = f"{first.name}_reason"
    made[name] = xr.zeros_like(made[first.name], dtype=np.int64) + (
        getattr(reason, "variable", reason)
    )
    made[name].attrs = reason_attributes(first.long_name)
    return made


class FitResult(Shown):
    """Base of the results of all fits and calibrations.

    A class that derives from it has the property or field ``dataset``, a title in ``_TITLE``, and
    draws its data and its curve in ``_draw``.
    """

    _TITLE = "Fit"

    if TYPE_CHECKING:

        @property
        def dataset(self) -> xr.Dataset:
            """Parameters with uncertainties and provenance."""
            raise NotImplementedError

    def table(self) -> pd.DataFrame:
        """Parameters of the fit, one row for each.

        Returns
        -------
        DataFrame
            ``parameter``, ``value``, ``unit``, ``u_random`` and ``u_systematic``; NaN where not
            known. A parameter of several values has one row for each, with the column of its
            dimension after the name.
        """
        data = self.dataset
        names = [str(name) for name in data.data_vars if f"{name}_u_random" in data]
        dims = list(dict.fromkeys(str(dim) for name in names for dim in data[name].dims))
        rows = []
        for name in names:
            value = data[name]
            for index in np.ndindex(value.shape):
                at = dict(zip(value.dims, index, strict=True))
                row: dict[str, Any] = {"parameter": name}
                row |= {dim: _label(data, dim, at) for dim in dims}
                row |= {"value": float(value[at]), "unit": value.attrs["units"]}
                for part in ("u_random", "u_systematic"):
                    row[part] = float(data[f"{name}_{part}"][at])
                rows.append(row)
        columns = ["parameter", *dims, "value", "unit", "u_random", "u_systematic"]
        table = pd.DataFrame(rows, columns=columns)
        table.attrs = {key: data.attrs[key] for key in ("safety",) if key in data.attrs}
        return table

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the data of the fit and the fitted curve.

        Parameters
        ----------
        ax : Axes, optional
            Where to draw; a new figure if not given.

        Returns
        -------
        Axes
            Used data as filled symbols with one standard uncertainty where it is known, data that
            were left out or flagged as open symbols, and the fitted curve.
        """
        if ax is None:
            from matplotlib import pyplot

            _, ax = pyplot.subplots(layout="constrained")
        self._draw(ax)
        if ax.get_legend_handles_labels()[1]:
            ax.legend(fontsize="small")
        caution = self.dataset.attrs.get("safety", "")
        if caution:
            ax.set_title("\n".join(textwrap.wrap(caution, 90)), fontsize="xx-small", loc="left")
        return ax

    def _draw(self, ax: Axes) -> None:
        """Draw data and curve with labels."""
        raise NotImplementedError

    def card(self) -> Card:
        """Parameters with their uncertainties.

        Returns
        -------
        Card
            Summary, displayed as text or HTML.
        """
        data, rows = self.dataset, []
        for name in data.data_vars:
            if f"{name}_u_random" not in data:
                continue
            value, unit = data[name], data[name].attrs["units"]
            parts = [data[f"{name}_u_{kind}"] for kind in ("random", "systematic")]
            # The part that is not known is left out of the shown uncertainty, not the other one.
            u = np.sqrt(sum(part.fillna(0.0) ** 2 for part in parts))
            words = str(value.attrs["long_name"])
            if value.size > _MOST_ROWS:
                known = value.values[np.isfinite(value.values)]
                middle = f"median {np.median(known):.4g}" if known.size else "none known"
                rows.append((words, f"{value.size} values, {middle} {unit}"))
                continue
            for index in np.ndindex(value.shape):
                at = dict(zip(value.dims, index, strict=True))
                which = "".join(f", {_label(data, str(dim), at)}" for dim in value.dims)
                shown = with_uncertainty(float(value[at]), float(u[at]), unit)
                rows.append((f"{words}{which}", shown))
        caution = data.attrs.get("safety", "")
        return Card(self._TITLE, tuple(rows), (caution,) if caution else ())


def _label(data: xr.Dataset, dim: str, at: Mapping[Any, int]) -> Any:
    """Name or number of a position along a dimension."""
    if dim not in at:
        return ""
    return data[dim].values[at[dim]] if dim in data.coords else at[dim]


def draw_points(
    ax: Axes,
    x: Any,
    y: Any,
    *,
    u_x: Any = None,
    u_y: Any = None,
    left_out: Any = False,
    label: str = "data",
    colour: str = "black",
) -> None:
    """Points with their uncertainties where known; points that were left out as open symbols."""
    x, y = (np.ravel(np.asarray(part, dtype=float)) for part in (x, y))
    out = np.broadcast_to(np.asarray(left_out, dtype=bool), x.shape)
    bars = [
        None if u is None else np.broadcast_to(np.asarray(u, float), x.shape) for u in (u_x, u_y)
    ]
    for here, face, words in ((~out, colour, label), (out, "none", f"{label}, left out")):
        if not here.any():
            continue
        # An uncertainty that is not known has no bar.
        xerr, yerr = (
            None if bar is None or not np.isfinite(bar[here]).any() else np.nan_to_num(bar[here])
            for bar in bars
        )
        ax.errorbar(
            x[here],
            y[here],
            yerr,
            xerr,
            fmt="o",
            markersize=4,
            color=colour,
            markerfacecolor=face,
            elinewidth=0.8,
            label=words,
        )


def draw_curve(
    ax: Axes, x: Any, y: Any, *, u: Any = None, label: str = "fit", colour: str = "tab:blue"
) -> None:
    """A fitted curve, with its band of one standard uncertainty where known."""
    x, y = (np.ravel(np.asarray(part, dtype=float)) for part in (x, y))
    ax.plot(x, y, color=colour, label=label)
    if u is not None and np.isfinite(u).any():
        ax.fill_between(x, y - u, y + u, color=colour, alpha=0.25, linewidth=0)


def draw_baseline(
    ax: Axes, values: Any, u: Any, reason: Any, time: Any, air: tuple[Any, Any, Any]
) -> None:
    """A baseline at the times of its readings, or in their order, and the readings in air.

    ``air`` holds their times, values and standard uncertainties, None where not known.
    """
    values = np.ravel(np.asarray(values, dtype=float))
    timed = time is not None
    x = np.ravel(np.asarray(time)) if timed else np.arange(values.size)
    far = np.broadcast_to(np.ravel(np.asarray(reason)) != 0, values.shape)
    u = np.broadcast_to(np.ravel(np.asarray(u, dtype=float)), values.shape)
    order = np.argsort(x, kind="stable")
    draw_curve(ax, x[order], values[order], u=u[order], label="baseline of the readings")
    if far.any():
        ax.plot(x[far], values[far], "o", color="tab:blue", mfc="none", label="no air close by")
    at, in_air, u_air = air
    draw_points(ax, at, in_air, u_y=u_air, label="readings in air")
    ax.set_xlabel("time [s]" if timed else "number of the reading")
