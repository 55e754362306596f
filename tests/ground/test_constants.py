"""How constants are shown."""

from __future__ import annotations

import inspect

from corephys.ground.constants import CONSTANTS, Constant
from corephys.products import porosity


def test_a_constant_is_short_where_it_is_a_default():
    shown = repr(CONSTANTS["grain_density"])
    assert shown == "Constant(grain_density: 2.7 g/cm^3, u 0.05, common practice)"
    assert shown in str(inspect.signature(porosity.from_density))
    assert repr(Constant("x", 1.5, "m", float("nan"), "", "")) == "Constant(x: 1.5 m, u nan, given)"
