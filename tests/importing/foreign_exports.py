"""Invented exports of different shape, each with the mapping that a reader of it would write.

All names, numbers and layouts are made up here. The expected lines are a person's reading of each
file; ``certain`` are those that the file itself leaves no doubt about.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd


@dataclass
class Export:
    """One export: who writes it, and what it means.

    Parameters
    ----------
    write : callable
        Writes the files into a folder and returns their paths.
    certain : dict of str to dict of str to str
        Table -> column -> header of lines that must be active.
    doubtful : dict of str to str
        Column -> header of lines that must be there as comments, and not active.
    """

    write: Callable[[Path], list[Path]]
    certain: dict[str, dict[str, str]]
    doubtful: dict[str, str] = field(default_factory=dict)


EXPORTS: dict[str, Export] = {}


def export(
    certain: dict[str, dict[str, str]], doubtful: dict[str, str] | None = None
) -> Callable[[Callable[[Path], list[Path]]], Callable[[Path], list[Path]]]:
    """Enter a writer into :data:`EXPORTS` under its name."""

    def enter(write: Callable[[Path], list[Path]]) -> Callable[[Path], list[Path]]:
        EXPORTS[write.__name__] = Export(write, certain, doubtful or {})
        return write

    return enter


def rows(cores: int = 2, sections: int = 3, step: float = 5.0, seed: int = 1) -> pd.DataFrame:
    """Core, section, offset [cm], depth [m] and properties of an invented mud."""
    random = np.random.default_rng(seed)
    made = []
    for core in range(1, cores + 1):
        for section in range(1, sections + 1):
            for offset in np.arange(5.0, 150.0, step):
                depth = 9.5 * (core - 1) + 1.5 * (section - 1) + offset / 100
                made.append((core, section, offset, round(depth, 3)))
    frame = pd.DataFrame(made, columns=["core", "section", "offset", "depth"])
    z = frame["depth"].to_numpy()
    frame["density"] = np.round(1.45 + 0.01 * z + random.normal(0, 0.02, z.size), 4)
    frame["velocity"] = np.round(1510 + 4 * z + random.normal(0, 5, z.size), 1)
    frame["porosity"] = np.round((2.7 - frame["density"]) / 1.676, 4)
    frame["susceptibility"] = np.round(20 + 5 * np.sin(z) + random.normal(0, 1, z.size), 1)
    frame["counts"] = random.poisson(50000 * np.exp(-z / 200))
    frame["thickness"] = np.round(72.0 + random.normal(0, 0.1, z.size), 2)
    frame["travel"] = np.round(72.0e3 / frame["velocity"] / 1.0, 3)
    frame["natural"] = random.poisson(600 + 3 * z)
    return frame


def table(frame: pd.DataFrame, names: dict[str, str]) -> pd.DataFrame:
    """Columns under foreign headers."""
    return frame[list(names)].rename(columns=names)


def save(folder: Path, name: str, text: str, encoding: str = "utf-8") -> Path:
    """Write a text file."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode(encoding))
    return path


PLACE = {"core": "Core", "section": "Section", "offset": "Offset (cm)", "depth": "Depth (m)"}


@export(
    {
        "scan/gamma": {
            **PLACE,
            "counts": "Gamma density counts",
            "live_time": "Gamma density live time (s)",
        },
        "scan/pwave": {
            **PLACE,
            "travel_time": "P-wave travel time [µs]",
            "thickness": "Core thickness [mm]",
            "temperature": "Temperature (°C)",
        },
        "scan/natural_gamma": {
            **PLACE,
            "counts": "Natural gamma counts",
            "live_time": "Natural gamma live time (s)",
        },
        "scan/susceptibility": {**PLACE, "reading": "Susceptibility meter reading"},
    }
)
def raw_track_wide(folder: Path) -> list[Path]:
    """Raw readings of four sensors side by side."""
    frame = rows()
    frame["live"], frame["live natural"], frame["warm"] = 4.9, 10.0, 19.8
    made = table(
        frame,
        {
            "core": "Core",
            "section": "Section",
            "offset": "Offset (cm)",
            "depth": "Depth (m)",
            "counts": "Gamma density counts",
            "live": "Gamma density live time (s)",
            "travel": "P-wave travel time [µs]",
            "thickness": "Core thickness [mm]",
            "natural": "Natural gamma counts",
            "live natural": "Natural gamma live time (s)",
            "susceptibility": "Susceptibility meter reading",
            "warm": "Temperature (°C)",
        },
    )
    made["Operator"] = "night shift"
    return [save(folder, "track.csv", made.to_csv(index=False))]


