"""Put a simulated hole together: tables, settings and truth, and write them as a hole folder."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from . import flaws, gamma, ground, needle, other_scans, plans, probe, pwave, samples

START = np.datetime64("2031-05-01T00:00:00")
BORE, WALL = 66.0, 2.6  # mm
LINER_VELOCITY, LINER_VELOCITY_UNCERTAINTY = 2300.0, 50.0  # m/s
DEAD_TIME, DEAD_TIME_UNCERTAINTY = 5.0, 0.2  # us
BACKGROUND, BACKGROUND_UNCERTAINTY = 12.0, 0.5  # 1/s
HALF_LIFE = 30.05  # yr
DIAMETER_UNCERTAINTY = 0.3  # mm
POWER_UNCERTAINTY = 1.0  # %
SALINITY, SALINITY_UNCERTAINTY = 35.0, 0.2  # g/kg
LABORATORY_TEMPERATURE = 20.0  # degC
BOTTOM_WATER_UNCERTAINTY, THERMOMETER_UNCERTAINTY = 0.01, 0.002  # K
COUNTING_TIME = 5.0  # s
SECONDS_PER_READING = 7.0
# one stream of random numbers each, so that a change in one part leaves the others as they were
STREAMS = ("plan", "ground", "errors", "intervals", "gamma", "pwave", "resistivity",
           "susceptibility", "natural_gamma", "standards", "samples", "needle",
           "probe")  # fmt: skip


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
    )


def format_time(elapsed):
    """ISO 8601 text of times given in seconds after the reference time."""
    stamps = START + np.asarray(np.rint(elapsed), dtype="timedelta64[s]")
    return np.char.add(np.datetime_as_string(stamps, unit="s"), "Z")


def _quantity(value, unit, digits=6):
    return f"{value:.{digits}g} {unit}"


def settings(name, bottom_water_temperature) -> dict:
    """The hole's settings, as they stand in hole.toml."""
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
            "bore": "66.0 mm",
            "wall": "2.6 mm",
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
            "core_diameter_uncertainty": _quantity(DIAMETER_UNCERTAINTY, "mm"),
            "time": "real",
        },
        "pwave": {
            "core_diameter_uncertainty": _quantity(DIAMETER_UNCERTAINTY, "mm"),
            "thickness_uncertainty": _quantity(pwave.THICKNESS_NOISE, "mm"),
            "travel_time_uncertainty": _quantity(pwave.TIME_NOISE, "us"),
        },
        "needle": {"heating_power_uncertainty": _quantity(POWER_UNCERTAINTY, "%")},
        "index_properties": {
            "mass_uncertainty": _quantity(samples.MASS_NOISE, "g"),
            "mass_systematic": _quantity(samples.MASS_SYSTEMATIC, "g"),
            "volume_uncertainty": _quantity(samples.VOLUME_NOISE, "cm^3"),
            "volume_systematic": _quantity(samples.VOLUME_SYSTEMATIC, "cm^3"),
        },
        "formation_temperature": {
            "thermometer_uncertainty": _quantity(THERMOMETER_UNCERTAINTY, "K"),
        },
    }


def _layout_tables(layout, calliper) -> dict:
    cores = layout.cores.drop(columns="time_on_deck")
    cores = cores.rename(columns={"top": "top [m]", "advance": "advance [m]"})
    cores = cores.rename(columns={"recovered": "recovered [m]"})
    cores["time_on_deck"] = format_time(layout.cores["time_on_deck"].to_numpy())
    sections = layout.sections
    table = sections[["core", "section"]].assign(
        **{
            "length [m]": sections["length"].round(2),
            "core_diameter [mm]": (sections["diameter"] + calliper).round(2),
            "kind": sections["kind"],
            "liner": sections["liner"],
            "annulus": sections["annulus"],
        }
    )
    removed = layout.removed.rename(columns={"from_": "from [cm]", "to": "to [cm]"})
    return {"cores": cores, "sections": table, "removed": removed}


def _timed_readings(plan, sensor):
    """Scan positions of one sensor with repeats and the time of each reading."""
    readings = plan.layout.readings(plan.spacing[sensor])
    again = readings.loc[
        [key in plan.repeat_sections for key in zip(readings.core, readings.section, strict=True)]
    ].assign(run=2)
    readings = pd.concat([readings, again], ignore_index=True)
    core_row = plan.layout.sections["core_row"].to_numpy()[readings["row"]]
    on_deck = plan.layout.cores["time_on_deck"].to_numpy()[core_row]
    place = readings["depth"] - plan.layout.cores["top"].to_numpy()[core_row]
    elapsed = on_deck + 4.0 * 3600.0 + place * 100.0 / 2.0 * SECONDS_PER_READING
    elapsed = elapsed + 3.0 * 3600.0 * (readings["run"] - 1)
    return readings.assign(elapsed=elapsed, time=format_time(elapsed.to_numpy()))


