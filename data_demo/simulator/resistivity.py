"""Contactless resistivity: response of the scan readings, brines, readings in air and checks.

A coil induces currents in the core; the response rises with the conductivity that it sees, a
little less than in proportion, and with the volume of core in the coil. The zero drifts.
"""

from __future__ import annotations

from dataclasses import dataclass

import gsw
import numpy as np
import pandas as pd

from . import along, flaws
from .drift import DAY, HOUR, Drift, air_times, make_drift

WIDTH = 8.0  # cm, full width at half maximum of the response along the core
NOISE, RELATIVE_NOISE = 0.5, 0.003  # mV, and of the signal; one standard deviation
STATED_NOISE = 0.8  # mV, of a usual reading
BRINE_UNCERTAINTY, CONDUCTOMETER_UNCERTAINTY = 1.0, 0.5  # %
TEMPERATURE_NOISE = 0.3  # K
DECK_TEMPERATURE, WARMING_TIME = 6.0, 1.3 * HOUR  # degC and s, of a core that comes on deck
AIR_EVERY = 0.5 * HOUR
CHECK_CONDUCTIVITY = 2.4  # S/m, what a closed ring of wire stands for
STANDARDS_AT = 0.12 * DAY
# brine, absolute salinity [g/kg], whether its conductivity was measured
BRINES = (
    ("sodium_chloride", 35.0, False), ("sodium_chloride", 17.5, True),
    ("sodium_chloride", 8.75, False), ("sodium_chloride", 3.5, True),
    ("sodium_chloride", 1.75, False), ("sea", 35.0, False), ("sea", 12.0, True),
)  # fmt: skip


@dataclass(frozen=True)
class ResistivityBench:
    """True state of the coil: gain [mV m/S], how it bends [m/S], zero [mV], bore [mm]."""

    gain: float
    bend: float
    drift: Drift
    bore: float
    brine_error: float
    conductometer_error: float
    laboratory_temperature: float
    annulus_conducts: bool = False

    def signal(self, conductivity):
        """Response [mV] above the zero of a full coil, conductivity in S/m."""
        return self.gain * conductivity / np.sqrt(1.0 + self.bend * conductivity)

    def read(self, rng, signal, elapsed):
        """Readings [mV] of true signals at times [s], with noise and the drifting zero."""
        noise = np.hypot(NOISE, RELATIVE_NOISE * signal) * rng.normal(0.0, 1.0, np.shape(signal))
        return np.round(signal + self.drift.at(elapsed) + noise, 1)


def make_bench(rng, last, *, bore, brine_error, conductometer_error, laboratory_temperature,
               annulus_conducts):  # fmt: skip
    """Draw the coil and its drift up to `last` [s]."""
    gain = rng.uniform(90.0, 110.0)
    drift = make_drift(rng, last, level=rng.uniform(25.0, 45.0), trend=0.002, swing=1.5,
                       walk=0.3, memory=24.0)  # fmt: skip
    return ResistivityBench(gain, 0.02, drift, bore, brine_error, conductometer_error,
                            laboratory_temperature, annulus_conducts)  # fmt: skip


def sodium_chloride_conductivity(salinity, temperature):
    """Conductivity [S/m] of a sodium-chloride brine, salinity [g/kg], temperature [degC].

    Molar conductivity at 25 degC with the limiting law's slope and three terms fitted within
    0.1 % to nine values between 0.001 and 1 mol/L (Robinson and Stokes, Electrolyte Solutions,
    from memory); 1.94 % per kelvin of the value at 25 degC. At 20 degC it meets the handbook
    values 1.60, 3.02 and 7.01 S/m at 1, 2 and 5 % (from memory) within 0.7 %.
    """
    molar = salinity * (0.9982 + 0.0007 * salinity) / 58.443  # mol/L
    root = np.sqrt(molar)
    equivalent = 126.45 - 89.14 * root + 109.34 * molar - 89.13 * root**3 + 28.24 * molar**2
    return molar * equivalent / 10.0 * (1.0 + 0.0194 * (np.asarray(temperature) - 25.0))


def brine_conductivity(brine, salinity, temperature):
    """Conductivity [S/m] of either brine."""
    if brine == "sodium_chloride":
        return sodium_chloride_conductivity(salinity, temperature)
    return gsw.C_from_SP(gsw.SP_from_SR(salinity), temperature, 0.0) / 10.0


def core_temperature(since_deck, laboratory_temperature):
    """Temperature [degC] of a core some time [s] after it came on deck."""
    cold = (laboratory_temperature - DECK_TEMPERATURE) * np.exp(-since_deck / WARMING_TIME)
    return laboratory_temperature - cold


