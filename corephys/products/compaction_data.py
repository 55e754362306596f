"""What a fit of compaction works on: usable pairs, their weights, and a quick solver."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, units
from corephys.ground.arguments import positive
from corephys.numerics import exponential as numerics
from corephys.products.compaction_models import Model

__all__ = ["Choices", "Data", "gather", "solve"]


@dataclass(frozen=True)
class Choices:
    """How data are fitted.

    Parameters
    ----------
    absolute_sigma, excess_scatter : bool
        As for ``compaction.fit``.
    robust : str
        As for ``compaction.fit``.
    scatter : float, optional
        Natural scatter that is taken as known [1]; found from the data without it.
    """

    absolute_sigma: bool
    excess_scatter: bool = True
    robust: str = "none"
    scatter: float | None = None


@dataclass(frozen=True)
class Data:
    """Usable porosities with what they depend on.

    Parameters
    ----------
    depth : ndarray, (n,)
        Below seafloor [m].
    stress : ndarray, (n,), or None
        Vertical effective stress [kPa].
    porosity : ndarray, (n,)
        [1].
    sigma : ndarray, (n,), or None
        Random standard uncertainty; None for equal weights.
    near : ndarray, (n,)
        Number of samples in the bed of each.
    effects, stress_effects : dict of str to ndarray, (n,)
        Systematic effects on porosity [1] and on stress [kPa] by source.
    left_out : int
        Readings that are not used.
    bed_thickness : Quantity or str, optional
        As it was given.
    """

    depth: np.ndarray
    stress: np.ndarray | None
    porosity: np.ndarray
    sigma: np.ndarray | None
    near: np.ndarray
    effects: dict[str, np.ndarray]
    stress_effects: dict[str, np.ndarray]
    left_out: int
    bed_thickness: Any = None

    def abscissa(self, model: Model) -> np.ndarray:
        """What a model depends on.

        Parameters
        ----------
        model : Model
            Of depth or of stress.

        Returns
        -------
        ndarray, (n,)
            [m] or [kPa].

        Raises
        ------
        ValueError
            When the model needs a stress and there is none.
        """
        if model.abscissa == "depth":
            return self.depth
        if self.stress is None:
            raise ValueError(
                f"the model {model.name!r} needs the vertical effective stress at the porosities: "
                "give stress="
            )
        return self.stress

    def only(self, chosen: np.ndarray) -> Data:
        """A part of the data.

        Parameters
        ----------
        chosen : ndarray of bool or int
            Which of the usable porosities.

        Returns
        -------
        Data
            With their uncertainties; what is not chosen is not counted as left out.
        """
        return Data(
            self.depth[chosen], None if self.stress is None else self.stress[chosen],
            self.porosity[chosen], None if self.sigma is None else self.sigma[chosen],
            self.near[chosen], {k: v[chosen] for k, v in self.effects.items()},
            {k: v[chosen] for k, v in self.stress_effects.items()}, self.left_out,
            self.bed_thickness,
        )  # fmt: skip


def gather(
    porosity: Any, depth: Any, stress: Any, models: tuple[Model, ...], absolute_sigma: bool,
    bed_thickness: Any, allow: tuple[str, ...],
) -> tuple[Data, np.ndarray]:  # fmt: skip
    """Take the arguments of a fit through the door.

    Parameters
    ----------
    porosity, depth, stress, absolute_sigma, bed_thickness, allow
        As for ``compaction.fit``.
    models : tuple of Model
        What is to be fitted: a pair is used where all of them are defined.

    Returns
    -------
    tuple of Data and ndarray of bool, (reading)
        The usable pairs, and which readings they are.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        Where depth or a stress that is needed is missing, sizes differ, a porosity is impossible,
        too few pairs are left, or all lie at one depth or stress.
    """
    measured = series.unpack(porosity, "porosity")
    values = np.asarray(measured.values, dtype=float)
    z = _depth(porosity, depth, values)
    use = np.isfinite(values) & np.isfinite(z)
    if isinstance(porosity, xr.Dataset) and "porosity_flag" in porosity:
        use &= flags.usable(porosity["porosity_flag"].values, allow)
    load: np.ndarray | None = None
    shifts: dict[str, Any] = {}
    if stress is not None:
        load, shifts, good = _stress(stress, porosity, values.shape, allow)
        if any(model.abscissa != "depth" for model in models):
            use &= good
        if any(model.positive for model in models):
            use &= load > 0.0
    picked = series.take(measured, np.flatnonzero(use))
    y = np.asarray(picked.values, dtype=float)
    _check(y, max(5, 1 + max(len(model.parameters) for model in models)))
    reach = float(positive(bed_thickness, "m", "bed_thickness", zero=True))
    data = Data(
        z[use], None if load is None else load[use], y,
        np.asarray(picked.u_random, dtype=float) if absolute_sigma else None,
        numerics.neighbours(z[use], reach),
        {source: _along(effect, y) for source, effect in picked.effects.items()},
        {source: _along(effect, y, use) for source, effect in shifts.items()},
        int((~use).sum()), bed_thickness,
    )  # fmt: skip
    for model in models:
        _check_range(data.abscissa(model), model)
    return data, use


def _check_range(x: np.ndarray, model: Model) -> None:
    """Refuse porosities that all lie at one place: no curve is told by them."""
    if not np.ptp(x) > 1e-9 * np.max(np.abs(x)):
        what, unit = ("depth", "m") if model.abscissa == "depth" else ("effective stress", "kPa")
        raise ValueError(
            f"all {x.size} usable porosities lie at one {what}, {x[0]:g} {unit}; the model "
            f"{model.name!r} needs a range of it"
        )


def _depth(porosity: Any, depth: Any, values: np.ndarray) -> np.ndarray:
    if depth is None:
        depth = getattr(porosity, "coords", {}).get("depth")
        if depth is not None and "units" not in depth.attrs:  # the coordinate of a series is in m
            depth = depth.assign_attrs(units="m")
    if depth is None:
        raise ValueError("the fit needs a depth: give depth= or a series with that coordinate")
    z = np.asarray(units.as_floats(depth, "m", "depth"), dtype=float)
    if z.shape != values.shape:
        raise ValueError(f"{values.size} porosities and {z.size} depths do not make pairs")
    return z


def _stress(
    stress: Any, porosity: Any, shape: tuple[int, ...], allow: tuple[str, ...]
) -> tuple[np.ndarray, dict[str, Any], np.ndarray]:
    """Stress, its effects, and where it may be used."""
    series.require_same_positions(porosity=porosity, stress=stress)
    measured = series.unpack(stress, "vertical_effective_stress")
    load = np.asarray(measured.values, dtype=float)
    if load.shape != shape:
        count = int(np.prod(shape))
        raise ValueError(f"{count} porosities and {load.size} stresses do not make pairs")
    good = np.isfinite(load) & (load >= 0.0)
    name = "vertical_effective_stress_flag"
    if isinstance(stress, xr.Dataset) and name in stress:
        good &= flags.usable(stress[name].values, (*allow, "suspect"))
    return load, measured.effects, good


def _along(effect: Any, y: np.ndarray, use: np.ndarray | None = None) -> np.ndarray:
    array = np.asarray(effect, dtype=float)
    if array.ndim and use is not None:
        array = array[use]
    return np.array(np.broadcast_to(array, y.shape))


def _check(y: np.ndarray, needed: int) -> None:
    if y.size < needed:
        words = {5: "five", 4: "four"}.get(needed, str(needed))
        raise series.TooFewError(
            f"{y.size} usable porosities are too few for a fit; it needs {words}"
        )
    if np.any((y < 0) | (y > 1)):
        worst = float(y[np.argmax(np.abs(y - 0.5))])
        raise ValueError(
            f"a porosity of {worst:g} lies outside 0 to 1; are the values in per cent? Give their "
            "unit as '%'"
        )


def solve(
    model: Model, x: np.ndarray, y: np.ndarray, weight: np.ndarray | float = 1.0, *,
    start: Mapping[str, float], fixed: Mapping[str, float] | None = None, bounded: bool = True,
) -> np.ndarray:  # fmt: skip
    """Parameters of least squares, without errors.

    Parameters
    ----------
    model : Model
        What is fitted.
    x, y : ndarray, (n,)
        Data.
    weight : ndarray, (n,), or float
        Factors of the residuals.
    start, fixed : mapping of str to float
        First values of all parameters, and values that stay.
    bounded : bool
        Keep to the bounds of the model.

    Returns
    -------
    ndarray, (k,)
        NaN where the iteration fails.
    """
    held = dict(fixed or {})
    while True:
        found = _free(model, x, y, weight, {**start, **held}, held)
        if not bounded or not np.isfinite(found).all():
            return found
        # The bound that is passed farthest becomes a value that stays, and the rest is solved anew.
        low = np.array([p.low for p in model.parameters]) - found
        high = found - np.array([p.high for p in model.parameters])
        past = np.maximum(low, high)
        worst = int(np.argmax(past))
        if not past[worst] > 0.0:
            return found
        parameter = model.parameters[worst]
        held[parameter.name] = parameter.low if low[worst] > 0.0 else parameter.high


def _free(
    model: Model, x: np.ndarray, y: np.ndarray, weight: np.ndarray | float,
    start: Mapping[str, float], held: Mapping[str, float],
) -> np.ndarray:  # fmt: skip
    """Least squares without bounds in the parameters that are not held."""
    from scipy.optimize import least_squares

    values = np.array([start[name] for name in model.names])
    free = np.array([name not in held for name in model.names])
    if not free.any():
        return values

    def full(part: np.ndarray) -> np.ndarray:
        whole = values.copy()
        whole[free] = part
        return whole

    def residual(part: np.ndarray) -> np.ndarray:
        return np.asarray((model.curve(x, *full(part)) - y) * weight)

    def slopes(part: np.ndarray) -> np.ndarray:
        jacobian = model.jacobian(x, *full(part))[:, free]
        return np.asarray(jacobian * np.reshape(weight, (-1, 1)))

    tight = {"xtol": 1e-12, "ftol": 1e-12, "gtol": 1e-12}
    with np.errstate(all="ignore"):
        try:
            found = least_squares(
                residual, values[free], slopes, method="lm", x_scale="jac", **tight
            ).x
        except (ValueError, np.linalg.LinAlgError):
            return np.full(values.size, np.nan)
    return full(found)
