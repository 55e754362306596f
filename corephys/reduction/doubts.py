"""What to beware of in a result and in a reduced hole: sentences, by kind and in order of weight.

Cards of a notebook and the page of a hole print the same sentences.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import flags, thresholds
from corephys.ground.cards import fit_warnings
from corephys.ground.choices import plain_words
from corephys.ground.vocabulary import TERMS
from corephys.hole import checks

__all__ = ["KINDS", "Doubt", "of_hole", "of_reading", "of_result", "usable", "words_of"]

#: Kinds of doubts, the heaviest first.
KINDS = ("failed", "reading", "verdict", "left_out", "uncertainty", "safety")
# Verdicts and states that are no warning.
_SOUND = ("no rule is broken", "in control", "the drawn intervals agree with the errors of the fit")
_UNKNOWN = "part of the uncertainty is unknown (NaN) of"
_UNLIKELY = thresholds.value("unlikely_chi_square")
_SHARE = thresholds.value("hole_flagged_share")


@dataclass(frozen=True)
class Doubt:
    """One sentence on what to beware of.

    Parameters
    ----------
    kind : str
        One of :data:`KINDS`.
    words : str
        The sentence.
    """

    kind: str
    words: str


# --------------------------------------------------------------------------------------------------
# Doubts about one result: verdicts, flags, unknown uncertainties, cautions.


def of_result(
    result: xr.Dataset,
    names: list[str],
    allow: tuple[str, ...] = ("good", "not_evaluated"),
    *,
    share: float = 0.0,
) -> list[Doubt]:
    """Doubts about a result.

    Parameters
    ----------
    result : Dataset
        Leaf of a reduced hole, or result of a public function.
    names : list of str
        Its quantities.
    allow : tuple of str
        Flag levels that count as usable.
    share : float
        Fraction of the readings that must be flagged, or without uncertainty, before it is a
        doubt; above zero, the line of caution is left out too.

    Returns
    -------
    list of Doubt
        Empty without any.
    """
    found = []
    for key in ("verdict", "status"):
        words = plain_words(result.attrs.get(key, ""))
        # The verdict on a comparison of models is its result and no warning.
        if words and words not in _SOUND and "first_by_aicc" not in result.attrs:
            found.append(Doubt("verdict", words))
    if float(result.attrs.get("chi_square_probability", 1.0)) < _UNLIKELY:
        found.append(Doubt("verdict", "the points scatter more than their stated errors allow"))
    if "fitted_constants" in result.attrs:
        chi = json.loads(result.attrs["fitted_constants"])["reduced_chi_square"]
        chi = float("nan") if chi is None else float(chi)
        found += [Doubt("verdict", words) for words in fit_warnings(chi, (), "1")]
    # Quantities with the same words share one line.
    shared: dict[str, list[str]] = {}
    for name in names:
        words = _flagged(result, name, share, allow)
        if words:
            shared.setdefault(words, []).append(words_of(result, name))
    found += [Doubt("left_out", f"{', '.join(of)}: {words}") for words, of in shared.items()]
    listed = [
        words_of(result, name) + ("" if part == 1.0 else f" ({100 * part:.0f} % of its values)")
        for name in names
        if (part := _unknown(result, name, allow)) > share
    ]
    if listed:
        found.append(Doubt("uncertainty", f"{_UNKNOWN} {', '.join(listed)}"))
    for key, what in (("depth_uncertainty", "depths"), ("datum_uncertainty", "depth datum")):
        if str(result.attrs.get(key, "")).startswith("not given"):
            words = f"the uncertainty of the {what} was not given and is not in the numbers"
            found.append(Doubt("uncertainty", words))
    # A list for a hole would repeat the line for every leaf.
    if share == 0.0 and "safety" in result.attrs:
        found.append(Doubt("safety", str(result.attrs["safety"])))
    return found


def words_of(result: xr.Dataset, name: str) -> str:
    """Long name of a quantity of a result."""
    return str(result[name].attrs.get("long_name", TERMS[name].long_name))


def usable(
    result: xr.Dataset, name: str, allow: tuple[str, ...] = ("good", "not_evaluated")
) -> np.ndarray:
    """Mask of the values that are numbers with an allowed flag.

    Parameters
    ----------
    result : Dataset
        Result with the quantity.
    name : str
        Quantity.
    allow : tuple of str
        Flag levels that count as usable.

    Returns
    -------
    (n,) ndarray of bool
        Values in the order of the array, along one dimension.
    """
    good = np.isfinite(np.atleast_1d(result[name].values.astype(float))).ravel()
    if f"{name}_flag" in result:
        good &= np.broadcast_to(
            flags.usable(result[f"{name}_flag"].values, allow).ravel(), good.shape
        )
    return good


def _flagged(result: xr.Dataset, name: str, share: float, allow: tuple[str, ...]) -> str:
    """Number of values that are not usable, with the five most frequent reasons."""
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
        counts = {
            word: int(np.count_nonzero((held & flags.bit(word)) != 0)) for word in flags.REASONS
        }
        ranked = sorted(counts.items(), key=lambda item: -item[1])
        why = [f"{word.replace('_', ' ')} {n}" for word, n in ranked[:5] if n]
    words = f"{int(bad.sum())} of {bad.size} not usable"
    return f"{words} ({', '.join(why)})" if why else words


def _unknown(result: xr.Dataset, name: str, allow: tuple[str, ...]) -> float:
    """Fraction of the usable values of a quantity whose uncertainty is not known."""
    if f"{name}_u_random" not in result or f"{name}_u_systematic" not in result:
        return 0.0
    shown = usable(result, name, allow)
    if not shown.any():
        shown = np.isfinite(result[name].values).ravel()
    u = uncertainty.total(result, name).values.ravel()
    return float(np.mean(~np.isfinite(u[shown]))) if shown.any() else 0.0


# --------------------------------------------------------------------------------------------------
# Doubts about a hole: what reading found, failed stages, and the doubts about its results.


def of_reading(tree: xr.DataTree) -> list[str]:
    """Findings of the checks across tables; unreadable cells and pictures; exact copies of rows.

    Parameters
    ----------
    tree : DataTree
        Hole, raw or reduced.

    Returns
    -------
    list of str
        One sentence each.
    """
    warnings = checks.sentences(tree.attrs)
    if "site_not_used" in tree.attrs:
        warnings.append(
            f"{tree.attrs['site_not_used']} of the site not used; read the hole with site="
        )
    for node in tree.leaves:
        table = node.path.strip("/")
        bad = json.loads(node.attrs.get("bad_cells", "[]"))
        if bad:
            by_column = Counter(str(column) for _, column, _ in bad)
            shown = ", ".join(f"{column} {count}" for column, count in by_column.items())
            warnings.append(
                f"{table}: {len(bad)} cell{'s' * (len(bad) > 1)} that could not be read, "
                f"flagged ({shown})"
            )
        unread = json.loads(node.attrs.get("pictures_not_read", "{}"))
        if unread:
            file, why = next(iter(unread.items()))
            more = f", and {len(unread) - 1} more" if len(unread) > 1 else ""
            warnings.append(f"images: {file} is not read: {why}{more}")
        copies = len(json.loads(node.attrs.get("exact_copies", "[]")))
        if copies:
            words = "row is an exact copy" if copies == 1 else "rows are exact copies"
            warnings.append(f"{table}: {copies} {words} of an earlier row, not used")
    return warnings


def of_hole(tree: xr.DataTree) -> list[Doubt]:
    """Doubts about a reduced hole: failed stages, findings, verdicts, readings left out.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.

    Returns
    -------
    list of Doubt
        In the order of the stages. Results with the same words share one line; a series is listed
        when at least the share ``hole_flagged_share`` of its readings is not usable.
    """
    failed = json.loads(tree.attrs["summary"]).get("failed", {})
    found = [Doubt("failed", f"the stage {stage} failed: {e}") for stage, e in failed.items()]
    found += [Doubt("reading", words) for words in of_reading(tree)]
    allow = flags.allowed(tree.attrs.get("recipe", ""))
    shared: dict[Doubt, list[str]] = {}
    for node in tree.leaves:
        if not node.path.startswith(("/properties", "/products")):
            continue
        place = node.path.rpartition("/")[2].replace("_", " ")
        result = node.to_dataset(inherit=False)
        names = [str(name) for name in result.data_vars if str(name) in TERMS]
        for doubt in of_result(result, names, allow, share=_SHARE):
            if doubt.words.startswith(_UNKNOWN):
                shared.setdefault(Doubt(doubt.kind, f"{_UNKNOWN} some quantities"), []).append(
                    place
                )
            elif doubt.kind == "left_out":
                quantity, _, counts = doubt.words.partition(": ")
                shared.setdefault(Doubt(doubt.kind, counts), []).append(f"{quantity} ({place})")
            else:
                shared.setdefault(doubt, []).append(place)
    return found + [Doubt(d.kind, f"{', '.join(p)}: {d.words}") for d, p in shared.items()]
