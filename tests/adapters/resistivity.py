"""Adapters of resistivity, formation factor and Archie's relation."""

from __future__ import annotations

from typing import Any

import numpy as np

import corephys as cp
from corephys.ground import series
from tests.adapters.registry import Inputs, adapter, array, straight

straight(
    "resistivity.brine_conductivity",
    "corephys.sensors.resistivity.pore_water.brine_conductivity",
    "salinity",
    "temperature",
)
straight(
    "resistivity.four_electrode",
    "corephys.sensors.resistivity.electrodes.four_electrode",
    "voltage",
    "current",
)
straight(
    "resistivity.pore_water_resistivity",
    "corephys.sensors.resistivity.pore_water.pore_water_resistivity",
    "salinity",
    "temperature",
    "pressure",
)
straight(
    "resistivity.formation_factor",
    "corephys.sensors.resistivity.pore_water.formation_factor",
    "resistivity",
)
straight(
    "resistivity.cementation_exponent",
    "corephys.sensors.resistivity.pore_water.cementation_exponent",
    "formation_factor",
    "porosity",
)
straight(
    "resistivity.archie_formation_factor",
    "corephys.sensors.resistivity.archie.archie_formation_factor",
    "porosity",
)
straight(
    "resistivity.porosity_from_formation_factor",
    "corephys.sensors.resistivity.archie.porosity_from_formation_factor",
    "formation_factor",
)


@adapter("resistivity.cell_constant", "corephys.sensors.resistivity.electrodes.cell_constant")
def cell(inputs: Inputs) -> float:
    conductivity = cp.seawater.conductivity(inputs["salinity"], inputs["temperature"])
    return cp.resistivity.cell_constant(inputs["voltage"], inputs["current"], conductivity).value


@adapter("resistivity.wenner_constant", "corephys.sensors.resistivity.electrodes.wenner_constant")
def wenner(inputs: Inputs) -> float:
    return cp.resistivity.wenner_constant(inputs.pop("spacing"), **inputs).value


@adapter("resistivity.air_baseline", "corephys.sensors.resistivity.calibration.air_baseline")
def baseline(inputs: Inputs) -> Any:
    return cp.resistivity.air_baseline(
        array(inputs["time"], "s"),
        array([inputs["reading_time"]], "s"),
        array(inputs["response"], "mV"),
    ).values


@adapter(
    "resistivity.electrical_resistivity", "corephys.sensors.resistivity.electrical_resistivity"
)
def contactless(inputs: Inputs) -> Any:
    """A response through a calibration whose coefficients the row gives."""
    calibration = cp.resistivity.Calibration(
        np.array(inputs.pop("coefficients")), np.zeros((2, 2)), (-np.inf, np.inf)
    )
    return cp.resistivity.electrical_resistivity(
        array([inputs.pop("response")], "mV"), calibration=calibration, **inputs
    )


def _carried(name: str) -> None:
    @adapter(f"resistivity.{name}", f"corephys.sensors.resistivity.pore_water.{name}")
    def carry(inputs: Inputs) -> Any:
        readings = array([inputs.pop("resistivity")], "ohm m")
        core = series.build(
            {"electrical_resistivity": cp.uncertainty.Measured(readings.drop_attrs())}
        )
        return getattr(cp.resistivity, name)(core, inputs.pop("temperature"), **inputs)


_carried("to_reference_temperature")
_carried("in_situ")
