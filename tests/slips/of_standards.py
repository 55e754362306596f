"""Slips of standards and settings against each other, and of what rises with depth."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tests.slips.planting import (
    GAMMA,
    NATURAL,
    PWAVE,
    Settings,
    Slip,
    Tables,
    put,
    setting,
    swap,
    times,
)


def exchanged(tables: Tables, settings: Settings) -> None:
    frame = tables["downhole/stations"]
    frame.loc[[1, 2], "depth [m]"] = frame.loc[[2, 1], "depth [m]"].to_numpy()


def log(shift: float):
    """A log along the temperatures of the stations, its depths moved by a distance [m]."""

    def plant(tables: Tables, settings: Settings) -> None:
        depth = np.arange(5.0, 285.0, 5.0)
        tables["downhole/temperature_log"] = pd.DataFrame(
            {
                "depth [m]": depth + shift,
                "temperature [degC]": 2.797 + 0.0455 * depth - 1e-5 * depth**2,
            }
        )

    return plant


STATIONS = "downhole/stations"
OF_STANDARDS: tuple[Slip, ...] = (
    Slip(
        "outer diameter as bore of the gamma standards",
        put("standards/gamma", "bore [mm]", 75.0),
        "bore of the standards",
        "a bore of 75 mm",
        "the bore of the standards is the outer diameter",
        (GAMMA,),
    ),
    Slip(
        "one step of aluminium of 30 mm written 35",
        put(
            "standards/gamma", "aluminium_thickness [mm]", 35.0, **{"aluminium_thickness [mm]": 30}
        ),
        "steps of aluminium",
        "through 35 mm of aluminium",
        "of this step are mistyped",
        (GAMMA,),
    ),
    Slip(
        "counting time of the checks copied to the standards",
        put("standards/gamma", "real_time [s]", 30.0, kind="standard"),
        "rates of check pieces",
        "0.501 times the rate",
        "counting time of the standards",
        (GAMMA,),
    ),
    Slip(
        "both walls of the liner as one",
        setting("liner", "wall", "5 mm"),
        "wall of the liner",
        "two walls of 5 mm makes 80 mm",
        "2.5 mm would fit",
        (PWAVE,),
    ),
    Slip(
        "water of the standards at 4 degC for 20",
        put("standards/pwave", "temperature [degC]", 4.0, medium="water"),
        "water of the standards",
        "water of 4 degC has 142",
        "the temperature is mistyped",
        (PWAVE,),
    ),
    Slip(
        "liner of the water of the standards left out",
        put("standards/pwave", "liner", "none", medium="water"),
        "liner of the standards",
        "two walls of the liner take 2.17 us",
        "stands in a liner",
        (PWAVE,),
    ),
    Slip(
        "live time of blanks copied from the standards",
        put("standards/natural_gamma", "live_time [s]", 3600.0, kind="blank"),
        "blanks of natural gamma",
        "half of the blanks have 54.8 1/s",
        "live_time",
        (NATURAL,),
    ),
    Slip(
        "windows of potassium and thorium exchanged",
        swap(NATURAL, "counts_potassium", "counts_thorium"),
        "order of the windows",
        "counts_thorium exceeds counts_potassium",
        "are exchanged",
        (NATURAL,),
    ),
    Slip(
        "chlorinity in place of salinity",
        setting("hole", "pore_water_salinity", "19.4 g/kg"),
        "salinity of the settings",
        "19.4 g/kg under 2430 m",
        "chlorinity",
    ),
    Slip(
        "two digits turned in bottom water",
        setting("hole", "bottom_water_temperature", "7.297 degC"),
        "bottom water",
        "bottom_water_temperature is 7.297 degC",
        "the setting is mistyped",
        (STATIONS,),
    ),
    Slip(
        "depths of two stations exchanged",
        exchanged,
        "order of stations",
        "once they are exchanged",
        "of the two stations are exchanged",
        (STATIONS,),
    ),
    Slip(
        "temperature log from a datum 30 m higher",
        log(30.0),
        "depths of the temperature log",
        "stations",
        "another datum",
        ("downhole/temperature_log",),
    ),
    Slip(
        "one consolidation test in kgf/cm^2 under kPa",
        times("samples/consolidation", "stress [kPa]", 1 / 98.0665, test="C3"),
        "load of consolidation",
        "the test 'C3'",
        "kgf/cm^2",
        ("samples/consolidation",),
    ),
    Slip(
        "diameter of the tool as its radius",
        put("downhole/tools", "radius [mm]", 16.0),
        "tools",
        "radius of 16 mm",
        "the diameter in place of the radius",
        (STATIONS,),
    ),
)
