"""Exports by their headers: what each column is to a reader, and which table it fills.

Each was written before the words that recognise it were looked at, so that the first draft of
it was a measurement; since then it is a regression. All names and numbers are invented.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from tests.importing.foreign_exports import rows


class Headers(NamedTuple):
    """One file, and the header of each column of this package."""

    file: str
    text: str
    expected: dict[str, str]


HEADERS: dict[str, Headers] = {}


def add(name: str, text: str, expected: dict[str, str], file: str = "") -> None:
    """Enter a file."""
    HEADERS[name] = Headers(file or f"{name}.csv", text, expected)


def body(
    header: str,
    cells: Callable[[int, Any], Sequence[object]],
    sep: str = ",",
    frame: pd.DataFrame | None = None,
    decimal: str = ".",
) -> str:
    """Text of a file with one line a row of the invented mud."""
    lines = [header]
    for n, row in enumerate((rows() if frame is None else frame).itertuples()):
        lines.append(sep.join(str(cell).replace(".", decimal) for cell in cells(n, row)))
    return "\n".join(lines) + "\n"


few = rows(3, 3, 60.0)

add(
    "gamma_and_meter",
    body(
        "Core No.,Sec,Dist. from top of section [cm],GR attenuation (counts),Live (s),MS raw,"
        "Core T (°C)",
        lambda n, x: (x.core, x.section, x.offset, x.counts, 5, x.susceptibility, 19.5),
    ),
    {
        "core": "Core No.",
        "section": "Sec",
        "offset": "Dist. from top of section [cm]",
        "counts": "GR attenuation (counts)",
        "live_time": "Live (s)",
        "reading": "MS raw",
        "temperature": "Core T (°C)",
    },
)
add(
    "vane_and_water",
    body(
        "Borehole;Core;Section;Top depth in section (cm);Bottom depth in section (cm);"
        "Water content (% dry);Undrained shear strength, vane (kPa)",
        lambda n, x: ("K1", x.core, x.section, x.offset, x.offset + 2, 85 - n, 12 + 0.5 * n),
        ";",
        few,
    ),
    {
        "core": "Core",
        "section": "Section",
        "offset": "Top depth in section (cm)",
        "to": "Bottom depth in section (cm)",
        "water_content_dry": "Water content (% dry)",
        "undrained_shear_strength": "Undrained shear strength, vane (kPa)",
    },
)
add(
    "french_masses",
    body(
        "Echantillon;Profondeur (m);Masse humide (g);Masse sèche (g);Volume sec (cm3)",
        lambda n, x: (f"E{n}", x.depth, 20.1 + 0.1 * n, 12.2 + 0.1 * n, 4.5 + 0.03 * n),
        ";",
        few,
        ",",
    ),
    {
        "sample_id": "Echantillon",
        "depth": "Profondeur (m)",
        "wet_mass": "Masse humide (g)",
        "dry_mass": "Masse sèche (g)",
        "dry_volume": "Volume sec (cm3)",
    },
)
add(
    "heating_curve",
    body(
        "Run;Core;Section;Offset (cm);Geometry;Direction;Time (s);Temperature (°C);"
        "Heating power (W/m)",
        lambda n, x: ("r1", 1, 2, 40, "full_space", "across", n * 1.0, 20 + np.log(n + 1), 2.0),
        ";",
    ),
    {
        "run": "Run",
        "core": "Core",
        "section": "Section",
        "offset": "Offset (cm)",
        "geometry": "Geometry",
        "direction": "Direction",
        "time": "Time (s)",
        "temperature": "Temperature (°C)",
        "heating_power": "Heating power (W/m)",
    },
)
add(
    "stations",
    "station,tool,depth_mbsf\n1,probe a,30.5\n2,probe a,61.2\n3,probe b,90\n",
    {"station": "station", "tool": "tool", "depth": "depth_mbsf"},
)
add(
    "station_curves",
    body(
        "station,time_s,temp_C", lambda n, x: (1 + n // 60, n % 60 * 10.0, 6 + np.exp(-n % 60 / 20))
    ),
    {"station": "station", "time": "time_s", "temperature": "temp_C"},
)
add(
    "section_lengths",
    body(
        "Core,Section,Length (cm),Diameter of core (mm)",
        lambda n, x: (x.core, x.section, 150 - x.section, 66.0),
        ",",
        rows(4, 3, 200.0),
    ),
    {
        "core": "Core",
        "section": "Section",
        "length": "Length (cm)",
        "core_diameter": "Diameter of core (mm)",
    },
)
add(
    "bracketed_units_row",
    body(
        "Core\tSection\tOffset\tVp\tGamma density\tPorosity\n\t\t(cm)\t(m/s)\t(g/cc)\t(%)",
        lambda n, x: (
            x.core,
            x.section,
            x.offset,
            x.velocity,
            x.density,
            round(100 * x.porosity, 2),
        ),
        "\t",
    ),
    {
        "core": "Core",
        "section": "Section",
        "offset": "Offset",
        "p_wave_velocity": "Vp",
        "bulk_density": "Gamma density",
        "porosity": "Porosity",
    },
)
add(
    "response_between_blanks",
    body(
        "core sect pos_cm resp_mV temp_C",
        lambda n, x: (x.core, x.section, x.offset, round(900 / x.density, 1), 19.4),
        " ",
    ),
    {
        "core": "core",
        "section": "sect",
        "offset": "pos_cm",
        "response": "resp_mV",
        "temperature": "temp_C",
    },
    "resistivity.dat",
)
add(
    "ages",
    "Depth (mbsf),Age (ka),Age error (ka)\n"
    + "".join(f"{d},{d * 20},{2 + 0.1 * d}\n" for d in range(0, 100, 10)),
    {"depth": "Depth (mbsf)", "age": "Age (ka)", "age_uncertainty": "Age error (ka)"},
)
add(
    "check_shots",
    "Depth (m);TWT (s)\n" + "".join(f"{d};{d / 800:.4f}\n" for d in range(0, 100, 10)),
    {"depth": "Depth (m)", "two_way_time": "TWT (s)"},
)
add(
    "spanish_intervals",
    body(
        "Testigo,Sección,Intervalo superior (cm),Intervalo inferior (cm),Porosidad (%),"
        "Densidad de grano (g/cm3)",
        lambda n, x: (x.core, x.section, x.offset, x.offset + 2, round(100 * x.porosity, 2), 2.7),
        ",",
        few,
    ),
    {
        "core": "Testigo",
        "section": "Sección",
        "offset": "Intervalo superior (cm)",
        "to": "Intervalo inferior (cm)",
        "porosity": "Porosidad (%)",
        "grain_density": "Densidad de grano (g/cm3)",
    },
)
add(
    "section_identifiers",
    body(
        "Section ID,Offset (mm),Density [g/cc],P velocity [m/s],Mag sus [SI*1e-5],Impedance",
        lambda n, x: (
            f"A-{x.core}-{x.section}",
            x.offset * 10,
            x.density,
            x.velocity,
            x.susceptibility,
            round(x.density * x.velocity),
        ),
    ),
    {
        "core": "Section ID",
        "section": "Section ID",
        "offset": "Offset (mm)",
        "bulk_density": "Density [g/cc]",
        "p_wave_velocity": "P velocity [m/s]",
        "magnetic_susceptibility": "Mag sus [SI*1e-5]",
    },
)
add(
    "velocity_of_samples",
    body(
        "core,section,offset_cm,axis,length_mm,travel_time_us",
        lambda n, x: (
            x.core,
            x.section,
            x.offset,
            ["along", "across", "normal"][n % 3],
            25.1,
            16.4,
        ),
        ",",
        few,
    ),
    {
        "core": "core",
        "section": "section",
        "offset": "offset_cm",
        "axis": "axis",
        "length": "length_mm",
        "travel_time": "travel_time_us",
    },
)
add(
    "german_natural_gamma",
    body(
        "Kern;Sektion;Lage (cm);Datum;Uhrzeit (UTC);Natürliche Gammastrahlung (Impulse);"
        "Messzeit aktiv (s);Lebendzeit (s)",
        lambda n, x: (
            x.core,
            x.section,
            x.offset,
            "24-05-2031",
            f"{10 + n // 60:02d}:{n % 60:02d}:05",
            x.natural,
            20,
            19.9,
        ),
        ";",
        None,
        ",",
    ),
    {
        "core": "Kern",
        "section": "Sektion",
        "offset": "Lage (cm)",
        "time": "Datum Uhrzeit (UTC)",
        "counts": "Natürliche Gammastrahlung (Impulse)",
        "live_time": "Lebendzeit (s)",
    },
)
add(
    "brines",
    "Salinity (g/kg),Temperature (°C),Response (mV)\n5,20,700\n10,20,420\n20,20,240\n35,20,150\n",
    {"salinity": "Salinity (g/kg)", "temperature": "Temperature (°C)", "response": "Response (mV)"},
    "resistivity_brines.csv",
)
add(
    "german_cores",
    "Kern;Oberkante (m);Kernmarsch (m);Kerngewinn (m);Verfahren\n"
    + "".join(f"{n};{9.5 * (n - 1)};9.5;9.{n};piston\n" for n in range(1, 9)),
    {
        "core": "Kern",
        "top": "Oberkante (m)",
        "advance": "Kernmarsch (m)",
        "recovered": "Kerngewinn (m)",
        "coring_method": "Verfahren",
    },
)
add(
    "needle_results",
    body(
        "Depth below seafloor (m),Thermal conductivity (W/m K),Error (W/m K),Method",
        lambda n, x: (x.depth, 1.0 + 0.01 * n, 0.05, "needle"),
        ",",
        few,
    ),
    {
        "depth": "Depth below seafloor (m)",
        "thermal_conductivity": "Thermal conductivity (W/m K)",
        "method": "Method",
    },
)
add(
    "spectral_gamma",
    body(
        "Hole ID,Core,Sect,Interval (cm),K (%),Th (ppm),U (ppm),Total counts,Live time (s)",
        lambda n, x: ("K7A", x.core, x.section, x.offset, 1.2, 4.5, 1.6, x.natural, 30),
    ),
    {
        "core": "Core",
        "section": "Sect",
        "offset": "Interval (cm)",
        "potassium": "K (%)",
        "thorium": "Th (ppm)",
        "uranium": "U (ppm)",
        "counts": "Total counts",
        "live_time": "Live time (s)",
    },
)

add(
    "weights",
    body(
        "Core,Section,Depth in section (cm),Wet wt (g),Dry wt (g),Vol dry (cc)",
        lambda n, x: (x.core, x.section, x.offset, 20.1 + 0.1 * n, 12.2 + 0.1 * n, 4.5 + 0.03 * n),
        ",",
        few,
    ),
    {
        "core": "Core",
        "section": "Section",
        "offset": "Depth in section (cm)",
        "wet_mass": "Wet wt (g)",
        "dry_mass": "Dry wt (g)",
        "dry_volume": "Vol dry (cc)",
    },
)
add(
    "abbreviated_names",
    body(
        "hole,core,core_section,top_cm,bottom_cm,bulk_dens_g_cc,grain_dens_g_cc,poros_pct",
        lambda n, x: (
            "A",
            x.core,
            x.section,
            x.offset,
            x.offset + 2,
            x.density,
            2.7,
            100 * x.porosity,
        ),
        ",",
        few,
    ),
    {
        "core": "core",
        "section": "core_section",
        "offset": "top_cm",
        "to": "bottom_cm",
        "bulk_density": "bulk_dens_g_cc",
        "grain_density": "grain_dens_g_cc",
        "porosity": "poros_pct",
    },
)
add(
    "symbols",
    body("z [m];lambda [W/m/K]", lambda n, x: (x.depth, 1.0 + 0.01 * n), ";", few),
    {"depth": "z [m]", "thermal_conductivity": "lambda [W/m/K]"},
)
add(
    "french_bars",
    body(
        "Prof. (m)|Vitesse P (m/s)|Résistivité (ohm.m)",
        lambda n, x: (x.depth, x.velocity, 0.9),
        "|",
    ),
    {
        "depth": "Prof. (m)",
        "p_wave_velocity": "Vitesse P (m/s)",
        "electrical_resistivity": "Résistivité (ohm.m)",
    },
)
add(
    "french_counts",
    body(
        "Numéro de carotte;Section;Position dans la section (mm);Coups (densité);"
        "Temps de comptage (s)",
        lambda n, x: (x.core, x.section, 10 * x.offset, x.counts, 5),
        ";",
    ),
    {
        "core": "Numéro de carotte",
        "section": "Section",
        "offset": "Position dans la section (mm)",
        "counts": "Coups (densité)",
        "real_time": "Temps de comptage (s)",
    },
)
add(
    "norwegian_scan",
    body(
        "Kjerne;Seksjon;Posisjon i seksjon (cm);Magnetisk susceptibilitet (10-5 SI);"
        "Tetthet (g/cm³)",
        lambda n, x: (x.core, x.section, x.offset, x.susceptibility, x.density),
        ";",
        None,
        ",",
    ),
    {
        "core": "Kjerne",
        "section": "Seksjon",
        "offset": "Posisjon i seksjon (cm)",
        "magnetic_susceptibility": "Magnetisk susceptibilitet (10-5 SI)",
        "bulk_density": "Tetthet (g/cm³)",
    },
)
add(
    "capitals",
    body(
        "CORE,SECTION,OFFSET(CM),DEPTH(M),VP(KM/S),RHOB(G/CC),SUSCEPTIBILITY(10-5SI)",
        lambda n, x: (
            x.core,
            x.section,
            x.offset,
            x.depth,
            x.velocity / 1000,
            x.density,
            x.susceptibility,
        ),
    ),
    {
        "core": "CORE",
        "section": "SECTION",
        "offset": "OFFSET(CM)",
        "depth": "DEPTH(M)",
        "p_wave_velocity": "VP(KM/S)",
        "bulk_density": "RHOB(G/CC)",
        "magnetic_susceptibility": "SUSCEPTIBILITY(10-5SI)",
    },
)
add(
    "water_and_void_ratio",
    body(
        "Core,Section,Sample top (cm),Water content (wt% of wet mass),Void ratio,Sensitivity",
        lambda n, x: (x.core, x.section, x.offset, 45 + 0.1 * n, 1.5, 4.0),
        ",",
        few,
    ),
    {
        "core": "Core",
        "section": "Section",
        "offset": "Sample top (cm)",
        "water_content_wet": "Water content (wt% of wet mass)",
        "void_ratio": "Void ratio",
        "sensitivity": "Sensitivity",
    },
)
add(
    "intervals_as_text",
    body(
        "Core-Section,Interval (cm),Density (g/cm3)",
        lambda n, x: (f"{x.core}-{x.section}", f"{x.offset:.0f}-{x.offset + 2:.0f}", x.density),
        ",",
        few,
    ),
    {
        "core": "Core-Section",
        "section": "Core-Section",
        "offset": "Interval (cm)",
        "to": "Interval (cm)",
        "bulk_density": "Density (g/cm3)",
    },
)
add(
    "german_pwave",
    body(
        "Bohrkern Nr.\tAbschnitt Nr.\tTiefe ab Oberkante Abschnitt (cm)\tLaufzeit (µs)\t"
        "Dicke mit Liner (mm)\tAmplitude\tKerntemperatur (°C)",
        lambda n, x: (x.core, x.section, x.offset, x.travel, x.thickness, 88, 20.1),
        "\t",
    ),
    {
        "core": "Bohrkern Nr.",
        "section": "Abschnitt Nr.",
        "offset": "Tiefe ab Oberkante Abschnitt (cm)",
        "travel_time": "Laufzeit (µs)",
        "thickness": "Dicke mit Liner (mm)",
        "amplitude": "Amplitude",
        "temperature": "Kerntemperatur (°C)",
    },
)
add(
    "date_without_zone",
    body(
        "Date,Time,Time zone,Core,Section,Pos. (cm),Natural gamma (cps),Resistivity (Ohm-m)",
        lambda n, x: (
            "2031-05-03",
            f"{10 + n // 60}:{n % 60:02d}:00",
            "UTC",
            x.core,
            x.section,
            x.offset,
            x.natural / 10,
            0.8,
        ),
    ),
    {
        "core": "Core",
        "section": "Section",
        "offset": "Pos. (cm)",
        "natural_gamma_rate": "Natural gamma (cps)",
        "electrical_resistivity": "Resistivity (Ohm-m)",
    },
)
add(
    "number_signs",
    body(
        "Core #,Section #,Offset in section [m],Depth [m],Formation factor,"
        "Shear wave velocity [m/s]",
        lambda n, x: (x.core, x.section, x.offset / 100, x.depth, 2.5, 150 + n),
        ",",
        few,
    ),
    {
        "core": "Core #",
        "section": "Section #",
        "offset": "Offset in section [m]",
        "depth": "Depth [m]",
        "formation_factor": "Formation factor",
        "s_wave_velocity": "Shear wave velocity [m/s]",
    },
)
