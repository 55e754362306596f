"""Panels for the window of a heating run and for the window of a temperature station."""

from __future__ import annotations

import contextlib
import html
import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr
from matplotlib.axes import Axes

from corephys import uncertainty
from corephys.figures.heat import heating_run
from corephys.figures.heat import station as station_figure
from corephys.figures.plate import Plate
from corephys.figures.style import COLOURS, FLAGGED
from corephys.ground import arguments, flags, units
from corephys.ground.cards import with_uncertainty
from corephys.notebook.panels.panel import Panel, PanelError
from corephys.reduction.context import Context
from corephys.reduction.recipe import Recipe
from corephys.reduction.stages.samples import formation_temperature, thermal_conductivity

if TYPE_CHECKING:
    import pint

    from corephys.ground.types import Scalar

__all__ = ["CoolingWindow", "HeatingWindow"]


class _Window(Panel):
    """Window of one record; a subclass for heating runs and one for stations.

    Parameters
    ----------
    reduced : DataTree
        Reduced hole with the record and its table.
    name : str or int
        Name of the run or station.
    """

    stage: str  # table of the recipe
    raw: str  # table of the records
    key: str  # column of names in that table
    home: str  # leaf of the results, one row for each record
    quantity: str  # result of a window
    words: str  # kind of record in messages

    def __init__(self, reduced: xr.DataTree, name: str | int) -> None:
        super().__init__()
        self.name = str(name)
        if "recipe" not in reduced.attrs:
            raise PanelError(
                f"the panel of a {self.words} needs the recipe of a reduced hole; this hole has "
                "none. Give the result of cp.reduce or cp.load"
            )
        self._recipe = Recipe.from_json(reduced.attrs["recipe"])
        # Keys of the recipe that hole.toml does not set stay in ``changes``: a later reduction of
        # the hole would otherwise lose them.
        self._beyond = self._recipe.beyond(Recipe(json.loads(reduced.attrs.get("settings", "{}"))))
        table = _leaf(reduced, self.raw, self.words)
        names = table[self.key].values.astype(str)
        if not (names == self.name).any():
            known = ", ".join(dict.fromkeys(names))
            raise PanelError(
                f"there is no {self.words} {self.name!r}; the hole has {self.words}s {known}"
            )
        self._tree = self._small(reduced, table, names == self.name)
        self.title = f"window of {self.words} {self.name}"
        self._others = dict(self._recipe[self.stage]["windows"] or {})
        self._chosen: str | None = self._others.pop(self.name, None)
        self._result = self._reduced(self._chosen)

    def _small(self, reduced: xr.DataTree, table: xr.Dataset, own: np.ndarray) -> xr.DataTree:
        """Tree with this record only: reducing it takes no longer than a control may."""
        raise NotImplementedError

    _run: Callable[[Context], None]

    def _reduced(self, chosen: str | None) -> xr.Dataset:
        """Result of the stage of the reduction for this record."""
        given = None if chosen is None else {self.name: chosen}
        recipe = self._recipe.with_changes({self.stage: {"windows": given}})
        context = Context(self._tree, recipe, {})
        for leaf in self._tree.leaves:
            if leaf.path.startswith("/properties"):
                context.results[leaf.path.strip("/")] = leaf.to_dataset(inherit=False)
        type(self)._run(context)
        for path in (self.home, "properties/thermal_conductivity"):
            if path in context.results and "window_start" in context.results[path]:
                return context.results[path]
        raise PanelError(
            f"the stage [{self.stage}] gave no result for {self.words} {self.name}; see its flag "
            "in cp.overview of the reduced hole"
        )

    def set(
        self,
        window: str | None = None,
        *,
        start: Scalar | None = None,
        end: Scalar | None = None,
    ) -> _Window:
        """Choose the window, or return to the window that the stage found.

        Parameters
        ----------
        window : str, optional
            Window, such as ``"25 s to 90 s"``; None without ``start`` and ``end`` returns to the
            window that was found.
        start, end : Quantity or str, optional
            New end of the window [s]; an end that is not given stays.

        Returns
        -------
        Panel
            The same panel.

        Raises
        ------
        ValueError
            If the window cannot be read, or holds too few samples; the choice then stays as it was.
        """
        if start is not None or end is not None:
            if window is not None:
                raise ValueError(
                    f"window is {window!r} and start or end is given as well; give either window, "
                    "or start and end, not both"
                )
            low, high = self._ends()
            low = low if start is None else float(units.as_floats(start, "s", "start"))
            high = high if end is None else float(units.as_floats(end, "s", "end"))
            window = f"{low:.10g} s to {high:.10g} s"  # the spelling of the recipe
        self._result = self._reduced(window)
        self._chosen, self._complaint = window, ""
        self._moved()
        return self

    @property
    def window(self) -> tuple[pint.Quantity, pint.Quantity]:
        """Times of the first and the last sample that are fitted; the choice may be wider."""
        first, last = self._fitted()
        return units.quantity(first, "s"), units.quantity(last, "s")

    def _fitted(self) -> tuple[float, float]:
        """Times of the first and the last sample that are fitted [s]."""
        return float(self._result["window_start"][0]), float(self._result["window_end"][0])

    def _ends(self) -> tuple[float, float]:
        """Start and end as they were chosen, or as found [s]."""
        return self._fitted() if self._chosen is None else arguments.ends(self._chosen, self.title)

    @property
    def result(self) -> xr.Dataset:
        """Result of the window, one reading with uncertainty, flag and reason."""
        return self._result

    @property
    def changes(self) -> dict[str, Any]:
        """Change of the recipe, including other keys that ``hole.toml`` does not set."""
        chosen = dict(self._others)
        if self._chosen is not None:
            chosen[self.name] = self._chosen
        own = {**self._beyond.get(self.stage, {}), "windows": chosen or None}
        return {**self._beyond, self.stage: own}

    def summary_text(self) -> str:
        """Value with uncertainty, window and reasons of its flag."""
        one = self._result
        value = float(one[self.quantity][0])
        u = float(uncertainty.total(one, self.quantity)[0])
        unit = str(one[self.quantity].attrs["units"])
        low, high = self._ends()
        how = "chosen" if self._chosen is not None else "found"
        found = f"{one[self.quantity].attrs['long_name']} {with_uncertainty(value, u, unit)}"
        reasons = _reasons(int(one[f"{self.quantity}_reason"][0]))
        return f"{found}, window {how}: {low:g} s to {high:g} s{self._cut(low, high)}{reasons}"

    def _cut(self, low: float, high: float) -> str:
        """Words on samples of the window that are not fitted, such as those of a cold needle."""
        time, _ = self._record()
        first, last = self._fitted()
        left = (time >= low) & (time <= high) & ((time < first) | (time > last))
        return f", of which {first:g} s to {last:g} s is fitted" if left.any() else ""

    def _record(self) -> tuple[np.ndarray, np.ndarray]:
        """Time [s] since heating or penetration, and temperature [degC]."""
        raise NotImplementedError

    def _trace(self, axes: Axes) -> None:
        time, temperature = self._record()
        low, high = self._fitted()
        inside = (time >= low) & (time <= high)
        ink = COLOURS["equilibrium_temperature"]
        axes.plot(time[~inside], temperature[~inside], ".", color=FLAGGED, markersize=3)
        axes.plot(time[inside], temperature[inside], ".", color=ink, markersize=3)
        axes.axvspan(low, high, color="0.93", zorder=0)
        axes.set_xscale("log")
        axes.set_xlabel("time [s]: drag across the window")
        axes.set_ylabel("temperature [°C]")

    def _span(self, low: float, high: float) -> None:
        if high > low > 0.0:
            self._try(f"{low:.4g} s to {high:.4g} s")

    def _try(self, window: str) -> None:
        """Apply a window from the controls; a refused one leaves the last good one in place."""
        try:
            self.set(window)
        except ValueError as error:
            self._complaint = str(error)
            self._moved()

    _complaint = ""

    def _words_html(self) -> str:
        words = super()._words_html()
        if not self._complaint:
            return words
        return f'{words}<div style="color:#8B0000">Refused: {html.escape(self._complaint)}</div>'

    def _controls(self, w: Any) -> list[Any]:
        time, _ = self._record()
        low, high = self._ends()
        steps = [float(t) for t in np.unique(time) if t > 0.0]
        if not steps or not np.isfinite([low, high]).all():
            raise PanelError(
                f"{self.words} {self.name} has no window; set one with panel.set, or see its flag"
            )
        options = [(f"{t:g} s", t) for t in steps]
        near = [min(steps, key=lambda t, edge=edge: abs(t - edge)) for edge in (low, high)]
        slider = w.SelectionRangeSlider(
            options=options,
            index=(steps.index(near[0]), steps.index(near[1])),
            description="window",
            continuous_update=False,
            layout=w.Layout(width="30em"),
        )
        back = w.Button(description="as found", tooltip="return to the window that was found")

        def moved(change: Any) -> None:
            start, end = change["new"]
            if (start, end) != self._ends():
                self._try(f"{start:.10g} s to {end:.10g} s")

        def refresh() -> None:
            at = tuple(min(steps, key=lambda t, edge=edge: abs(t - edge)) for edge in self._ends())
            if at != tuple(slider.value):
                # Without this the slider would set the window to its nearest step.
                slider.unobserve(moved, "value")
                slider.value = at
                slider.observe(moved, "value")

        slider.observe(moved, "value")
        back.on_click(lambda _: self.set(None))
        self._watchers.append(refresh)
        return [w.HBox([slider, back])]


