"""Put a simulated hole together: tables, settings and truth, and write them as a hole folder."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd

from . import (
    ages,
    along,
    checkshots,
    consolidation,
    describer,
    fields,
    flaws,
    gamma,
    ground,
    natural_gamma,
    needle,
    plans,
    probe,
    pwave,
    resistivity,
    sample_velocity,
    samples,
    strength,
    susceptibility,
)
from .stated import (
    BACKGROUND,
    BORE,
    DEAD_TIME,
    HALF_LIFE,
    LABORATORY_TEMPERATURE,
    LINER_VELOCITY,
    SALINITY,
    WALL,
    draw_errors,
    format_time,
    settings,
)

COUNTING_TIME = 5.0  # s
SECONDS_PER_READING = 7.0
# one stream of random numbers each, so that a change in one part leaves the others as they were
STREAMS = ("plan", "ground", "errors", "intervals", "gamma", "pwave", "resistivity",
           "susceptibility", "natural_gamma", "standards", "samples", "needle",
           "probe", "formation", "magnetite", "elements", "resistivity_standards",
           "susceptibility_standards", "natural_gamma_standards", "sample_velocity",
           "strength", "consolidation", "checkshots", "ages")  # fmt: skip


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


def _timed_readings(plan, sensor, *, early=False):
    """Scan positions of one sensor with repeats and the time of each reading; with `early` one
    core goes through too soon, while it is cold."""
    readings = plan.layout.readings(plan.spacing[sensor])
    again = readings.loc[
        [key in plan.repeat_sections for key in zip(readings.core, readings.section, strict=True)]
    ].assign(run=2)
    readings = pd.concat([readings, again], ignore_index=True)
    core_row = plan.layout.sections["core_row"].to_numpy()[readings["row"]]
    on_deck = plan.layout.cores["time_on_deck"].to_numpy()[core_row]
    place = readings["depth"] - plan.layout.cores["top"].to_numpy()[core_row]
    waited = np.full(len(readings), 4.0 * 3600.0)
    if early:
        waited[readings["core"] == plan.early_core] = 3600.0
    elapsed = on_deck + waited + place * 100.0 / 2.0 * SECONDS_PER_READING
    elapsed = elapsed + 3.0 * 3600.0 * (readings["run"] - 1)
    readings = readings.assign(elapsed=elapsed, on_deck=on_deck)
    return readings.assign(time=format_time(elapsed.to_numpy()))


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


def _scans(generators, plan, true_ground, errors, flaw_plan) -> tuple:
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
    for sensor in ("gamma", "pwave"):
        readings = flaws.mark_intervals(_timed_readings(plan, sensor), intervals)
        shared = (true_ground, plan.layout, readings, flaw_plan)
        rng = generators[sensor]
        if sensor == "gamma":
            table, flaw = gamma.scan(rng, bench, *shared, COUNTING_TIME)
        else:
            table, flaw = pwave.scan(rng, sound, *shared)
        tables[f"scan/{sensor}"] = table
        truth[f"scan_{sensor}"] = _scan_truth(readings, table, flaw, true_ground)
    rng = generators["standards"]
    tables["standards/gamma"] = gamma.standards(rng, bench, 1800.0, plan.check_times, format_time)
    tables["standards/pwave"] = pwave.standards(rng, sound, 7200.0, format_time)
    return tables, truth, intervals


def _long_scans(generators, plan, true_fields, errors, flaw_plan, intervals, annulus_conducts):
    """Scans of the sensors that see far along the core, their standards, truth and benches."""
    cells = along.cut(plan.layout, intervals)
    readings = {}
    for sensor in ("resistivity", "susceptibility", "natural_gamma"):
        timed = _timed_readings(plan, sensor, early=sensor != "natural_gamma")
        timed["temperature"] = resistivity.core_temperature(
            timed["elapsed"] - timed["on_deck"], LABORATORY_TEMPERATURE
        )
        readings[sensor] = flaws.mark_intervals(timed, intervals)
    last = max(plan.check_times.max(), *(r["elapsed"].max() for r in readings.values())) + 3600.0
    room = {"laboratory_temperature": LABORATORY_TEMPERATURE}
    streams = {sensor: generators[f"{sensor}_standards"] for sensor in readings}
    benches = {
        "resistivity": resistivity.make_bench(
            streams["resistivity"], last, bore=BORE, brine_error=errors.brine_relative,
            conductometer_error=errors.conductometer_relative,
            annulus_conducts=annulus_conducts, **room,
        ),
        "susceptibility": susceptibility.make_bench(
            streams["susceptibility"], last, factor_error=errors.loop_factor_relative,
            step_at=plan.meter_step_at, step=plan.meter_step, **room,
        ),
        "natural_gamma": natural_gamma.make_bench(streams["natural_gamma"], bore=BORE, **room),
    }  # fmt: skip
    tables, truth = {}, {}
    for sensor, module in (("resistivity", resistivity), ("susceptibility", susceptibility),
                           ("natural_gamma", natural_gamma)):  # fmt: skip
        shared = (true_fields, plan.layout, cells, readings[sensor], flaw_plan)
        table, full = module.scan(generators[sensor], benches[sensor], *shared)
        tables[f"scan/{sensor}"], truth[f"scan_{sensor}"] = table, full
        times = (plan.check_times, format_time)
        if sensor != "natural_gamma":  # whose background needs no readings between the cores
            times = (readings[sensor]["elapsed"].to_numpy(), *times)
        tables[f"standards/{sensor}"] = module.standards(streams[sensor], benches[sensor], *times)
    return tables, truth, benches


def simulate_tables(seed, *, small=False, flaw_scale=1.0, flaws_planted=True, wrong_diameter=None,
                    surface_conductivity=0.0, annulus_conducts=False, name=None):  # fmt: skip
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
    surface_conductivity : float
        Conductivity along the surfaces of pure clay [S/m]; at 0 the ground keeps Archie's law.
    annulus_conducts : bool
        True lets the resistivity coil see the water around rotary cores, which a volume factor
        cannot take out.
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
    tables["layers"] = _layer_table(true_ground.layers)
    true_fields = fields.make_fields(
        generators, true_ground, bed=plan.magnetic_bed, surface=surface_conductivity
    )
    scans, truth, intervals = _scans(generators, plan, true_ground, errors, flaw_plan)
    long_scans, long_truth, benches = _long_scans(
        generators, plan, true_fields, errors, flaw_plan, intervals, annulus_conducts
    )
    tables |= scans | long_scans
    truth |= long_truth
    _discrete(generators, plan, true_ground, errors, flaws_planted, tables, truth)
    describer.name_samples(seed, tables)
    tables["description"] = describer.describe(seed, tables)
    truth["layers"] = true_ground.layers.round(5)
    truth["hole"] = _hole_truth(seed, small, flaw_scale, true_ground, errors)
    truth["hole"] |= _sensor_truth(plan, true_fields, benches)
    stated = round(true_ground.bottom_water_temperature - errors.bottom_water_k, 3)
    return tables, settings(name or f"Simulated hole {seed}", stated), truth


def _discrete(generators, plan, true_ground, errors, flaws_planted, tables, truth):
    """Add samples, needle runs and stations to `tables` and `truth`."""
    table, true = samples.weigh(
        generators["samples"], true_ground, plan.layout, plan.samples, errors.mass_g,
        errors.volume_cm3, mistyped=plan.mistyped_sample if flaws_planted else None,
    )  # fmt: skip
    tables["samples/index_properties"], truth["index_properties"] = table, true
    generator = generators["sample_velocity"]
    table, true = sample_velocity.measure(
        generator, sample_velocity.draw_bench(generator), true_ground, plan.layout,
        plan.samples.iloc[::2],
    )  # fmt: skip
    tables["samples/velocity"], truth["sample_velocity"] = table, true
    generator = generators["strength"]
    table, true = strength.measure(
        generator, strength.draw_bench(generator), true_ground, plan.layout, plan.samples.iloc[::3]
    )
    tables["samples/strength"], truth["strength"] = table, true
    table, true = consolidation.tests(
        generators["consolidation"],
        _compressed(
            generators["consolidation"], true_ground, plan.layout, plan.samples.iloc[2::12]
        ),
    )
    tables["samples/consolidation"], truth["consolidation"] = table, true
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
    bottom = float(true_ground.layers["bottom"].max())
    tables["checkshots"] = checkshots.shots(generators["checkshots"], true_ground, bottom)
    tables["ages"], truth["ages"] = ages.data(generators["ages"], true_ground, bottom)


def _compressed(rng, true_ground, layout, positions):
    """Samples that go under the press; old loads and cement made the upper ones stiffer."""
    rows, offset = positions["row"].to_numpy(), positions["offset"].to_numpy(dtype=float)
    depth, own = layout.depths(rows, offset)
    porosity = true_ground.porosity(own)
    keys = layout.sections[["core", "section"]].iloc[rows].reset_index(drop=True)
    ratio = 1.0 + 0.8 * np.exp(-own / 60.0) + rng.uniform(-0.15, 0.15, own.size)
    return keys.assign(
        offset=offset,
        depth=np.round(depth, 3),
        void_ratio=porosity / (1 - porosity),
        effective_stress=strength.effective_stress(true_ground, own),
        overconsolidation_ratio=ratio,
    )


def _layer_table(layers):
    return pd.DataFrame(
        {
            "name": [f"layer {i + 1}" for i in range(len(layers))],
            "top [m]": layers["top"],
            "bottom [m]": layers["bottom"],
            "lithology": [_lithology(row) for row in layers.to_dict("records")],
        }
    )


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


def _sensor_truth(plan, true_fields, benches):
    coil, loop = benches["resistivity"], benches["susceptibility"]
    rays = benches["natural_gamma"]
    step = plan.meter_step_at
    return {
        "early_core": plan.early_core,
        "core_temperature_on_deck_degC": resistivity.DECK_TEMPERATURE,
        "core_warming_time_h": resistivity.WARMING_TIME / 3600.0,
        "archie_a": fields.TORTUOSITY,
        "archie_m": [round(float(v), 6) for v in true_fields.exponent],
        "surface_conductivity_S_m": true_fields.surface,
        "resistivity": {
            "response_width_cm": resistivity.WIDTH,
            "gain_mV_m_S": coil.gain,
            "bend_m_S": coil.bend,
            "noise_mV": resistivity.NOISE,
            "noise_relative": resistivity.RELATIVE_NOISE,
        },
        "susceptibility": {
            "response_width_cm": susceptibility.WIDTH,
            "noise": susceptibility.NOISE,
            "magnetic_bed_top_bottom_m": plan.magnetic_bed and list(plan.magnetic_bed[:2]),
            "meter_steps_at": None if step is None else format_time(step).item(),
            "meter_steps_by": plan.meter_step,
            "volume_factor_relative_error": loop.factor_error,
        },
        "natural_gamma": {
            "response_width_cm": natural_gamma.WIDTH,
            "windows": [*natural_gamma.WINDOWS, "elsewhere"],
            "background_1_s": rays.background.round(6).tolist(),
            "sensitivity_K_U_Th": rays.sensitivity.round(7).tolist(),
        },
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
    describer.write_pictures(folder, seed, tables)
    write_settings(folder / "hole.toml", hole_settings)
    (folder / "truth").mkdir(exist_ok=True)
    for name, table in truth.items():
        if name != "hole":
            table.to_csv(folder / "truth" / f"{name}.csv", index=False, lineterminator="\n")
    text = json.dumps(truth["hole"], indent=2)
    (folder / "truth" / "truth.json").write_text(text + "\n", encoding="utf-8")
    return truth