@export(
    {
        "scan/reduced": {
            "core": "Kern",
            "section": "Abschnitt",
            "offset": "Tiefe im Abschnitt (cm)",
            "depth": "Tiefe (m)",
            "bulk_density": "Feuchtdichte (g/cm³)",
            "p_wave_velocity": "P-Wellengeschwindigkeit (m/s)",
            "magnetic_susceptibility": "Suszeptibilität (10^-5 SI)",
        }
    }
)
def german_semicolons(folder: Path) -> list[Path]:
    """Semicolons, decimal commas, Latin-1, two lines before the header."""
    made = table(
        rows(),
        {
            "core": "Kern",
            "section": "Abschnitt",
            "offset": "Tiefe im Abschnitt (cm)",
            "depth": "Tiefe (m)",
            "density": "Feuchtdichte (g/cm³)",
            "velocity": "P-Wellengeschwindigkeit (m/s)",
            "susceptibility": "Suszeptibilität (10^-5 SI)",
        },
    )
    text = "Messung vom Frühjahr\n\n" + made.to_csv(index=False, sep=";", decimal=",")
    return [save(folder, "messung.txt", text, "latin-1")]


@export(
    {
        "samples/reduced": {
            "core": "Carotte",
            "section": "Tronçon",
            "offset": "Haut de l'intervalle",
            "porosity": "Porosité",
            "grain_density": "Densité des grains",
            "thermal_conductivity": "Conductivité thermique",
        }
    },
)
def french_tabs(folder: Path) -> list[Path]:
    """Tabs, UTF-16, a row of units, few rows."""
    frame = rows(2, 3, 60.0)
    frame["porosity"] *= 100
    frame["grain"], frame["k"] = 2.71, 1.05
    made = table(
        frame,
        {
            "core": "Carotte",
            "section": "Tronçon",
            "offset": "Haut de l'intervalle",
            "porosity": "Porosité",
            "grain": "Densité des grains",
            "k": "Conductivité thermique",
        },
    )
    lines = made.round(4).to_csv(index=False, sep="\t").splitlines()
    lines.insert(1, "\t\tcm\t%\tg/cm3\tW/m/K")
    return [save(folder, "echantillons.txt", "\n".join(lines) + "\n", "utf-16")]


@export(
    {
        "scan/reduced": {
            "depth": "depth_m",
            "electrical_resistivity": "resistivity_ohm_m",
            "natural_gamma_rate": "natural_gamma_cps",
        }
    }
)
def blanks_behind_comments(folder: Path) -> list[Path]:
    """Columns set apart by blanks; the header stands behind a comment mark."""
    frame = rows(1, 6, 5.0)
    lines = ["# invented lake, pass 1", "#   depth_m  resistivity_ohm_m  natural_gamma_cps"]
    for z, density in zip(frame["depth"], frame["density"], strict=True):
        lines.append(f"{z:10.3f} {0.4 + 0.3 * density:12.4f} {60 + 2 * z:14.2f}")
    return [save(folder, "lake.dat", "\n".join(lines) + "\n")]


@export(
    {
        "samples/index_properties": {
            "core": "Sample label",
            "section": "Sample label",
            "offset": "Sample label",
            "to": "Sample label",
            "wet_mass": "Wet mass with tin [g]",
            "dry_mass": "Dry mass with tin [g]",
            "container_mass": "Mass of tin [g]",
            "dry_volume": "Dry volume (cc)",
        }
    }
)
def labelled_samples(folder: Path) -> list[Path]:
    """Masses of samples whose place stands in a label alone."""
    lines = [
        "Sample label,Wet mass with tin [g],Dry mass with tin [g],Mass of tin [g],Dry volume (cc)"
    ]
    for n, row in enumerate(rows(3, 3, 70.0).itertuples()):
        place = f'"X12-{row.core}R-{row.section}W, {row.offset:g}-{row.offset + 2:g} cm"'
        lines.append(
            f"{place},{31.2 + 0.1 * n:.3f},{25.1 + 0.12 * n:.3f},"
            f"{10.2 + 0.01 * n:.3f},{5.4 + 0.03 * n:.3f}"
        )
    return [save(folder, "balance.csv", "\n".join(lines) + "\n")]


