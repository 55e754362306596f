"""Bulk and shear modulus and density of minerals and pore fluids, each with its source."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from corephys.ground import units
from corephys.ground.constants import Constant, add_table

__all__ = ["MATERIALS", "Material", "material", "materials", "mineral_mixture"]


@dataclass(frozen=True)
class Material:
    """A mineral or a fluid.

    Parameters
    ----------
    name : str
        As it is looked up.
    bulk_modulus, shear_modulus : Constant, Quantity or str
        [GPa]; the shear modulus of a fluid is "0 GPa".
    density : Constant, Quantity or str
        [g/cm^3].
    note : str
        Which kind is meant, or where sources disagree.
    """

    name: str
    bulk_modulus: Any
    shear_modulus: Any
    density: Any
    note: str = ""


_TABLE = (
    "Carmichael (1989), Practical Handbook of Physical Properties of Rocks and Minerals, seen "
    "quoted only"
)
_BOOK = "Mavko, Mukerji and Dvorkin, The Rock Physics Handbook (2009), appendix, from memory"
_TEOS = "TEOS-10 (gsw 3.6.23): K = rho c^2"
# Name, K, u(K), G, u(G) [GPa], rho, u(rho) [g/cm^3], standing, source, note. The uncertainties are
# estimates that span what tables give for the substance, not those of one measurement.
_ROWS = (
    (
        "quartz",
        37.0,
        0.8,
        44.0,
        0.8,
        2.65,
        0.005,
        "memory",
        _TABLE,
        "tables span 36.5 to 38 and 44 to 45.6 GPa",
    ),
    (
        "calcite",
        76.8,
        4.0,
        32.0,
        1.5,
        2.71,
        0.01,
        "memory",
        _TABLE,
        "tables span 63.7 to 76.8 and 28.4 to 32 GPa",
    ),
    (
        "dolomite",
        94.9,
        10.0,
        45.0,
        3.0,
        2.87,
        0.02,
        "memory",
        _TABLE,
        "tables span 69 to 95 and 45 to 52 GPa",
    ),
    (
        "aragonite",
        46.9,
        12.0,
        36.0,
        4.0,
        2.93,
        0.01,
        "memory",
        _BOOK,
        "later measurements of single crystals give 69 GPa, so the uncertainty is wide",
    ),
    ("feldspar", 37.5, 5.0, 15.0, 5.0, 2.62, 0.02, "memory", _TABLE, "alkali feldspar, a mean"),
    ("plagioclase", 75.6, 5.0, 25.6, 4.0, 2.63, 0.05, "memory", _TABLE, ""),
    (
        "clay",
        20.9,
        4.0,
        6.9,
        2.0,
        2.58,
        0.05,
        "memory",
        "Tosaya (1982), from " + _BOOK,
        "wet clay minerals drawn out of velocities of shaly rock",
    ),
    (
        "clay_gulf",
        25.0,
        4.0,
        9.0,
        2.0,
        2.55,
        0.05,
        "memory",
        "Han (1986), from " + _BOOK,
        "the same of another basin; a check of how much the choice matters",
    ),
    (
        "illite",
        39.4,
        13.0,
        11.7,
        8.0,
        2.71,
        0.05,
        "memory",
        "Katahara (1996), SEG abstracts, from memory",
        "later measurements of cold-pressed clay give 60 and 25 GPa",
    ),
    (
        "smectite",
        9.3,
        4.0,
        6.9,
        2.0,
        2.4,
        0.15,
        "memory",
        "Wang, Wang and Cates (2001), Geophysics 66, 428, from memory",
        "with its interlayer water, which varies",
    ),
    (
        "opal",
        14.2,
        4.0,
        12.6,
        4.0,
        2.0,
        0.1,
        "memory",
        "hydrous biogenic opal, from memory",
        "dense silica glass has 36.5 and 31.2 GPa at 2.20 g/cm^3",
    ),
    ("pyrite", 147.4, 10.0, 132.5, 6.0, 4.93, 0.05, "memory", _TABLE, "crystals are 5.02 g/cm^3"),
    ("halite", 24.8, 0.6, 14.9, 0.5, 2.16, 0.01, "memory", _BOOK, ""),
    (
        "hydrate",
        7.8,
        0.6,
        3.3,
        0.2,
        0.91,
        0.01,
        "memory",
        "3650 and 1890 m/s of methane hydrate, Waite et al. (2000); density from memory",
        "",
    ),
    (
        "water",
        2.193,
        0.005,
        0.0,
        0.0,
        0.9982,
        0.0005,
        "library",
        _TEOS + ", no salt, 20 degC, surface",
        "",
    ),
    (
        "sea_water",
        2.371,
        0.02,
        0.0,
        0.0,
        1.0246,
        0.001,
        "library",
        _TEOS + ", 35 g/kg, 20 degC, surface",
        "2.22 at 5 degC, 2.41 at 5 degC and 3000 dbar",
    ),
    (
        "gas",
        0.000133,
        2e-06,
        0.0,
        0.0,
        0.00067,
        1e-05,
        "memory",
        "methane as an ideal gas, 1 atm and 20 degC, K = 1.31 P; ratio of heats from memory",
        "at depth K is some 1.3 times the pressure: give your own",
    ),
)


def _row(row: tuple[Any, ...]) -> Material:
    name, standing, source, note = row[0], row[7], row[8], row[9]
    parts = [
        Constant(f"{name}_{kind}", value, unit, u, source, standing)
        for kind, unit, value, u in (
            ("bulk_modulus", "GPa", *row[1:3]),
            ("shear_modulus", "GPa", *row[3:5]),
            ("density", "g/cm^3", *row[5:7]),
        )
    ]
    return Material(name, parts[0], parts[1], parts[2], note)


MATERIALS: dict[str, Material] = {row[0]: _row(row) for row in _ROWS}
add_table(
    part
    for one in MATERIALS.values()
    for part in (one.bulk_modulus, one.shear_modulus, one.density)
)


def material(name: str) -> Material:
    """Look a mineral or a fluid up.

    Parameters
    ----------
    name : str
        Key of :data:`MATERIALS`; a space may stand for an underscore.

    Returns
    -------
    Material
        Moduli [GPa] and density [g/cm^3] as constants with uncertainty, citation and standing.

    Raises
    ------
    KeyError
        When there is no such material; the message names the nearest one.

    Notes
    -----
    The citation stands in each constant. Uncertainties are estimates of what tables span (common
    practice); rows recalled are marked ``memory``.

    Examples
    --------
    >>> str(material("quartz").bulk_modulus)
    '37 GPa'
    """
    key = str(name).strip().replace(" ", "_").lower()
    if key in MATERIALS:
        return MATERIALS[key]
    close = difflib.get_close_matches(key, MATERIALS, n=1)
    hint = f"; did you mean {close[0]!r}?" if close else f"; there are {', '.join(MATERIALS)}"
    raise KeyError(f"no material named {name!r}{hint}")


def materials() -> pd.DataFrame:
    """All minerals and fluids as a table.

    Returns
    -------
    DataFrame
        One row a material: moduli [GPa] and density [g/cm^3] with standard uncertainties, the
        P-wave velocity they give [m/s], citation, standing and note.
    """
    rows = []
    for one in MATERIALS.values():
        k, g, rho = one.bulk_modulus, one.shear_modulus, one.density
        speed = 1e3 * float(np.sqrt((k.value + 4.0 / 3.0 * g.value) / rho.value))
        rows.append(
            (
                one.name,
                k.value,
                k.uncertainty,
                g.value,
                g.uncertainty,
                rho.value,
                rho.uncertainty,
                round(speed),
                k.status,
                k.citation,
                one.note,
            )
        )
    columns = (
        "name",
        "bulk_modulus [GPa]",
        "u_bulk_modulus [GPa]",
        "shear_modulus [GPa]",
        "u_shear_modulus [GPa]",
        "density [g/cm^3]",
        "u_density [g/cm^3]",
        "p_wave_velocity [m/s]",
        "status",
        "citation",
        "note",
    )
    return pd.DataFrame(rows, columns=list(columns)).set_index("name")


def mineral_mixture(shares: Mapping[str, Any], *, name: str = "mineral_mixture") -> Material:
    """The grains of a sediment of several minerals as one material.

    Parameters
    ----------
    shares : mapping of str to float, Quantity or str
        Volume fraction of the grains by name of :data:`MATERIALS` [1], together one; per cent are
        given with their unit, such as ``"40 %"``.
    name : str
        Of the mixture, and of its sources of error.

    Returns
    -------
    Material
        Mean of the averages of Voigt and Reuss [GPa], density by volume [g/cm^3]. The uncertainty
        holds those of the minerals and half the distance of Voigt and Reuss over the root of 3.

    Raises
    ------
    KeyError, UnitError, ValueError
        For an unknown mineral, a wrong unit, or shares that are below zero or do not add to one.

    Notes
    -----
    Hill (1952), Proceedings of the Physical Society A 65, 349; a rectangle between the two
    averages (JCGM 100:2008, 4.3.7).

    Examples
    --------
    >>> grains = mineral_mixture({"quartz": 0.5, "clay": 0.5})
    >>> round(grains.density.value, 3)
    2.615
    """
    shares = {key: float(units.as_floats(share, "1", key)) for key, share in shares.items()}
    total = sum(shares.values())
    if not shares or abs(total - 1.0) > 1e-6 or min(shares.values()) < 0.0:
        raise ValueError(
            f"the shares {dict(shares)} add to {total:g}; they are fractions of the grains, none "
            "below zero, together 1"
        )
    if len(shares) == 1:
        return material(next(iter(shares)))
    parts = [material(key) for key in shares]
    made = _hill_of(parts, np.array(list(shares.values())))
    words = ", ".join(f"{share:g} {key}" for key, share in shares.items())
    unit_of = {"bulk_modulus": "GPa", "shear_modulus": "GPa", "density": "g/cm^3"}
    parts_made = [
        Constant(
            f"{name}_{kind}",
            value,
            unit,
            u,
            f"Hill average of {words}",
            _standing(parts),
            "calculated",
        )
        for (kind, unit), (value, u) in zip(unit_of.items(), made, strict=True)
    ]
    return Material(name, parts_made[0], parts_made[1], parts_made[2], words)


def _hill_of(parts: list[Material], f: np.ndarray) -> list[tuple[float, float]]:
    """Value and standard uncertainty of bulk modulus, shear modulus and density."""
    made = []
    for kind in ("bulk_modulus", "shear_modulus", "density"):
        values = np.array([getattr(part, kind).value for part in parts])
        spread = np.array([getattr(part, kind).uncertainty for part in parts])
        stiff = float(f @ values)
        if kind == "density":
            made.append((stiff, float(np.hypot.reduce(f * spread))))
            continue
        with np.errstate(divide="ignore"):
            soft = float(1.0 / (f @ (1.0 / values)))
        weight = 0.5 * f * (1.0 + (soft / values) ** 2) if soft > 0.0 else f
        between = 0.5 * (stiff - soft) / np.sqrt(3.0)
        u = float(np.hypot(np.hypot.reduce(weight * spread), between))
        made.append((0.5 * (stiff + soft), u))
    return made


def _standing(parts: list[Material]) -> str:
    """The worst standing among the parts."""
    found = {part.bulk_modulus.status for part in parts}
    return "memory" if "memory" in found else min(found)
