"""Panel that slides a core of one hole against a core of another, to tie them."""

from __future__ import annotations

import html
import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.axes import Axes

from corephys.figures import plate
from corephys.figures.caption import describe
from corephys.figures.plate import Plate, new_plate
from corephys.figures.style import COLOURS, TWO_COLUMNS, label
from corephys.ground import flags, thresholds, units
from corephys.hole import composite
from corephys.notebook.panels.panel import Panel, PanelError, table_of
from corephys.numerics.masked_correlation import Reference, lags, masked_correlation

if TYPE_CHECKING:
    import pint

    from corephys.ground.types import Scalar

__all__ = ["Tie"]

_STEP = 0.05  # m, step of the grid on which the cores are compared
_BY_HAND = "slid by hand"  # beginning of the note of such a tie
_LEAST = thresholds.count("panel_tie_steps")


class Tie(Panel):
    """Shift of a core of one hole onto a core of another.

    Parameters
    ----------
    site : Site
        Result of ``cp.composite.read_site``.
    properties : mapping of str to mapping of str to Dataset
        Properties by hole and quantity.
    core, to : tuple of str and str
        Hole and core to move, and hole and core that stays.
    quantity : str
        Quantity to compare.
    """

    _direction = ""

    def __init__(
        self,
        site: composite.Site,
        properties: Mapping[str, Mapping[str, xr.Dataset]],
        core: tuple[str, str],
        to: tuple[str, str],
        quantity: str,
    ) -> None:
        super().__init__()
        self.site, self.quantity = site, quantity
        self.core, self.to = tuple(map(str, core)), tuple(map(str, to))
        if self.core == self.to:
            raise PanelError(
                f"core {core[1]} of hole {core[0]} cannot be tied to itself; give core and to "
                "of two holes"
            )
        self._moving = _readings(properties, self.core, quantity)
        self._staying = _readings(properties, self.to, quantity)
        self._shifts, self._correlations, self._shared = self._compared()
        known = np.isfinite(self._correlations)
        self._shift = 0.0
        self._best = float("nan")
        if known.any():
            best = int(np.nanargmax(np.where(known, self._correlations, -np.inf)))
            self._best = float(self._shifts[best])
        self.uncertainty: Scalar | None = None
        self._slid = False  # without a choice the table stays empty
        self.title = (
            f"core {self.core[1]} of hole {self.core[0]} against core {self.to[1]} of hole "
            f"{self.to[0]}, by {label(quantity).partition(' [')[0]}"
        )

    def _compared(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Shifts [m], the correlation at each, and the number of shared steps."""
        # On one grid a shift is a number of steps. Gaps stay NaN, which the correlation ignores.
        (first_a, a), (first_b, b) = _gridded(*self._moving), _gridded(*self._staying)
        reference = Reference.prepare(b, a.size)
        found, shared = masked_correlation(reference, a, _LEAST)
        shifts = (lags(reference) + first_b - first_a) * _STEP
        return shifts, found, shared

    def set(self, shift: Scalar, *, uncertainty: Scalar | None = None) -> Tie:
        """Move the core.

        Parameters
        ----------
        shift : Quantity or str
            Shift added to the depths of the core that is moved [m].
        uncertainty : Quantity or str, optional
            Standard uncertainty of the tie [m]; unknown if not given.

        Returns
        -------
        Tie
            The same panel.

        Raises
        ------
        PanelError
            If the cores do not overlap at the shift, or the uncertainty is not above zero.
        """
        moved = float(units.as_floats(shift, "m", "shift"))
        if self._overlap(moved) is None:
            low, high = self._range()
            raise PanelError(
                f"shift is {moved:g} m; for the cores to overlap it must lie between {low:.2f} m "
                f"and {high:.2f} m"
            )
        if (
            uncertainty is not None
            and not float(units.as_floats(uncertainty, "m", "uncertainty")) > 0.0
        ):
            raise PanelError(f"uncertainty is {uncertainty}; it has to be above zero")
        self._shift, self.uncertainty, self._slid = moved, uncertainty, True
        self._moved()
        return self

    @property
    def shift(self) -> pint.Quantity:
        """Present shift [m]."""
        return units.quantity(self._shift, "m")

    @property
    def best_shift(self) -> pint.Quantity:
        """Shift of the largest correlation [m]; NaN if no shift shares enough steps."""
        return units.quantity(self._best, "m")

    @property
    def correlation(self) -> float:
        """Correlation [1] at the step nearest to the present shift; NaN with too few shared."""
        at = int(np.argmin(np.abs(self._shifts - self._shift)))
        return float(self._correlations[at])

    def _range(self) -> tuple[float, float]:
        """Smallest and largest shift at which the cores overlap [m]."""
        low = self._staying[0].min() - self._moving[0].max()
        return float(low), float(self._staying[0].max() - self._moving[0].min())

    def _overlap(self, shift: float) -> tuple[float, float] | None:
        """Top and bottom of the overlap, in depths of the core that stays [m]."""
        top = max(self._moving[0].min() + shift, self._staying[0].min())
        bottom = min(self._moving[0].max() + shift, self._staying[0].max())
        return (float(top), float(bottom)) if bottom >= top else None

    @property
    def table(self) -> pd.DataFrame:
        """Row of ``ties.csv`` with the tie at the middle of the overlap; empty before ``set``."""
        shared = self._overlap(self._shift) if self._slid else None
        if shared is None:
            return composite.checked_ties(_empty_row(), self.site.cores).iloc[:0]
        # To a millimetre, far below the step of the grid.
        middle = round(0.5 * (shared[0] + shared[1]), 3)
        known = list(self.site.ties["tie"]) if len(self.site.ties) else []
        # The smallest free number.
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
        """Add the tie to ``ties.csv`` of a site folder; the other ties stay.

        Sliding the same two cores again is the same measurement. The new row replaces the earlier
        one, and an equal row is not added.

        Parameters
        ----------
        folder : path
            Site folder.

        Returns
        -------
        Path
            The file; an interrupted call leaves it as it was.

        Raises
        ------
        FileNotFoundError
            If the folder does not exist.
        TieError
            If the ties of the file do not fit the site.
        PanelError
            If no shift was chosen.
        """
        path = table_of(folder, "ties.csv")
        table = self.table
        if table.empty:
            raise PanelError("no shift was chosen; slide the core or call set before write")
        if path.is_file():
            before = composite.checked_ties(composite.read_ties(path), self.site.cores)
            table = self._added(before, table)
        return composite.write_ties(table, path)

    def _added(self, before: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
        """The ties with this one, which replaces an earlier one of the same cores."""
        row, pair = table.iloc[0], ["hole", "core", "to_hole", "to_core"]
        # Only the last row of a pair counts: withdrawn and replaced rows are its history.
        slid = before["note"].str.startswith(_BY_HAND) & (before["state"] != "withdrawn")
        slid &= (before[pair] == row[pair]).all(axis=1) & ~before["tie"].isin(before["replaces"])
        if not slid.any():
            known = set(before["tie"])
            number = next(i for i in range(1, len(known) + 2) if str(i) not in known)
            return pd.concat([before, table.assign(tie=str(number))], ignore_index=True)
        old = before[slid].iloc[-1]
        numbers = ["depth", "to_depth", "uncertainty"]
        # Written twice, a tie would count as two measurements.
        if np.array_equal(old[numbers].astype(float), row[numbers].astype(float), equal_nan=True):
            return before
        u = row["uncertainty"]
        known_u = units.quantity(float(u), "m") if np.isfinite(u) else None
        table = composite.change(
            before,
            old["tie"],
            state="edited",
            note=row["note"],
            depth=units.quantity(float(row["depth"]), "m"),
            to_depth=units.quantity(float(row["to_depth"]), "m"),
            uncertainty=known_u,
        )
        last = table.index[-1]
        table.loc[last, ["uncertainty", "correlation"]] = row[["uncertainty", "correlation"]].values
        return table

    def summary_text(self) -> str:
        """Shift, correlation and length of the overlap."""
        shared = self._overlap(self._shift)
        length = 0.0 if shared is None else shared[1] - shared[0]
        r = self.correlation
        words = f"correlation {r:.3f}" if np.isfinite(r) else "too little shared for a correlation"
        best = f"; largest at {self._best:+.2f} m" if np.isfinite(self._best) else ""
        return f"shift {self._shift:+.2f} m, {words} over {length:.1f} m{best}"

    def figure(self) -> Plate:
        """Both cores on the depth of the core that stays, and correlation against shift."""
        with new_plate(TWO_COLUMNS, 66.0) as figure:
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
            right.set_title(self.summary_text().partition(";")[0], loc="left", fontsize=6)
        return describe(figure, f"Sliding of {self.title}.", depth_scale="depth")

    def _trace(self, axes: Axes) -> None:
        """The slider moves the core; this panel has no live plot."""

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
                self.set(units.quantity(change["new"], "m"))
            except PanelError as error:
                trouble.value = (
                    f'<div style="color:#8B0000">Refused: {html.escape(str(error))}</div>'
                )

        def refresh() -> None:
            shift.value = self._shift

        shift.observe(moved, "value")
        best.on_click(lambda _: self.set(self.best_shift))
        self._watchers.append(refresh)
        return [w.HBox([shift, best]), trouble]


def _readings(
    properties: Mapping[str, Mapping[str, xr.Dataset]], core: tuple[str, ...], quantity: str
) -> tuple[np.ndarray, np.ndarray]:
    """Depth [m] and value of the usable readings of a core, in the order of depth."""
    hole, name = core
    if hole not in properties or quantity not in properties[hole]:
        held = ", ".join(f"{h}: {', '.join(q)}" for h, q in properties.items())
        raise PanelError(f"there is no {quantity} of hole {hole!r}; properties holds {held}")
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
            f"core {name} of hole {hole} has {int(use.sum())} usable readings of {quantity}; at "
            f"least {_LEAST} are needed"
        )
    order = np.argsort(depth[use], kind="stable")
    return depth[use][order], value[use][order]


def _gridded(depth: np.ndarray, value: np.ndarray) -> tuple[int, np.ndarray]:
    """First step of the grid, and the mean of the readings of each step, NaN without any."""
    step = np.round(depth / _STEP).astype(int)
    first = int(step.min())
    count = np.bincount(step - first)
    with np.errstate(invalid="ignore"):
        return first, np.bincount(step - first, weights=value) / np.where(count, count, np.nan)


def _empty_row() -> pd.DataFrame:
    """Table of ties with its columns and no row."""
    columns = ("hole", "core", "depth [m]", "to_hole", "to_core", "to_depth [m]")
    return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