class HeatingWindow(_Window):
    """Window of one heating run of a needle."""

    stage, raw, key = "needle", "samples/needle", "run"
    home, quantity, words = "properties/heating_runs", "thermal_conductivity", "run"
    _run = staticmethod(thermal_conductivity)

    def _small(self, reduced: xr.DataTree, table: xr.Dataset, own: np.ndarray) -> xr.DataTree:
        one = table.isel({table[self.key].dims[0]: own})
        return xr.DataTree.from_dict({"/samples/needle": one})

    def _record(self) -> tuple[np.ndarray, np.ndarray]:
        table = self._tree["samples/needle"]
        return table["time"].values.astype(float), table["temperature"].values.astype(float)

    def figure(self) -> Plate:
        """Heating curve with its window, and the conductivity of all windows."""
        tree = self._tree.copy()
        tree["properties/heating_runs"] = xr.DataTree(self._result)
        return heating_run(tree, self.name)


class CoolingWindow(_Window):
    """Window of one station of formation temperature."""

    stage, raw, key = "formation_temperature", "downhole/formation_temperature", "station"
    home, quantity = "properties/formation_temperature", "equilibrium_temperature"
    words = "station"
    _run = staticmethod(formation_temperature)

    def _small(self, reduced: xr.DataTree, table: xr.Dataset, own: np.ndarray) -> xr.DataTree:
        stations = _leaf(reduced, "downhole/stations", "station")
        here = stations["station"].values.astype(str) == self.name
        parts = {
            "/downhole/formation_temperature": table.isel({table[self.key].dims[0]: own}),
            "/downhole/stations": stations.isel({stations["station"].dims[0]: here}),
            "/downhole/tools": _leaf(reduced, "downhole/tools", "tool"),
        }
        path = "properties/thermal_conductivity"
        # Without it the table of stations holds a conductivity, or the stage refuses the record.
        with contextlib.suppress(KeyError):
            parts[f"/{path}"] = reduced[path].to_dataset(inherit=False)
        return xr.DataTree.from_dict(parts)

    def _record(self) -> tuple[np.ndarray, np.ndarray]:
        table = self._tree["downhole/formation_temperature"].to_dataset(inherit=False)
        stations = self._tree["downhole/stations"].to_dataset(inherit=False)
        start = float(stations["penetration_time"][0]) if "penetration_time" in stations else np.nan
        time, values = table["time"].values.astype(float), table["temperature"].values.astype(float)
        if "kind" in table:
            rows = table["kind"].values.astype(str) != "bottom_water"
            time, values = time[rows], values[rows]
        since = time - (start if np.isfinite(start) else time[np.nanargmax(values)])
        return since[since > 0.0], values[since > 0.0]

    def figure(self) -> Plate:
        """Record with its window, fit and residuals, and temperature by conductivity."""
        tree = self._tree.copy()
        tree[self.home] = xr.DataTree(self._result)
        return station_figure(tree, self.name)


def _leaf(tree: xr.DataTree, path: str, words: str) -> xr.Dataset:
    """Leaf that the panel needs."""
    try:
        return tree[path].to_dataset(inherit=False)
    except KeyError:
        raise PanelError(
            f"the panel of a {words} needs /{path}, which this hole does not have; "
            "give the reduced hole that cp.reduce or cp.load returned"
        ) from None


def _reasons(reason: int) -> str:
    """Words on the reasons of a flag."""
    words = ", ".join(flags.names(reason)).replace("_", " ")
    return f"; flagged: {words}" if words else ""
