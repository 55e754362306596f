"""The result of a fit of compaction: parameters, the curve with its band, and plain words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import fitting, flags, series, units
from corephys.ground.cards import Card, Shown, with_uncertainty
from corephys.numerics.exponential import Checks
from corephys.products.compaction_data import Choices, Data
from corephys.products.compaction_interval import Spread
from corephys.products.compaction_models import Model
from corephys.uncertainty import Measured

__all__ = ["CompactionFit", "dataset_of"]

_FEW = "few_independent_readings"


@dataclass(frozen=True)
class CompactionFit(Shown):
    """A fit of porosity against depth or effective stress.

    Parameters
    ----------
    dataset : Dataset
        The parameters of the model (``surface_porosity`` [1] and ``decay_length`` [m] of the
        exponential) with uncertainties, effects and flags, their random ``covariance``, the ends
        ``_lower`` and ``_upper`` of the random 68 % interval of a decay length or stress,
        ``effective_number`` [1] of the readings, ``correlation_length`` [m] of their residuals,
        ``growth_factor`` [1] of each random uncertainty, and the numbers behind the verdict as
        attributes.
    verdict : tuple of str
        What is wrong with the fit, in words; empty where no rule is broken.
    model : Model
        What was fitted.
    data : Data
        What it was fitted to.
    found : Fit
        The finished fit on plain floats.
    forced : dict of str to float
        Parameters that were not free.
    choices : Choices
        How it was fitted.
    checks : Checks or None
        By blocks of depth.
    spread : Spread or None
        How far the readings are independent.
    """

    dataset: xr.Dataset
    verdict: tuple[str, ...]
    model: Model
    data: Data = field(repr=False)
    found: fitting.Fit = field(repr=False)
    forced: dict[str, float] = field(default_factory=dict)
    choices: Choices = field(default_factory=lambda: Choices(False), repr=False)
    checks: Checks | None = field(default=None, repr=False)
    spread: Spread | None = field(default=None, repr=False)

    @property
    def values(self) -> tuple[float, ...]:
        """The parameters in the order of the model."""
        return tuple(float(self.dataset[name]) for name in self.model.names)

    def predict(self, depth: Any = None, *, stress: Any = None) -> xr.Dataset:
        """Curve with its band of one standard uncertainty.

        Parameters
        ----------
        depth : Quantity or DataArray, (curve)
            [m].
        stress : Quantity or DataArray, (curve), optional
            Vertical effective stress [kPa] at these depths; what a model of stress depends on.

        Returns
        -------
        Dataset
            ``porosity``, ``lower`` and ``upper`` [1] along ``curve`` with the coordinates that
            were given: the band of the curve, not of single samples.

        Raises
        ------
        UnitError
            For a bare number or a wrong unit.
        ValueError
            When what the model depends on is not given.

        Notes
        -----
        Linear propagation of covariance and effects (JCGM 100:2008, 5.2). A forced parameter
        brings no width: the band then holds only if the forced value does.
        """
        given = {}
        for name, unit, value in (
            ("depth", "m", depth), ("vertical_effective_stress", "kPa", stress)
        ):  # fmt: skip
            if value is not None:
                given[name] = np.atleast_1d(np.asarray(units.as_floats(value, unit, name), float))
        if self.model.abscissa not in given:
            word = "stress=" if self.model.abscissa != "depth" else "depth"
            raise ValueError(
                f"the model {self.model.name!r} gives porosity against "
                f"{self.model.abscissa.replace('_', ' ')}: give {word}"
            )
        x = given[self.model.abscissa]
        curve, u = self._band(x)
        return _table(curve, u, given)

    def _band(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        curve = self.model.curve(x, *self.values)
        jacobian = self.model.jacobian(x, *self.values)
        covariance = self.dataset["covariance"].values.copy()
        held = [i for i, name in enumerate(self.model.names) if name in self.forced]
        covariance[held, :] = covariance[:, held] = 0.0
        if "source" in self.dataset.sizes:
            effects = np.column_stack(
                [self.dataset[f"{name}_effects"].values for name in self.model.names]
            )
            covariance = covariance + effects.T @ effects
        return curve, np.sqrt(np.einsum("ni,ij,nj->n", jacobian, covariance, jacobian))

    def card(self) -> Card:
        """The same as in a terminal, the rules that are broken apart.

        Returns
        -------
        Card
            Shows itself as text or HTML.
        """
        first, *rest = repr(self).split("\n")
        shown = [words.strip() for words in rest if not words.startswith("  beware: ")]
        rows = [tuple(words.split(": ", 1)) if ": " in words else ("", words) for words in shown]
        following = ("fit.predict(depth) gives the curve with its band",)
        return Card(first, tuple(rows), tuple(self.verdict), following)

    def __repr__(self) -> str:
        d = self.dataset
        lines = [d.attrs["curve"]]
        for parameter in self.model.parameters:
            name, unit = parameter.name, parameter.unit
            if name in self.forced:
                lines.append(f"  {parameter.words}: forced, no uncertainty")
                continue
            parts = [float(d[f"{name}_u_{kind}"]) for kind in ("random", "systematic")]
            known = [f"{part:.2g}" if part == part else "unknown" for part in parts]
            whole = with_uncertainty(float(d[name]), float(np.hypot(*parts)), unit)
            lines.append(f"  {parameter.words}: {whole}; random {known[0]}, systematic {known[1]}")
        a = d.attrs
        lines.append(f"  {a['points_used']} points used, {a['points_left_out']} left out")
        if np.isfinite(a["excess_scatter"]):
            lines.append(f"  natural scatter of the sediment: {a['excess_scatter']:.4f}")
        if a["robust"] != "none":
            lines.append(f"  {a['points_weighed_down']} points weighed down ({a['robust']})")
        lines += self._independence()
        lines += [f"  beware: {trouble}" for trouble in self.verdict] or ["  no rule is broken"]
        return "\n".join(lines)

    def _independence(self) -> list[str]:
        """How many readings the fit rests on, where that was looked for."""
        if self.spread is None:
            return []
        words = []
        if np.isfinite(self.spread.length):
            words.append(
                f"  effective number of readings: {self.spread.effective_number:.3g}; "
                f"residuals are correlated over {self.spread.length:.3g} m"
            )
        if self.spread.few:
            words.append("  beware: few independent readings; the errors are not to be trusted")
        return words


def _table(curve: np.ndarray, u: np.ndarray, given: dict[str, np.ndarray]) -> xr.Dataset:
    words = {
        "depth": ("m", "depth below seafloor, as laid out"),
        "vertical_effective_stress": ("kPa", "vertical effective stress"),
    }
    return xr.Dataset(
        {
            "porosity": ("curve", curve, {"units": "1", "long_name": "porosity of the fit"}),
            "lower": ("curve", curve - u, {"units": "1", "long_name": "lower edge, k = 1"}),
            "upper": ("curve", curve + u, {"units": "1", "long_name": "upper edge, k = 1"}),
        },
        coords={
            name: ("curve", x, {"units": words[name][0], "long_name": words[name][1]})
            for name, x in given.items()
        },
    )


def dataset_of(
    model: Model, found: fitting.Fit, effects: dict[str, np.ndarray], verdict: tuple[str, ...],
    checks: Checks | None, data: Data, spread: Spread, **attributes: Any,
) -> xr.Dataset:  # fmt: skip
    """The Dataset of a fit.

    Parameters
    ----------
    model, found, verdict, data
        As in :class:`CompactionFit`.
    effects : dict of str to ndarray, (k,)
        Shift of the parameters by each source.
    checks : Checks or None
        By blocks of depth.
    spread : Spread
        How far the readings are independent.
    **attributes
        Further attributes.

    Returns
    -------
    Dataset
        See :class:`CompactionFit`.
    """
    reason = (flags.bit("poor_fit") if verdict else 0) | (flags.bit(_FEW) if spread.few else 0)
    quantities = {
        name: Measured(
            xr.DataArray(found.values[name]), found.errors[name],
            {source: float(shift[i]) for source, shift in effects.items()}, reason,
        )
        for i, name in enumerate(model.names)
    }  # fmt: skip
    nan = float("nan")
    dataset = series.build(
        quantities,
        steps=(f"least squares of {model.equation} ({model.source})",),
        constants={"bed_thickness": data.bed_thickness},
        model=model.name,
        equation=model.equation,
        curve=model.sentence.format(**found.values),
        abscissa=model.abscissa,
        points_used=data.porosity.size,
        points_left_out=data.left_out,
        reduced_chi_square=found.reduced_chi_square,
        aicc=found.aicc,
        skill_over_a_constant=checks.skill if checks else nan,
        residual_variance_between_blocks=checks.between if checks else nan,
        relative_uncertainty_of_the_rate_by_blocks=checks.rate if checks else nan,
        absolute_sigma=str(found.absolute_sigma).lower(),
        verdict="; ".join(verdict) or "no rule is broken",
        **attributes,
    )
    words = " and ".join(f"{p.words} [{p.unit}]" for p in model.parameters)
    dataset["covariance"] = xr.DataArray(
        found.covariance, dims=("parameter", "parameter_2"),
        attrs={"units": "1", "long_name": f"random covariance of {words}"},
    )  # fmt: skip
    _add_intervals(dataset, model)
    _add_spread(dataset, spread)
    return dataset


def _add_intervals(dataset: xr.Dataset, model: Model) -> None:
    """Ends of the 68 % interval where it is symmetric in the reciprocal of the parameter."""
    for parameter in model.parameters:
        if not parameter.inverse:
            continue
        value = float(dataset[parameter.name])
        u = float(dataset[f"{parameter.name}_u_random"])
        rates = np.array([1.0 / value + u / value**2, 1.0 / value - u / value**2])
        if not rates[0] * rates[1] > 0.0:
            # A rate that may be zero leaves the length open upward, or downward where it rises.
            rates[1 if value > 0.0 else 0] = 0.0 if u == u else np.nan
        with np.errstate(divide="ignore"):
            ends = 1.0 / rates
        ends = np.where(np.isinf(ends), np.sign(value) * np.inf, ends)
        for side, end in zip(("lower", "upper"), np.sort(ends), strict=True):
            words = f"{side} end of the random 68 % interval of {parameter.words}"
            dataset[f"{parameter.name}_{side}"] = (
                (), float(end), {"units": parameter.unit, "long_name": words}
            )  # fmt: skip


def _add_spread(dataset: xr.Dataset, spread: Spread) -> None:
    for name, value, unit, words in (
        ("effective_number", spread.effective_number, "1", "number of independent readings"),
        ("correlation_length", spread.length, "m", "e-folding length of correlated residuals"),
    ):
        dataset[name] = ((), value, {"units": unit, "long_name": words})
    dataset["growth_factor"] = (
        "parameter", spread.growth,
        {"units": "1", "long_name": "random uncertainty over that of independent readings"},
    )  # fmt: skip
    dataset.attrs["degrees_of_freedom"] = spread.degrees_of_freedom
