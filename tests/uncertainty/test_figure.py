"""The figure of budgets says what the budgets say, also where a source is not known."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from corephys import figures
from corephys.ground import series
from corephys.uncertainty import Measured


def tree(effects: dict[str, float]) -> xr.DataTree:
    flow = series.build({"heat_flow": Measured(50.0, 0.6, effects)})
    place = xr.DataArray([1.5, 1.6], dims="reading", coords={"depth": ("reading", [1.0, 2.0])})
    density = series.build({"bulk_density": Measured(place, 0.01, {"core_diameter": 0.01})})
    return xr.DataTree.from_dict({"/products/heat_flow": flow, "/properties/density": density})


def test_bars_end_at_one_and_parts_are_the_shares() -> None:
    table = figures.budget(tree({"heating_power": 0.8})).table()
    for _, bar in table.groupby("panel"):
        assert bar["x_lower"].min() == 0.0
        assert bar["x_upper"].max() == pytest.approx(1.0)
    flow = table[table["panel"].str.endswith("heat flow")].drop_duplicates("series")
    width = dict(zip(flow["series"], flow["x_upper"] - flow["x_lower"], strict=True))
    assert width == pytest.approx({"natural scatter": 0.36, "conductivity": 0.64})


def test_what_is_not_known_is_named_beside_its_bar() -> None:
    figure = figures.budget(tree({"heating_power": 0.8, "thermometer": np.nan}))
    words = [text.get_text() for text in figure.axes[0].texts]
    assert "1.0 mW/m² without\nthermometer\n(not known)" in words
    assert "0.014 g/cm³" in words


def test_a_hole_without_uncertainties_has_no_such_figure() -> None:
    bare = xr.DataTree.from_dict({"/products/heat_flow": xr.Dataset({"heat_flow": 50.0})})
    with pytest.raises(figures.NothingToDraw, match="needs a result with an uncertainty"):
        figures.budget(bare)
