"""Conductivity of the formation to vertical heat flow: what a needle in a core does not read.

A needle reads the conductivity across itself, in a core at room temperature and pressure. Heat
flows upward through sediment that is colder, under pressure and layered. Both differences are
named effects of their size until they are corrected for.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import companions, constants, provenance, series
from corephys.ground.arguments import positive
from corephys.uncertainty import Measured, bare, norm, stated

__all__ = ["formation_conductivity"]

_C = constants.CONSTANTS
_NAME = "thermal_conductivity"
POWERS = {"across": 0.5, "along": 1.0}  # of the ratio, in what a needle reads over k_v
CORRECTIONS = ("anisotropy", "in situ")


def formation_conductivity(
    conductivity: xr.Dataset, *, anisotropy: Any = _C["conductivity_anisotropy"],
    anisotropy_uncertainty: Any = None, in_situ: xr.Dataset | None = None,
    corrections: tuple[str, ...] = (),
) -> xr.Dataset:  # fmt: skip
    """Conductivities as those of the formation to vertical heat flow, corrected or not.

    Parameters
    ----------
    conductivity : Dataset, (reading)
        ``thermal_conductivity`` as measured [W/(m K)], with the coordinate ``direction``: along
        the core, or across it.
    anisotropy : Quantity, str, DataArray or Constant
        Horizontal over vertical conductivity of the sediment [1].
    anisotropy_uncertainty : Quantity or str, optional
        Systematic standard uncertainty of that ratio [1]. A Constant brings its own; unknown gives
        NaN.
    in_situ : Dataset, (reading), optional
        From :func:`~corephys.samples.needle.in_situ` for the same conductivities. Without it the
        effect ``in_situ_conductivity`` is unknown.
    corrections : tuple of str
        Which of ``"anisotropy"`` and ``"in situ"`` are applied; none by default.

    Returns
    -------
    Dataset, (reading)
        ``thermal_conductivity`` [W/(m K)] with the effects ``conductivity_anisotropy`` and
        ``in_situ_conductivity``; other variables are kept. Where a correction is applied
        ``thermal_conductivity_uncorrected`` [W/(m K)] holds the values as measured, and the effects
        are what the correction leaves: that of the ratio, and those of ``in_situ`` by their names.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    PositionError
        When the two Datasets lie at different positions.
    ValueError
        For a ratio that is not positive, an unknown correction or direction, or a correction
        that lacks a direction or ``in_situ``.

    Notes
    -----
    A needle reads the root of the product of the conductivities in the plane across it (Carslaw
    and Jaeger 1959, section 1.17): across the core k = k_v r^(1/2), along it k = k_h = k_v r, with
    r = k_h / k_v and level bedding. A correction that is not applied is an effect of the size
    sqrt(c^2 + u_c^2), c the correction and u_c its uncertainty (JCGM 100:2008, F.2.4.5), with the
    sign of c.

    Examples
    --------
    >>> import numpy as np, xarray as xr
    >>> from corephys import series, uncertainty
    >>> where = {"direction": ("reading", np.array(["across", "along"], dtype=object))}
    >>> k = xr.DataArray([1.1, 1.1], dims="reading", coords=where)
    >>> runs = series.build({"thermal_conductivity": uncertainty.Measured(k, 0.01)})
    >>> found = formation_conductivity(runs, anisotropy="1.21 1", corrections=("anisotropy",))
    >>> found["thermal_conductivity"].values.round(6).tolist()
    [1.0, 0.909091]
    """
    strange = [word for word in corrections if word not in CORRECTIONS]
    if strange:
        raise ValueError(f"corrections names {strange[0]!r}; there is {', '.join(CORRECTIONS)}")
    if "in situ" in corrections and in_situ is None:
        raise ValueError("the correction in situ needs in_situ=, from needle.in_situ(...)")
    conductivity = companions.library_units(conductivity)
    measured = series.unpack(conductivity, _NAME)
    k = np.asarray(bare(measured.values), dtype=float)
    turned, doubt = _anisotropy(conductivity, anisotropy, anisotropy_uncertainty, corrections)
    moved, by_source = _in_situ(conductivity, in_situ, k)
    factor = np.ones(k.shape)
    effects: dict[str, Any] = {}
    if "anisotropy" in corrections:
        factor = factor * turned
        effects["conductivity_anisotropy"] = -doubt
    else:
        effects["conductivity_anisotropy"] = _left_out(turned - 1.0, turned * doubt, -1.0)
    if "in situ" in corrections:
        factor = factor * moved
        effects.update({source: effect / moved for source, effect in by_source.items()})
    else:
        left = norm(by_source) if by_source else np.where(np.isfinite(moved), 0.0, np.nan)
        effects["in_situ_conductivity"] = _left_out(moved - 1.0, left, 1.0)
    scaled = {source: bare(effect) * factor for source, effect in measured.effects.items()}
    for source, effect in effects.items():
        scaled[source] = scaled.get(source, 0.0) + k * factor * effect
    found = Measured(
        measured.values * factor, bare(measured.u_random) * factor, scaled, measured.reason
    )
    used = {} if in_situ is None else provenance.used_constants(in_situ)
    used = {**used, "anisotropy": (anisotropy, anisotropy_uncertainty)}
    return _result(conductivity, found, corrections, used)


def _anisotropy(
    conductivity: xr.Dataset, ratio: Any, given: Any, corrections: tuple[str, ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Vertical over measured conductivity, and its relative standard uncertainty."""
    r = bare(positive(ratio, "1", "anisotropy"))
    u = stated(given, "1", "anisotropy_uncertainty", ratio)
    words = np.full(conductivity[_NAME].shape, "")
    if "direction" in conductivity.coords:
        words = conductivity["direction"].values.astype(str)
    strange = sorted(set(words.tolist()) - {*POWERS, ""})
    if strange:
        raise ValueError(f"direction is along or across, not {', '.join(map(repr, strange))}")
    if "anisotropy" in corrections and "" in words:
        raise ValueError(
            f"{int((words == '').sum())} of {words.size} conductivities have no direction (along "
            "or across), which the correction for anisotropy needs; add it, or leave the "
            "correction out"
        )
    power = np.array([POWERS.get(word, np.nan) for word in words])
    r = np.asarray(r, dtype=float)
    return r**-power, power * np.asarray(u, dtype=float) / r


