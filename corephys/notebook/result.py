"""One result on a card: its numbers, its flags, what its own record says against it, what next."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.figures import FIGURES
from corephys.figures.reading import NothingToDraw
from corephys.figures.sketch import sketch
from corephys.ground import flags, thresholds
from corephys.ground.cards import Card, fit_worries, with_uncertainty
from corephys.ground.vocabulary import TERMS

__all__ = ["UNKNOWN", "card", "usable_values"]

_DOTS = 100.0  # an inch of a small picture
_QUANTITIES = 6  # rows of numbers at most
# What a result says of itself when no rule is broken.
_SOUND = ("no rule is broken", "in control", "the drawn intervals agree with the errors of the fit")
UNKNOWN = "part of the uncertainty is unknown (NaN) of"
_UNLIKELY = thresholds.value("unlikely_chi_square")
# Which figure shows a leaf of the reduced hole, and what one would do next with it.
_FIGURE = {
    "properties/gamma_calibration": "gamma_calibration",
    "properties/heating_runs": "heating_run",
    "properties/formation_temperature": "station",
    "properties/strength": "strength_depth",
    "properties/consolidation_curve": "consolidation_curves",
    "products/compaction": "porosity_depth",
    "products/compaction_models": "compaction_models",
    "products/heat_flow": "heat_flow",
    "products/heat_flow_intervals": "heat_flow_tests",
    "products/heat_flow_curvature": "heat_flow_tests",
    "products/stress_profile": "stress_depth",
    "products/synthetic": "seismic_tie",
    "products/time_depth": "time_depth",
    "products/accumulation": "accumulation",
}
_NEXT = {
    "properties/gamma_calibration": "look at the residuals: a trend means trapped air, a wrong "
    "thickness or a wrong dead time",
    "properties/heating_runs": "look at the run with the largest drift: cp.figures.heating_run",
    "properties/formation_temperature": "look at each station's decay before its temperature goes "
    "on: cp.figures.station",
    "products/compaction": "compare the models, and fit by layer where the verdict speaks of a "
    "trend: cp.figures.compaction_models(reduced)",
    "products/heat_flow": "see what the choice of carrier changes: "
    'reduced["products/heat_flow_by_carrier"]; test the line: cp.figures.heat_flow_tests(reduced)',
}
_LEFT_OUT = ("points_left_out", "temperatures_left_out", "readings_left_out",
             "conductivities_left_out")  # fmt: skip
_USED = ("points_used", "temperatures_used", "readings_used", "conductivities_used")
_SAID = ("equation", "curve", "description", "checked", "model", "carrier", "bound_in_words",
         "first_by_aicc", "first_by_cross_validation")  # fmt: skip


def card(
    result: xr.Dataset, path: str = "result", tree: xr.DataTree | None = None, *,
    share: float = 0.0,
) -> Card:  # fmt: skip
    """Put a result on a card.

    Parameters
    ----------
    result : Dataset
        Of a public function, or a leaf of a reduced hole.
    path : str
        Where it stands in the hole, without the leading stroke.
    tree : DataTree, optional
        The hole, for a figure that needs more than the result itself.
    share : float
        Part of the readings that must be flagged for a worry about it, 0 to 1.

    Returns
    -------
    Card
        Numbers, worries, next steps and a small picture.
    """
    names = [str(name) for name in result.data_vars if str(name) in TERMS]
    allow = flags.allowed("" if tree is None else tree.attrs.get("recipe", ""))
    rows = [(_words(result, name), _number(result, name, allow)) for name in names[:_QUANTITIES]]
    if len(names) > _QUANTITIES:
        rows.append(("and", ", ".join(TERMS[name].long_name for name in names[_QUANTITIES:])))
    rows += _said(result)
    following = [_NEXT[path]] if path in _NEXT else []
    if "steps" in result.attrs:
        following.append("cp.explain(result) tells the steps, equations, constants and sources")
    picture = _picture(result, names, path, tree) if share == 0.0 else b""
    worries = _worries(result, names, share, allow)
    title = path.replace("_", " ")
    return Card(title, tuple(rows), tuple(worries), tuple(following), picture=picture)


def _words(result: xr.Dataset, name: str) -> str:
    return str(result[name].attrs.get("long_name", TERMS[name].long_name))


def usable_values(
    result: xr.Dataset, name: str, allow: tuple[str, ...] = ("good", "not_evaluated")
) -> np.ndarray:
    """Which values of a quantity are numbers that products may use.

    Parameters
    ----------
    result : Dataset
        With the quantity, and its flags where it has them.
    name : str
        Quantity.
    allow : tuple of str
        Levels that pass.

    Returns
    -------
    ndarray of bool
        Of all values, one after the other.
    """
    good = np.isfinite(np.atleast_1d(result[name].values.astype(float))).ravel()
    if f"{name}_flag" in result:
        good &= np.broadcast_to(
            flags.usable(result[f"{name}_flag"].values, allow).ravel(), good.shape
        )
    return good


def _number(result: xr.Dataset, name: str, allow: tuple[str, ...]) -> str:
    """One value with its uncertainty, or the middle and the span of many with the usual one."""
    unit = str(result[name].attrs.get("units", TERMS[name].unit))
    values = np.atleast_1d(result[name].values.astype(float)).ravel()
    known = f"{name}_u_random" in result and f"{name}_u_systematic" in result
    u = (
        np.atleast_1d(uncertainty.total(result, name).values).ravel()
        if known
        else np.array([np.nan])
    )
    if values.size == 1:
        return with_uncertainty(float(values[0]), float(u[0]), unit)
    good = usable_values(result, name, allow)
    n = f"{int(good.sum())} of {good.size} "
    n += "usable" if f"{name}_flag" in result else "are numbers, without flags"
    if not good.any():
        return n
    u = u[good] if u.shape == good.shape else u
    usual = u[np.isfinite(u)]
    middle = float(np.median(values[good]))
    text = with_uncertainty(middle, float(np.median(usual)) if usual.size else float("nan"), unit)
    low, high = float(values[good].min()), float(values[good].max())
    return f"median {text}; {low:.4g} to {high:.4g}; {n}"


def _said(result: xr.Dataset) -> list[tuple[str, str]]:
    """What the result's own record tells of how it was made."""
    rows = [(key.replace("_", " "), str(result.attrs[key])) for key in _SAID if key in result.attrs]
    used = [(key, result.attrs[key]) for key in (*_USED, *_LEFT_OUT) if key in result.attrs]
    if used:
        rows.append(("points", ", ".join(f"{key.replace('_', ' ')} {n}" for key, n in used)))
    if "reduced_chi_square" in result.attrs:
        words = f"{float(result.attrs['reduced_chi_square']):.2f}"
        if "chi_square_probability" in result.attrs:
            words += f", probability {float(result.attrs['chi_square_probability']):.2f}"
        rows.append(("reduced chi-square", words))
    return rows