@export(
    {
        "scan/reduced": {
            **PLACE,
            "bulk_density": "Wet bulk density (g/cc)",
            "porosity": "Porosity (%)",
        },
        "sections": {
            "core": "Core",
            "section": "Section",
            "length": "Section length (m)",
            "core_diameter": "Core diameter (mm)",
        },
    }
)
def workbook_of_two_sheets(folder: Path) -> list[Path]:
    """A workbook with a title above the header of one sheet."""
    frame = rows()
    frame["porosity"] = (frame["porosity"] * 100).round(2)
    scan = table(
        frame,
        {
            "core": "Core",
            "section": "Section",
            "offset": "Offset (cm)",
            "depth": "Depth (m)",
            "density": "Wet bulk density (g/cc)",
            "porosity": "Porosity (%)",
        },
    )
    lengths = frame[["core", "section"]].drop_duplicates()
    lengths = lengths.rename(columns={"core": "Core", "section": "Section"})
    lengths["Section length (m)"], lengths["Core diameter (mm)"] = 1.5, 66.1
    path = folder / "cruise.xlsx"
    with pd.ExcelWriter(path, engine="openpyxl") as book:
        scan.to_excel(book, sheet_name="Scan", index=False, startrow=2)
        book.sheets["Scan"]["A1"] = "Invented scan"
        lengths.to_excel(book, sheet_name="Lengths", index=False)
    return [path]


@export(
    {
        "scan/reduced": {
            "core": "testigo",
            "section": "seccion",
            "offset": "posicion_en_seccion_cm",
            "bulk_density": "densidad_humeda_g_cm3",
            "p_wave_velocity": "velocidad_p_m_s",
        }
    }
)
def spanish_parquet(folder: Path) -> list[Path]:
    """A parquet file with units at the ends of the names."""
    made = table(
        rows(),
        {
            "core": "testigo",
            "section": "seccion",
            "offset": "posicion_en_seccion_cm",
            "density": "densidad_humeda_g_cm3",
            "velocity": "velocidad_p_m_s",
        },
    )
    path = folder / "escaneo.parquet"
    made.to_parquet(path)
    return [path]


@export(
    {
        "scan/gamma": {
            "core": "file name",
            "section": "file name",
            "offset": "position (mm)",
            "counts": "attenuation counts",
            "real_time": "counting time (s)",
        }
    }
)
def one_file_a_section(folder: Path) -> list[Path]:
    """Core and section in the names of many files, positions in millimetres."""
    made = []
    for (core, section), group in rows().groupby(["core", "section"]):
        lines = ["position (mm),attenuation counts,counting time (s)"]
        lines += [f"{10 * r.offset:.0f},{r.counts},5" for r in group.itertuples()]
        made.append(save(folder, f"gamma_core{core}_sect{section}.csv", "\n".join(lines) + "\n"))
    return made


@export(
    {
        "scan/reduced": {
            "core": "Core",
            "section": "Section",
            "offset": "Offset (cm)",
            "bulk_density": "Bulk density (kg/m3)",
            "p_wave_velocity": "Vp (km/s)",
        }
    },
    {"time": "Date"},
)
def dates_and_codes(folder: Path) -> list[Path]:
    """Days that may be months, codes of missing values, lines of a logger above the header."""
    frame = rows()
    frame["kg"] = (frame["density"] * 1000).round(1).astype(object)
    frame["km"] = (frame["velocity"] / 1000).round(4).astype(object)
    frame.loc[::17, "kg"], frame.loc[::13, "km"] = "-999.25", "N/A"
    frame["date"] = [f"0{1 + n % 9}/04/2031" for n in range(len(frame))]
    made = table(
        frame,
        {
            "core": "Core",
            "section": "Section",
            "offset": "Offset (cm)",
            "kg": "Bulk density (kg/m3)",
            "km": "Vp (km/s)",
            "date": "Date",
        },
    )
    text = "Logger 7\nfirmware 3.1, invented\n\n" + made.to_csv(index=False)
    return [save(folder, "logger.csv", text)]


