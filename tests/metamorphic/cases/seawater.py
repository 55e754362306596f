"""Sea water and the mixing of phases."""

from __future__ import annotations

from typing import Any

from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case


def water(draw: Draw) -> dict[str, Any]:
    """Salinity, temperature and pressure, of each reading or of all."""
    return {
        "salinity": draw.choice(draw.series("g/kg", 2.0, 41.0), draw.scalar("g/kg", 2.0, 41.0)),
        "temperature": draw.series("degC", 0.5, 30.0),
        "pressure": draw.choice(draw.series("dbar", 0.0, 6000.0), draw.scalar("dbar", 0.0, 6000.0)),
    }


case("seawater.density")(water)
case("seawater.sound_speed")(water)
case("seawater.conductivity")(water)


@case("seawater.absolute_salinity")
def salt(draw: Draw) -> dict[str, Any]:
    """Salinity of each reading or of all."""
    each, one = draw.series("g/kg", 0.0, 119.0), draw.scalar("g/kg", 0.0, 119.0)
    return {"salinity": draw.choice(each, one)}
