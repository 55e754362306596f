"""Names, units and plausible ranges of every quantity, as data.

One row a quantity: the trade's plain name, its unit, the words for an axis, the CF standard name
where CF has one, the range that is usual and the range outside which a value cannot be a core.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import MutableMapping, Sequence
from dataclasses import dataclass
from typing import Any

from corephys.ground import units
from corephys.ground.registry import Compiled, added

__all__ = ["TERMS", "Term", "add", "term"]

INF = float("inf")
# What stands beside a quantity under its name; a quantity so named would be taken for it.
_BESIDE = re.compile(r"_(u_random|u_systematic|u_core|u_total|effects|flag|reason|partners)$")


@dataclass(frozen=True)
class Term:
    """One quantity of the trade.

    Parameters
    ----------
    name : str
        Variable name in every Dataset and table.
    unit : str
        Unit in which it is stored.
    long_name : str
        Words for an axis or a caption.
    usual : tuple of float
        Range outside which a value is suspect, in ``unit``.
    possible : tuple of float
        Range outside which a value is bad, in ``unit``.
    standard_name : str
        CF standard name, empty where CF has none.
    """

    name: str
    unit: str
    long_name: str
    usual: tuple[float, float] = (-INF, INF)
    possible: tuple[float, float] = (-INF, INF)
    standard_name: str = ""


# Quantities of the sensors stand in their records.
_POSITION_ROWS = (
    # Positions
    ("depth", "m", "depth below seafloor, as laid out", (0, 4000), (-50, 12000)),
    ("depth_fitted", "m", "depth below seafloor, fitted into the advance", (0, 4000), (-50, 12000)),
    ("depth_closed", "m", "depth below seafloor, closed voids closed up", (0, 4000), (-50, 12000)),
    ("depth_composite", "m", "composite depth below seafloor", (0, 4000), (-50, 12000)),
    ("growth_factor", "1", "growth factor, composite over drilled depth", (0.95, 1.3), (0.5, 3)),
    ("offset", "cm", "offset from the top of the section", (0, 160), (-5, 1000)),
    ("offset_closed", "cm", "offset from the top of the section, closed voids closed up", (0, 160), (-5, 1000)),
)  # fmt: skip
_SHARED_ROWS = (
    # Samples
    ("dry_density", "g/cm^3", "dry bulk density", (0.05, 3.0), (0, 4)),
    ("grain_density", "g/cm^3", "grain density", (2.4, 2.9), (2.0, 5.0)),
    ("porosity", "1", "porosity", (0.0, 0.92), (0.0, 0.98)),
    ("void_ratio", "1", "void ratio", (0.0, 12), (0.0, 50)),
    ("water_content_wet", "1", "water content of wet mass", (0.0, 0.85), (0.0, 1.0)),
    ("water_content_dry", "1", "water content of the mass of solids", (0.0, 6.0), (0.0, 50)),
    ("saturation", "1", "share of the pores filled with water", (0.9, 1.02), (0.0, 1.5)),
    ("thermal_conductivity", "W/(m K)", "thermal conductivity", (0.62, 6.0), (0.5, 8.0)),
    ("equilibrium_temperature", "degC", "formation temperature", (-2, 120), (-3, 400)),
    ("bottom_water_temperature", "degC", "bottom water temperature", (-2, 20), (-3, 40)),
    ("porosity_without_interlayer_water", "1", "porosity without the water between clay layers", (0.0, 0.92), (0.0, 0.98)),
    ("thermal_conductivity_in_situ", "W/(m K)", "thermal conductivity at in-situ pressure and temperature", (0.62, 6.0), (0.5, 8.0)),
    ("thermal_conductivity_vertical", "W/(m K)", "vertical thermal conductivity", (0.62, 6.0), (0.5, 8.0)),
    ("thermal_conductivity_horizontal", "W/(m K)", "horizontal thermal conductivity", (0.62, 6.0), (0.5, 8.0)),
    ("s_wave_velocity", "m/s", "S-wave velocity", (20, 4000), (5, 5000)),
    ("p_wave_anisotropy", "1", "P-wave anisotropy", (-0.2, 0.4), (-1, 1)),
    ("shear_modulus", "GPa", "shear modulus", (0, 45), (0, 150)),
    ("bulk_modulus", "GPa", "bulk modulus", (2, 80), (0, 200)),
    ("young_modulus", "GPa", "Young's modulus", (0, 100), (0, 350)),
    ("poisson_ratio", "1", "Poisson's ratio", (0.1, 0.5), (-1, 0.5)),
    ("p_wave_modulus", "GPa", "P-wave modulus", (2, 120), (0, 400)),
    ("lame_parameter", "GPa", "first Lamé parameter", (2, 80), (-50, 200)),
    ("undrained_shear_strength", "kPa", "undrained shear strength", (0, 1000), (0, 1e5)),
    ("sensitivity", "1", "sensitivity, peak over remoulded strength", (1, 50), (0, INF)),
    ("strength_ratio", "1", "undrained shear strength over vertical effective stress", (0.05, 2), (0, INF)),
    ("yield_stress", "kPa", "yield stress in one-dimensional compression", (1, 20000), (0, INF)),
    ("compression_index", "1", "compression index", (0.02, 4), (0, INF)),
    ("recompression_index", "1", "recompression index", (0.001, 0.5), (0, INF)),
    ("coefficient_of_consolidation", "m^2/s", "coefficient of consolidation", (1e-10, 1e-4), (0, INF)),
    ("hydraulic_conductivity", "m/s", "hydraulic conductivity", (1e-13, 1e-3), (0, INF)),
    ("overconsolidation_ratio", "1", "overconsolidation ratio", (0.1, 50), (0, INF)),
    ("overpressure_bound", "kPa", "lower bound of the overpressure", (0, INF), (0, INF)),
    # Products
    ("frame_bulk_modulus", "GPa", "bulk modulus of the frame without fluid", (0, 80), (0, 200)),
    ("frame_shear_modulus", "GPa", "shear modulus of the frame without fluid", (0, 45), (0, 150)),
    ("fluid_bulk_modulus", "GPa", "bulk modulus of the pore fluid", (0, 4), (0, 10)),
    ("fluid_density", "g/cm^3", "density of the pore fluid", (0, 1.25), (0, 1.6)),
    ("fluid_velocity", "m/s", "velocity of sound in the pore fluid", (20, 2000), (5, 3000)),
    ("pore_water_density", "g/cm^3", "density of the pore water", (0.95, 1.25), (0, 1.6)),
    ("lowest_velocity", "m/s", "lower bound of the P-wave velocity", (0, 8000), (0, 12000)),
    ("highest_velocity", "m/s", "upper bound of the P-wave velocity", (0, 8000), (0, 12000)),
    ("vertical_effective_stress", "kPa", "vertical effective stress under hydrostatic pressure", (0, INF), (0, INF)),
    ("overburden_stress", "kPa", "vertical total stress, from sea level", (0, INF), (0, INF)),
    ("overburden_below_seafloor", "kPa", "vertical total stress, from the seafloor", (0, INF), (0, INF)),
    ("hydrostatic_pressure", "kPa", "hydrostatic pressure of the pores, from sea level", (0, INF), (0, INF)),
    ("hydrostatic_below_seafloor", "kPa", "hydrostatic pressure of the pores, from the seafloor", (0, INF), (0, INF)),
    ("fluid_column_pressure", "kPa", "pressure of a column of drilling fluid, from sea level", (0, INF), (0, INF)),
    ("pressure_over_hydrostatic", "kPa", "pressure less hydrostatic pressure", (-INF, INF), (-INF, INF)),
    ("overburden_over_pressure", "kPa", "vertical total stress less pressure", (0, INF), (-INF, INF)),
    ("equivalent_density", "g/cm^3", "density of the fluid column that makes a pressure", (0.95, 2.5), (0, INF)),
    ("lambda_star", "1", "overpressure over vertical effective stress under hydrostatic pressure", (-0.5, 1), (-INF, INF)),
    ("pore_pressure_bound", "kPa", "lower bound of the pore pressure, from sea level", (0, INF), (0, INF)),
    ("effective_stress_of_porosity", "kPa", "effective stress at which the reference has the porosity", (0, 1e5), (0, INF)),
    ("acoustic_impedance", "MPa s/m", "acoustic impedance", (1.5, 20), (1, 28)),
    ("reflection_coefficient", "1", "reflection coefficient", (-0.5, 0.5), (-1, 1)),
    ("two_way_time", "s", "two-way time below seafloor", (0, INF), (0, INF)),
    ("two_way_time_from_sea_level", "s", "two-way time below sea level", (0, INF), (0, INF)),
    ("synthetic_trace", "1", "synthetic trace, in units of its wavelet"),
    ("time_shift", "s", "shift from a synthetic to a seismic trace"),
    ("phase_rotation", "degree", "rotation of phase from a synthetic to a seismic trace", (-180, 180), (-360, 360)),
    ("tie_correlation", "1", "correlation of a synthetic with a seismic trace", (-1, 1), (-1, 1)),
    ("thermal_resistance", "m^2 K/W", "thermal resistance", (0, INF), (0, INF)),
    ("heat_flow", "mW/m^2", "heat flow", (15, 400), (-INF, INF)),
    ("heat_flow_mean", "mW/m^2", "mean heat flow of the intervals", (15, 400), (-INF, INF)),
    ("heat_flow_weighted_mean", "mW/m^2", "weighted mean heat flow of the intervals", (15, 400), (-INF, INF)),
    ("heat_flow_correction", "mW/m^2", "correction of heat flow", (-INF, INF), (-INF, INF)),
    ("heat_flow_change", "mW/m^2", "heat flow less that at the seafloor", (-INF, INF), (-INF, INF)),
    ("heat_flow_ratio", "1", "heat flow over its steady value", (0, 2), (0, INF)),
    ("heat_flow_of_age", "mW/m^2", "heat flow expected of ocean floor of an age", (15, 1000), (0, INF)),
    ("temperature_rise_ratio", "1", "rise of temperature below the seafloor over its steady value", (0, 2), (0, INF)),
    ("temperature_anomaly", "K", "temperature above its steady value", (-INF, INF), (-INF, INF)),
    ("seafloor_temperature_anomaly", "K", "temperature of the seafloor above its steady value", (-INF, INF), (-INF, INF)),
    ("peclet_number", "1", "Peclet number of vertical flow, downward positive", (-INF, INF), (-INF, INF)),
    ("pore_water_velocity", "mm/yr", "vertical velocity of pore water, downward positive", (-INF, INF), (-INF, INF)),
    ("surface_temperature", "degC", "temperature at the seafloor from the fit", (-2, 20), (-3, 40)),
    ("temperature_gradient", "K/km", "temperature gradient", (-INF, INF), (-INF, INF)),
    ("surface_porosity", "1", "surface porosity of the fit", (0.2, 0.95), (0, 1)),
    ("decay_length", "m", "e-folding depth of the fit", (100, 5000), (0, INF)),
    ("residual_porosity", "1", "porosity that the fit keeps at great depth", (0, 0.8), (0, 1)),
    ("porosity_gradient", "1/km", "loss of porosity with depth, of the fit", (0, 3), (-INF, INF)),
    ("reference_porosity", "1", "porosity of the fit at the reference depth", (0.1, 0.95), (0, 1)),
    ("solidity_exponent", "1", "exponent of solidity in depth, of the fit", (0, 1), (-INF, INF)),
    ("decay_stress", "kPa", "e-folding vertical effective stress of the fit", (100, 1e5), (0, INF)),
    ("reference_void_ratio", "1", "void ratio of the fit at the reference stress", (0, 12), (0, 50)),
    ("solid_thickness", "m", "thickness of the grains alone", (0, INF), (0, INF)),
    ("layer_thickness", "m", "thickness of the layer at another depth", (0, INF), (0, INF)),
    ("porosity_in_situ", "1", "porosity before the rebound of the sample", (0.0, 0.92), (0.0, 0.98)),
    ("void_ratio_in_situ", "1", "void ratio before the rebound of the sample", (0.0, 12), (0.0, 50)),
    ("porosity_rebound", "1", "porosity gained by the rebound of the sample", (0.0, 0.1), (0.0, 0.5)),
    ("bulk_density_in_situ", "g/cm^3", "bulk density before the rebound of the sample", (1.10, 3.1), (1.00, 3.5)),
    ("age", "kyr", "age", (0, 1e6), (-INF, INF)),
    ("sedimentation_rate", "m/Myr", "sedimentation rate", (0, 2000), (0, INF)),
    ("mass_accumulation_rate", "g/(cm^2 kyr)", "mass accumulation rate", (0, 200), (0, INF)),
    ("component_accumulation_rate", "g/(cm^2 kyr)", "mass accumulation rate of a component", (0, 200), (0, INF)),
)  # fmt: skip


def _terms(rows: tuple[tuple[object, ...], ...]) -> dict[str, Term]:
    """Rows by name; a second row of one name would silently hide the first."""
    terms: dict[str, Term] = {}
    for row in rows:
        entry = Term(*row)  # type: ignore[arg-type]
        if entry.name in terms:
            raise ValueError(f"two rows of the vocabulary are named {entry.name!r}; rename one")
        terms[entry.name] = entry
    return terms


class _Terms(Compiled[Term], MutableMapping[str, Term]):
    """Rows of the package and its sensors, and those that a user added."""

    def __init__(self) -> None:
        self._positions, self._others = _terms(_POSITION_ROWS), _terms(_SHARED_ROWS)
        self._own: dict[str, Term] = {}
        super().__init__(self._all, {**self._positions, **self._others})

    def _all(self, records: Sequence[Any]) -> dict[str, Term]:
        rows = dict(self._positions)
        for record in records:
            terms = {term.name: term for term in record.terms}
            added({**self._others, **self._own}, terms, record.name, "quantity")
            rows = added(rows, terms, record.name, "quantity")
        return {**rows, **self._others, **self._own}

    def __setitem__(self, name: str, entry: Term) -> None:
        self._own[name] = entry
        self._built = None

    def __delitem__(self, name: str) -> None:
        del self._own[name]
        self._built = None


TERMS = _Terms()


def term(name: str) -> Term:
    """Look a quantity up.

    Parameters
    ----------
    name : str
        Variable name.

    Returns
    -------
    Term
        Its unit, words and ranges.

    Raises
    ------
    KeyError
        When there is no such quantity; the message names the nearest one.

    Examples
    --------
    >>> term("bulk_density").unit
    'g/cm^3'
    """
    if name in TERMS:
        return TERMS[name]
    close = difflib.get_close_matches(name, TERMS, n=1)
    hint = f"did you mean {close[0]!r}?" if close else "see corephys.vocabulary.TERMS"
    raise KeyError(f"no quantity named {name!r}; {hint}")


def add(entry: Term) -> Term:
    """Add a quantity of one's own, so that series, flags, files and figures know it.

    It lasts as long as Python runs and is not part of a recipe: a script that reduces or reads
    such values adds it first, and so does each worker process of an archive.

    Parameters
    ----------
    entry : Term
        Name in plain words with underscores, unit, words for an axis, ranges in that unit.

    Returns
    -------
    Term
        The row as it now stands.

    Raises
    ------
    ValueError
        When the name is not plain, or is there already and means something else, or a range is
        upside down or the possible range narrower than the usual one.
    UnitError
        When the unit does not exist or has another spelling.

    Examples
    --------
    >>> water = Term("gauge_water_content", "%", "water content by the gauge", (0, 80), (0, 100))
    >>> add(water).unit
    '%'
    >>> del TERMS["gauge_water_content"]
    """
    name = entry.name
    refuse_unfit(entry)
    if TERMS.get(name, entry) != entry:
        raise ValueError(
            f"there already is a quantity {name!r}, {TERMS[name].long_name} [{TERMS[name].unit}]; "
            "take another name, or use it as it is"
        )
    if name not in TERMS:
        TERMS[name] = entry
    return TERMS[name]


def refuse_unfit(entry: Term) -> None:
    """Refuse a row whose name, words, unit or ranges cannot stand in the vocabulary."""
    name = entry.name
    if not re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", name) or _BESIDE.search(name):
        raise ValueError(
            f"{name!r} cannot be the name of a quantity; write small letters, digits and single "
            "underscores, such as 'water_content_by_gauge', and no ending like '_flag' that "
            "stands beside a quantity"
        )
    if not entry.long_name.strip():
        raise ValueError(f"{name!r} has no words for an axis; give long_name")
    if units.canonical(entry.unit) != entry.unit:
        wanted = units.canonical(entry.unit)
        raise units.UnitError(f"the unit of {name!r} is {entry.unit!r}; write it {wanted!r}")
    (low, high), (least, most) = entry.usual, entry.possible
    if not least <= low < high <= most:
        raise ValueError(
            f"{name!r} is usually {low:g} to {high:g} and possibly {least:g} to {most:g}; the "
            "usual range must rise and lie inside the possible one"
        )
