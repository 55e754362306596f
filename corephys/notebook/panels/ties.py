"""A panel that slides a core of one hole against a core of another, to tie them."""

from __future__ import annotations

import html
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.axes import Axes

from corephys.figures import plate
from corephys.figures.plate import Plate, describe
from corephys.figures.style import COLOURS, SETTINGS, TWO_COLUMNS, label
from corephys.ground import flags, thresholds, units
from corephys.hole import composite
from corephys.notebook.panels.panel import Panel, PanelError, table_of
from corephys.numerics.masked_correlation import Reference, lags, masked_correlation

__all__ = ["Tie"]

_STEP = 0.05  # m, of the grid on which the cores are compared
_BY_HAND = "slid by hand"  # what the note of such a tie begins with
_LEAST = thresholds.count("panel_tie_steps")


class Tie(Panel):
    """The shift that brings a core of one hole onto a core of another.

    Parameters
    ----------
    site : Site
        From ``read_site``.
    properties : mapping of str to mapping of str to Dataset
        By hole and quantity.
    core, to : tuple of str and str
        Hole and core that is moved, and that stays.
    quantity : str
        What is compared.
    """

    _direction = ""

    def __init__(
        self,
        site: Any,
        properties: Mapping[str, Mapping[str, xr.Dataset]],
        core: tuple[str, str],
        to: tuple[str, str],
        quantity: str,
    ) -> None:
        super().__init__()
        self.site, self.quantity = site, quantity
        self.core, self.to = tuple(map(str, core)), tuple(map(str, to))
        if self.core == self.to:
            raise PanelError(f"core {core[1]} of hole {core[0]} cannot be tied to itself")
        self._moving = _readings(properties, self.core, quantity)
        self._staying = _readings(properties, self.to, quantity)
        self._shifts, self._correlations, self._shared = self._compared()
        known = np.isfinite(self._correlations)
        self._shift = 0.0
        self._best = float("nan")
        if known.any():
            best = int(np.nanargmax(np.where(known, self._correlations, -np.inf)))
            self._best = float(self._shifts[best])
        self.uncertainty: Any = None
        self._slid = False  # nothing is left behind before somebody has chosen
        self.title = (
            f"core {self.core[1]} of hole {self.core[0]} against core {self.to[1]} of hole "
            f"{self.to[0]}, by {label(quantity).partition(' [')[0]}"
        )

    def _compared(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Shifts [m], correlation at each, and steps shared."""
        (first_a, a), (first_b, b) = _gridded(*self._moving), _gridded(*self._staying)
        reference = Reference.prepare(b, a.size)
        found, shared = masked_correlation(reference, a, _LEAST)
        shifts = (lags(reference) + first_b - first_a) * _STEP
        return shifts, found, shared

    def set(self, shift: Any, *, uncertainty: Any = None) -> Tie:
        """Move the core.

        Parameters
        ----------
        shift : Quantity or str
            Added to the depths of the core that is moved [m].
        uncertainty : Quantity or str, optional
            Standard uncertainty of the tie [m]; unknown where not given.

        Returns
        -------
        Tie
            The same panel.

        Raises
        ------
        UnitError
            For a bare number or a unit that is no length.
        PanelError
            For a shift at which the cores do not meet, or an uncertainty not above zero.
        """
        moved = float(units.as_floats(shift, "m", "shift"))
        if self._overlap(moved) is None:
            low, high = self._range()
            raise PanelError(
                f"shifted by {moved:g} m the cores do not meet; they do from {low:.2f} m to "
                f"{high:.2f} m"
            )
        if (
            uncertainty is not None
            and not float(units.as_floats(uncertainty, "m", "uncertainty")) > 0.0
        ):
            raise PanelError(f"the uncertainty is {uncertainty}; it has to be above zero")
        self._shift, self.uncertainty, self._slid = moved, uncertainty, True
        self._moved()
        return self

    @property
    def shift(self) -> float:
        """Shift as it is chosen now [m]."""
        return self._shift

    @property
    def best_shift(self) -> float:
        """Shift of the largest correlation [m]; NaN where too little is shared everywhere."""
        return self._best

    @property
    def correlation(self) -> float:
        """Correlation at the chosen shift [1], to the nearest step; NaN with too few shared."""
        at = int(np.argmin(np.abs(self._shifts - self._shift)))
        return float(self._correlations[at])

    def _range(self) -> tuple[float, float]:
        low = self._staying[0].min() - self._moving[0].max()
        return float(low), float(self._staying[0].max() - self._moving[0].min())

    def _overlap(self, shift: float) -> tuple[float, float] | None:
        """Depths of the core that stays where both have readings [m]."""
        top = max(self._moving[0].min() + shift, self._staying[0].min())
        bottom = min(self._moving[0].max() + shift, self._staying[0].max())
        return (float(top), float(bottom)) if bottom >= top else None

    @property
    def table(self) -> pd.DataFrame:
        """The tie, one row of ``ties.csv``; its depths are the middle of what the cores share.

        Empty before a shift was chosen.
        """
        shared = self._overlap(self._shift) if self._slid else None
        if shared is None:
            return composite.checked_ties(_empty_row(), self.site.cores).iloc[:0]
        middle = round(0.5 * (shared[0] + shared[1]), 3)
        known = list(self.site.ties["tie"]) if len(self.site.ties) else []
        number = next(i for i in range(1, len(known) + 2) if str(i) not in known)
        spread = np.nan
        if self.uncertainty is not None:
            spread = float(units.as_floats(self.uncertainty, "m", "uncertainty"))
        row = {
            "tie": str(number),
            "hole": self.core[0],
            "core": self.core[1],
            "depth [m]": round(middle - self._shift, 3),
            "to_hole": self.to[0],
            "to_core": self.to[1],
            "to_depth [m]": middle,
            "uncertainty [m]": spread,
            "correlation": round(self.correlation, 4),
            "state": "accepted",
            "note": f"{_BY_HAND} on {self.quantity}",
        }
        return composite.checked_ties(pd.DataFrame([row]), self.site.cores)

    def write(self, folder: str | os.PathLike[str]) -> Path:
        """Add the tie to ``ties.csv`` of a site folder; the ties that stand there stay.

        A tie of the same two cores that was slid before is one measurement and not another: the
        new row replaces it, and nothing is added where it is the same.

        Parameters
        ----------
        folder : path
            Site folder.

        Returns
        -------
        Path
            The file, whole or as it was.

        Raises
        ------
        FileNotFoundError
            When there is no such folder.
        TieError
            When the ties that stand there do not fit the site.
        PanelError
            When no shift was chosen yet.
        """
        path = table_of(folder, "ties.csv")
        table = self.table
        if table.empty:
            raise PanelError("no shift was chosen yet: slide the core or use set before writing")
        if path.is_file():
            before = composite.checked_ties(composite.read_ties(path), self.site.cores)
            table = self._added(before, table)
        return composite.write_ties(table, path)

    def _added(self, before: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
        """The ties with this one, in place of one that was slid for the same cores."""
        row, pair = table.iloc[0], ["hole", "core", "to_hole", "to_core"]
        slid = before["note"].str.startswith(_BY_HAND) & (before["state"] != "withdrawn")
        slid &= (before[pair] == row[pair]).all(axis=1) & ~before["tie"].isin(before["replaces"])
        if not slid.any():
            known = set(before["tie"])
            number = next(i for i in range(1, len(known) + 2) if str(i) not in known)
            return pd.concat([before, table.assign(tie=str(number))], ignore_index=True)
        old = before[slid].iloc[-1]
        numbers = ["depth", "to_depth", "uncertainty"]
        if np.array_equal(old[numbers].astype(float), row[numbers].astype(float), equal_nan=True):
            return before
        known_u = f"{row['uncertainty']} m" if np.isfinite(row["uncertainty"]) else None
        table = composite.change(
            before,
            old["tie"],
            state="edited",
            note=row["note"],
            depth=f"{row['depth']} m",
            to_depth=f"{row['to_depth']} m",
            uncertainty=known_u,
        )
        last = table.index[-1]
        table.loc[last, ["uncertainty", "correlation"]] = row[["uncertainty", "correlation"]].values
        return table

    def said(self) -> str:
        """Shift, correlation and how much is shared."""
        shared = self._overlap(self._shift)
        length = 0.0 if shared is None else shared[1] - shared[0]
        r = self.correlation
        words = f"correlation {r:.3f}" if np.isfinite(r) else "too little shared for a correlation"
        best = f"; largest at {self._best:+.2f} m" if np.isfinite(self._best) else ""
        return f"shift {self._shift:+.2f} m, {words} over {length:.1f} m{best}"

    def figure(self) -> Plate:
        """Both cores on the depth of the one that stays, and correlation against shift."""
        with matplotlib.rc_context(SETTINGS):
            figure = Plate(TWO_COLUMNS, 66.0)
            left, right = figure.subplots(1, 2, width_ratios=[1.6, 1.0])
            panel = f"{label(self.quantity)} against depth in hole {self.to[0]} [m]"
            z, y = self._staying
            plate.curve(left, panel, f"hole {self.to[0]}, core {self.to[1]}", z, y, colour="0.55")
            z, y = self._moving
            plate.curve(
                left,
                panel,
                f"hole {self.core[0]}, core {self.core[1]}, moved",
                z + self._shift,
                y,
                colour=COLOURS.get(self.quantity, "black"),
                style=(0, (4, 1.5)),
            )
            left.set_xlabel(f"depth below seafloor in hole {self.to[0]} [m]")
            left.set_ylabel(label(self.quantity))
            words = (
                f"core {self.to[1]} of hole {self.to[0]}: full line; core {self.core[1]} of hole "
            )
            left.set_title(f"{words}{self.core[0]}: dashed", loc="left", fontsize=6)
            plate.curve(
                right,
                "correlation against shift [m]",
                "correlation",
                self._shifts,
                self._correlations,
                colour="0.2",
            )
            right.axvline(self._shift, color="0.3", linewidth=0.8, linestyle="--")
            right.set_xlabel("shift [m]")
            right.set_ylabel("correlation")
            right.set_title(self.said().partition(";")[0], loc="left", fontsize=6)
        return describe(figure, f"Sliding of {self.title}.", depth_scale="depth")

    def _trace(self, axes: Axes) -> None:
        """Nothing is dragged on this panel: the slider moves the picture."""

    def _controls(self, w: Any) -> list[Any]:
        low, high = self._range()
        shift = w.FloatSlider(
            value=self._shift,
            min=np.floor(low),
            max=np.ceil(high),
            step=0.01,
            description="shift [m]",
            continuous_update=False,
            readout_format="+.2f",
            layout=w.Layout(width="36em"),
        )
        best = w.Button(description="largest correlation", disabled=not np.isfinite(self._best))
        trouble = w.HTML()

        def moved(change: Any) -> None:
            trouble.value = ""
            if change["new"] == self._shift:
                return
            try:
                self.set(f"{change['new']} m")
            except PanelError as error:
                trouble.value = (
                    f'<div style="color:#8B0000">Not taken: {html.escape(str(error))}</div>'
                )

        def refresh() -> None:
            shift.value = self._shift

        shift.observe(moved, "value")
        best.on_click(lambda _: self.set(f"{self._best} m"))
        self._watchers.append(refresh)
        return [w.HBox([shift, best]), trouble]


def _readings(
    properties: Mapping[str, Mapping[str, xr.Dataset]], core: tuple[str, ...], quantity: str
) -> tuple[np.ndarray, np.ndarray]:
    """Depth [m] and value of the usable readings of a core, down the hole."""
    hole, name = core
    if hole not in properties or quantity not in properties[hole]:
        held = ", ".join(f"{h}: {', '.join(q)}" for h, q in properties.items())
        raise PanelError(f"there is no {quantity} of hole {hole!r}; there are {held}")
    data = properties[hole][quantity]
    own = data["core"].values.astype(str) == name
    if not own.any():
        known = ", ".join(dict.fromkeys(data["core"].values.astype(str)))
        raise PanelError(
            f"hole {hole!r} has no core {name!r} with {quantity}; its cores are {known}"
        )
    value, depth = data[quantity].values.astype(float), data["depth"].values.astype(float)
    use = own & np.isfinite(value) & flags.usable(data[f"{quantity}_flag"].values)
    if use.sum() < _LEAST:
        raise PanelError(
            f"core {name} of hole {hole} has {int(use.sum())} usable readings: too few"
        )
    order = np.argsort(depth[use], kind="stable")
    return depth[use][order], value[use][order]


def _gridded(depth: np.ndarray, value: np.ndarray) -> tuple[int, np.ndarray]:
    """First step, and the mean of the readings of each step, NaN where there are none."""
    step = np.round(depth / _STEP).astype(int)
    first = int(step.min())
    count = np.bincount(step - first)
    with np.errstate(invalid="ignore"):
        return first, np.bincount(step - first, weights=value) / np.where(count, count, np.nan)


def _empty_row() -> pd.DataFrame:
    columns = ("hole", "core", "depth [m]", "to_hole", "to_core", "to_depth [m]")
    return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
