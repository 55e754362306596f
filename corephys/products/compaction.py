"""Compaction: porosity against depth, fitted, and told plainly whether the fit means anything."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr

from corephys import fitting, flags, series, units
from corephys.numerics import exponential as numerics
from corephys.uncertainty import Measured

__all__ = ["CompactionFit", "exponential", "fit"]

MODELS = ("exponential",)
BLOCKS = 8  # of depth, in the checks of a fit


def exponential(depth: Any, *, surface_porosity: Any, decay_length: Any) -> Any:
    """Porosity of exponential compaction.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Below seafloor [m].
    surface_porosity : float, Quantity or str
        At the seafloor [1].
    decay_length : Quantity or str
        e-folding depth [m].

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats.

    Raises
    ------
    UnitError
        For a bare number where a length belongs, or a wrong unit.

    Notes
    -----
    phi = phi0 exp(-z / L): Athy (1930), AAPG Bulletin 14, 1.

    Examples
    --------
    >>> round(float(exponential("500 m", surface_porosity=0.63, decay_length="1960 m")), 8)
    0.48814758
    """
    z = units.as_floats(depth, "m", "depth")
    at_zero = units.as_floats(surface_porosity, "1", "surface_porosity")
    return _model(z, at_zero, units.as_floats(decay_length, "m", "decay_length"))


def _model(z: Any, surface_porosity: Any, decay_length: Any) -> Any:
    return surface_porosity * np.exp(-z / decay_length)


@dataclass(frozen=True)
class CompactionFit:
    """A fit of porosity against depth.

    Parameters
    ----------
    dataset : Dataset
        ``surface_porosity`` [1] and ``decay_length`` [m] with uncertainties, effects and flags,
        their random ``covariance``, and the numbers behind the verdict as attributes.
    verdict : tuple of str
        What is wrong with the fit, in words; empty where no rule is broken.
    """

    dataset: xr.Dataset
    verdict: tuple[str, ...]

    def predict(self, depth: Any) -> xr.Dataset:
        """Curve with its band of one standard uncertainty.

        Parameters
        ----------
        depth : Quantity or DataArray, (curve)
            [m].

        Returns
        -------
        Dataset
            ``porosity``, ``lower`` and ``upper`` [1] along ``curve`` with the coordinate
            ``depth``: the band of the curve, not of single samples.

        Raises
        ------
        UnitError
            For a bare number or a wrong unit.

        Notes
        -----
        Linear propagation of covariance and effects (JCGM 100:2008, 5.2).
        """
        z = np.atleast_1d(np.asarray(units.as_floats(depth, "m", "depth"), dtype=float))
        a, length = float(self.dataset["surface_porosity"]), float(self.dataset["decay_length"])
        curve = _model(z, a, length)
        jacobian = np.column_stack([curve / a, curve * z / length**2])
        covariance = self.dataset["covariance"].values
        if "source" in self.dataset.sizes:
            effects = np.column_stack(
                [
                    self.dataset["surface_porosity_effects"].values,
                    self.dataset["decay_length_effects"].values,
                ]
            )
            covariance = covariance + effects.T @ effects
        u = np.sqrt(np.einsum("ni,ij,nj->n", jacobian, covariance, jacobian))
        words = {"units": "1", "long_name": "porosity of the fit"}
        return xr.Dataset(
            {
                "porosity": ("curve", curve, words),
                "lower": ("curve", curve - u, {"units": "1", "long_name": "lower edge, k = 1"}),
                "upper": ("curve", curve + u, {"units": "1", "long_name": "upper edge, k = 1"}),
            },
            coords={
                "depth": (
                    "curve",
                    z,
                    {"units": "m", "long_name": "depth below seafloor, as laid out"},
                )
            },
        )

    def __repr__(self) -> str:
        d = self.dataset
        at_zero, length = float(d["surface_porosity"]), float(d["decay_length"])
        lines = [f"porosity = {at_zero:.4f} exp(-z / {length:.0f} m)"]
        for name, digits in (("surface_porosity", 4), ("decay_length", 0)):
            u, s = float(d[f"{name}_u_random"]), float(d[f"{name}_u_systematic"])
            unit = "" if d[name].attrs["units"] == "1" else f" {d[name].attrs['units']}"
            known = [f"± {part:.{digits}f}" if part == part else "unknown" for part in (u, s)]
            lines.append(
                f"  {d[name].attrs['long_name']}: {known[0]} random, {known[1]} systematic{unit}"
            )
        a = d.attrs
        lines.append(f"  {a['points_used']} points used, {a['points_left_out']} left out")
        if np.isfinite(a["excess_scatter"]):
            lines.append(f"  natural scatter of the sediment: {a['excess_scatter']:.4f}")
        lines += [f"  beware: {trouble}" for trouble in self.verdict] or ["  no rule is broken"]
        return "\n".join(lines)


def fit(
    porosity: Any, *, depth: Any = None, model: str = "exponential", absolute_sigma: bool,
    excess_scatter: bool = True, bed_thickness: Any = "0.25 m",
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> CompactionFit:  # fmt: skip
    """Fit porosity against depth.

    Parameters
    ----------
    porosity : Dataset, DataArray or Quantity, (reading)
        ``porosity`` [1]; a Dataset brings uncertainties, effects and flags.
    depth : DataArray or Quantity, optional
        [m]; the coordinate of the porosity where it is not given.
    model : {"exponential"}
        What is fitted.
    absolute_sigma : bool
        True takes the stated uncertainties as they are; False takes equal weights and lets the
        scatter set the scale.
    excess_scatter : bool
        With absolute uncertainties: add a natural scatter of the sediment to every variance, as
        large as makes the reduced chi-square one where it would exceed one.
    bed_thickness : Quantity or str
        Samples closer than this [m] lie in one bed and share its natural scatter: they count as
        one for it. The default is common practice, no source.
    allow : tuple of str
        Flag levels that are used.

    Returns
    -------
    CompactionFit
        Parameters, uncertainties and the verdict.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For an unknown model, fewer than five usable points, no depth, porosities outside 0 to 1,
        or absolute uncertainties that are not known.

    Notes
    -----
    phi = phi0 exp(-z / L) (Athy 1930), least squares through lmfit with phi0 between 0 and 1.
    The natural scatter is the moment estimate of Mandel and Paule (1970), Analytical Chemistry
    42, 1194. Where neighbours in depth scatter together beyond chance (lag-one correlation r of the
    weighted residuals above its one-sided 95 % limit 1.645 / sqrt(n)) the covariance is multiplied
    by (1 + r) / (1 - r), the loss of independent samples (Bayley and Hammersley 1946, Supplement
    to the Journal of the Royal Statistical Society 8, 184; from memory). Systematic effects of the
    porosities go through the linearised fit.

    The verdict names, by rules fixed beforehand and not by R^2: a bound that was reached; an
    e-folding depth that is negative; over eight blocks of depth of equal count, each predicted
    from the others, a mean squared error above half of that of a constant ("predicts little");
    more than two fifths of the residual variance lying between the blocks ("trend in the
    residuals"); and a rate 1/L whose jackknife uncertainty over the blocks exceeds 30 % ("rate
    not known"; Efron and Stein 1981, Annals of Statistics 9, 586). The limits are this library's
    choice.
    """
    if model not in MODELS:
        raise ValueError(f"model is {model!r}; there is {', '.join(MODELS)}")
    measured, z, use = _usable(porosity, depth, allow)
    picked = series.take(measured, np.flatnonzero(use))
    z = z[use]
    y = np.asarray(picked.values, dtype=float)
    _check(y, int(use.sum()))
    sigma = np.asarray(picked.u_random, dtype=float) if absolute_sigma else None
    bounds = {"surface_porosity": (0.0, 1.0)}
    start = numerics.start(z, y)
    first = {"surface_porosity": min(max(start[0], 0.05), 0.95), "decay_length": start[1]}
    found = fitting.fit(
        _model, z, y, sigma, start=first, absolute_sigma=absolute_sigma, bounds=bounds
    )
    scatter = float("nan")
    if absolute_sigma and excess_scatter:
        near = numerics.neighbours(z, float(units.as_floats(bed_thickness, "m", "bed_thickness")))
        found, scatter = _with_scatter(z, y, np.asarray(sigma), near, found, bounds)
        sigma = np.sqrt(np.asarray(sigma) ** 2 + near * scatter**2)
        found = _with_correlation(z, found, sigma)
    effects = _effects(z, picked.effects, sigma, found)
    checks = numerics.block_checks(z, y, BLOCKS, tuple(found.values.values()))
    verdict = _verdict(found, checks, numerics.solve(z, y)[0])
    return CompactionFit(_dataset(found, effects, verdict, checks, scatter, use), verdict)


def _usable(
    porosity: Any, depth: Any, allow: tuple[str, ...]
) -> tuple[Measured, np.ndarray, np.ndarray]:
    measured = series.unpack(porosity, "porosity")
    values = np.asarray(measured.values, dtype=float)
    if depth is not None:
        z = np.asarray(units.as_floats(depth, "m", "depth"), dtype=float)
    elif "depth" in getattr(measured.values, "coords", {}):
        z = np.asarray(measured.values["depth"].values, dtype=float)
    else:
        raise ValueError("the fit needs a depth: give depth= or a series with that coordinate")
    if z.shape != values.shape:
        raise ValueError(f"{values.size} porosities and {z.size} depths do not make pairs")
    use = np.isfinite(values) & np.isfinite(z)
    if isinstance(porosity, xr.Dataset) and "porosity_flag" in porosity:
        use &= flags.usable(porosity["porosity_flag"].values, allow)
    return measured, z, use


def _check(y: np.ndarray, n: int) -> None:
    if n < 5:
        raise ValueError(f"{n} usable porosities are too few for a fit; it needs five")
    if np.any((y < 0) | (y > 1)):
        worst = float(y[np.argmax(np.abs(y - 0.5))])
        raise ValueError(
            f"a porosity of {worst:g} lies outside 0 to 1; are the values in per cent? Give their "
            "unit as '%'"
        )


def _with_scatter(
    z: np.ndarray, y: np.ndarray, sigma: np.ndarray, near: np.ndarray, found: fitting.Fit,
    bounds: dict[str, tuple[float, float]],
) -> tuple[fitting.Fit, float]:  # fmt: skip
    """Refit with the scatter that brings the reduced chi-square down to one."""
    scatter = 0.0
    for _ in range(4):
        new = numerics.mandel_paule(found.residual, sigma, found.degrees_of_freedom)
        if abs(new - scatter) <= 1e-6 * max(new, 1e-12):
            break
        scatter = new
        found = fitting.fit(
            _model, z, y, np.sqrt(sigma**2 + near * scatter**2), start=found.values,
            absolute_sigma=True, bounds=bounds,
        )  # fmt: skip
    return found, scatter


def _with_correlation(z: np.ndarray, found: fitting.Fit, sigma: np.ndarray) -> fitting.Fit:
    """Widen the errors where neighbours in depth scatter together: layers make fewer samples."""
    residual = (found.residual / sigma)[np.argsort(z, kind="stable")]
    together = numerics.lag_correlation(residual)
    if together <= 1.645 / np.sqrt(residual.size):
        return found
    wider = (1.0 + together) / (1.0 - together)
    errors = {name: error * float(np.sqrt(wider)) for name, error in found.errors.items()}
    return replace(found, covariance=found.covariance * wider, errors=errors)


def _effects(
    z: np.ndarray, effects: dict[str, Any], sigma: np.ndarray | None, found: fitting.Fit
) -> dict[str, np.ndarray]:
    """Shift of both parameters by each effect, through the linearised fit."""
    a, length = found.values["surface_porosity"], found.values["decay_length"]
    curve = _model(z, a, length)
    weight = 1.0 if sigma is None else (1.0 / sigma)[:, None]
    jacobian = np.column_stack([curve / a, curve * z / length**2]) * weight
    shifts = {}
    for source, effect in effects.items():
        moved = np.broadcast_to(np.asarray(effect, float), z.shape)
        if not np.isfinite(moved).all():
            shifts[source] = np.full(2, np.nan)
            continue
        target = moved if sigma is None else moved / sigma
        shifts[source] = np.linalg.lstsq(jacobian, target, rcond=None)[0]
    return shifts


def _verdict(found: fitting.Fit, checks: numerics.Checks | None, free: float) -> tuple[str, ...]:
    troubles = []
    if found.at_bound:
        troubles.append(
            f"bound reached: without the bound the surface porosity would be {free:.2f}, "
            "which is no porosity" if free > 1 else f"bound reached: {', '.join(found.at_bound)}"
        )  # fmt: skip
    if found.values["decay_length"] <= 0:
        troubles.append("the e-folding depth is negative: porosity rises with depth")
    if checks is None:
        return (*troubles, f"{found.points} points are too few to check the fit by blocks of depth")
    if not checks.skill >= 0.5:
        troubles.append(
            "predicts little: on depths it has not seen it leaves "
            f"{100 * (1 - checks.skill):.0f} % of the squared error of a constant"
        )
    if checks.between > 0.4:
        troubles.append(
            f"trend in the residuals: {100 * checks.between:.0f} % of their variance lies between "
            f"{checks.blocks} blocks of depth"
        )
    if not checks.rate <= 0.3:
        size = f"of {100 * checks.rate:.0f} %" if checks.rate <= 1 else "larger than itself"
        troubles.append(
            f"rate not known: leaving out one block of depth after the other gives 1/L an "
            f"uncertainty {size}"
        )
    return tuple(troubles)


def _dataset(
    found: fitting.Fit, effects: dict[str, np.ndarray], verdict: tuple[str, ...],
    checks: numerics.Checks | None, scatter: float, use: np.ndarray,
) -> xr.Dataset:  # fmt: skip
    reason = flags.bit("poor_fit") if verdict else 0
    names = ("surface_porosity", "decay_length")
    quantities = {
        name: Measured(
            xr.DataArray(found.values[name]), found.errors[name],
            {source: float(shift[i]) for source, shift in effects.items()}, reason,
        )
        for i, name in enumerate(names)
    }  # fmt: skip
    nan = float("nan")
    dataset = series.build(
        quantities,
        steps=("least squares of phi0 exp(-z / L) (Athy 1930)",),
        points_used=int(use.sum()),
        points_left_out=int((~use).sum()),
        reduced_chi_square=found.reduced_chi_square,
        aicc=found.aicc,
        excess_scatter=scatter,
        skill_over_a_constant=checks.skill if checks else nan,
        residual_variance_between_blocks=checks.between if checks else nan,
        relative_uncertainty_of_the_rate_by_blocks=checks.rate if checks else nan,
        absolute_sigma=str(found.absolute_sigma).lower(),
        verdict="; ".join(verdict) or "no rule is broken",
    )
    dataset["covariance"] = xr.DataArray(
        found.covariance, dims=("parameter", "parameter_2"),
        attrs={
            "units": "1",
            "long_name": "random covariance of surface porosity and e-folding depth [m]",
        },
    )  # fmt: skip
    return dataset
