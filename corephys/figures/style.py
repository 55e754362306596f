"""How figures look: widths in millimetres, one palette, one set of settings, words of an axis."""

from __future__ import annotations

from typing import Any

from corephys.display import RESEARCH_ONLY
from corephys.vocabulary import TERMS

__all__ = [
    "COLOURS", "FLAGGED", "ONE_COLUMN", "PAGE", "RESEARCH_ONLY", "SETTINGS", "TWO_COLUMNS", "label",
    "unit_in_print",
]  # fmt: skip

# Widths [mm]; common practice of journals, no source.
ONE_COLUMN = 85.0
TWO_COLUMNS = 178.0
PAGE = (178.0, 236.0)

# Okabe and Ito (2008), Color universal design: told apart with every common colour vision.
COLOURS = {
    "bulk_density": "#0072B2",
    "p_wave_velocity": "#D55E00",
    "porosity": "#009E73",
    "acoustic_impedance": "#7A4E9E",
    "thermal_conductivity": "#B07800",
    "electrical_resistivity": "#B07800",
    "magnetic_susceptibility": "#7A4E9E",
    "natural_gamma_rate": "#009E73",
    "equilibrium_temperature": "#D55E00",
    "age": "#0072B2",
    "mass_accumulation_rate": "#B07800",
    "fit": "#000000",
}
FLAGGED = "0.78"  # grey of a reading that products do not use

SETTINGS: Any = {
    "font.family": "DejaVu Sans",  # comes with matplotlib: the same on every machine
    "font.size": 7.0,
    "axes.labelsize": 7.0,
    "axes.titlesize": 7.0,
    "axes.linewidth": 0.6,
    "axes.unicode_minus": True,
    "axes.spines.top": True,
    "axes.spines.right": True,
    "axes.grid": False,
    "axes.prop_cycle": "cycler('color', ['#0072B2', '#D55E00', '#009E73', '#7A4E9E', '#B07800'])",
    "xtick.labelsize": 6.0,
    "ytick.labelsize": 6.0,
    "xtick.direction": "out",
    "ytick.direction": "out",
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "legend.fontsize": 6.0,
    "legend.frameon": False,
    "lines.linewidth": 1.0,
    "hatch.linewidth": 0.4,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.fonttype": "none",  # text stays text: it can be searched and edited
    "svg.hashsalt": "corephys",  # the same identifiers at every run
    "path.simplify": False,
}
_IN_PRINT = {"^2": "²", "^3": "³", "degC": "°C", "ohm": "Ω", "us": "µs", "um": "µm"}


def unit_in_print(unit: str) -> str:
    """A unit as it is printed.

    Parameters
    ----------
    unit : str
        In the library's spelling.

    Returns
    -------
    str
        With raised figures and signs, such as g/cm³.
    """
    if unit in ("us", "um"):
        return _IN_PRINT[unit]
    for written, printed in _IN_PRINT.items():
        if written not in ("us", "um"):
            unit = unit.replace(written, printed)
    return unit


def label(name: str, unit: str | None = None, words: str | None = None) -> str:
    """Words of an axis.

    Parameters
    ----------
    name : str
        Quantity; its words and unit are those of the vocabulary.
    unit, words : str, optional
        In place of the vocabulary's.

    Returns
    -------
    str
        Such as ``"bulk density [g/cm³]"``; without a bracket for pure numbers.
    """
    entry = TERMS.get(name)
    words = words or (entry.long_name if entry else name.replace("_", " "))
    unit = unit or (entry.unit if entry else "1")
    return words if unit == "1" else f"{words} [{unit_in_print(unit)}]"
