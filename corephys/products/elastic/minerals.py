"""Bulk and shear modulus and density of minerals and pore fluids, each with its source."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import series, units
from corephys.ground.constants import Constant, add_table
from corephys.products.elastic.propagation import Argument, material_property
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Fraction, Scalar

__all__ = ["MATERIALS", "Material", "material", "materials", "mineral_mixture"]


@dataclass(frozen=True)
class Material:
    """A mineral or a fluid.

    Parameters
    ----------
    name : str
        Name of the material.
    bulk_modulus, shear_modulus : Constant, Quantity or str
        Moduli [GPa]; the shear modulus of a fluid is "0 GPa".
    density : Constant, Quantity or str
        Density [g/cm^3].
    note : str
        Which variety is meant, or where sources disagree.
    """

    name: str
    bulk_modulus: Scalar | Measured
    shear_modulus: Scalar | Measured
    density: Scalar | Measured
    note: str = ""


#: Grains as a user gives them: a Material, or the name of one.
Mineral: TypeAlias = Material | str
#: A pore fluid as a user gives it; the Dataset is one of ``brine`` or ``fluid_mixture``.
Fluid: TypeAlias = Material | str | xr.Dataset


_TABLE = (
    "Carmichael (1989), Practical Handbook of Physical Properties of Rocks and Minerals, seen "
    "quoted only"
)
_BOOK = "Mavko, Mukerji and Dvorkin, The Rock Physics Handbook (2009), appendix, from memory"
_TEOS = "TEOS-10 (gsw 3.6.23): K = rho c^2"
# Name, K, u(K), G, u(G) [GPa], rho, u(rho) [g/cm^3], standing, source, note. The uncertainties are
# estimates that span the published tables of the substance, not those of one measurement: which
# variety a sediment holds is rarely known.
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
        "wet clay minerals, extrapolated from velocities of shaly rock",
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
        "the same for another basin; compare it with clay to see how much the choice matters",
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
        "at depth K is about 1.3 times the pressure: define a Material for that pressure",
    ),
)


def _row(row: tuple[Any, ...]) -> Material:
    """A material of a row of the table, each number a constant with its source."""
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


def _constants(one: Material) -> tuple[Constant, ...]:
    """Bulk modulus, shear modulus and density of a row of the table."""
    parts = (one.bulk_modulus, one.shear_modulus, one.density)
    return tuple(part for part in parts if isinstance(part, Constant))


add_table(part for one in MATERIALS.values() for part in _constants(one))


def material(name: str) -> Material:
    """Mineral or fluid of the table by its name.

    Parameters
    ----------
    name : str
        Key of :data:`MATERIALS`; a space may replace an underscore.

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
    Each constant holds its citation. Uncertainties are estimates of the range of published tables
    (common practice); rows that were not checked against their source are marked ``memory``.

    Examples
    --------
    >>> str(material("quartz").bulk_modulus)
    '37 GPa'
    """
    key = str(name).strip().replace(" ", "_").lower()
    if key in MATERIALS:
        return MATERIALS[key]
    close = difflib.get_close_matches(key, MATERIALS, n=1)
    hint = f"; did you mean {close[0]!r}?" if close else f"; choose one of {', '.join(MATERIALS)}"
    raise KeyError(f"no material named {name!r}{hint}")


def materials() -> pd.DataFrame:
    """All minerals and fluids as a table.

    Returns
    -------
    DataFrame
        One row for each material: moduli [GPa] and density [g/cm^3] with standard uncertainties,
        the P-wave velocity computed from them [m/s], citation, standing and note.
    """
    rows = []
    for one in MATERIALS.values():
        k, g, rho = _constants(one)
        # GPa over g/cm^3 is (km/s)^2.
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


def mineral_mixture(shares: Mapping[str, Fraction], *, name: str = "mineral_mixture") -> Material:
    """The grains of a sediment of several minerals as one material.

    Parameters
    ----------
    shares : mapping of str to float, Quantity or str
        Volume fractions of the grains by name of :data:`MATERIALS` [1], which add to one; per cent
        are given with their unit, such as ``"40 %"``.
    name : str
        Name of the mixture and of its sources of error.

    Returns
    -------
    Material
        Mean of the averages of Voigt and Reuss [GPa], density by volume [g/cm^3]. The uncertainty
        combines those of the minerals with half the distance between Voigt and Reuss, divided by
        the root of 3.

    Raises
    ------
    KeyError, ValueError
        For an unknown mineral, or for shares that are below zero or do not add to one.

    Notes
    -----
    Hill (1952), Proceedings of the Physical Society A 65, 349; a rectangular distribution between
    the two averages (JCGM 100:2008, 4.3.7).

    Examples
    --------
    >>> grains = mineral_mixture({"quartz": 0.5, "clay": 0.5})
    >>> round(grains.density.value, 3)
    2.615
    """
    fractions = {key: float(units.as_floats(share, "1", key)) for key, share in shares.items()}
    total = sum(fractions.values())
    # Shares typed with six digits or fewer may miss one by their rounding.
    if not fractions or abs(total - 1.0) > 1e-6 or min(fractions.values()) < 0.0:
        raise ValueError(
            f"the shares {fractions} add to {total:g}; give fractions of the grains, zero or more, "
            "that add to 1"
        )
    if len(fractions) == 1:
        return material(next(iter(fractions)))
    parts = [material(key) for key in fractions]
    made = _hill_of(parts, np.array(list(fractions.values())))
    words = ", ".join(f"{share:g} {key}" for key, share in fractions.items())
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


def _hill_of(parts: Sequence[Material], f: np.ndarray) -> list[tuple[float, float]]:
    """Value and standard uncertainty of bulk modulus, shear modulus and density."""
    made = []
    for kind, constants in zip(
        ("bulk_modulus", "shear_modulus", "density"),
        zip(*(_constants(part) for part in parts), strict=True),
        strict=True,
    ):
        values = np.array([one.value for one in constants])
        spread = np.array([one.uncertainty for one in constants])
        stiff = float(f @ values)
        if kind == "density":
            made.append((stiff, float(np.hypot.reduce(f * spread))))
            continue
        # A fluid has a shear modulus of zero: the harmonic mean is then zero, not an error.
        with np.errstate(divide="ignore"):
            soft = float(1.0 / (f @ (1.0 / values)))
        weight = 0.5 * f * (1.0 + (soft / values) ** 2) if soft > 0.0 else f
        between = 0.5 * (stiff - soft) / np.sqrt(3.0)
        u = float(np.hypot(np.hypot.reduce(weight * spread), between))
        made.append((0.5 * (stiff + soft), u))
    return made


def _standing(parts: Sequence[Material]) -> str:
    """The worst standing among the parts."""
    found = {_constants(part)[0].status for part in parts}
    return "memory" if "memory" in found else min(found)


# --------------------------------------------------------------------------------------------------
# Phases as arguments of a model: their moduli and density by the names that kernels use.


def as_material(phase: Mineral, what: str = "a phase") -> Material:
    """A Material, looked up where its name is given."""
    if isinstance(phase, str):
        return material(phase)
    if not isinstance(phase, Material):
        raise ValueError(
            f"{what} is {phase!r}; give the name of one in elastic.materials(), such as 'quartz', "
            "or an elastic.Material(name, bulk_modulus, shear_modulus, density)"
        )
    return phase


def as_fluid(fluid: Fluid, what: str = "fluid") -> Material:
    """A pore fluid as a Material, also from the Dataset of a brine or a mixture."""
    if isinstance(fluid, xr.Dataset):
        modulus, density = (
            series.unpack(fluid, f"fluid_{name}") for name in ("bulk_modulus", "density")
        )
        return Material("fluid", modulus, "0 GPa", density)
    if not isinstance(fluid, (str, Material)):
        raise ValueError(
            f"{what} is {fluid!r}; give the name of one in elastic.materials(), such as "
            "'sea_water', an elastic.Material, or the Dataset of elastic.brine or "
            "elastic.fluid_mixture"
        )
    return as_material(fluid)


def grain_arguments(
    phase: Mineral, kind: str = "mineral", letter: str = "m"
) -> dict[str, Argument]:
    """Moduli of grains, both above zero, as arguments ``k_m`` and ``g_m``."""
    one = as_material(phase, kind)
    return {
        f"k_{letter}": material_property(one.bulk_modulus, "GPa", f"{kind}_bulk_modulus"),
        f"g_{letter}": material_property(one.shear_modulus, "GPa", f"{kind}_shear_modulus"),
    }


def phase_arguments(mineral: Mineral, fluid: Fluid, called: str = "fluid") -> dict[str, Argument]:
    """Moduli and densities as arguments ``k_m``, ``g_m``, ``rho_m``, ``k_f`` and ``rho_f``."""
    solid, liquid = as_material(mineral, "mineral"), as_fluid(fluid, called)
    return {
        "k_m": material_property(solid.bulk_modulus, "GPa", "mineral_bulk_modulus"),
        # Zero is allowed: grains without rigidity make a suspension.
        "g_m": material_property(solid.shear_modulus, "GPa", "mineral_shear_modulus", zero=True),
        "rho_m": material_property(solid.density, "g/cm^3", "mineral_density"),
        "k_f": material_property(liquid.bulk_modulus, "GPa", f"{called}_bulk_modulus"),
        "rho_f": material_property(liquid.density, "g/cm^3", f"{called}_density"),
    }