def scan(rng, bench, fields, layout, cells, readings, plan):
    """Return the scan table and its truth for marked readings with their `temperature`."""
    readings = cells.label(readings, layout, WIDTH)
    own, temperature = readings["own_depth"].to_numpy(), readings["temperature"].to_numpy()
    water = fields.water_conductivity(temperature)
    inverse, surface = cells.seen(
        readings, WIDTH,
        np.stack([cells.fill / fields.formation_factor(cells.own_depth),
                  cells.fill * fields.surface_conductivity(cells.own_depth)], axis=1),
    ).T  # fmt: skip
    seen = water * inverse + surface
    sections = layout.sections.iloc[readings["row"]]
    share = (sections["diameter"].to_numpy() / bench.bore) ** 2
    signal = share * bench.signal(seen)
    if bench.annulus_conducts:
        ring = np.where(sections["annulus"] == "water", 1.0 - share, 0.0)
        signal = signal + ring * bench.signal(water)
    flaw = readings["flaw"].to_numpy().copy()
    spikes = flaws.choose_clean(rng, flaw, plan.spikes.get("resistivity", 0))
    size = 25.0 * plan.scale * rng.uniform(1.0, 3.0, len(spikes))
    spiked = signal.copy()
    spiked[spikes] += flaws.spike_signs(rng, len(spikes)) * size
    flaw[spikes] = "spike"
    table = along.keys(readings)
    table["response [mV]"] = bench.read(rng, spiked, readings["elapsed"].to_numpy())
    measured = temperature + rng.normal(0.0, TEMPERATURE_NOISE, len(table))
    table["temperature [degC]"] = np.round(measured, 1)
    table = table.assign(run=readings["run"], time=readings["time"], set="A")
    factor = fields.formation_factor(own)
    with np.errstate(divide="ignore"):
        through = np.where(seen > 0.0, 1.0 / seen, np.nan)
    truth = along.truth_keys(readings, flaw, fields.ground).assign(
        **{
            "electrical_resistivity [ohm m]": np.round(
                1.0 / (water / factor + fields.surface_conductivity(own)), 5
            ),
            "electrical_resistivity_seen [ohm m]": np.round(through, 5),
            "formation_factor": np.round(factor, 5),
            "pore_water_resistivity [ohm m]": np.round(1.0 / water, 6),
            "temperature [degC]": np.round(temperature, 3),
        }
    )
    return table, truth


def standards(rng, bench, scanned, check_times, format_time, repeats=3):
    """Brines in full liners, readings in air around all that is read, and checks with a ring."""
    rows = [(*brine, "standard") for brine in BRINES for _ in range(repeats)]
    table = pd.DataFrame(rows, columns=["brine", "salinity", "measured", "kind"])
    table["elapsed"] = STANDARDS_AT + 120.0 * np.arange(len(table))
    true = bench.laboratory_temperature + rng.normal(0.0, 0.4, len(table))
    table["temperature"] = np.round(true + rng.normal(0.0, 0.05, len(table)), 1)
    conductivity = np.array(
        [float(brine_conductivity(*row)) for row in
         zip(table["brine"], table["salinity"], true, strict=True)]
    )  # fmt: skip
    measured = table["measured"].to_numpy(dtype=bool)
    table["conductivity"] = np.where(
        measured, np.round(conductivity * (1.0 + bench.conductometer_error), 4), np.nan
    )
    # what a stated salinity hides: weighing, the salt's water, the tables
    conductivity = np.where(measured, conductivity, conductivity * (1.0 + bench.brine_error))
    table.loc[measured, "salinity"] = np.nan
    table["response"] = bench.read(rng, bench.signal(conductivity), table["elapsed"].to_numpy())
    air = np.concatenate([air_times(table["elapsed"], AIR_EVERY), air_times(scanned, AIR_EVERY),
                          check_times - 60.0])  # fmt: skip
    blanks = pd.DataFrame({"elapsed": air, "kind": "blank"})
    blanks["response"] = bench.read(rng, np.zeros(len(air)), air)
    checks = pd.DataFrame({"elapsed": check_times, "kind": "check"})
    ring = np.full(len(checks), bench.signal(CHECK_CONDUCTIVITY))
    checks["response"] = bench.read(rng, ring, check_times)
    checks["conductivity"] = CHECK_CONDUCTIVITY
    for extra in (blanks, checks):
        room = bench.laboratory_temperature + rng.normal(0.0, 0.3, len(extra))
        extra["temperature"] = np.round(room, 1)
    table = pd.concat([table, blanks, checks], ignore_index=True).sort_values("elapsed")
    return pd.DataFrame(
        {
            "response [mV]": table["response"],
            "kind": table["kind"],
            "set": "A",
            "time": format_time(table["elapsed"].to_numpy()),
            "liner": np.where(table["kind"] == "standard", "full", "none"),
            "temperature [degC]": table["temperature"],
            "brine": table["brine"].fillna(""),
            "salinity [g/kg]": table["salinity"],
            "conductivity [S/m]": table["conductivity"],
        }
    ).reset_index(drop=True)
