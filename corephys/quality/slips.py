"""The findings of the checks across tables, as a table."""

from __future__ import annotations

import json

import pandas as pd
import xarray as xr

from corephys.hole.composite.folder import instead_of_site, is_site

__all__ = ["findings"]

_COLUMNS = (
    "check",
    "file",
    "core",
    "section",
    "row",
    "count",
    "number",
    "words",
    "likely_slip",
    "cure",
    "flagged",
)


def findings(hole: xr.DataTree) -> pd.DataFrame:
    """List the contradictions between the tables of a hole.

    Parameters
    ----------
    hole : DataTree
        From ``read_hole``, ``hole_from_tables``, ``reduce`` or ``load``.

    Returns
    -------
    DataFrame
        One row for each finding: ``check``; ``file``, ``core`` and ``section`` of the first case;
        ``row``, its line in the file or position in the DataFrame, -1 where there is none;
        ``count`` of the cases; ``number`` in doubt with its unit; ``words``; ``likely_slip``;
        ``cure``; ``flagged``, the number of rows with the reason ``likely_slip``. No row for a
        hole without findings.

    Raises
    ------
    KeyError
        When the tree is a site, or the hole was read by a release without these checks.

    Notes
    -----
    The checks compare tables with each other and with physics. Their margins are rows of
    ``cp.thresholds.THRESHOLDS`` that begin with ``slip_``. No number is changed.
    """
    if is_site(hole):
        raise KeyError(instead_of_site(hole))
    if "findings" not in hole.attrs:
        raise KeyError(
            "the hole has no attribute findings: give a complete hole, or read its folder again "
            "with cp.read_hole, since an earlier release did not make the checks"
        )
    rows = []
    for entry in json.loads(hole.attrs["findings"]):
        row = -1 if entry["row"] is None else int(entry["row"])
        rows.append({**entry, "row": row, "flagged": sum(entry["flagged"].values())})
    return pd.DataFrame(rows, columns=list(_COLUMNS))
