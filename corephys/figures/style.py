"""How figures look: widths in millimetres, one palette, one set of settings, words of an axis."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib

from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE, with_uncertainty
from corephys.ground.registry import Compiled
from corephys.ground.vocabulary import TERMS

__all__ = [
    "COLOURS",
    "DASHES",
    "FLAGGED",
    "METHODS",
    "ONE_COLUMN",
    "PAGE",
    "RESEARCH_ONLY",
    "SEALED_SOURCE",
    "SETTINGS",
    "STYLE",
    "TWO_COLUMNS",
    "label",
    "plain",
    "stated",
    "unit_in_print",
]

# Widths [mm]; common practice of journals, no source.
ONE_COLUMN = 85.0
TWO_COLUMNS = 178.0
PAGE = (178.0, 236.0)

# Okabe and Ito (2008), Color universal design: told apart with every common colour vision.
# Those of the sensors stand in their records.
_SHARED_COLOURS = {
    "porosity": "#009E73",
    "acoustic_impedance": "#7A4E9E",
    "thermal_conductivity": "#B07800",
    "equilibrium_temperature": "#D55E00",
    "age": "#0072B2",
    "mass_accumulation_rate": "#B07800",
    "fit": "#000000",
}
COLOURS = Compiled(
    lambda sensors: {
        **{sensor.quantity: sensor.track.colour for sensor in sensors},
        **_SHARED_COLOURS,
    },
    _SHARED_COLOURS,
)
FLAGGED = "0.78"  # grey of a reading that products do not use

# Strokes of lines that stand side by side, told apart in grey.
DASHES: tuple[Any, ...] = (
    "-",
    (0, (6, 1.5)),
    (0, (3, 1)),
    (0, (1, 1)),
    (0, (6, 1, 1, 1)),
    (0, (3, 1, 1, 1, 1, 1)),
)
# One shape and colour a coring method, in the order in which a hole is usually cored.
METHODS = {
    "piston": ("o", "#D55E00"),
    "extended": ("^", "#009E73"),
    "rotary": ("s", "#003B6F"),
    "push": ("D", "#7A4E9E"),
    "percussion": ("v", "#B07800"),
    "other": ("P", "0.3"),
}

# The style file, for figures of the user's own: plt.style.use(cp.figures.STYLE).
STYLE = Path(__file__).with_name("corephys.mplstyle")
# Every setting that bears on looks, also those that the style file leaves as matplotlib has them:
# a figure is the same whatever the session has set for figures of its own.
_OF_THE_SESSION = (
    "backend",
    "backend_fallback",
    "date.epoch",
    "docstring",
    "interactive",
    "keymap",
    "macosx",
    "savefig.directory",
    "timezone",
    "tk",
    "toolbar",
    "webagg",
    "figure.max_open_warning",
    "figure.raise_window",
)
SETTINGS: Any = {
    key: value
    for key, value in matplotlib.rc_params_from_file(STYLE, use_default_template=True).items()
    if key not in _OF_THE_SESSION and key.split(".")[0] not in _OF_THE_SESSION
}
_IN_PRINT = {"^2": "²", "^3": "³", "degC": "°C", "ohm": "Ω", "us": "µs", "um": "µm"}


def plain(words: object) -> str:
    """A user's words as they are printed: no sign of them is an order to matplotlib.

    Parameters
    ----------
    words : object
        Such as the name of a layer.

    Returns
    -------
    str
        Dollars begin no formula, and a leading underscore does not hide an entry of a legend.
    """
    text = " ".join(str(words).split()).replace("$", r"\$")
    return f"\u2009{text}" if text.startswith("_") else text


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


def stated(value: float, u: float, unit: str = "1") -> str:
    """A value with its standard uncertainty as it is printed in a figure.

    Parameters
    ----------
    value, u : float
        In ``unit``; an uncertainty that is not a positive number is called unknown.
    unit : str
        In the library's spelling.

    Returns
    -------
    str
        Such as ``"50.43 ± 0.61 mW/m²"``.
    """
    return unit_in_print(with_uncertainty(value, u, unit))


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
