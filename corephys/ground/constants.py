"""Constants of the formulas: value, unit, uncertainty, source and status.

``status`` states how the value was checked: ``"published"`` (read in the named publication or a
stored copy of it), ``"definition"`` (follows from a definition or from the solution of an
equation), ``"library"`` (computed with a named independent library), ``"memory"`` (recalled, or
seen quoted only) or ``"common practice"`` (a habit of the trade without a source).
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["CONSTANTS", "Constant", "get"]


@dataclass(frozen=True, repr=False)
class Constant:
    """A sourced constant; accepted wherever a quantity is.

    Parameters
    ----------
    name : str
        Key in :data:`CONSTANTS`.
    value : float
        Value in ``unit``.
    unit : str
        Unit in the library's spelling.
    uncertainty : float
        Standard uncertainty in ``unit``; NaN if not known.
    citation : str
        Source of the value.
    status : {"published", "definition", "library", "memory", "common practice"}
        How it was checked.
    origin : str
        ``"calculated"`` for a number computed from others, which ``citation`` explains; empty for
        a row of a table and for a constant that a caller makes.
    """

    name: str
    value: float
    unit: str
    uncertainty: float
    citation: str
    status: str
    origin: str = ""

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"

    def __repr__(self) -> str:
        # Constants are defaults of many arguments: with the citation, help() could not be read.
        status = self.status or self.origin or "given"
        return f"Constant({self.name}: {self}, u {self.uncertainty:g}, {status})"


_NIST = (
    "Hubbell and Seltzer (1995), NISTIR 5632, NIST Standard Reference Database 126 (web version of "
    "2004), table seen quoted only"
)
_LOOP = "habit of core laboratories, without a publication that can be named"
_PROCEEDINGS = "Proceedings of the Integrated Ocean Drilling Program 330 (2012), methods, table T9"
_STEIN = "Stein and Stein (1992) Nature 359, 123"
_XRAYLIB = "Schoonjans et al. (2011) Spectrochimica Acta B 66, 776 (xraylib 4.3.0)"
_NAN = float("nan")

_ROWS = (
    # Gamma attenuation. Z/A weighs the electrons in a gram of each substance.
    ("caesium_137_half_life", 30.05, "yr", 0.08, "Bé et al., Table of Radionuclides, Decay Data Evaluation Project, data sheet of Cs-137 (older tables give 30.17 yr)", "published"),
    ("water_electron_ratio", 0.555093, "mol/g", 1e-5, _XRAYLIB, "library"),
    ("aluminium_electron_ratio", 0.481811, "mol/g", 1e-5, _XRAYLIB, "library"),
    ("quartz_electron_ratio", 0.499309, "mol/g", 1e-5, _XRAYLIB, "library"),
    ("calcite_electron_ratio", 0.499569, "mol/g", 1e-5, _XRAYLIB, "library"),
    ("kaolinite_electron_ratio", 0.503571, "mol/g", 1e-5, _XRAYLIB, "library"),
    ("illite_electron_ratio", 0.497917, "mol/g", 1e-5, _XRAYLIB, "library"),
    ("grain_electron_ratio", 0.4995, "mol/g", 0.0008, "mean of sediment grains, between quartz 0.4993, calcite 0.4996, illite 0.4979 and kaolinite 0.5036; uncertainty an estimate, composition 0.0006 and coherent scatter 0.0005; " + _XRAYLIB, "library"),
    ("sea_water_electron_ratio", 0.55251, "mol/g", 0.0002, "sea water of 35 g/kg from its salts; ratio to quartz 1.10655; " + _XRAYLIB, "library"),
    ("water_mass_attenuation", 0.08569, "cm^2/g", 0.0003, _NIST + ", interpolated to 661.66 keV", "memory"),
    ("aluminium_mass_attenuation", 0.07461, "cm^2/g", 0.0003, _NIST + ", interpolated to 661.66 keV", "memory"),
    ("aluminium_density", 2.699, "g/cm^3", 0.003, "pure aluminium at 20 degC, CRC Handbook of Chemistry and Physics (from memory)", "memory"),
    ("water_to_grain_attenuation", 1.1099, "1", 0.0020, "water over quartz, total attenuation at 661.66 keV (electrons alone give 1.1117, at the energy of Ba-133 tables give 1.10); " + _XRAYLIB, "library"),
    ("sea_water_to_grain_attenuation", 1.1047, "1", 0.0030, "sea water of 35 g/kg over quartz, total attenuation at 661.66 keV; uncertainty an estimate that spans calcite and clays; " + _XRAYLIB, "library"),
    ("aluminium_to_grain_attenuation", 0.9662, "1", 0.0020, "aluminium over quartz, total attenuation at 661.66 keV; " + _XRAYLIB, "library"),
    ("barium_133_half_life", 10.54, "yr", 0.006, "Decay Data Evaluation Project, Ba-133 (ICRP 107 gives 10.52 yr)", "memory"),
    # Natural radioactivity.
    ("heat_per_uranium", 9.52e-5, "W/kg", _NAN, "Rybach (1988), heat of natural uranium in secular equilibrium", "memory"),
    ("heat_per_thorium", 2.56e-5, "W/kg", _NAN, "Rybach (1988), heat of thorium in secular equilibrium", "memory"),
    ("heat_per_potassium", 3.48e-9, "W/kg", _NAN, "Rybach (1988), heat of natural potassium", "memory"),
    # Susceptibility of a core inside a loop.
    ("loop_volume_factor", 3.45, "1", _NAN, "volume factor 3.45 (d/D)^3, D the effective loop; " + _LOOP, "common practice"),
    ("loop_allowance", 8.0, "mm", _NAN, "added to the aperture of a loop for its effective diameter; " + _LOOP, "common practice"),
    ("loop_factor_uncertainty", 0.02, "1", _NAN, "relative standard uncertainty of the volume factor: its cubic and its quadratic form differ by up to 2.4 % for cores of 58 to 70 mm in a loop of 80 mm", "common practice"),
    ("loop_quadratic_c0", 0.6448, "1", _NAN, "volume factor as a quadratic in core diameter over aperture, constant term", "memory"),
    ("loop_quadratic_c1", -3.0163, "1", _NAN, "volume factor as a quadratic in core diameter over aperture, linear term", "memory"),
    ("loop_quadratic_c2", 4.8566, "1", _NAN, "volume factor as a quadratic in core diameter over aperture, quadratic term", "memory"),
    # A core that comes to room temperature.
    ("core_diffusivity", 3e-7, "m^2/s", 0.5e-7, "thermal diffusivity of wet mud, conductivity 1.0 W/(m K) over 3.3 MJ/(m^3 K)", "common practice"),
    ("surface_conductance", 10.0, "W/(m^2 K)", _NAN, "of the still air around a core that warms up, 5 to 15", "common practice"),
    ("core_conductivity", 1.0, "W/(m K)", 0.2, "thermal conductivity of wet mud, usually 0.7 to 1.4", "common practice"),
    # Resistivity.
    ("sodium_chloride_molar_mass", 58.443, "g/mol", 0.001, "standard atomic weights, Na 22.98977 and Cl 35.453", "memory"),
    ("brine_uncertainty", 0.01, "1", _NAN, "relative standard uncertainty of the conductivity of a weighed brine: table of molar conductivity 0.5 %, temperature ratio 0.4 %, salt weighed to 0.5 %", "common practice"),
    # Index properties.
    ("salt_density", 2.22, "g/cm^3", 0.02, "sea salt, " + _PROCEEDINGS + "; 2.20 in Ocean Drilling Program Initial Reports 186 (2000), table T5", "published"),
    ("pore_water_density", 1.024, "g/cm^3", 0.002, "sea water of 35 g/kg at 20 degC, " + _PROCEEDINGS + "; TEOS-10 gives 1.0248", "published"),
    ("pore_water_salinity", 35.0, "g/kg", 1.0, "standard sea water", "common practice"),
    ("reference_salinity", 35.16504, "g/kg", _NAN, "absolute salinity of sea water of reference composition at practical salinity 35, TEOS-10 (IOC, SCOR and IAPSO 2010, Manuals and Guides 56), Millero et al. (2008) Deep-Sea Research I 55, 50; gsw.SR_from_SP", "library"),
    ("sea_salt_limit", 120.0, "g/kg", _NAN, "greatest absolute salinity of the Gibbs function of sea water at the pressure of the air, IAPWS R13-08 (2008)", "memory"),
    ("grain_density", 2.70, "g/cm^3", 0.05, "mean of marine sediment grains where no sample is at hand", "common practice"),
    # Velocity.
    ("liner_velocity", 2300.0, "m/s", 100.0, "plastic core liner, 2200 to 2400 m/s", "memory"),
    ("water_column_sound_speed", 1500.0, "m/s", _NAN, "mean from the surface to the seafloor, where no profile of the water is at hand", "common practice"),
    ("sea_water_velocity", 1521.5, "m/s", 1.0, "TEOS-10 at 20 degC, 35 g/kg, surface", "library"),
    ("softest_grain_modulus", 20.0, "GPa", 3.0, "bulk modulus of clay, the softest usual grains; 21 GPa in rock physics tables", "memory"),
    # Rock physics.
    ("critical_porosity", 0.40, "1", 0.05, "porosity at which sand comes apart, Nur et al. (1998) The Leading Edge 17, 357; 0.6 to 0.7 in mud (from memory)", "memory"),
    ("contacts", 8.5, "1", 1.0, "contacts of a grain in a random pack of porosity 0.40, where Murphy (1982), thesis, Stanford University, has 8.6; the uncertainty an estimate", "memory"),
    ("contacts_c0", 20.0, "1", _NAN, "contacts of a grain in a random pack by porosity, constant term, Murphy (1982), thesis, Stanford University", "memory"),
    ("contacts_c1", -34.0, "1", _NAN, "contacts of a grain in a random pack by porosity, linear term, Murphy (1982)", "memory"),
    ("contacts_c2", 14.0, "1", _NAN, "contacts of a grain in a random pack by porosity, quadratic term, Murphy (1982)", "memory"),
    ("raymer_first_limit", 0.37, "1", _NAN, "Raymer, Hunt and Gardner (1980) SPWLA 21, porosity up to which the first branch holds", "memory"),
    ("raymer_second_limit", 0.47, "1", _NAN, "Raymer, Hunt and Gardner (1980) SPWLA 21, porosity from which the suspension holds", "memory"),
    ("gardner_factor", 310.0, "kg/m^3", _NAN, "Gardner, Gardner and Gregory (1974) Geophysics 39, 770, for m/s; 230 for ft/s is 0.15 % less", "memory"),
    ("gardner_exponent", 0.25, "1", _NAN, "Gardner, Gardner and Gregory (1974) Geophysics 39, 770", "memory"),
    ("castagna_intercept", 1360.0, "m/s", _NAN, "Castagna, Batzle and Eastwood (1985) Geophysics 50, 571, mudrock line, seen quoted only", "memory"),
    ("castagna_slope", 1.16, "1", _NAN, "Castagna, Batzle and Eastwood (1985) Geophysics 50, 571, mudrock line, seen quoted only", "memory"),
    ("han_velocity", 5590.0, "m/s", _NAN, "Han (1986), shaly sandstone with water at 40 MPa, P-wave of clean rock without pores", "memory"),
    ("han_by_porosity", 6930.0, "m/s", _NAN, "Han (1986), loss of P-wave velocity by porosity", "memory"),
    ("han_by_clay", 2180.0, "m/s", _NAN, "Han (1986), loss of P-wave velocity by clay; 2810 and 2130 are quoted too", "memory"),
    # Heat.
    ("heat_capacity_c0", 5.79, "MJ/(m^3 K)", _NAN, "Hyndman, Davis and Wright (1979), volumetric heat capacity of marine sediment from conductivity", "memory"),
    ("heat_capacity_c1", -3.67, "MJ/(m^3 K)", _NAN, "Hyndman, Davis and Wright (1979), per W/(m K)", "memory"),
    ("heat_capacity_c2", 1.016, "MJ/(m^3 K)", _NAN, "Hyndman, Davis and Wright (1979), per (W/(m K))^2", "memory"),
    ("water_heat_capacity", 4.09, "MJ/(m^3 K)", 0.03, "sea water of 35 g/kg at 5 degC, TEOS-10 density times heat capacity", "library"),
    ("grain_heat_capacity", 2.2, "MJ/(m^3 K)", 0.15, "silicate and carbonate grains", "memory"),
    ("water_conductivity", 0.598, "W/(m K)", 0.004, "pure water at 20 degC, IAPWS R15-11 (2011), 0.7 %", "library"),
    ("grain_conductivity", 2.8, "W/(m K)", 0.5, "grains of marine mud, between clay 2 to 3 and quartz 7.7", "memory"),
    ("sediment_heat_capacity", 3.3, "MJ/(m^3 K)", 0.3, "water 4.09 and grains 2.2 by volume, porosity 0.4 to 0.75", "memory"),
    ("sea_water_column_density", 1.034, "g/cm^3", 0.004, "mean from the surface down of sea water of 35 g/kg at 3 degC: 1.030 over 1 km, 1.033 over 2.4 km, 1.039 over 5 km; TEOS-10 (gsw 3.6)", "library"),
    ("heat_per_uranium_2020", 9.829e-5, "W/kg", _NAN, "McDonough, Sramek and Wipperfurth (2020) Geochemistry, Geophysics, Geosystems 21, e2019GC008865; 3 % above Rybach", "published"),
    ("heat_per_thorium_2020", 2.618e-5, "W/kg", _NAN, "McDonough, Sramek and Wipperfurth (2020)", "published"),
    ("heat_per_potassium_2020", 3.387e-9, "W/kg", _NAN, "McDonough, Sramek and Wipperfurth (2020), potassium alone, without rubidium and samarium", "published"),
    ("mud_resistivity_dry", 168.0, "cm s K/cal", _NAN, "Bullard (1963), The Sea 3, page 224: thermal resistivity of sediment on the seafloor without water", "published"),
    ("mud_resistivity_of_water", 678.0, "cm s K/cal", _NAN, "Bullard (1963), The Sea 3, page 224: thermal resistivity a share of water in the wet mass", "published"),
    ("mud_resistivity_scatter", 0.04, "1", _NAN, "relative scatter of conductivities about the relation with water, an estimate; Bullard (1963), The Sea 3, page 224, was read for the relation and gives no scatter there", "memory"),
    ("laboratory_to_seafloor_conductivity", -4.0, "%", _NAN, "usual change of a conductivity from laboratory to seafloor, Clark, editor (1966), Handbook of Physical Constants, Geological Society of America Memoir 97, section 22; Bullard (1963), The Sea 3, page 224", "published"),
    ("young_ocean_heat_flow", 510.0, "mW/m^2", _NAN, _STEIN + ", as printed by Fowler (2005), The Solid Earth, equation 7.58: at 1 Myr, falls with the root of age to 55 Myr", "published"),
    ("plate_onset_age", 55.0, "Myr", _NAN, _STEIN + ", as printed by Fowler (2005), The Solid Earth, equation 7.58: age from which a plate cools in place of a half-space", "published"),
    ("old_ocean_heat_flow", 48.0, "mW/m^2", _NAN, _STEIN + ", seen quoted only: of the oldest floor", "memory"),
    ("old_ocean_excess", 96.0, "mW/m^2", _NAN, _STEIN + ", seen quoted only: decays with age beyond 55 Myr", "memory"),
    ("old_ocean_decay", 0.0278, "1/Myr", _NAN, _STEIN + ", seen quoted only: of the excess", "memory"),
    ("half_space_heat_flow", 473.0, "mW/m^2", _NAN, "Parsons and Sclater (1977) J. Geophys. Res. 82, 803: at 1 Myr, 11.3 ucal/(cm^2 s)", "memory"),
    ("half_space_heat_flow_2013", 506.7, "mW/m^2", _NAN, "Hasterok (2013) Earth Planet. Sci. Lett. 361, 34: at 1 Myr, the last digit doubtful", "memory"),
    ("oceanic_mean_heat_flow", 101.0, "mW/m^2", 2.2, "Pollack, Hurter and Johnson (1993) Rev. Geophys. 31, 267; its uncertainty from memory", "published"),
    ("global_mean_heat_flow", 87.0, "mW/m^2", 2.0, "Pollack, Hurter and Johnson (1993) Rev. Geophys. 31, 267; its uncertainty from memory", "published"),
    ("quartz_conductivity", 7.7, "W/(m K)", _NAN, "Brigaud and Vasseur (1989) Geophys. J. 98, 525", "memory"),
    ("calcite_conductivity", 3.59, "W/(m K)", _NAN, "Horai (1971) J. Geophys. Res. 76, 1278", "memory"),
    ("dolomite_conductivity", 5.51, "W/(m K)", _NAN, "Horai (1971) J. Geophys. Res. 76, 1278; Brigaud and Vasseur (1989) give 5.33", "memory"),
    ("illite_conductivity", 1.85, "W/(m K)", _NAN, "Brigaud and Vasseur (1989) Geophys. J. 98, 525", "memory"),
    ("chlorite_conductivity", 3.26, "W/(m K)", _NAN, "Brigaud and Vasseur (1989) Geophys. J. 98, 525", "memory"),
    ("warm_rock_a", 0.0034, "1/K", _NAN, "Vosteen and Schellschmidt (2003) Phys. Chem. Earth 28, 499: sedimentary rock, doubtful", "memory"),
    ("warm_rock_b", 0.0039, "W/(m K^2)", _NAN, "Vosteen and Schellschmidt (2003) Phys. Chem. Earth 28, 499: sedimentary rock, doubtful", "memory"),
    ("gravity", 9.80665, "m/s^2", 0.03, "standard acceleration of gravity, a definition (General Conference on Weights and Measures 1901); the uncertainty spans the Earth", "definition"),
    # Robust fits.
    ("huber_tuning", 1.345, "1", _NAN, "Holland and Welsch (1977) Commun. Stat. A 6, 813: 95 % efficiency", "memory"),
    ("tukey_tuning", 4.685, "1", _NAN, "Holland and Welsch (1977) Commun. Stat. A 6, 813: 95 % efficiency", "memory"),
    ("tukey_tuning_of_ties", 3.4437, "1", _NAN, "Maronna, Martin and Yohai (2006) Robust Statistics: 85 % efficiency", "memory"),
    # Strength.
    ("fall_cone_factor_30", 0.80, "1", 0.24, "cone of 30 degrees, ISO 17892-6 and Hansbo (1957), from memory; 0.8 to 1.0 is usual, and the published spread of 0.5 to 1.33, taken as a rectangle, is the uncertainty", "memory"),
    ("fall_cone_factor_60", 0.27, "1", 0.08, "cone of 60 degrees, ISO 17892-6 and Hansbo (1957), from memory; its relative uncertainty is taken to be that of 30 degrees, an estimate", "memory"),
    ("normally_consolidated_strength_ratio", 0.22, "1", 0.03, "undrained strength over vertical effective stress without overconsolidation, Ladd (1991) J. Geotech. Eng. 117, 540; 0.2 to 0.3 is usual", "memory"),
    ("overconsolidation_strength_exponent", 0.8, "1", 0.1, "power of the overconsolidation ratio in the strength ratio, Ladd (1991) J. Geotech. Eng. 117, 540", "memory"),
    # Needle.
    ("needle_heat_capacity", 3.0, "MJ/(m^3 K)", 0.6, "steel tube filled with resin or magnesia, between resin about 2 and steel about 4", "common practice"),
    ("conductivity_water_per_cent", 1829.0, "m", _NAN, "Hyndman, Erickson and Von Herzen (1974), depth of water that raises the thermal conductivity of sediment by one per cent", "memory"),
    ("conductivity_warming_per_cent", 4.0, "K", _NAN, "Hyndman, Erickson and Von Herzen (1974), warming that raises the thermal conductivity of sediment by one per cent", "memory"),
    ("conductivity_anisotropy", 1.05, "1", 0.03, "horizontal over vertical thermal conductivity of sediment, from 1.0 to 1.1 as evenly likely: none seen in unconsolidated sediment, some in mudstone (cores of 60 boreholes, Minerals 11, 1135, 2021, abstract read); an estimate", "common practice"),
    ("sediment_density", 1.70, "g/cm^3", 0.17, "mean of marine sediment at 716 drill sites, Tenzer and Gladkikh (2014) The Scientific World Journal 2014, 823296 (abstract read); uncertainty 10 % as stated there for their relation with depth", "published"),
    ("seafloor_gradient", 0.06, "K/m", 0.03, "rise of temperature below the seafloor where no formation temperature was measured", "common practice"),
    # Water between clay layers.
    ("interlayer_water_per_charge", 15.0, "1", 5.0, "molecules of water a cation charge in smectite, Henry (1997)", "memory"),
    ("interlayer_water_density", 1.0, "g/cm^3", 0.1, "water between clay layers, taken as free water", "common practice"),
    ("water_molar_mass", 18.01528, "g/mol", 0.0004, "standard atomic weights, H 1.00794 and O 15.9994", "memory"),
    # One-dimensional consolidation.
    ("time_factor_half", 0.197, "1", _NAN, "Terzaghi's series solved for half of the consolidation, 0.19674, to three digits", "definition"),
    ("time_factor_nine_tenths", 0.848, "1", _NAN, "Terzaghi's series solved for nine tenths of the consolidation, 0.84804, to three digits", "definition"),
    ("sea_water_viscosity", 1.08e-3, "Pa s", 0.02e-3, "sea water of 35 g/kg at 20 degC (2.5 % less a degree warmer)", "memory"),
    # Rebound.
    ("rebound_reference_stress", 3.2, "kPa", 2.1, "stress that a sample still holds in the laboratory, 1 to 10 kPa taken as evenly likely by its logarithm; an assumption of the rebound correction", "memory"),
)  # fmt: skip

CONSTANTS: dict[str, Constant] = {row[0]: Constant(*row) for row in _ROWS}
_TABLED = dict(CONSTANTS)


def add_table(rows: Iterable[Constant]) -> None:
    """Register the constants of another table, such as moduli of minerals.

    Parameters
    ----------
    rows : iterable of Constant
        Constants with unique names.

    Raises
    ------
    ValueError
        If a name is in a table already.
    """
    for row in rows:
        if row.name in _TABLED:
            raise ValueError(f"a constant named {row.name!r} is in a table already; rename it")
        _TABLED[row.name] = row


def is_tabled(constant: Constant, *, ignore_value: bool = False) -> bool:
    """Whether a constant is a row of a table of this package; False for a row that was changed.

    Parameters
    ----------
    constant : Constant
        Constant of unknown origin.
    ignore_value : bool
        Compare only name and citation, to find rows that a caller changed.

    Returns
    -------
    bool
        False for a constant that is in no table.
    """
    row = _TABLED.get(constant.name)
    if row is None or row.citation != constant.citation:
        return False
    return ignore_value or (row.value, row.unit, row.status) == (
        constant.value, constant.unit, constant.status
    )  # fmt: skip


def get(name: str) -> Constant:
    """Look up a constant by name.

    Parameters
    ----------
    name : str
        Key in :data:`CONSTANTS`.

    Returns
    -------
    Constant
        Value, unit, standard uncertainty, citation and status.

    Raises
    ------
    KeyError
        When there is no such constant; the message names the nearest one.

    Examples
    --------
    >>> str(get("caesium_137_half_life"))
    '30.05 yr'
    """
    if name in CONSTANTS:
        return CONSTANTS[name]
    close = difflib.get_close_matches(name, CONSTANTS, n=1)
    hint = f"did you mean {close[0]!r}?" if close else "see corephys.constants.CONSTANTS"
    raise KeyError(f"no constant named {name!r}; {hint}")