def _scan_truth(readings, table, flaw, true_ground):
    own = readings["own_depth"].to_numpy()
    return table[["core", "section", "offset [cm]", "run"]].assign(
        **{
            "depth_fitted [m]": np.round(own, 3),
            "porosity": np.round(true_ground.porosity(own), 4),
            "bulk_density [g/cm^3]": np.round(true_ground.density(own), 4),
            "p_wave_velocity [m/s]": np.round(true_ground.velocity(own), 1),
            "flaw": flaw,
        }
    )


def _scans(generators, plan, true_ground, errors, flaw_plan) -> tuple[dict, dict]:
    bench = gamma.GammaBench(
        source_rate=27500.0,
        forward_fraction=errors.forward_coherent_fraction,
        build_up=0.01,
        dead_time=(DEAD_TIME + errors.dead_time_us) * 1e-6,
        background_rate=BACKGROUND + errors.background_1_s,
        half_life=HALF_LIFE,
        wall=WALL,
        bore=BORE,
        laboratory_temperature=LABORATORY_TEMPERATURE,
        salinity=true_ground.salinity,
    )
    sound = pwave.PwaveBench(
        delay=errors.delay_us,
        liner_velocity=LINER_VELOCITY + errors.liner_velocity_m_s,
        wall=WALL,
        calliper_error=errors.calliper_mm,
        laboratory_temperature=LABORATORY_TEMPERATURE,
        salinity=true_ground.salinity,
    )
    intervals = flaws.plant_intervals(generators["intervals"], plan.layout, flaw_plan)
    tables, truth = {}, {}
    for sensor in plan.spacing:
        readings = flaws.mark_intervals(_timed_readings(plan, sensor), intervals)
        shared = (true_ground, plan.layout, readings, flaw_plan)
        rng = generators[sensor]
        if sensor == "gamma":
            table, flaw = gamma.scan(rng, bench, *shared, COUNTING_TIME)
        elif sensor == "pwave":
            table, flaw = pwave.scan(rng, sound, *shared)
        else:
            table, flaw = getattr(other_scans, sensor)(rng, *shared)
        tables[f"scan/{sensor}"] = table
        full = _scan_truth(readings, table, flaw, true_ground)
        if sensor not in ("gamma", "pwave"):  # the same ground: only the labels are new
            full = full[["core", "section", "offset [cm]", "run", "flaw"]]
        truth[f"scan_{sensor}"] = full
    rng = generators["standards"]
    tables["standards/gamma"] = gamma.standards(rng, bench, 1800.0, plan.check_times, format_time)
    tables["standards/pwave"] = pwave.standards(rng, sound, 7200.0, format_time)
    return tables, truth


def simulate_tables(seed, *, small=False, flaw_scale=1.0, flaws_planted=True, wrong_diameter=None,
                    name=None):  # fmt: skip
    """Simulate one hole in memory.

    Parameters
    ----------
    seed : int
        Every draw follows from it.
    small : bool
        A hole of under 1,000 readings instead of the demonstration hole.
    flaw_scale : float
        Factor on the size of every planted flaw.
    flaws_planted : bool
        False leaves only what the geometry itself does: declared voids and section ends.
    wrong_diameter : float, optional
        The calliper's error [mm] instead of one drawn from its stated uncertainty.
    name : str, optional
        Name of the hole.

    Returns
    -------
    tables : dict of str to pandas.DataFrame
        Keyed by path without suffix, such as ``"scan/gamma"``.
    settings : dict
        Contents of ``hole.toml``.
    truth : dict
        DataFrames per reading, sample, needle run and station, and ``"hole"``, a dict.
    """
    generators = {n: np.random.default_rng([int(seed), i]) for i, n in enumerate(STREAMS)}
    make_plan = plans.small_plan if small else plans.demo_plan
    plan = make_plan(generators["plan"])
    errors = draw_errors(generators["errors"], wrong_diameter)
    true_ground = ground.make_ground(
        generators["ground"], list(plan.boundaries), layer_scatter=plan.layer_scatter,
        salinity=SALINITY + errors.salinity_g_kg, laboratory_temperature=LABORATORY_TEMPERATURE,
    )  # fmt: skip
    flaw_plan = flaws.NO_FLAWS
    if flaws_planted:
        chosen = flaws.SMALL_FLAWS if small else flaws.DEMO_FLAWS
        flaw_plan = flaws.FlawPlan(**{**vars(chosen), "scale": flaw_scale})
    tables = _layout_tables(plan.layout, errors.calliper_mm)
    layers = true_ground.layers
    tables["layers"] = pd.DataFrame(
        {
            "name": [f"layer {i + 1}" for i in range(len(layers))],
            "top [m]": layers["top"],
            "bottom [m]": layers["bottom"],
            "lithology": [_lithology(row) for row in layers.to_dict("records")],
        }
    )
    scans, truth = _scans(generators, plan, true_ground, errors, flaw_plan)
    tables |= scans
    _discrete(generators, plan, true_ground, errors, flaws_planted, tables, truth)
    truth["layers"] = layers.round(5)
    truth["hole"] = _hole_truth(seed, small, flaw_scale, true_ground, errors)
    stated = round(true_ground.bottom_water_temperature - errors.bottom_water_k, 3)
    return tables, settings(name or f"Simulated hole {seed}", stated), truth


