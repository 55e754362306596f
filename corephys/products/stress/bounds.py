"""Reference curves of porosity against effective stress at hydrostatic pressure, and the lower
bound of pressure from porosity."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import fits, flags, series, thresholds
from corephys.ground.arguments import positive
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.choices import choice
from corephys.uncertainty import Measured, combine, covariance_effects, norm, without_coords

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from corephys.ground.types import Fraction, Measurement, Scalar

__all__ = [
    "CompactionReference",
    "effective_stress_of_porosity",
    "fit_reference",
    "lambda_star",
    "overpressure_bound",
    "reference_of_indices",
]

# --------------------------------------------------------------------------------------------------
# Reference curve: porosity against effective stress at hydrostatic pressure.


_MODELS = ("logarithmic", "exponential")
_FEWEST = thresholds.count("reference_samples")


@dataclass(frozen=True)
class CompactionReference(fits.FitResult):
    """Curve of porosity against effective stress of a clay under first loading.

    Parameters
    ----------
    model : {"logarithmic", "exponential"}
        e = first - second log10(stress / at_stress), or phi = first exp(-stress / second).
    first : float
        Void ratio at ``at_stress``, or porosity without stress [1].
    second : float
        Compression index [1], or stress over which the porosity falls to 1/e [kPa].
    at_stress : float
        Reference stress of the logarithmic curve [kPa].
    effects : dict of str to pair of float
        One-sigma shifts of both parameters by source.
    scatter : float
        Scatter of single samples about the curve, in void ratio or in the logarithm of porosity;
        NaN where unknown.
    porosity : pair of float
        Least and greatest porosity of the data of the curve [1].
    grain_density : pair of float
        Least and greatest density of its grains [g/cm^3]; NaN where unknown.
    words : str
        Source of the curve.
    sample_stress, sample_porosity : ndarray, (reading)
        Data of the curve [kPa], [1]; empty where it was given by its parameters.
    left_out : ndarray of bool, (reading)
        Data that did not enter the curve.
    """

    model: str
    first: float
    second: float
    at_stress: float = 100.0
    effects: dict[str, tuple[float, float]] = field(default_factory=dict)
    scatter: float = float("nan")
    porosity: tuple[float, float] = (0.0, 1.0)
    grain_density: tuple[float, float] = (float("nan"), float("nan"))
    words: str = ""
    sample_stress: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    sample_porosity: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)
    left_out: np.ndarray = field(default_factory=lambda: np.empty(0, dtype=bool), repr=False)

    _TITLE = "Reference curve of porosity against effective stress"

    @property
    def dataset(self) -> xr.Dataset:
        """Both parameters with uncertainties and effects."""
        log = self.model == "logarithmic"
        words = (
            ("reference_void_ratio", "1", f"void ratio at {self.at_stress:g} kPa"),
            ("compression_index", "1", "compression index"),
        )
        if not log:
            words = (
                ("surface_porosity", "1", "porosity without stress"),
                ("decay_stress", "kPa", "stress over which the porosity falls to 1/e"),
            )
        rows = []
        for i, (name, unit, text) in enumerate(words):
            # The covariance of a fitted line is random; what a caller gives is shared by all.
            shifts = {source: pair[i] for source, pair in self.effects.items()}
            fitted = [s for source, s in shifts.items() if source.startswith("reference_curve")]
            shared = {k: s for k, s in shifts.items() if not k.startswith("reference_curve")}
            random = float(np.hypot.reduce(fitted)) if fitted else float("nan")
            value = (self.first, self.second)[i]
            rows.append(fits.Parameter(name, value, unit, text, random, shared))
        return fits.parameters(
            rows,
            equation=f"e = e_1 - C_c log10(sigma' / {self.at_stress:g} kPa)"
            if log
            else "phi = phi_0 exp(-sigma' / S)",
            scatter=self.scatter,
            source_of_the_curve=self.words,
            safety=RESEARCH_ONLY,
        )

    def _draw(self, ax: Axes) -> None:
        """Porosity against effective stress on a logarithmic axis."""
        x, y = self.sample_stress, self.sample_porosity
        low, high = self.porosity
        fits.draw_points(ax, x, y, left_out=self.left_out, label="samples")
        phi = np.linspace(max(low, 0.02), min(high, 0.98), 200)
        stress = _solved(phi, self)[0]
        shown = np.isfinite(stress) & (stress > 1.0) & (stress < 1e5)  # 1 kPa to 100 MPa
        fits.draw_curve(ax, stress[shown], phi[shown], label="reference curve")
        ax.set_xscale("log")
        ax.set_xlabel("vertical effective stress [kPa]")
        ax.set_ylabel("porosity")

    def describe(self) -> str:
        """Equation of the curve with its numbers, in one line."""
        low, high = self.porosity
        span = f"porosity {low:.2f} to {high:.2f}; {self.words}"
        if self.model == "logarithmic":
            return (
                f"e = {self.first:.3f} - {self.second:.3f} log10(sigma' / {self.at_stress:g} kPa), "
                f"{span}"
            )
        return f"phi = {self.first:.3f} exp(-sigma' / {self.second:.0f} kPa), {span}"


def reference_of_indices(
    *,
    void_ratio: float,
    compression_index: float,
    at_stress: Scalar = "100 kPa",
    void_ratio_uncertainty: float | None = None,
    compression_index_uncertainty: float | None = None,
    scatter: float | None = None,
    porosity: tuple[float, float] = (0.0, 1.0),
    grain_density: tuple[Scalar, Scalar] | None = None,
    words: str = "as given",
) -> CompactionReference:
    """Reference curve from a compression test, or from published numbers.

    Parameters
    ----------
    void_ratio : float
        Void ratio on the line of first loading at ``at_stress`` [1].
    compression_index : float
        Loss of void ratio for each tenfold rise of stress [1].
    at_stress : Quantity or str
        Reference stress [kPa].
    void_ratio_uncertainty, compression_index_uncertainty : float, optional
        Effects ``reference_void_ratio`` and ``reference_compression_index``; unknown gives NaN.
    scatter : float, optional
        Scatter of single samples about the line, in void ratio; unknown gives NaN.
    porosity : pair of float
        Least and greatest porosity of the material of the reference [1].
    grain_density : pair of Quantity or str, optional
        Least and greatest density of its grains [g/cm^3]; samples of other grains are flagged.
    words : str
        Source of the numbers.

    Returns
    -------
    CompactionReference
        Logarithmic curve.

    Raises
    ------
    ValueError
        For indices or stresses that are not above zero, an uncertainty below zero, or a range whose
        first number is not the smaller.

    Notes
    -----
    e = e_1 - C_c log10(sigma' / sigma_1): definition of the compression index.
    """
    one = float(positive(at_stress, "kPa", "at_stress"))
    e = float(positive(void_ratio, "1", "void_ratio"))
    cc = float(positive(compression_index, "1", "compression_index"))
    if not 0.0 <= porosity[0] < porosity[1] <= 1.0:
        raise ValueError(
            f"the porosity of the reference is {porosity[0]:g} to {porosity[1]:g}; give the least, "
            "then the greatest, both between 0 and 1"
        )
    unknown = float("nan")
    given = {
        "void_ratio_uncertainty": void_ratio_uncertainty,
        "scatter": scatter,
        "compression_index_uncertainty": compression_index_uncertainty,
    }
    u_e, spread, u_cc = (
        unknown if u is None else float(positive(u, "1", name, zero=True))
        for name, u in given.items()
    )
    effects = {"reference_void_ratio": (u_e, 0.0), "reference_compression_index": (0.0, u_cc)}
    return CompactionReference(
        "logarithmic", e, cc, one, effects, spread, porosity, _range(grain_density), words
    )


def fit_reference(
    porosity: xr.Dataset,
    vertical_effective_stress: xr.Dataset,
    *,
    model: str = "logarithmic",
    at_stress: Scalar = "100 kPa",
    grain_density: tuple[Scalar, Scalar] | None = None,
    words: str = "a site at hydrostatic pressure",
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> CompactionReference:
    """Reference curve of a site whose pressure is hydrostatic.

    Parameters
    ----------
    porosity : Dataset, (reading)
        ``porosity`` [1].
    vertical_effective_stress : Dataset, (reading)
        ``vertical_effective_stress`` [kPa] at the same positions, assuming hydrostatic pressure.
    model : {"logarithmic", "exponential"}
        Void ratio against the logarithm of stress, or logarithm of porosity against stress.
    at_stress : Quantity or str
        Reference stress [kPa].
    grain_density : pair of Quantity or str, optional
        Least and greatest density of the grains [g/cm^3]; samples of other grains are flagged.
    words : str
        Source of the data.
    allow : tuple of str
        Flag levels that are used.

    Returns
    -------
    CompactionReference
        Curve with the covariance of its line as effects ``reference_curve_1`` and ``_2``, and the
        scatter of single samples about it.

    Raises
    ------
    PositionError
        When both have different positions.
    ValueError
        For another model, fewer than five usable pairs, one stress for all, a porosity outside
        0 to 1, or one that does not fall with stress.

    Notes
    -----
    Least squares with equal weights: e = e_1 - C_c log10(sigma' / sigma_1), the line of first
    loading, or ln phi = ln phi_0 - sigma' / S (Athy's law in effective stress, Rubey and Hubbert
    1959, GSA Bulletin 70, 167). The error of the stresses is neglected.
    """
    model = choice(model, _MODELS, "model")
    series.require_same_positions(
        porosity=porosity, vertical_effective_stress=vertical_effective_stress
    )
    phi, load = (
        np.asarray(without_coords(series.unpack(data, name).values), dtype=float)
        for data, name in (
            (porosity, "porosity"),
            (vertical_effective_stress, "vertical_effective_stress"),
        )
    )
    use = np.isfinite(phi) & np.isfinite(load) & (load > 0.0)
    for data, name in (
        (porosity, "porosity"),
        (vertical_effective_stress, "vertical_effective_stress"),
    ):
        if f"{name}_flag" in data:
            use &= flags.usable(data[f"{name}_flag"].values, allow)
    if use.sum() < _FEWEST:
        raise ValueError(f"{int(use.sum())} usable pairs; a reference curve needs {_FEWEST}")
    samples = np.isfinite(phi) & np.isfinite(load) & (load > 0.0)
    drawn = (load[samples], phi[samples], ~use[samples])
    phi, load = phi[use], load[use]
    if np.any((phi <= 0.0) | (phi >= 1.0)):
        bad = phi[(phi <= 0.0) | (phi >= 1.0)][0]
        raise ValueError(
            f"the reference has a porosity of {bad:g}; it must lie between 0 and 1. If it is in "
            "per cent, give its unit as '%'"
        )
    one = float(positive(at_stress, "kPa", "at_stress"))
    log = model == "logarithmic"
    x, y = (np.log10(load / one), phi / (1.0 - phi)) if log else (load, np.log(phi))
    if not np.ptp(load) > 1e-9 * load.max():
        raise ValueError(
            f"all {x.size} pairs have the same stress; a curve needs pairs at several stresses"
        )
    rows = np.column_stack([np.ones(x.size), x])
    (level, slope), *_ = np.linalg.lstsq(rows, y, rcond=None)
    if not slope < 0.0:
        raise ValueError(
            f"the porosity of the {x.size} pairs does not fall with stress, as it must in a "
            "compaction curve; give pairs of one sediment, and check the units of both"
        )
    scatter = float(np.sqrt(np.sum((y - rows @ [level, slope]) ** 2) / (x.size - 2)))
    inner = np.linalg.inv(rows.T @ rows) * scatter**2
    first, second = (level, -slope) if log else (np.exp(level), -1.0 / slope)
    turn = np.diag([1.0, -1.0] if log else [first, second**2])
    shifts = covariance_effects(np.eye(2), turn @ inner @ turn.T, "reference_curve")
    effects = {source: (float(e[0]), float(e[1])) for source, e in shifts.items()}
    return CompactionReference(
        model,
        float(first),
        float(second),
        one,
        effects,
        scatter,
        (float(phi.min()), float(phi.max())),
        _range(grain_density),
        words,
        *drawn,
    )


def _range(grain_density: tuple[Scalar, Scalar] | None) -> tuple[float, float]:
    """Least and greatest grain density [g/cm^3]; NaN where not given."""
    if grain_density is None:
        return float("nan"), float("nan")
    if len(grain_density) != 2:
        raise ValueError(
            f"grain_density is {grain_density!r}; give the least and the greatest, such as "
            "('2.65 g/cm^3', '2.75 g/cm^3')"
        )
    low, high = (float(positive(end, "g/cm^3", "grain_density")) for end in grain_density)
    if not low < high:
        raise ValueError(
            f"grain_density is {low:g} to {high:g} g/cm^3; give the least, then the greatest"
        )
    return low, high


def effective_stress_of_porosity(
    porosity: Measurement | float,
    *,
    reference: CompactionReference,
    porosity_uncertainty: Fraction | None = None,
) -> xr.Dataset:
    """Effective stress at which the sediment of a reference curve has a porosity.

    Parameters
    ----------
    porosity : Dataset, Quantity, DataArray or float, (reading)
        [1].
    reference : CompactionReference
        Result of :func:`reference_of_indices` or :func:`fit_reference`.
    porosity_uncertainty : float or DataArray, optional
        Random standard uncertainty [1] of a porosity that is not a Dataset; unknown gives NaN.

    Returns
    -------
    Dataset, (reading)
        ``effective_stress_of_porosity`` [kPa], never below zero; ``beyond_calibration`` outside the
        porosities of the reference; NaN for a porosity outside 0 to 1 that is flagged as bad. The
        random part includes the scatter of single samples about the reference. Research estimate;
        not for well control, mud weight, casing, slope or structural decisions.

    Raises
    ------
    ValueError
        For a porosity outside 0 to 1 that is not flagged as bad, or no reference.

    Notes
    -----
    sigma' = sigma_1 10^((e_1 - e) / C_c) with e = phi / (1 - phi), or S ln(phi_0 / phi): the curves
    solved for the stress, errors by their derivatives (JCGM 100:2008, 5.1).
    """
    if not isinstance(reference, CompactionReference):
        raise ValueError(
            f"reference is a {type(reference).__name__}; give a CompactionReference, from "
            "stress.reference_of_indices or stress.fit_reference"
        )
    phi = series.unpack(porosity, "porosity", uncertainty_given=porosity_uncertainty)
    values = np.asarray(without_coords(phi.values), dtype=float)
    wrong = np.isfinite(values) & ((values <= 0.0) | (values >= 1.0))
    flagged = wrong & (flags.from_reason(np.asarray(without_coords(phi.reason))) == flags.BAD)
    values, wrong = np.where(flagged, np.nan, values), wrong & ~flagged
    if wrong.any():
        raise ValueError(
            f"a porosity of {values[wrong].flat[0]:g} lies outside 0 to 1; if it is in per cent, "
            "give its unit as '%'"
        )
    stress, by_phi, by_first, by_second, by_scatter = _solved(values, reference)
    terms = [(by_phi, phi), (by_scatter, Measured(0.0, reference.scatter))]
    random, effects = combine(terms)
    for source, (first, second) in reference.effects.items():
        effects[source] = effects.get(source, 0.0) + by_first * first + by_second * second
    low, high = reference.porosity
    outside = (values < low) | (values > high) | (stress < 0.0)
    reason = series.joined_reasons(
        without_coords(phi.reason), np.where(outside, flags.bit("beyond_calibration"), 0)
    )
    found = np.maximum(stress, 0.0)
    held = phi.values.copy(data=found) if isinstance(phi.values, xr.DataArray) else found
    return series.build(
        {"effective_stress_of_porosity": Measured(held, random, effects, reason)},
        steps=(reference.describe(),),
        safety=RESEARCH_ONLY,
    )


def _solved(phi: np.ndarray, curve: CompactionReference) -> tuple[np.ndarray, ...]:
    """Stress, and its derivatives with respect to porosity, both parameters and the scatter."""
    if curve.model == "logarithmic":
        e = phi / (1.0 - phi)
        stress = curve.at_stress * 10.0 ** ((curve.first - e) / curve.second)
        steep = stress * np.log(10.0) / curve.second
        return (
            stress,
            -steep / (1.0 - phi) ** 2,
            steep,
            -steep * (curve.first - e) / curve.second,
            -steep,
        )
    ratio = np.log(curve.first / phi)
    flat = np.full(phi.shape, curve.second)
    return curve.second * ratio, -curve.second / phi, flat / curve.first, ratio, -flat


# --------------------------------------------------------------------------------------------------
# Lower bound of the pressure from a porosity, and where it is uninformative.


_BOUND = (
    "lower bound of the overpressure: a sediment of the reference's material lies on its curve or, "
    "unloaded, below it, so that its effective stress is at most that of its porosity on the curve"
)
_ASSUMPTIONS = (
    "compacted by its own load alone, straight down",
    "clay of the composition, grain size and clay content of the reference",
    "no cement, no opal frame, no gas: each keeps pores open and looks like overpressure",
    "porosity in situ: sampling and rebound open pores and look like overpressure",
    "later unloading, by fluid that came in from elsewhere, is not detected: the true pressure is "
    "above the bound",
    "slow creep closes pores further than a quick test: a reference of tests hides overpressure",
)
_SURE = thresholds.value("one_sided_errors")


def overpressure_bound(
    porosity: xr.Dataset,
    profile: xr.Dataset,
    *,
    reference: CompactionReference,
    grain_density: xr.Dataset | None = None,
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> xr.Dataset:
    """Lower bound of the overpressure from porosities that are too high for their load.

    Parameters
    ----------
    porosity : Dataset, (reading)
        ``porosity`` [1] in situ; correct it for rebound first where that matters.
    profile : Dataset, (reading)
        Result of :func:`corephys.products.stress.profiles.profile`, at the same positions.
    reference : CompactionReference
        Curve of the same material at hydrostatic pressure, or of compression tests.
    grain_density : Dataset, optional
        ``grain_density`` [g/cm^3] at the same positions, to recognise other materials.
    allow : tuple of str
        Flag levels of the porosities for which the bound may be informative.

    Returns
    -------
    Dataset, (reading)
        ``overpressure_bound`` [kPa], never negative; a bound of zero is uninformative;
        ``overpressure_bound_low`` and ``_high`` one standard uncertainty to either side;
        ``overpressure_difference`` [kPa] the same before negative values are set to zero; the
        ``lambda_star`` [1] of the bound, and ``pore_pressure_bound`` [kPa] from sea level where the
        profile has a water depth; ``informative``, 1 where the difference exceeds 1.645 of its
        standard uncertainty, the material is that of the reference and the porosity may be used.
        Attribute ``bound`` is ``lower``; ``verdict`` lists where it is uninformative. Research
        estimate; not for well control, mud weight, casing, slope or structural decisions; follow
        local codes and licensed practice.

    Raises
    ------
    PositionError
        When porosity and profile have different positions.
    ValueError
        For a porosity outside 0 to 1 that is not flagged as bad.

    Notes
    -----
    P* >= sigma'_vh - sigma'(phi): the states of a sediment under its own load lie on or below the
    line of first loading, hence sigma' <= sigma'(phi), and P = sigma_v - sigma' (Terzaghi 1943;
    the curve in effective stress, Rubey and Hubbert 1959, GSA Bulletin 70, 167). Unloading lowers
    the effective stress and hardly opens the pores: the bound then holds and is less close. Another
    composition, cement or rebound invalidate it; porosity alone cannot distinguish them from
    overpressure. Errors that both stresses share, such as the density of the pore water, combine
    with their signs.
    """
    given: dict[str, Any] = {"porosity": porosity, "profile": profile}
    if grain_density is not None:
        given["grain_density"] = grain_density
    series.require_same_positions(**given)
    load = series.unpack(profile, "vertical_effective_stress")
    on_curve = series.unpack(
        effective_stress_of_porosity(porosity, reference=reference), "effective_stress_of_porosity"
    )
    values, most = (np.asarray(without_coords(m.values), dtype=float) for m in (load, on_curve))
    difference = values - most
    random, effects = combine([(1.0, load), (-1.0, on_curve)])
    foreign = _foreign(grain_density, reference, values.shape)
    reason = np.asarray(
        series.joined_reasons(without_coords(load.reason), without_coords(on_curve.reason))
    )
    outside = (reason & flags.bit("beyond_calibration")) != 0
    reason = reason | np.where(foreign, flags.bit("beyond_calibration"), 0)
    bound = load.values.copy(data=np.maximum(difference, 0.0))
    above = np.where(values > 0.0, values, np.nan)
    ratio = load.values.copy(data=np.maximum(difference, 0.0) / above)
    u_ratio, by_source = combine([(most / above**2, load), (-1.0 / above, on_curve)])
    quantities = {
        "overpressure_bound": Measured(bound, random, effects, reason),
        "lambda_star": Measured(ratio, u_ratio, by_source, reason),
    }
    if "hydrostatic_pressure" in profile:
        water = series.unpack(profile, "hydrostatic_pressure")
        u_p, e_p = combine([(1.0, water), (1.0, Measured(0.0, random, effects))])
        pressure = bound + np.asarray(without_coords(water.values))
        quantities["pore_pressure_bound"] = Measured(pressure, u_p, e_p, reason)
    u = np.hypot(np.asarray(without_coords(random)), np.asarray(without_coords(norm(effects))))
    sure = difference > _SURE * u
    phi_reason = np.asarray(without_coords(series.unpack(porosity, "porosity").reason))
    barred = ~np.broadcast_to(flags.usable(flags.from_reason(phi_reason), allow), values.shape)
    informative = sure & ~outside & ~foreign & ~barred
    dataset = series.build(
        quantities,
        steps=("P* >= sigma'_vh - sigma'(phi)", reference.describe()),
        safety=RESEARCH_ONLY,
        bound="lower",
        bound_in_words=_BOUND,
        assumptions=json.dumps(_ASSUMPTIONS),
        verdict=_verdict(difference, informative, outside, foreign, barred),
    )
    dims = dataset["overpressure_bound"].dims
    for name in quantities:
        dataset[name].attrs["bound"] = "lower"
    dataset["overpressure_difference"] = (
        dims,
        difference,
        {
            "units": "kPa",
            "long_name": "effective stress less that of the porosity on the reference, "
            "negative where it is uninformative",
        },
    )
    for end, sign in (("low", -1.0), ("high", 1.0)):
        dataset[f"overpressure_bound_{end}"] = (
            dims,
            np.maximum(difference + sign * u, 0.0),
            {
                "units": "kPa",
                "long_name": f"lower bound of the overpressure, {end} end",
            },
        )
    dataset["informative"] = (
        dims,
        informative.astype(np.int8),
        {
            "long_name": "whether the bound is informative",
            "flag_values": np.array([0, 1], dtype=np.int8),
            "flag_meanings": "uninformative informative",
        },
    )
    return dataset


def _foreign(
    grains: xr.Dataset | None, reference: CompactionReference, shape: tuple[int, ...]
) -> np.ndarray:
    """Where grains differ from those of the reference by more than their uncertainty."""
    low, high = reference.grain_density
    if grains is None or not np.isfinite([low, high]).all():
        return np.zeros(shape, dtype=bool)
    solid = series.unpack(grains, "grain_density")
    u = np.nan_to_num(
        np.hypot(np.asarray(without_coords(solid.u_random)), np.nan_to_num(norm(solid.effects)))
    )
    values = np.asarray(without_coords(solid.values), dtype=float)
    return np.asarray((values < low - u) | (values > high + u))


def _verdict(
    difference: np.ndarray,
    informative: np.ndarray,
    outside: np.ndarray,
    foreign: np.ndarray,
    barred: np.ndarray,
) -> str:
    """Numbers of depths at which the bound is informative and uninformative, with the causes."""
    known = np.isfinite(difference)
    empty = known & ~informative & ~barred
    words = f"informative at {int((informative & known).sum())} of {int(known.sum())} depths"
    small = empty & ~outside & ~foreign
    causes = [
        (int((known & barred).sum()), "porosities whose flags leave them out"),
        (int((empty & foreign).sum()), "other grains than the reference: composition changes"),
        (int((empty & outside & ~foreign).sum()), "porosities that the reference does not cover"),
        (int((small & (difference <= 0.0)).sum()), "effective stress below that of the porosity"),
        (
            int((small & (difference > 0.0)).sum()),
            "difference not beyond its uncertainty, or that unknown",
        ),
    ]
    listed = [f"{number} {cause}" for number, cause in causes if number]
    return words + (f"; uninformative: {', '.join(listed)}" if listed else "")


def lambda_star(
    pressure: Measurement | Scalar,
    hydrostatic: Measurement | Scalar,
    overburden: Measurement | Scalar,
    *,
    quantity: str = "fluid_column_pressure",
) -> xr.Dataset:
    """Overpressure ratio: position of a pressure between hydrostatic pressure and overburden.

    Parameters
    ----------
    pressure : Dataset, Quantity, DataArray or str, (reading)
        Pressure from sea level [kPa].
    hydrostatic, overburden : Dataset, Quantity, DataArray or str, (reading)
        ``hydrostatic_pressure`` and ``overburden_stress`` from sea level [kPa], usually of one
        profile.
    quantity : str
        Name of the pressure in a Dataset.

    Returns
    -------
    Dataset, (reading)
        ``lambda_star`` [1]: 0 hydrostatic, 1 lithostatic; NaN where the overburden does not exceed
        the hydrostatic pressure. Research estimate; not for well control, mud weight, casing,
        slope or structural decisions; follow local codes and licensed practice.

    Raises
    ------
    PositionError
        When they have different positions.

    Notes
    -----
    lambda* = (P - P_h) / (sigma_v - P_h): overpressure ratio, by its usual definition. Errors of
    the same source in all three cancel as far as they are shared, such as those of the water
    column; random errors count as independent.
    """
    series.require_same_positions(pressure=pressure, hydrostatic=hydrostatic, overburden=overburden)
    p = series.unpack(pressure, quantity)
    water = series.unpack(hydrostatic, "hydrostatic_pressure")
    load = series.unpack(overburden, "overburden_stress")
    top, low, high = (np.asarray(without_coords(m.values), dtype=float) for m in (p, water, load))
    span = high - low
    span = np.where(span > 0.0, span, np.nan)
    found = (top - low) / span
    random, effects = combine(
        [(1.0 / span, p), ((top - high) / span**2, water), (-(top - low) / span**2, load)]
    )
    reason = series.joined_reasons(
        *(np.asarray(without_coords(m.reason)) for m in (p, water, load))
    )
    held = next((m.values for m in (p, water, load) if isinstance(m.values, xr.DataArray)), None)
    values = found if held is None else held.copy(data=found)
    return series.build(
        {"lambda_star": Measured(values, random, effects, reason)},
        steps=("lambda* = (P - P_h) / (sigma_v - P_h)",),
        safety=RESEARCH_ONLY,
    )