def _worries(
    result: xr.Dataset, names: list[str], share: float, allow: tuple[str, ...]
) -> list[str]:
    worries = []
    for key in ("verdict", "status"):
        words = str(result.attrs.get(key, ""))
        if words and words not in _SOUND and "first_by_aicc" not in result.attrs:
            worries.append(words)
    if float(result.attrs.get("chi_square_probability", 1.0)) < _UNLIKELY:
        worries.append("the points scatter more than their stated errors allow")
    if "fitted_constants" in result.attrs:
        chi = json.loads(result.attrs["fitted_constants"])["reduced_chi_square"]
        worries += fit_worries(float("nan") if chi is None else float(chi), (), "1")
    # What is the same of several quantities is said once, of all of them.
    said: dict[str, list[str]] = {}
    for name in names:
        words = _flagged(result, name, share, allow)
        if words:
            said.setdefault(words, []).append(_words(result, name))
    worries += [f"{', '.join(of)}: {words}" for words, of in said.items()]
    listed = [
        _words(result, name) + ("" if part == 1.0 else f" ({100 * part:.0f} % of its values)")
        for name in names if (part := _unknown(result, name, allow)) > share
    ]  # fmt: skip
    if listed:
        worries.append(f"{UNKNOWN} {', '.join(listed)}")
    for key, what in (("depth_uncertainty", "depths"), ("datum_uncertainty", "depth datum")):
        if str(result.attrs.get(key, "")).startswith("not given"):
            worries.append(f"the uncertainty of the {what} was not given and is not in the numbers")
    if share == 0.0 and "safety" in result.attrs:
        worries.append(str(result.attrs["safety"]))
    return worries


def _flagged(result: xr.Dataset, name: str, share: float, allow: tuple[str, ...]) -> str:
    """How many values are not usable, and why."""
    if f"{name}_flag" not in result:
        return ""
    level = np.atleast_1d(result[f"{name}_flag"].values).ravel()
    bad = ~flags.usable(level, allow)
    if not bad.any() or bad.mean() < share:
        return ""
    reasons = result[f"{name}_reason"].values if f"{name}_reason" in result else None
    why = []
    if reasons is not None:
        held = np.atleast_1d(reasons).ravel()[bad]
        counts = {word: int(np.count_nonzero(held & flags.bit(word))) for word in flags.REASONS}
        ranked = sorted(counts.items(), key=lambda item: -item[1])
        why = [f"{word.replace('_', ' ')} {n}" for word, n in ranked[:5] if n]
    words = f"{int(bad.sum())} of {bad.size} not usable"
    return f"{words} ({', '.join(why)})" if why else words


def _unknown(result: xr.Dataset, name: str, allow: tuple[str, ...]) -> float:
    """Part of the usable values of a quantity whose uncertainty is not known, 0 to 1."""
    if f"{name}_u_random" not in result or f"{name}_u_systematic" not in result:
        return 0.0
    shown = usable_values(result, name, allow)
    if not shown.any():
        shown = np.isfinite(result[name].values).ravel()
    u = uncertainty.total(result, name).values.ravel()
    return float(np.mean(~np.isfinite(u[shown]))) if shown.any() else 0.0


def _picture(result: xr.Dataset, names: list[str], path: str, tree: xr.DataTree | None) -> bytes:
    """The figure that shows the result, else its first quantity against depth, else nothing."""
    attempts: list[Any] = []
    figure = _FIGURE.get(path) or ("control_charts" if "/control_" in path else None)
    if tree is not None and figure in FIGURES:
        attempts.append(lambda: FIGURES[figure](tree))
    elif "log_rate" in result:  # a calibration by itself
        alone = xr.DataTree.from_dict({"/properties/gamma_calibration": result})
        attempts.append(lambda: FIGURES["gamma_calibration"](alone))
    depth = result.coords.get("depth")
    if (
        names
        and depth is not None
        and np.isfinite(depth.values).sum() > 1
        and (result[names[0]].dims == depth.dims)
    ):
        attempts.append(lambda: sketch(result, names[0]))
    for draw in attempts:
        try:
            return draw().picture(_DOTS)
        except NothingToDraw:
            continue
    return b""