def _in_situ(
    conductivity: xr.Dataset, in_situ: xr.Dataset | None, k: np.ndarray
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """In-situ over measured conductivity, and the effects of that step over the measured value."""
    if in_situ is None:
        return np.full(k.shape, np.nan), {}
    series.require_same_positions(conductivity=conductivity, in_situ=in_situ)
    found = series.unpack(in_situ, f"{_NAME}_in_situ")
    own = series.unpack(in_situ, _NAME)
    moved = np.asarray(found.values, dtype=float) / k
    step = {}
    for source, effect in found.effects.items():
        carried = np.asarray(own.effects.get(source, 0.0)) * moved
        left = (np.asarray(effect) - carried) / k
        if source not in own.effects or np.nanmax(np.abs(left), initial=0.0) > 1e-12:
            step[source] = left
    return moved, step


def _left_out(change: np.ndarray, uncertainty: np.ndarray, sign: float) -> np.ndarray:
    """Relative effect of a correction that is not applied; ``sign`` where it is zero."""
    return np.where(change == 0.0, sign, np.sign(change)) * np.hypot(change, uncertainty)


def _result(
    given: xr.Dataset, found: Measured, corrections: tuple[str, ...], used: dict[str, Any]
) -> xr.Dataset:
    words = {
        "anisotropy": "to vertical, k / r^(1/2) across the core and k / r along it "
        "(Carslaw and Jaeger 1959)",
        "in situ": "to pressure and temperature in situ",
    }
    old = json.loads(given.attrs.get("steps", "[]"))
    others = {k: v for k, v in given.attrs.items() if k not in ("steps", "constants")}
    dataset = series.build(
        {_NAME: found},
        steps=(*old, *(words[name] for name in corrections)),
        constants={**provenance.used_constants(given), **used},
        **{**others, "corrections": ", ".join(corrections) or "none"},
    )
    if corrections:
        before = given[_NAME].variable.copy(deep=False)
        before.attrs = {"units": "W/(m K)", "long_name": "thermal conductivity as measured"}
        dataset[f"{_NAME}_uncorrected"] = before
    own = (_NAME, *(f"{_NAME}_{part}" for part in ("u_random", "u_systematic", "effects", "flag",
                                                   "reason")))  # fmt: skip
    kept = {n: v.variable for n, v in given.data_vars.items() if n not in own}
    return dataset.assign({n: v for n, v in kept.items() if "source" not in v.dims})
