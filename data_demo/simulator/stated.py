"""What a hole states about its instruments, and the errors that are drawn from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from . import (
    consolidation,
    natural_gamma,
    probe,
    pwave,
    resistivity,
    sample_velocity,
    samples,
    strength,
    susceptibility,
)
from .layout import BORE

START = np.datetime64("2031-05-01T00:00:00")
WALL = 2.5  # mm
LINER_VELOCITY, LINER_VELOCITY_UNCERTAINTY = 2300.0, 50.0  # m/s
DEAD_TIME, DEAD_TIME_UNCERTAINTY = 5.0, 0.2  # us
BACKGROUND, BACKGROUND_UNCERTAINTY = 12.0, 0.5  # 1/s
HALF_LIFE = 30.05  # yr
DIAMETER_UNCERTAINTY = 0.3  # mm
POWER_UNCERTAINTY = 1.0  # %
SALINITY, SALINITY_UNCERTAINTY = 35.0, 0.2  # g/kg
LABORATORY_TEMPERATURE = 20.0  # degC
BOTTOM_WATER_UNCERTAINTY, THERMOMETER_UNCERTAINTY = 0.01, 0.002  # K


@dataclass(frozen=True)
class Errors:
    """The systematic errors of one hole, each drawn once from its stated uncertainty."""

    calliper_mm: float
    liner_velocity_m_s: float
    delay_us: float
    dead_time_us: float
    background_1_s: float
    forward_coherent_fraction: float
    heating_power_relative: float
    mass_g: float
    volume_cm3: float
    probe_heat_capacity_j_mk: float
    salinity_g_kg: float
    bottom_water_k: float
    thermometer_k: float
    brine_relative: float
    conductometer_relative: float
    loop_factor_relative: float


def draw_errors(rng, wrong_diameter) -> Errors:
    """Draw every systematic error; `wrong_diameter` [mm] replaces the calliper's."""
    calliper = rng.normal(0.0, DIAMETER_UNCERTAINTY)
    return Errors(
        calliper_mm=calliper if wrong_diameter is None else float(wrong_diameter),
        liner_velocity_m_s=rng.normal(0.0, LINER_VELOCITY_UNCERTAINTY),
        delay_us=rng.uniform(6.0, 9.0),
        dead_time_us=rng.normal(0.0, DEAD_TIME_UNCERTAINTY),
        background_1_s=rng.normal(0.0, BACKGROUND_UNCERTAINTY),
        forward_coherent_fraction=rng.uniform(0.0, 1.0),
        heating_power_relative=rng.normal(0.0, POWER_UNCERTAINTY / 100.0),
        mass_g=rng.normal(0.0, samples.MASS_SYSTEMATIC),
        volume_cm3=rng.normal(0.0, samples.VOLUME_SYSTEMATIC),
        probe_heat_capacity_j_mk=rng.normal(0.0, probe.HEAT_CAPACITY_UNCERTAINTY),
        salinity_g_kg=rng.normal(0.0, SALINITY_UNCERTAINTY),
        bottom_water_k=rng.normal(0.0, BOTTOM_WATER_UNCERTAINTY),
        thermometer_k=rng.normal(0.0, THERMOMETER_UNCERTAINTY),
        brine_relative=rng.normal(0.0, resistivity.BRINE_UNCERTAINTY / 100.0),
        conductometer_relative=rng.normal(0.0, resistivity.CONDUCTOMETER_UNCERTAINTY / 100.0),
        loop_factor_relative=rng.normal(0.0, susceptibility.FACTOR_UNCERTAINTY / 100.0),
    )


def format_time(elapsed):
    """ISO 8601 text of times given in seconds after the reference time."""
    stamps = START + np.asarray(np.rint(elapsed), dtype="timedelta64[s]")
    return np.char.add(np.datetime_as_string(stamps, unit="s"), "Z")


def _quantity(value, unit, digits=6):
    return f"{value:.{digits}g} {unit}"


