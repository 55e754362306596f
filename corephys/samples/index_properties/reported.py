"""Reported values of others: compared with their masses, and recomputed with other constants."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import companions, flags, seawater, series, thresholds, units, vocabulary
from corephys.ground.arguments import fraction
from corephys.samples.index_properties.phases import PROPERTIES
from corephys.uncertainty import Measured, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Fraction, Numbers, Scalar

__all__ = ["consistency", "find_constants", "recompute"]

# --------------------------------------------------------------------------------------------------
# Reported values compared with those recomputed from the masses of the same table.


# A reported value and one computed from the reported masses differ by rounding only. Rounding is at
# most half a unit of the third decimal, for porosity of the first decimal in per cent. Ten times
# that is an inconsistency (common practice, no source).
TOLERANCES: dict[str, thresholds.Threshold | str] = {
    name: thresholds.THRESHOLDS[f"consistency_{name}"]
    for name in ("bulk_density", "dry_density", "grain_density", "porosity", "void_ratio")
}


def bits(mask: bool | np.ndarray | xr.DataArray, word: str) -> Numbers:
    """Bit of a reason where the mask is true, 0 elsewhere."""
    if hasattr(mask, "astype"):
        return mask.astype(np.int64) * np.int64(flags.bit(word))
    return np.int64(flags.bit(word) if mask else 0)


def consistency(
    recomputed: xr.Dataset,
    *,
    tolerances: Mapping[str, str] | None = None,
    **reported: Dimensional,
) -> xr.Dataset:
    """Compare the derived values that a table reports with those recomputed from its masses.

    Parameters
    ----------
    recomputed : Dataset
        Result of :func:`phase_relations`, with the salinity and densities that the table used.
    tolerances : mapping of str to str, optional
        Largest difference that rounding explains, in the unit of the quantity, such as
        ``{"bulk_density": "0.005 g/cm^3"}``; it replaces the default of that quantity.
    **reported : DataArray or Quantity
        Reported values by the name of the quantity: bulk_density, dry_density, grain_density
        [g/cm^3], porosity, void_ratio [1].

    Returns
    -------
    Dataset
        ``recomputed`` with the reason ``inconsistent_masses`` where the difference of a reported
        value exceeds its tolerance, and ``<name>_difference``, reported less recomputed, in the
        unit of the quantity.

    Raises
    ------
    KeyError
        When a reported quantity is not one that can be recomputed.
    ValueError
        When nothing is reported.
    """
    if not reported:
        raise ValueError(
            "no reported values are given; give some, such as bulk_density=table['bulk_density']"
        )
    recomputed = companions.library_units(recomputed, {"correlation_porosity_grain_density": "1"})
    limits = {**TOLERANCES, **(tolerances or {})}
    differences, apart = {}, np.int64(0)
    for name, given in reported.items():
        if name not in PROPERTIES or name not in limits:
            known = ", ".join(limits)
            raise KeyError(f"{name!r} has no tolerance; give it in tolerances=, or one of {known}")
        unit = vocabulary.term(name).unit
        values = units.as_floats(given, unit, name)
        limit = units.as_floats(limits[name], unit, f"tolerance of {name}")
        again, values = series.at_same_positions(recomputed=recomputed[name], reported=values)
        difference = xr.DataArray(values - again).drop_attrs()
        differences[name] = difference.assign_attrs(
            units=unit, long_name=f"{vocabulary.term(name).long_name}, reported less recomputed"
        )
        apart = apart | bits(abs(difference) > limit, "inconsistent_masses")
    dataset = recomputed.copy()
    for name in PROPERTIES:
        reason = recomputed[f"{name}_reason"]
        joined = (reason | apart).astype(np.int64).assign_attrs(reason.attrs)
        flag = xr.apply_ufunc(
            flags.from_reason, joined, dask="parallelized", output_dtypes=[np.int8]
        )
        dataset[f"{name}_reason"] = joined
        dataset[f"{name}_flag"] = flag.assign_attrs(recomputed[f"{name}_flag"].attrs)
    for name, difference in differences.items():
        dataset[f"{name}_difference"] = difference
    return dataset


# --------------------------------------------------------------------------------------------------
# Old archives: the constants behind their derived values, and the values with other constants.


FEWEST = thresholds.count("archive_rows")
# Rounding of a table whose digits are unknown: half a unit of the last usual one (common practice).
ROUNDING = {
    "bulk_density": 0.005,
    "grain_density": 0.005,
    "porosity": 0.0005,
    "water_content_wet": 0.0005,
}
_LIGHTEST_SALT = thresholds.value("archive_lightest_salt")  # g/cm^3
_HEAVIEST_SALT = thresholds.value("archive_heaviest_salt")  # g/cm^3
_UNITS = {"salinity": "g/kg", "pore_water_density": "g/cm^3", "salt_density": "g/cm^3"}


def find_constants(
    bulk_density: Dimensional,
    porosity: Dimensional,
    *,
    wet_mass: Dimensional | None = None,
    dry_mass: Dimensional | None = None,
    dry_volume: Dimensional | None = None,
    grain_density: Dimensional | None = None,
    water_content_wet: Dimensional | None = None,
    rounding: Mapping[str, float] | None = None,
) -> xr.Dataset:
    """Constants with which an archive computed its derived values.

    Parameters
    ----------
    bulk_density, porosity : DataArray or Quantity, (reading)
        Reported bulk density [g/cm^3] and porosity [1].
    wet_mass, dry_mass : DataArray or Quantity, (reading), optional
        Net masses [g]. Where the archive has none, give ``water_content_wet``.
    dry_volume : DataArray or Quantity, (reading), optional
        Volume of the dried sample, salt included [cm^3]; needed for the density of the salt.
    grain_density : DataArray or Quantity, (reading), optional
        Reported grain density [g/cm^3]; needed for the salinity.
    water_content_wet : DataArray or Quantity, (reading), optional
        Reported water content, of wet mass [1].
    rounding : mapping of str to float, optional
        Half a unit of the last digit of a reported quantity, in its unit, by its name.

    Returns
    -------
    Dataset
        ``pore_water_density``, ``salt_density`` [g/cm^3] and ``salinity`` [g/kg], each with
        ``<name>_u_random`` and ``<name>_rows``, the number of rows that gave it. A constant that
        the columns do not fix is NaN, and the attribute ``cannot_tell`` gives the reason.
        ``agrees`` (reading): whether the porosity of the row follows from the constants within its
        rounding; ``rows_agreeing``.

    Raises
    ------
    PositionError
        When the series have different positions.
    ValueError
        Without masses and water content, or with too few rows.

    Notes
    -----
    A row gives each constant in closed form, from the phase relations (Blum 1997): with V = Mt /
    rho, (1 - s) rho_w = (Mt - Md) / (phi V), 1 - s = (Mt - Md) / (Mt - rho_g V (1 - phi)), and
    s / ((1 - s) rho_salt) = (Vd - V (1 - phi)) / (Mt - Md). Without masses rho_w = w rho / phi.
    Median over the rows, which holds while fewer than half of them are wrong. Its uncertainty is
    1.2533 times 1.4826 the median absolute deviation over the root of their number (normal rows).
    An archive that truncated digits instead of rounding them shifts a constant by some parts in
    ten thousand more.
    """
    masses = wet_mass is not None and dry_mass is not None
    if not masses and water_content_wet is None:
        raise ValueError(
            "neither masses nor a water content are given; give wet_mass and dry_mass, or "
            "water_content_wet"
        )
    given = {
        "bulk_density": (bulk_density, "g/cm^3"),
        "porosity": (porosity, "1"),
        "wet_mass": (wet_mass, "g"),
        "dry_mass": (dry_mass, "g"),
        "dry_volume": (dry_volume, "cm^3"),
        "grain_density": (grain_density, "g/cm^3"),
        "water_content_wet": (water_content_wet, "1"),
    }
    series.require_same_positions(**{name: value for name, (value, _) in given.items()})
    x = {
        name: np.atleast_1d(
            np.asarray(without_coords(units.as_floats(value, unit, name)), dtype=float)
        )
        for name, (value, unit) in given.items()
        if value is not None
    }
    estimates, lost = _estimates(x, masses)
    found = {name: _median(values) for name, values in estimates.items()}
    if not found["pore_water_density"][2]:
        raise ValueError(
            f"fewer than {FEWEST} of {x['porosity'].size} rows have density, porosity and water; "
            "give more rows"
        )
    half = {**ROUNDING, **(rounding or {})}
    agrees = _agrees(x, masses, found, half)
    dataset = xr.Dataset()
    for name, unit in _UNITS.items():
        value, u, rows = found.get(name, (np.nan, np.nan, 0))
        words = f"{name.replace('_', ' ')} that the archive used"
        dataset[name] = ((), value, {"units": unit, "long_name": words})
        dataset[f"{name}_u_random"] = (
            (),
            u,
            {"units": unit, "long_name": f"uncertainty of {words}"},
        )
        dataset[f"{name}_rows"] = (
            (),
            rows,
            {"units": "1", "long_name": f"rows that gave the {words}"},
        )
    words = "porosity follows from the constants within its rounding"
    dataset["agrees"] = ("reading", agrees, {"long_name": words})
    dataset["rows_agreeing"] = (
        (),
        int(agrees.sum()),
        {"units": "1", "long_name": f"rows whose {words}"},
    )
    dataset.attrs["cannot_tell"] = "; ".join(lost)
    return dataset


def _estimates(x: dict[str, np.ndarray], masses: bool) -> tuple[dict[str, np.ndarray], list[str]]:
    """Each constant by row, and the reasons why others cannot be found."""
    rho, phi = x["bulk_density"], x["porosity"]
    lost: list[str] = []
    with np.errstate(divide="ignore", invalid="ignore"):
        if not masses:
            lost = ["salinity and salt density leave no trace without masses"]
            return {"pore_water_density": x["water_content_wet"] * rho / phi}, lost
        volume = x["wet_mass"] / rho
        dried = x["wet_mass"] - x["dry_mass"]
        product = dried / (phi * volume)
        if "grain_density" not in x:
            lost.append(
                "salinity without grain density: pore_water_density is that of the water "
                "alone per volume of pore water"
            )
            return {"pore_water_density": product}, lost
        fresh = dried / (x["wet_mass"] - x["grain_density"] * volume * (1.0 - phi))
        share = _median(fresh)[0]
        salinity = 1e3 * (1.0 - fresh)
        found = {"pore_water_density": product / share, "salinity": salinity}
        if "dry_volume" not in x:
            lost.append("salt density without the volume of the dried sample")
        elif _median(salinity)[0] < 3.0 * _median(salinity)[1] or share >= 1.0:
            lost.append("salt density, since the archive used no salinity")
        else:
            per_water = (x["dry_volume"] - volume * (1.0 - phi)) / dried
            salt = (1.0 - share) / (share * per_water)
            if _LIGHTEST_SALT < _median(salt)[0] < _HEAVIEST_SALT:
                found["salt_density"] = salt
            else:
                lost.append(
                    "salt density, since the volumes of the dried samples are not those of grains "
                    "and salt; they may include the container"
                )
    return found, lost


def _median(values: np.ndarray) -> tuple[float, float, int]:
    """Median, its uncertainty and the number of rows."""
    known = values[np.isfinite(values) & (values != 0.0)]
    if known.size < FEWEST:
        return float("nan"), float("nan"), 0
    middle = float(np.median(known))
    scale = 1.4826 * float(np.median(np.abs(known - middle)))
    return middle, 1.2533 * scale / np.sqrt(known.size), int(known.size)


def _agrees(
    x: dict[str, np.ndarray],
    masses: bool,
    found: dict[str, tuple[float, float, int]],
    half: Mapping[str, float],
) -> np.ndarray:
    """Rows whose porosity is reproduced within the rounding of the inputs."""
    water = found["pore_water_density"][0]
    salinity = found.get("salinity", (0.0, 0.0, 0))[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        w = (
            (x["wet_mass"] - x["dry_mass"]) / (1.0 - salinity / 1e3) / x["wet_mass"]
            if masses
            else x["water_content_wet"]
        )
        again = w * x["bulk_density"] / water
        slack = half["porosity"] + again * half["bulk_density"] / x["bulk_density"]
        if not masses:
            slack = slack + again * half["water_content_wet"] / w
        return np.asarray(np.abs(again - x["porosity"]) <= slack * (1.0 + 1e-9))


def recompute(
    water_content_wet: Fraction,
    bulk_density: Dimensional,
    *,
    pore_water_density: Scalar,
    salinity: Scalar = "0 g/kg",
    archive_salinity: Scalar = "0 g/kg",
    water_content_uncertainty: Fraction | None = None,
    bulk_density_uncertainty: Dimensional | None = None,
    reason: int | xr.DataArray = 0,
) -> xr.Dataset:
    """Recompute the derived values of an archive without masses, with given constants.

    Parameters
    ----------
    water_content_wet : DataArray or Quantity, (reading)
        Reported water content, of wet mass [1].
    bulk_density : DataArray or Quantity, (reading)
        Reported bulk density from a volume of the wet sample, which depends on no constant
        [g/cm^3].
    pore_water_density : Quantity, Constant or str
        Density of the pore water to compute with [g/cm^3].
    salinity : Quantity, Constant or str
        Salinity to compute with [g/kg].
    archive_salinity : Quantity, Constant or str
        Salinity with which the archive converted the mass lost on drying to pore water [g/kg].
    water_content_uncertainty, bulk_density_uncertainty : Quantity, DataArray or str, optional
        Random uncertainties [1] and [g/cm^3]; NaN if not given.
    reason : int or DataArray of int
        Bit mask of reasons already found.

    Returns
    -------
    Dataset, (reading)
        ``porosity``, ``void_ratio``, ``grain_density``, ``dry_density``, ``water_content_wet`` and
        ``water_content_dry`` with random uncertainty and flags. Water that exceeds the volume or
        the mass of the sample is ``inconsistent_masses``.

    Raises
    ------
    PositionError
        When the series have different positions.

    Notes
    -----
    w' = w (1 - s_archive) / (1 - s), phi = w' rho / rho_w, rho_d = rho (1 - w'), rho_g = rho_d /
    (1 - phi), e = phi / (1 - phi): Blum (1997), chapter 2, per volume of a saturated sample.
    """
    series.require_same_positions(water_content_wet=water_content_wet, bulk_density=bulk_density)
    w = fraction(water_content_wet, "water_content_wet")
    rho = units.as_floats(bulk_density, "g/cm^3", "bulk_density")
    fluid = units.as_floats(pore_water_density, "g/cm^3", "pore_water_density")
    old, new = (
        seawater.salinity_floats(value, name) / 1e3
        for value, name in ((archive_salinity, "archive_salinity"), (salinity, "salinity"))
    )
    u_w, u_rho = (
        units.as_floats(value, unit, name, difference=True, optional=True)
        for value, unit, name in (
            (water_content_uncertainty, "1", "water_content_uncertainty"),
            (bulk_density_uncertainty, "g/cm^3", "bulk_density_uncertainty"),
        )
    )
    factor = (1.0 - old) / (1.0 - new)
    values, slopes = _phases(
        np.asarray(without_coords(w)) * factor, np.asarray(without_coords(rho)), fluid
    )
    impossible = ~((values["porosity"] > 0.0) & (values["porosity"] < 1.0))
    impossible &= np.isfinite(values["porosity"])
    as_given = np.asarray(
        without_coords(units.as_floats(water_content_wet, "1", "water_content_wet"))
    )
    impossible |= np.isfinite(as_given) & np.isnan(np.asarray(without_coords(w)))
    found = np.where(impossible, flags.bit("inconsistent_masses"), 0).astype(np.int64)
    nan = float("nan")
    quantities = {}
    for name, value in values.items():
        by_w, by_rho = slopes[name]
        u = np.hypot(
            by_w * factor * (nan if u_w is None else without_coords(u_w)),
            by_rho * (nan if u_rho is None else without_coords(u_rho)),
        )
        placed = w.copy(deep=False, data=value) if isinstance(w, xr.DataArray) else value
        quantities[name] = Measured(
            placed, u, {}, series.joined_reasons(found, without_coords(reason))
        )
    return series.build(
        quantities,
        steps=(
            "w' = w (1 - s_archive) / (1 - s)",
            "phi = w' rho / rho_w",
            "rho_g = rho (1 - w') / (1 - phi)",
        ),
        constants={
            "pore_water_density": pore_water_density,
            "salinity": salinity,
            "archive_salinity": archive_salinity,
        },
    )


def _phases(
    w: np.ndarray, rho: np.ndarray, fluid: float
) -> tuple[dict[str, np.ndarray], dict[str, tuple[np.ndarray, np.ndarray]]]:
    """Properties and their derivatives by water content and bulk density [g/cm^3]."""
    with np.errstate(divide="ignore", invalid="ignore"):
        phi, rest = w * rho / fluid, 1.0 - w
        solid = 1.0 - phi
        values = {
            "porosity": phi,
            "void_ratio": phi / solid,
            "grain_density": rho * rest / solid,
            "dry_density": rho * rest,
            "water_content_wet": w,
            "water_content_dry": w / rest,
        }
        of_w, of_rho = rho / fluid, w / fluid
        slopes = {
            "porosity": (of_w, of_rho),
            "void_ratio": (of_w / solid**2, of_rho / solid**2),
            "grain_density": (
                -rho / solid + rho * rest * of_w / solid**2,
                rest / solid + rho * rest * of_rho / solid**2,
            ),
            "dry_density": (-rho, rest),
            "water_content_wet": (np.ones_like(phi), np.zeros_like(phi)),
            "water_content_dry": (1.0 / rest**2, np.zeros_like(phi)),
        }
    return values, slopes
