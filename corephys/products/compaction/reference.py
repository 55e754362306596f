"""Published curves of porosity against depth, as data: for comparison, never to fill gaps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import flags, series, units
from corephys.ground.choices import choice
from corephys.ground.laws import law
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Fraction, WithUnit

__all__ = [
    "ReferenceCurve",
    "reference_curve",
    "reference_curves",
    "reference_depth",
    "reference_porosity",
]

_INF, _NAN = float("inf"), float("nan")
_FORMS = {
    "exponential": "phi = p1 exp(-z / p2), z in m",
    "polynomial": "phi = p1 + p2 z + p3 z^2, z in km",
    "solidity": "z = p1 (1 - phi)^p2, z in km",
}


@dataclass(frozen=True)
class ReferenceCurve:
    """Published curve of porosity against depth.

    Parameters
    ----------
    name : str
        Name in :func:`reference_curves`.
    form : {"exponential", "polynomial", "solidity"}
        Form of the equation; :meth:`equation` writes it out.
    parameters : tuple of float
        Exponential: porosity at the seafloor and e-folding depth [m]; polynomial: coefficients of
        depth in km; solidity: factor [km] and power.
    deepest : float
        Greatest depth at which the curve holds [m]; infinite where its source sets none.
    material : str
        Sediment or rock that was measured.
    citation : str
        Source of the numbers.
    status : {"published", "library", "memory"}
        How the numbers were checked.
    note : str
        Caution before use.
    """

    name: str
    form: str
    parameters: tuple[float, ...]
    deepest: float
    material: str
    citation: str
    status: str
    note: str = ""

    @property
    def surface_porosity(self) -> float:
        """Porosity at the seafloor [1]."""
        return 1.0 if self.form == "solidity" else self.parameters[0]

    @property
    def decay_length(self) -> float:
        """e-folding depth [m]; NaN where the curve is not an exponential."""
        return self.parameters[1] if self.form == "exponential" else _NAN

    def equation(self) -> str:
        """Equation with its numbers.

        Returns
        -------
        str
            Equation in plain text.
        """
        text = _FORMS[self.form]
        for number, value in enumerate(self.parameters, start=1):
            text = text.replace(f"p{number}", f"{value:g}")
        return text.replace("+ -", "- ")


_SCLATER = (
    "Sclater and Christie (1980) Journal of Geophysical Research 85, 3711, as tabulated by Wangen "
    "(2010) Physical Principles of Sedimentary Basin Analysis, table 2.1"
)
_BY_CONSTANT = (
    "Sclater and Christie (1980) Journal of Geophysical Research 85, 3711; decay constant {} 1/km "
    "from memory"
)
_HAMILTON = "Hamilton (1976) Journal of Sedimentary Petrology 46, 280"
_SOLIDITY = (
    "Baldwin and Butler (1985) American Association of Petroleum Geologists Bulletin 69, 622"
)
_DOUBTFUL = "coefficients from memory and not found in print: low trust; range from memory too"

_ROWS = (
    (
        "shale",
        "exponential",
        (0.63, 1960.0),
        _INF,
        "shale, North Sea",
        _SCLATER,
        "published",
        "0.51 1/km, 1961 m, in other tables",
    ),
    (
        "sand",
        "exponential",
        (0.49, 1e3 / 0.27),
        _INF,
        "sandstone, North Sea",
        _BY_CONSTANT.format(0.27),
        "memory",
        "3704 m; a rounded 3700 m is quoted too",
    ),
    ("chalk", "exponential", (0.70, 1408.0), _INF, "chalk, North Sea", _SCLATER, "published", ""),
    (
        "shaly_sand",
        "exponential",
        (0.56, 1e3 / 0.39),
        _INF,
        "shaly sand, North Sea",
        _BY_CONSTANT.format(0.39),
        "memory",
        "one table prints 2464 m, 4 % less than 1/0.39 1/km",
    ),
    (
        "shale_athy",
        "exponential",
        (0.48, 1e3 / 1.42),
        _INF,
        "shale, Oklahoma",
        "Athy (1930) American Association of Petroleum Geologists Bulletin 14, 1; constants seen "
        "quoted only",
        "memory",
        "old rock, uplifted since",
    ),
    (
        "calcisiltite",
        "exponential",
        (0.599, 1722.0),
        _INF,
        "calcisiltite, Walvis Ridge",
        "Calcisiltite compaction in the deep ocean, Geological Society of America, North-Central "
        "Section (2005), paper 86668",
        "published",
        "correlation 0.67; a second hole of the same paper has 0.655 and 1754 m",
    ),
    (
        "carbonate",
        "exponential",
        (0.4173, 2498.0),
        _INF,
        "carbonates, South Florida",
        "Schmoker and Halley (1982) American Association of Petroleum Geologists Bulletin 66, 2561",
        "memory",
        "lithified",
    ),
    (
        "shale_solidity",
        "solidity",
        (6.02, 6.35),
        6020.0,
        "shale, normally compacted",
        _SOLIDITY,
        "memory",
        "porosity goes to one at the seafloor",
    ),
    (
        "shale_undercompacted",
        "solidity",
        (15.0, 8.0),
        15000.0,
        "shale, Gulf Coast, undercompacted (Dickinson)",
        _SOLIDITY,
        "memory",
        "porosity goes to one at the seafloor",
    ),
    (
        "calcareous",
        "polynomial",
        (0.72, -0.987, 0.83),
        500.0,
        "calcareous sediment",
        _HAMILTON,
        "memory",
        _DOUBTFUL + "; turns upward below 595 m",
    ),
    (
        "terrigenous",
        "polynomial",
        (0.72, -0.816, 0.361),
        1000.0,
        "terrigenous sediment",
        _HAMILTON,
        "memory",
        _DOUBTFUL + "; turns upward below 1130 m",
    ),
    (
        "pelagic_clay",
        "polynomial",
        (0.814, -0.813, -0.164),
        300.0,
        "pelagic clay",
        _HAMILTON,
        "memory",
        _DOUBTFUL,
    ),
    (
        "diatomaceous_ooze",
        "polynomial",
        (0.861, -0.549, 0.492),
        500.0,
        "diatomaceous ooze",
        _HAMILTON,
        "memory",
        _DOUBTFUL + "; turns upward below 558 m",
    ),
)

REFERENCE_CURVES: dict[str, ReferenceCurve] = {row[0]: ReferenceCurve(*row) for row in _ROWS}


def reference_curve(name: str) -> ReferenceCurve:
    """Look up a published curve.

    Parameters
    ----------
    name : str
        Name of the curve, no unit; :func:`reference_curves` lists all names.

    Returns
    -------
    ReferenceCurve
        Equation, numbers with their units ([1], [m]), range [m], source and status.

    Raises
    ------
    ValueError
        When there is no such curve.

    Notes
    -----
    Each curve names its source, such as Sclater and Christie (1980); ``memory`` marks numbers that
    were recalled and not found in print.
    """
    return REFERENCE_CURVES[choice(name, REFERENCE_CURVES, "name")]


def reference_curves() -> pd.DataFrame:
    """Tabulate all published curves.

    Returns
    -------
    DataFrame
        One row for each curve: equation with numbers, material, greatest depth [m], source, status
        (``published``, ``memory``) and note.
    """
    return pd.DataFrame(
        [
            {
                "curve": one.name,
                "material": one.material,
                "equation": one.equation(),
                "deepest [m]": one.deepest,
                "source": one.citation,
                "status": one.status,
                "note": one.note,
            }
            for one in REFERENCE_CURVES.values()
        ]
    ).set_index("curve")


def _porosity(z: np.ndarray, curve: ReferenceCurve) -> np.ndarray:
    """Porosity of a curve at depths in m, also outside the range of the curve."""
    if curve.form == "exponential":
        return np.asarray(curve.parameters[0] * np.exp(-z / curve.parameters[1]))
    if curve.form == "polynomial":
        a, b, c = curve.parameters
        return np.asarray(a + 1e-3 * z * (b + 1e-3 * z * c))  # the coefficients are for km
    factor, power = curve.parameters
    # A negative depth has no root; the caller masks it.
    return np.asarray(1.0 - (1e-3 * np.maximum(z, 0.0) / factor) ** (1.0 / power))


def reference_porosity(depth: Dimensional, *, curve: str) -> xr.Dataset:
    """Porosity of a published curve at depths.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Depth below seafloor [m].
    curve : str
        Name of the curve, see :func:`reference_curves`.

    Returns
    -------
    Dataset
        ``porosity`` [1] with flags. Its uncertainty is NaN: no source states one. Above the
        seafloor and below the range of the curve, porosity is NaN and flagged
        ``beyond_method_range``.

    Raises
    ------
    ValueError
        When there is no such curve.

    Notes
    -----
    phi = phi0 exp(-z / L) (Athy 1930; Sclater and Christie 1980; Schmoker and Halley 1982), a
    polynomial of depth (Hamilton 1976), or the inverse of z = a (1 - phi)^n (Baldwin and Butler
    1985). A reference curve describes such sediment elsewhere: a difference from it does not prove
    overpressure, cement or error.
    """
    one = reference_curve(curve)
    z = units.as_floats(depth, "m", "depth")
    plain = np.asarray(z, dtype=float)
    beyond = (plain < 0.0) | (plain > one.deepest)
    values: Any = np.where(beyond, np.nan, _porosity(plain, one))
    if isinstance(z, xr.DataArray):
        values = z.copy(deep=False, data=values)
    reason = np.where(beyond, flags.bit("beyond_method_range"), 0).astype(np.int64)
    return series.build(
        {"porosity": Measured(values, _NAN, {}, reason if reason.ndim else int(reason))},
        steps=(one.equation(),),
        curve=curve,
        material=one.material,
        source_of_curve=one.citation,
        status=one.status,
        note=one.note,
    )


@law("m", porosity="fraction")
def reference_depth(porosity: Fraction, *, curve: str) -> WithUnit:
    """Depth at which a published curve has a porosity.

    Parameters
    ----------
    porosity : float, Quantity or DataArray
        Porosity [1].
    curve : str
        Name of the curve, see :func:`reference_curves`.

    Returns
    -------
    Quantity or DataArray
        Depth below seafloor [m]; NaN where the curve does not reach the porosity within its range.

    Raises
    ------
    ValueError
        When there is no such curve, or no porosity lies between 0 and 1.

    Notes
    -----
    The inverse of :func:`reference_porosity`, same sources: z = L ln(phi0 / phi) (Sclater and
    Christie 1980), z = a (1 - phi)^n (Baldwin and Butler 1985), and the upper branch of the
    polynomials (Hamilton 1976). A depth greater than the present one is the least burial that the
    curve requires.
    """
    z = _depth(np.asarray(porosity, dtype=float), reference_curve(curve))
    return porosity.copy(deep=False, data=z) if isinstance(porosity, xr.DataArray) else z


def _depth(phi: np.ndarray, one: ReferenceCurve) -> Any:
    """Depth [m] at which a curve has a porosity; NaN outside its range."""
    inside = (phi > 0.0) & (phi < 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        if one.form == "exponential":
            z = one.parameters[1] * np.log(one.parameters[0] / phi)
        elif one.form == "polynomial":
            a, b, c = one.parameters
            # The root nearest the seafloor, in the form that does not subtract equal numbers.
            z = 2e3 * (a - phi) / (-b + np.sqrt(b * b - 4.0 * c * (a - phi)))
        else:
            z = 1e3 * one.parameters[0] * (1.0 - phi) ** one.parameters[1]
        # Rounding may put a porosity from the end of the range just beyond it.
        z = np.where(inside & (z >= 0.0) & (z <= one.deepest * (1.0 + 1e-9)), z, np.nan)
        z = np.minimum(z, one.deepest)
    return float(z) if z.ndim == 0 else z