def settings(name, bottom_water_temperature) -> dict:
    """The hole's settings, as they stand in hole.toml."""
    diameter = _quantity(DIAMETER_UNCERTAINTY, "mm")
    return {
        "hole": {
            "name": name,
            "water_depth": "2430 m",
            "bottom_water_temperature": _quantity(bottom_water_temperature, "degC"),
            "bottom_water_temperature_uncertainty": _quantity(BOTTOM_WATER_UNCERTAINTY, "K"),
            "pore_water_salinity": _quantity(SALINITY, "g/kg"),
            "pore_water_salinity_uncertainty": _quantity(SALINITY_UNCERTAINTY, "g/kg"),
            "laboratory_temperature": _quantity(LABORATORY_TEMPERATURE, "degC"),
            "latitude": -38.5,
            "longitude": -150.25,
        },
        "liner": {
            "bore": f"{BORE} mm",
            "wall": f"{WALL} mm",
            "velocity": _quantity(LINER_VELOCITY, "m/s"),
            "velocity_uncertainty": _quantity(LINER_VELOCITY_UNCERTAINTY, "m/s"),
        },
        "gamma": {
            "dead_time": _quantity(DEAD_TIME, "us"),
            "dead_time_uncertainty": _quantity(DEAD_TIME_UNCERTAINTY, "us"),
            "background_rate": _quantity(BACKGROUND, "1/s"),
            "background_rate_uncertainty": _quantity(BACKGROUND_UNCERTAINTY, "1/s"),
            "half_life": _quantity(HALF_LIFE, "yr"),
            "reference_time": format_time(0.0).item(),
            "core_diameter_uncertainty": diameter,
            "time": "real",
        },
        "pwave": {
            "core_diameter_uncertainty": diameter,
            "thickness_uncertainty": _quantity(pwave.THICKNESS_NOISE, "mm"),
            "travel_time_uncertainty": _quantity(pwave.TIME_NOISE, "us"),
        },
        **_long_sensor_settings(diameter),
        "needle": {"heating_power_uncertainty": _quantity(POWER_UNCERTAINTY, "%")},
        "index_properties": {
            "mass_uncertainty": _quantity(samples.MASS_NOISE, "g"),
            "mass_systematic": _quantity(samples.MASS_SYSTEMATIC, "g"),
            "volume_uncertainty": _quantity(samples.VOLUME_NOISE, "cm^3"),
            "volume_systematic": _quantity(samples.VOLUME_SYSTEMATIC, "cm^3"),
        },
        "sample_velocity": {
            "delay": _quantity(sample_velocity.STATED_DELAY, "us"),
            "delay_uncertainty": _quantity(sample_velocity.DELAY_UNCERTAINTY, "us"),
            "s_delay": _quantity(sample_velocity.STATED_S_DELAY, "us"),
            "s_delay_uncertainty": _quantity(sample_velocity.S_DELAY_UNCERTAINTY, "us"),
            "length_uncertainty": _quantity(sample_velocity.LENGTH_NOISE, "mm"),
            "length_systematic": _quantity(sample_velocity.LENGTH_UNCERTAINTY, "mm"),
            "travel_time_uncertainty": _quantity(sample_velocity.TIME_NOISE, "us"),
            "s_travel_time_uncertainty": _quantity(sample_velocity.S_TIME_NOISE, "us"),
        },
        "consolidation": {
            "height_uncertainty": _quantity(consolidation.HEIGHT_NOISE, "mm"),
            "void_ratio_uncertainty": 0.0005,  # of a height read to 0.003 mm
            "initial_void_ratio_uncertainty": 0.03,  # of the sample beside the test
        },
        "strength": {
            "vane_torque_uncertainty": _quantity(strength.TORQUE_NOISE, "N m"),
            "vane_torque_scale_uncertainty": _quantity(100 * strength.SPRING_UNCERTAINTY, "%"),
            "vane_diameter_uncertainty": _quantity(strength.VANE_UNCERTAINTY, "mm"),
            "vane_height_uncertainty": _quantity(strength.VANE_UNCERTAINTY, "mm"),
            "cone_factor": strength.CONE_FACTOR,
            "cone_factor_uncertainty": strength.CONE_FACTOR_UNCERTAINTY,
            "cone_penetration_uncertainty": _quantity(strength.CONE_NOISE, "mm"),
            "penetrometer_load_uncertainty": _quantity(strength.FOOT_NOISE, "N"),
            "penetrometer_scale_uncertainty": _quantity(
                100 * strength.FOOT_SPRING_UNCERTAINTY, "%"
            ),
            "unconfined_load_uncertainty": _quantity(strength.LOAD_NOISE, "N"),
            "unconfined_load_scale_uncertainty": _quantity(
                100 * strength.LOAD_CELL_UNCERTAINTY, "%"
            ),
            "unconfined_diameter_uncertainty": _quantity(strength.SPECIMEN_NOISE, "mm"),
        },
        # Every datum is dated by itself.
        "accumulation": {"age_scale_uncertainty": _quantity(0.0, "%")},
        "formation_temperature": {
            "thermometer_uncertainty": _quantity(THERMOMETER_UNCERTAINTY, "K"),
        },
    }


def _long_sensor_settings(diameter) -> dict:
    return {
        "resistivity": {
            "response_uncertainty": _quantity(resistivity.STATED_NOISE, "mV"),
            "brine_uncertainty": _quantity(resistivity.BRINE_UNCERTAINTY, "%"),
            "temperature_uncertainty": _quantity(resistivity.TEMPERATURE_NOISE, "K"),
            "core_diameter_uncertainty": diameter,
        },
        "susceptibility": {
            "unit": "1e-5 SI",
            "loop_diameter": _quantity(susceptibility.APERTURE, "mm"),
            "reading_uncertainty": susceptibility.NOISE,
            "core_diameter_uncertainty": diameter,
            "counter_range": susceptibility.COUNTER_RANGE,
        },
        "natural_gamma": {
            "response_width": _quantity(natural_gamma.WIDTH, "cm"),
            "response_width_uncertainty": "0 cm",  # the simulated response has no error
            "mass_basis": "wet",
            "core_diameter_uncertainty": diameter,
        },
    }
