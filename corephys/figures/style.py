"""Style of the figures: widths in millimetres, colours, settings of matplotlib, axis labels."""

from __future__ import annotations

from pathlib import Path
from typing import TypeAlias

import matplotlib

from corephys.figures import look
from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE, with_uncertainty
from corephys.ground.registry import Compiled
from corephys.ground.vocabulary import TERMS

# The two lines of caution are listed here: figures take them from this module with the rest.
__all__ = ["ONE_COLUMN", "PAGE", "RESEARCH_ONLY", "SEALED_SOURCE", "STYLE", "TWO_COLUMNS"]

#: A line style of matplotlib: its name, or an offset and the lengths of strokes and gaps.
LineStyle: TypeAlias = str | tuple[float, tuple[float, ...]]

# Widths [mm] of a column, of two and of a page; common practice of journals, no source.
ONE_COLUMN = 85.0
TWO_COLUMNS = 178.0
PAGE = (178.0, 236.0)

# Okabe and Ito (2008), Color universal design: distinct for every common colour vision.
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


class _Inks(Compiled[str]):
    """Colours of quantities; one that the caller of a figure chose comes first."""

    def __getitem__(self, key: str) -> str:
        mine = look.colour_of(key, None)
        return super().__getitem__(key) if mine is None else mine  # type: ignore[no-any-return]


COLOURS = _Inks(
    lambda sensors: {
        **{sensor.quantity: sensor.track.colour for sensor in sensors},
        **_SHARED_COLOURS,
    },
    _SHARED_COLOURS,
)
# Grey of a reading that products do not use: contrast 3.2 to white, of which WCAG 2.2 asks 3 for
# what a reader has to see in a picture.
FLAGGED = "0.56"
FLAGGED_FILL = "0.86"  # inside a flagged symbol, so that its shape differs from that of usable ones

# Label of a depth axis where nothing was fitted into the advance.
SEAFLOOR = "depth below seafloor [m]"

# Line styles that stay distinct in greyscale.
DASHES: tuple[LineStyle, ...] = (
    "-",
    (0, (6, 1.5)),
    (0, (3, 1)),
    (0, (1, 1)),
    (0, (6, 1, 1, 1)),
    (0, (3, 1, 1, 1, 1, 1)),
)
# Symbol and colour of each coring method, in the order in which a hole is usually cored.
METHODS = {
    "piston": ("o", "#D55E00"),
    "extended_inner_tube": ("^", "#009E73"),
    "rotary": ("s", "#003B6F"),
    "push": ("D", "#7A4E9E"),
    "percussion": ("v", "#B07800"),
    "other": ("P", "0.3"),
}

# Symbol and colour of each group of a cross-plot, the largest first; the last is for all further
# groups together. They differ in lightness, for every common colour vision.
GROUPS = (
    ("o", "#5FAE8F"),
    ("^", "#A8622A"),
    ("s", "#7A2F6E"),
    ("D", "#17224F"),
    ("v", "#000000"),
)

# The style file, also for other figures of the user: plt.style.use(cp.figures.STYLE).
STYLE = Path(__file__).with_name("corephys.mplstyle")
# Every setting that changes the look of a figure, also those that the style file leaves at the
# default of matplotlib: settings of the session must not reach a figure. Not among them are the
# settings below, which concern windows and tools.
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
SETTINGS = {
    key: value
    for key, value in matplotlib.rc_params_from_file(STYLE, use_default_template=True).items()
    if key not in _OF_THE_SESSION and key.split(".")[0] not in _OF_THE_SESSION
}
_IN_PRINT = {"^2": "²", "^3": "³", "degC": "°C", "ohm": "Ω", "us": "µs", "um": "µm"}


def plain(words: object) -> str:
    """Text of the user, such as the name of a layer, without meaning to matplotlib.

    A dollar sign would begin a formula, a leading underscore would hide an entry of a legend.
    """
    text = " ".join(str(words).split()).replace("$", r"\$")
    return f"\u2009{text}" if text.startswith("_") else text


def unit_in_print(unit: str) -> str:
    """Unit with raised figures and signs, such as g/cm³, from the library's spelling."""
    if unit in ("us", "um"):
        return _IN_PRINT[unit]
    for written, printed in _IN_PRINT.items():
        if written not in ("us", "um"):
            unit = unit.replace(written, printed)
    return unit


def value_in_print(value: float, u: float, unit: str = "1") -> str:
    """Value with its standard uncertainty, both in ``unit``, such as ``"50.43 ± 0.61 mW/m²"``."""
    return look.with_decimal(unit_in_print(with_uncertainty(value, u, unit)))


def label(name: str, unit: str | None = None, words: str | None = None) -> str:
    """Label of an axis, such as ``"bulk density [g/cm³]"``; pure numbers have no bracket.

    Words and unit are those of the vocabulary unless they are given. Words of the caller of a
    figure come first, with the end of ``words`` where these begin with those of the vocabulary.
    """
    mine = look.chosen().of("labels", name)
    if mine is None:
        return usual_label(name, unit, words)
    words = words or ""
    usual = _usual_words(name)
    words = f"{mine}{words.removeprefix(usual)}" if words.startswith(usual) else str(mine)
    return words if "[" in mine else usual_label(name, unit, words)


def usual_label(name: str, unit: str | None = None, words: str | None = None) -> str:
    """Label of an axis without the words of the caller of a figure."""
    unit = unit or (TERMS[name].unit if name in TERMS else "1")
    words = words or _usual_words(name)
    return words if unit == "1" else f"{words} [{unit_in_print(unit)}]"


def _usual_words(name: str) -> str:
    """Words of the vocabulary."""
    return TERMS[name].long_name if name in TERMS else name.replace("_", " ")
