"""Units as foreign headers write them: brackets, commas, endings, powers of ten, signs.

The one alias table of the package is in :mod:`corephys.ground.units`; what stands here are forms
and no further names, but for words such as "metres" that no table of aliases should hold.
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import NamedTuple

from corephys.ground.units import UnitError, canonical

__all__ = ["ForeignUnit", "power_of_ten", "read_unit", "split_header", "units_with_words"]


class ForeignUnit(NamedTuple):
    """A unit in the spelling of the package, and the factor that stood before it."""

    unit: str
    factor: float = 1.0


# Words and short forms of general use; depth below the seafloor in metres is a length.
_WORDS = {
    "mbsf": "m",
    "m bsf": "m",
    "m below seafloor": "m",
    "mblf": "m",
    "cm bsf": "cm",
    "metre": "m",
    "metres": "m",
    "meter": "m",
    "meters": "m",
    "mtr": "m",
    "centimetres": "cm",
    "centimeters": "cm",
    "seconds": "s",
    "sek": "s",
    "secs": "s",
    "msec": "ms",
    "mus": "us",
    "microseconds": "us",
    "gm/cc": "g/cm^3",
    "gm/cm3": "g/cm^3",
    "g/ccm": "g/cm^3",
    "gcc": "g/cm^3",
    "t/m3": "t/m^3",
    "mg/m3": "",  # megagrams and milligrams differ by 1e9: never guessed
    "ccm": "cm^3",
    "ml": "cm^3",
    "mt/sec": "m/s",
    "m/sec": "m/s",
    "ohmm": "ohm m",
    "ohm-m": "ohm m",
    "ohm*m": "ohm m",
    "ohm·m": "ohm m",
    "deg": "degree",
    "degc": "degC",
    "deg. c": "degC",
    "degrees c": "degC",
    "grad c": "degC",
    "kelvin": "K",
    "vol.%": "%",
    "vol %": "%",
    "weight %": "%",
    "wt %": "%",
    "% wt": "%",
    "% vol": "%",
    "prozent": "%",
    "no units": "1",
    "no unit": "1",
    "counts per second": "1/s",
    "cts/s": "1/s",
    "cts": "count",
    "ppm": "mg/kg",
    "grams": "g",
    "ka": "kyr",
    "cal ka": "kyr",
    "ma": "Myr",
    "cal a bp": "yr",
    "cal yr bp": "yr",
    "nm": "",  # newton metres or nanometres
    "ms-1": "",  # metres per second or one over milliseconds
    "ms^-1": "",
}
# Letters whose case matters in units; a header in capitals is tried with these.
_CASES = {
    "M": "m",
    "CM": "cm",
    "MM": "mm",
    "KG": "kg",
    "G/CC": "g/cm^3",
    "M/S": "m/s",
    "G": "g",
    "S": "s",
    "US": "us",
    "MV": "mV",
    "KPA": "kPa",
    "MPA": "MPa",
    "OHM.M": "ohm m",
    "OHMM": "ohm m",
    "DEGC": "degC",
    "KM/S": "km/s",
    "KG/M3": "kg/m^3",
    "US/M": "us/m",
    "K/M3": "kg/m^3",
    "W/MK": "W/(m K)",
}
_SUPERSCRIPTS = str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")
_POWER_OF_TEN = re.compile(
    r"^(?:[A-Za-z]+ )?(?P<before>SI|si)?\s*[(x×*]?\s*(?:10\s*(?:\^|\*\*|e|E)?\s*\(?|1(?:\.0*)?[eE])"
    r"(?P<power>[-+]\d+)\)?\)?\s*[x×*]?\s*(?P<after>.*)$"
)
_FACTOR = re.compile(r"^([A-Za-zµμΩ°%]+)\^?([+-]?\d+)?$")
_BRACKET = re.compile(r"[\[({]([^\[\](){}]*(?:\([^()]*\)[^\[\](){}]*)*)[\])}]")
# Endings of a name behind an underscore or a blank. Few, since most short words are no units.
_ENDINGS = {
    "m": "m",
    "cm": "cm",
    "mm": "mm",
    "km": "km",
    "g": "g",
    "kg": "kg",
    "s": "s",
    "sec": "s",
    "ms": "ms",
    "us": "us",
    "mv": "mV",
    "degc": "degC",
    "celsius": "degC",
    "kpa": "kPa",
    "mpa": "MPa",
    "pct": "%",
    "percent": "%",
    "cps": "1/s",
    "mbsf": "m",
    "ohmm": "ohm m",
    "ohm m": "ohm m",
    "m s": "m/s",
    "km s": "km/s",
    "g cc": "g/cm^3",
    "gcc": "g/cm^3",
    "g cm3": "g/cm^3",
    "kg m3": "kg/m^3",
    "w mk": "W/(m K)",
    "w m k": "W/(m K)",
    "cm3": "cm^3",
    "cc": "cm^3",
    "mg kg": "mg/kg",
    "s m": "S/m",
    "µs": "us",
    "μs": "us",
    "°c": "degC",
    "ka": "kyr",
    "kyr": "kyr",
    "myr": "Myr",
}


@lru_cache(maxsize=4096)
def read_unit(text: str) -> ForeignUnit | None:
    """The unit that a text spells, or None where it spells none.

    Examples
    --------
    >>> read_unit("10^-5 SI")
    ForeignUnit(unit='1', factor=1e-05)
    >>> read_unit("kg m⁻³").unit
    'kg/m^3'
    >>> read_unit("working half") is None
    True
    """
    plain = " ".join(text.translate(_SUPERSCRIPTS).replace("·", " ").split()).strip(" .")
    bracketed = re.fullmatch(r"\[(.*)\]|\(([^()]*)\)", plain)
    if bracketed:  # a row of units may have brackets
        plain = (bracketed[1] or bracketed[2] or "").strip()
    plain = re.sub(r"^(SI|si)\s*[eE](?=[-+]\d)", r"\1 1e", plain)  # "SI E-5"
    if not plain or len(plain) > 40:
        return None
    for tried in (plain, plain.rstrip(",;:")):
        unit = _one(tried)
        if unit is not None:
            return ForeignUnit(unit)
    power = _POWER_OF_TEN.match(plain)
    if power:
        factor = float(f"1e{int(power['power'])}")
        rest = power["after"].strip(" *x×)")
        if rest in ("", "SI", "si") or rest.lower() in ("si units", "si unit", "si vol"):
            return ForeignUnit("1", factor)
        unit = _one(rest)
        if unit is not None:
            return ForeignUnit(unit, factor)
    return None


def power_of_ten(text: str) -> tuple[str, str] | None:
    """Unit and factor, as text, of a unit with a power of ten; None without one.

    Examples
    --------
    >>> power_of_ten("SI E-5")
    ('1', '1e-5')
    """
    found = read_unit(text)
    if found is None or found.factor == 1.0:
        return None
    return found.unit, f"1e{round(math.log10(found.factor))}"


def _one(text: str) -> str | None:
    """The unit of a text without a power of ten before it."""
    small = text.lower()
    if small in _WORDS:
        return _WORDS[small] or None
    if text in _CASES:
        return _CASES[text]
    # A dash alone stands for "no unit"; words such as "none" too.
    try:
        return canonical(text)
    except UnitError:
        return _product(text)


def _product(text: str) -> str | None:
    """A product with negative powers, or a quotient with several signs, in one spelling."""
    parts = [part.strip(" ()") for part in re.sub(r"[*]", " ", text).split("/")]
    if not all(parts):
        return None
    above: list[str] = []
    below: list[str] = []
    for at, part in enumerate(parts):
        for word in part.split():
            match = _FACTOR.match(word) or re.match(r"^([A-Za-z]+?)(-\d)$", word)
            if match is None:
                return None
            power = int(match[2] or 1) * (-1 if at else 1)
            try:
                name = canonical(match[1])
            except UnitError:
                return None
            if " " in name or "/" in name or "^" in name:
                return None
            side, size = (above, power) if power > 0 else (below, -power)
            side.append(name if size == 1 else f"{name}^{size}")
    if not below:
        return None
    under = below[0] if len(below) == 1 else f"({' '.join(below)})"
    try:
        return canonical(f"{' '.join(above) or '1'}/{under}")
    except UnitError:
        return None


def split_header(header: str) -> tuple[str, str, str]:
    """Name, unit as written, and place of the unit of a foreign header.

    The place is "bracket", "comma", "slash", "ending", or empty where no unit was found.

    Examples
    --------
    >>> split_header("Wet bulk density (g/cc)")
    ('Wet bulk density', 'g/cc', 'bracket')
    >>> split_header("Tiefe, m")
    ('Tiefe', 'm', 'comma')
    >>> split_header("travel_time_us")
    ('travel_time', 'us', 'ending')
    """
    text = header.strip()
    for match in reversed(list(_BRACKET.finditer(text))):
        inside = match[1].strip()
        if read_unit(inside) is not None:
            name = f"{text[: match.start()].strip()} {text[match.end() :].strip()}"
            return name.strip(" _"), inside, "bracket"
    apart = re.match(r"^(.+?)\s+/\s+(.+)$", text)
    if apart and read_unit(apart[2]) is not None:
        return apart[1], apart[2], "slash"
    for sign, place in ((",", "comma"), ("/", "slash")):
        head, _, tail = text.rpartition(sign)
        if sign == "/" and ("/" in head or len(tail) > 4):
            continue
        if head.strip() and read_unit(tail) is not None and not tail.strip().isdigit():
            return head.strip(), tail.strip(), place
    celsius = re.fullmatch(r"(.*\btemp\w*?|[Tt])[_ ]C", text)
    if celsius:
        return celsius[1], "degC", "ending"
    words = re.split(r"[_\s]+", text)
    for count in (3, 2, 1):
        if len(words) > count:
            ending = " ".join(words[-count:]).lower()
            if ending in _ENDINGS and _written_as_unit(words[-count:], text):
                name = text[: len(text) - len("_".join(words[-count:]))].rstrip(" _")
                return name, _ENDINGS[ending], "ending"
    return text, "", ""


def _written_as_unit(words: list[str], header: str) -> bool:
    """Whether an ending looks like a unit: behind an underscore, and not in capitals alone."""
    written = " ".join(words)
    if len(words) == 1 and len(written) == 1 and "_" not in header:
        return False
    return not (written.isupper() and not header.isupper()) or written in ("V", "K", "C")


def units_with_words(header: str) -> str:
    """Text of the brackets of a header that are no unit, which may name a depth scale or a zone."""
    found = [match[1].strip() for match in _BRACKET.finditer(header)]
    return " ".join(text for text in found if read_unit(text) is None)
