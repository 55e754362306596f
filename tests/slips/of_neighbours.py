"""Slips of one core, one sensor or one sample, seen against its neighbours."""

from __future__ import annotations

from collections.abc import Callable

from tests.slips.planting import (
    GAMMA,
    INDEX,
    NATURAL,
    PWAVE,
    SCANS,
    SUSCEPTIBILITY,
    Settings,
    Slip,
    Tables,
    both,
    drop,
    plus,
    put,
    rows_of,
    times,
)


def pasted(
    table: str, columns: list[str], core: str, source: str, target: str
) -> Callable[[Tables, Settings], None]:
    """Write the first run of one section over that of another of the same core."""

    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        held = frame.loc[rows_of(frame, {"core": core, "section": source, "run": 1}), columns]
        rows = frame.index[rows_of(frame, {"core": core, "section": target, "run": 1})]
        size = min(len(held), rows.size)
        frame.loc[rows[:size], columns] = held.to_numpy()[:size]

    return plant


def cores_pasted(
    table: str, column: str, source: str, target: str
) -> Callable[[Tables, Settings], None]:
    """Write the readings of one core over those of another."""

    def plant(tables: Tables, settings: Settings) -> None:
        frame = tables[table]
        held = frame.loc[frame["core"] == source, column].to_numpy()
        rows = frame.index[frame["core"] == target]
        size = min(held.size, rows.size)
        frame.loc[rows[:size], column] = held[:size]

    return plant


def masses_copied(tables: Tables, settings: Settings) -> None:
    """Write masses and volume of one sample into the row of another."""
    frame = tables[INDEX]
    columns = ["wet_mass [g]", "dry_mass [g]", "dry_volume [cm^3]"]
    rows = frame.index[frame["core"] == "14"]
    frame.loc[rows[1], columns] = frame.loc[rows[0], columns]


def delay_taken_off(tables: Tables, settings: Settings) -> None:
    """Take the delay off the travel times of the deeper cores."""
    frame = tables["samples/velocity"]
    rows = (frame["core"].astype(int) >= 20) & (frame["wave"] == "P")
    frame.loc[rows, "travel_time [us]"] -= 4.3


OF_NEIGHBOURS: tuple[Slip, ...] = (
    Slip(
        "a length that is seen from the scan",
        put("sections", "length [m]", 1.40, core="4", section="6"),
        "section lengths",
        "with 1.2 m the sections would add up",
        "1.20 m written as 1.40",
        (GAMMA,),
    ),
    Slip(
        "a length that another one explains as well",
        both(
            put("sections", "length [m]", 1.68, core="2", section="2"),
            *(drop(name, core="2") for name in SCANS),
        ),
        "section lengths",
        "1.50 m for section '2'",
        "a length or what was recovered is mistyped",
    ),
    Slip(
        "a diameter of rotary cores in a full core",
        put("sections", "core_diameter [mm]", 62.3, core="12"),
        "annulus",
        "62.3 mm in a bore of 70 mm",
        "copied from another core",
        SCANS,
    ),
    Slip(
        "offsets of one core in inches",
        times(GAMMA, "offset [cm]", 1 / 2.54, core="3"),
        "offsets of one sensor",
        "of those of the other sensors in every section",
        "inches under cm",
        (GAMMA,),
    ),
    Slip(
        "the zero of one track 10 cm off in one core",
        plus(SUSCEPTIBILITY, "offset [cm]", 10.0, core="9"),
        "offsets of one sensor",
        "are 10 cm more",
        "zero of one track",
        (SUSCEPTIBILITY,),
    ),
    Slip(
        "twice the counts beside one counting time",
        times(GAMMA, "counts", 2.0, core="10"),
        "counts of one core",
        "times that of the cores beside it",
        "counted for longer",
        (GAMMA,),
    ),
    Slip(
        "half of the counting time in one core",
        put(NATURAL, "live_time [s]", 30.0, core="8"),
        "counts of one core",
        "with a counting time of 30 s",
        "60 s written as 30",
        (NATURAL,),
    ),
    Slip(
        "thickness of one core without the liner",
        plus(PWAVE, "thickness [mm]", -5.0, core="13"),
        "thickness of one core",
        "near 75 mm",
        "walls of the liner are taken off",
        (PWAVE,),
    ),
    Slip(
        "counts of one section pasted over the next",
        pasted(GAMMA, ["counts"], "16", "3", "4"),
        "equal readings",
        "equal to those of section '3' of core '16'",
        "pasted",
        (GAMMA,),
    ),
    Slip(
        "travel times of one core pasted over another",
        cores_pasted(PWAVE, "travel_time [us]", "16", "5"),
        "equal readings",
        "readings of travel_time",
        "pasted",
        (PWAVE,),
    ),
    Slip(
        "masses of one sample in two rows",
        masses_copied,
        "equal masses",
        "are those of the sample of core '14'",
        "copied",
        (INDEX,),
    ),
    Slip(
        "a delay taken off twice",
        delay_taken_off,
        "samples against the scan",
        "with the delay of 4.3 us left in",
        "taken off already",
        ("samples/velocity",),
    ),
    Slip(
        "the radius of the vane under diameter",
        put("samples/strength", "diameter [mm]", 6.35, method="vane"),
        "vane against cone",
        "times as strong as the fall cone",
        "radius of the vane",
        ("samples/strength",),
    ),
)