@export(
    {},
    {
        "core": "Core",
        "section": "Sect",
        "offset": "Pos",
        "bulk_density": "Density",
        "p_wave_velocity": "Velocity",
        "porosity": "Porosity",
    },
)
def no_units_at_all(folder: Path) -> list[Path]:
    """Nothing states a unit."""
    made = table(
        rows(),
        {
            "core": "Core",
            "section": "Sect",
            "offset": "Pos",
            "density": "Density",
            "velocity": "Velocity",
            "porosity": "Porosity",
        },
    )
    return [save(folder, "bare.csv", made.to_csv(index=False))]


@export(
    {
        "cores": {
            "core": "Core",
            "top": "Core top (m)",
            "advance": "Advance (m)",
            "recovered": "Recovered (m)",
            "coring_method": "Coring method",
        }
    }
)
def list_of_cores(folder: Path) -> list[Path]:
    """One row a core."""
    lines = ["Core|Core top (m)|Advance (m)|Recovered (m)|Coring method"]
    lines += [f"{n}|{9.5 * (n - 1)}|9.5|{9.1 + 0.05 * n:.2f}|piston" for n in range(1, 9)]
    return [save(folder, "cores_drilled.txt", "\n".join(lines) + "\n")]


@export({"downhole/temperature_log": {"depth": "Dyp (m)", "temperature": "Temperatur (°C)"}})
def norwegian_temperatures(folder: Path) -> list[Path]:
    """A continuous log of temperature."""
    lines = ["Dyp (m);Temperatur (°C)"]
    lines += [f"{z};{3.1 + 0.045 * z:.3f}".replace(".", ",") for z in range(0, 400, 2)]
    return [save(folder, "temperatur.csv", "\n".join(lines) + "\n")]


@export(
    {
        "standards/gamma": {
            "aluminium_thickness": "Aluminium (mm)",
            "bore": "Bore (mm)",
            "counts": "Counts",
            "live_time": "Live time (s)",
        }
    }
)
def standards_of_a_gauge(folder: Path) -> list[Path]:
    """Counts through steps of aluminium."""
    text = "Aluminium (mm),Bore (mm),Counts,Live time (s)\n"
    for thickness, counts in zip(
        (0, 15, 30, 45, 60), (751458, 630950, 528724, 445561, 374922), strict=True
    ):
        text += f"{thickness},66,{counts},60\n"
    return [save(folder, "calibration.csv", text)]


@export(
    {
        "scan/reduced": {
            "core": "Core",
            "section": "Section",
            "offset": "Offset (cm)",
            "magnetic_susceptibility": "Susceptibility (SI x 10^-5)",
        },
    },
    {"bulk_density": "Bulk density (kg/m3)"},
)
def wrong_unit(folder: Path) -> list[Path]:
    """A header that states kilograms above grams."""
    made = table(
        rows(),
        {
            "core": "Core",
            "section": "Section",
            "offset": "Offset (cm)",
            "density": "Bulk density (kg/m3)",
            "susceptibility": "Susceptibility (SI x 10^-5)",
        },
    )
    return [save(folder, "grams.csv", made.to_csv(index=False))]


@export(
    {
        "scan/reduced": {
            "core": "Core",
            "section": "Section",
            "offset": "Offset (cm)",
            "quantity": "Quantity",
            "value": "Value",
            "unit": "Unit",
        }
    }
)
def long_form(folder: Path) -> list[Path]:
    """One value a row, with its quantity and unit."""
    frame = rows()
    parts = []
    for name, column, unit in (
        ("bulk_density", "density", "g/cm^3"),
        ("porosity", "porosity", "1"),
    ):
        part = table(
            frame, {"core": "Core", "section": "Section", "offset": "Offset (cm)", column: "Value"}
        )
        part["Quantity"], part["Unit"] = name, unit
        parts.append(part)
    return [save(folder, "values.csv", pd.concat(parts).to_csv(index=False))]
