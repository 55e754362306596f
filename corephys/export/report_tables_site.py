"""Tables of a site: shifts of its cores, and the composite sequence."""

from __future__ import annotations

import numpy as np
import xarray as xr

from corephys.export.report_table import (
    Column,
    NothingToTabulate,
    ReportTable,
    fixed_column,
    text_column,
    values_of,
)
from corephys.ground.cards import digits
from corephys.hole.composite.core_shifts import shifts_in_metres
from corephys.hole.composite.sequences import sequence_in_metres

__all__ = ["sequence_table", "shift_table"]


def shift_table(shifts: xr.Dataset) -> ReportTable:
    """Shift of every core onto composite depth.

    Parameters
    ----------
    shifts : Dataset
        From ``cp.composite.shifts``.

    Returns
    -------
    ReportTable
        Hole, core, top of the core [m], shift and its uncertainty [m], how it is tied.

    Raises
    ------
    NothingToTabulate
        When it is no result of that function, or without a core.
    """
    needed = {"hole", "core", "core_top", "shift", "shift_u_random", "tied"}
    if not needed <= set(shifts.variables) or not shifts["shift"].size:
        raise NothingToTabulate("the table of shifts takes what cp.composite.shifts returned")
    shifts = shifts_in_metres(shifts)
    value = shifts["shift"].values.astype(float)
    u = shifts["shift_u_random"].values.astype(float)
    pairs = [
        (f"{v:.2f}", "") if s == 0.0 or not np.isfinite(s) else digits(float(v), float(s))
        for v, s in zip(value, u, strict=True)
    ]
    tied = shifts["tied"].values.astype(str)
    columns = (
        text_column("hole", shifts["hole"].values),
        text_column("core", shifts["core"].values),
        fixed_column("top [m]", shifts["core_top"].values, 2),
        Column("shift [m]", tuple(p[0] for p in pairs), values_of(value)),
        Column("± [m]", tuple(p[1] for p in pairs), values_of(u)),
        text_column("how", tied),
    )
    counts = ", ".join(f"{int((tied == word).sum())} {word}" for word in dict.fromkeys(tied))
    notes = (
        "Composite depth is depth in the hole and shift; top is the depth below seafloor at which "
        "the core began.",
        f"Of {tied.size} cores: {counts}. A carried core has the shift of the core above it, which "
        "is a guess; the anchor's shift is set.",
        "± is the standard uncertainty against the anchor, k = 1; empty where it is not known.",
    )
    return ReportTable("core_shifts", "Shifts of the cores", columns, notes)


def sequence_table(sequence: xr.Dataset) -> ReportTable:
    """Intervals of the composite sequence, from the top downward.

    Parameters
    ----------
    sequence : Dataset
        From ``cp.composite.checked_sequence``.

    Returns
    -------
    ReportTable
        Hole, core, ends in the hole and on composite depth [m].

    Raises
    ------
    NothingToTabulate
        When it is no result of that function, or without an interval.
    """
    ends = ("top", "bottom", "top_composite", "bottom_composite")
    if not {"hole", "core", *ends} <= set(sequence.variables) or not sequence["top"].size:
        raise NothingToTabulate(
            "the table of the sequence takes what cp.composite.checked_sequence returned"
        )
    sequence = sequence_in_metres(sequence)
    columns = (
        text_column("hole", sequence["hole"].values),
        text_column("core", sequence["core"].values),
        *(fixed_column(f"{name.replace('_', ' ')} [m]", sequence[name].values, 2) for name in ends),
    )
    notes = ("Top and bottom are depths below seafloor in the hole, as drilled.",)
    return ReportTable("composite_sequence", "Composite sequence", columns, notes)