def _discrete(generators, plan, true_ground, errors, flaws_planted, tables, truth):
    """Add samples, needle runs and stations to `tables` and `truth`."""
    table, true = samples.weigh(
        generators["samples"], true_ground, plan.layout, plan.samples, errors.mass_g,
        errors.volume_cm3, mistyped=plan.mistyped_sample if flaws_planted else None,
    )  # fmt: skip
    tables["samples/index_properties"], truth["index_properties"] = table, true
    table, true = needle.runs(
        generators["needle"], true_ground, plan.layout, plan.needle,
        errors.heating_power_relative, step=plan.needle_step,
    )  # fmt: skip
    tables["samples/needle"], truth["needle"] = table, true
    tools, stations, records, true = probe.stations(
        generators["probe"], true_ground, plan.station_depths,
        probe.STATED_HEAT_CAPACITY + errors.probe_heat_capacity_j_mk,
        errors.thermometer_k, step=plan.station_step,
        disturbed=plan.disturbed_station if flaws_planted else None,
    )  # fmt: skip
    tables["downhole/tools"], tables["downhole/stations"] = tools, stations
    tables["downhole/formation_temperature"], truth["stations"] = records, true


def _lithology(row):
    clay = row["illite"] + row["kaolinite"]
    names = {"mud": clay, "silt": row["quartz"], "ooze": row["calcite"]}
    first, second = sorted(names, key=names.get, reverse=True)[:2]
    adjective = {"mud": "muddy", "silt": "silty", "ooze": "calcareous"}[second]
    return f"{adjective} {first}"


def _hole_truth(seed, small, flaw_scale, true_ground, errors):
    return {
        "seed": int(seed),
        "small": bool(small),
        "flaw_scale": float(flaw_scale),
        "heat_flow_mW_m2": true_ground.heat_flow,
        "surface_porosity": true_ground.surface_porosity,
        "decay_length_m": true_ground.decay_length,
        "layer_porosity_offset": [round(float(v), 6) for v in true_ground.layer_offset],
        "bottom_water_temperature_degC": true_ground.bottom_water_temperature,
        "pore_water_salinity_g_kg": true_ground.salinity,
        "pore_water_density_g_cm3": true_ground.water_density(),
        "salt_density_g_cm3": samples.SALT_DENSITY,
        "travel_time_noise_us": pwave.TIME_NOISE,
        "thickness_noise_mm": pwave.THICKNESS_NOISE,
        "systematic_draws": asdict(errors),
    }


def write_settings(path, tables):
    """Write nested settings of text as TOML."""
    lines = []
    for table, entries in tables.items():
        lines.append(f"[{table}]")
        lines += [f"{key} = {json.dumps(value)}" for key, value in entries.items()]
        lines.append("")
    path.write_text("\n".join(lines), encoding="utf-8")


def simulate_hole(folder, seed, **options) -> dict:
    """Simulate one hole and write it as a hole folder with its truth in ``truth/``.

    Parameters
    ----------
    folder : path
        Made if missing; files of the same names are replaced.
    seed : int
        Every draw follows from it.
    **options
        Passed to :func:`simulate_tables`.

    Returns
    -------
    dict
        The truth, as :func:`simulate_tables` gives it.
    """
    folder = Path(folder)
    tables, hole_settings, truth = simulate_tables(seed, **options)
    for name, table in tables.items():
        path = folder / f"{name}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        table.to_csv(path, index=False, lineterminator="\n")
    write_settings(folder / "hole.toml", hole_settings)
    (folder / "truth").mkdir(exist_ok=True)
    for name, table in truth.items():
        if name != "hole":
            table.to_csv(folder / "truth" / f"{name}.csv", index=False, lineterminator="\n")
    text = json.dumps(truth["hole"], indent=2)
    (folder / "truth" / "truth.json").write_text(text + "\n", encoding="utf-8")
    return truth
