"""Every option of the recipe reads its default from one place, or has a default of its own."""

from __future__ import annotations

import subprocess
import sys

import pytest

from corephys.ground import constants
from corephys.reduction.schema import SCHEMA, Option

# Options without an argument of a function behind them, or with another default than it has.
# Reason -> options.
OWN: dict[str, tuple[str, ...]] = {
    "switches a stage or a part of one; functions are called or not": (
        "reduction.strict", "quality.evaluate", "quality.control_charts", "quality.settling",
        "gamma.tie_to_samples", "gamma.dead_time_from_standards", "resistivity.drift",
        "resistivity.in_situ", "resistivity.surface_conduction", "susceptibility.drift",
        "index_properties.pore_water_table", "index_properties.pycnometer_standards",
        "index_properties.culprits", "needle.combine_repeats", "needle.anisotropy_correction",
        "needle.in_situ_correction", "compaction.compare", "compaction.by_layer",
        "compaction.by_lithology", "quality.disturbance",
        "heat_flow.include_bottom_water",
    ),
    "chooses between functions, tables or ways of working of a stage": (
        "quality.use", "gamma.calibrations", "resistivity.archie", "needle.conditions",
        "stress.density", "seismic.velocity", "porosity.grain_density", "elastic.fluid",
        "compaction.porosity", "heat_flow.heat_production", "logs.files",
        "reduction.supplied", "heat_flow.temperatures",
    ),
    "a word for a choice that the function makes when its argument is None": (
        "gamma.order", "resistivity.order",
    ),
    "off in a reduction unless chosen; the function does it whenever it is called": (
        "pwave.pick", "pwave.in_situ", "heat_flow.monte_carlo_draws",
    ),
    "describes the hole, the liner or the laboratory; the function requires it": (
        "hole.water_depth", "hole.laboratory_temperature", "liner.bore", "liner.wall",
        "gamma.slurry_density", "susceptibility.unit", "resistivity.current",
        "gamma.reference_time",
    ),
    "required by the function; not given, the stage leaves that step out": (
        "resistivity.cell_constant", "susceptibility.counter_range", "natural_gamma.stack",
        "stress.drilling_fluid_density", "stress.reference_void_ratio",
        "stress.reference_compression_index", "heat_flow.sedimentation_rate",
        "heat_flow.sedimentation_time", "heat_flow.bottom_water_step",
        "heat_flow.bottom_water_step_time", "heat_flow.heat_production_value",
        "heat_flow.extrapolate_to",
    ),
    "required by the function; the reduction needs one to run by default": (
        "stress.fluid_column_from", "seismic.time_step", "elastic.mineral",
        "compaction.absolute_sigma",
    ),
    "not given, the stage finds it from the hole, where the function has a constant": (
        "index_properties.pore_water_density", "porosity.pore_water_density",
        "stress.pore_water_density", "stress.sea_water_density",
    ),
    "uncertainty of a value that the stage works out; the function has that of its constant": (
        "index_properties.pore_water_density_uncertainty",
        "porosity.pore_water_density_uncertainty", "stress.pore_water_density_uncertainty",
        "stress.sea_water_density_uncertainty",
    ),
    "usual uncertainty of the instruments; a function calls it unknown unless it is given": (
        "hole.bottom_water_temperature_uncertainty", "pwave.thickness_uncertainty",
        "pwave.travel_time_uncertainty", "resistivity.temperature_uncertainty",
        "natural_gamma.response_width_uncertainty", "needle.in_situ_temperature_uncertainty",
        "needle.laboratory_temperature_uncertainty",
        "formation_temperature.conductivity_uncertainty",
        "formation_temperature.heat_capacity_uncertainty",
        "formation_temperature.thermometer_uncertainty",
        "stress.drilling_fluid_density_uncertainty", "elastic.critical_porosity_uncertainty",
    ),
    "not given, the stage takes it from the record of the waveforms": (
        "pwave.gate_start", "pwave.gate_end",
    ),
    "the function has no such step unless the argument is given": (
        "pwave.amplitude_gate", "pwave.threshold_level", "seismic.frequency",
        "elastic.soft_mineral",
    ),
    "the grains of the models: a mixture that the stage makes for mud": (
        "elastic.stiff_share", "elastic.grain_bulk_modulus", "elastic.grain_shear_modulus",
        "elastic.critical_porosity",
    ),
}  # fmt: skip


def _row(option: Option) -> bool:
    """Whether the default is a row of a table of constants or thresholds, not a written number."""
    held = getattr(option.default, "constant", None)
    return held is not None and constants.is_tabled(held)


def _uncertainty_of_a_row(stage: str, key: str) -> bool:
    """Whether the default is the uncertainty of the constant that the option beside it is."""
    option, base = SCHEMA[stage][key], SCHEMA[stage].get(key.removesuffix("_uncertainty"))
    if base is None or not key.endswith("_uncertainty") or not _row(base):
        return False
    row = base.default.constant
    return option.default in (row.uncertainty, f"{row.uncertainty:g} {row.unit}")


PLACES = [(stage, key) for stage, keys in SCHEMA.items() for key in keys]
LISTED = [place for places in OWN.values() for place in places]


@pytest.mark.parametrize("stage, key", PLACES)
def test_a_default_is_read_or_has_a_reason(stage, key):
    option = SCHEMA[stage][key]
    read = bool(option.taken_from) or _row(option) or _uncertainty_of_a_row(stage, key)
    place = f"[{stage}] {key} = {option.default!r}"
    if f"{stage}.{key}" in LISTED:
        assert not read, f"{place} is read from elsewhere; remove it from the lists of this file"
    else:
        assert read, (
            f"{place} is written a second time; read it from the function (option_from), from a "
            "row of ground/constants.py or ground/thresholds.py, or list it here with a reason"
        )


def test_the_reasons_name_options_once():
    assert len(LISTED) == len(set(LISTED))
    assert set(LISTED) <= {f"{stage}.{key}" for stage, key in PLACES}


def test_importing_the_recipe_imports_no_measurement():
    code = "import corephys as cp, sys; cp.Recipe; print('corephys.sensors.gamma' in sys.modules)"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "False"
