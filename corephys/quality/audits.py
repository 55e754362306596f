"""Counts of readings kept and left out, by quantity, core and reason."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import flags, series
from corephys.ground.registry import Compiled
from corephys.hole.composite.folder import instead_of_site, is_site

__all__ = ["Audit", "audit"]

# Quantity of the scan -> where it stands under /properties of a reduced hole.
SCAN = Compiled(lambda sensors: {s.quantity: s.path.removeprefix("properties/") for s in sensors})


@dataclass(frozen=True)
class Audit:
    """Counts of readings kept and left out.

    Parameters
    ----------
    readings : DataFrame
        One row for each quantity, core and reason: ``quantity``, ``core``, ``reason``,
        ``flagged`` (readings with the reason) and ``alone`` (readings with no other reason).
    cores : DataFrame
        One row for each quantity and core: ``readings``, ``kept``, ``suspect``, ``bad``,
        ``missing`` and ``share_kept``.
    levels : tuple of str
        Flag levels that count as kept.
    """

    readings: pd.DataFrame
    cores: pd.DataFrame
    levels: tuple[str, ...]

    @property
    def by_quantity(self) -> pd.DataFrame:
        """Readings and kept readings of every quantity, all cores together."""
        columns = ["readings", "kept", "suspect", "bad", "missing"]
        total = self.cores.groupby("quantity", sort=False)[columns].sum()
        return total.assign(share_kept=total["kept"] / total["readings"])

    @property
    def by_reason(self) -> pd.DataFrame:
        """Readings with each reason, one column for each quantity, in the order of the tests."""
        table = self.readings.pivot_table(
            index="reason", columns="quantity", values="flagged", aggfunc="sum", fill_value=0
        )
        rows = [word for word in flags.REASONS if word in table.index]
        names = [name for name in self.by_quantity.index if name in table.columns]
        return table.loc[rows, names].astype(int)

    def __repr__(self) -> str:
        return (
            f"Audit of {len(self.by_quantity)} quantities, kept: {', '.join(self.levels)}\n"
            f"{_percent(self.by_quantity).to_string()}\n\n{self.by_reason.to_string()}"
        )

    def _repr_html_(self) -> str:
        kept = _percent(self.by_quantity)
        return (
            f"<p>Audit; kept: {html.escape(', '.join(self.levels))}</p>"
            f"{kept.to_html(escape=True)}{self.by_reason.to_html(escape=True)}"
        )


def _percent(table: pd.DataFrame) -> pd.DataFrame:
    words = [f"{share:.1%}" for share in table["share_kept"]]
    return table.drop(columns="share_kept").assign(kept_of_all=words)


def audit(
    tree: xr.DataTree,
    *,
    allow: tuple[str, ...] = ("good", "not_evaluated"),
    quantities: Sequence[str] | None = None,
) -> Audit:
    """Count the readings that a reduction kept, by core and by reason.

    Parameters
    ----------
    tree : DataTree
        Reduced hole; series in ``/properties`` with flags.
    allow : tuple of str
        Flag levels that count as kept.
    quantities : sequence of str
        Quantities to count; by default those of all registered sensors.

    Returns
    -------
    Audit
        Tables by quantity, core and reason. A reading with two reasons is counted under both.

    Raises
    ------
    ValueError
        When the hole has none of the quantities with flags.
    """
    if isinstance(allow, str):
        allow = (allow,)
    if quantities is None:
        quantities = tuple(SCAN)
    elif isinstance(quantities, str):
        quantities = (quantities,)
    per_reason: list[Any] = []
    per_core: list[Any] = []
    for name in quantities:
        for place, label in (
            (SCAN.get(name, name), name),
            (f"supplied_{name}", f"{name}, supplied"),
        ):
            dataset = series.leaf(tree, f"properties/{place}")
            if dataset is not None and f"{name}_reason" in dataset and dataset[name].ndim == 1:
                _count(dataset, name, label, allow, per_reason, per_core)
    if not per_core and is_site(tree):
        raise ValueError(instead_of_site(tree))
    if not per_core:
        raise ValueError(
            f"the hole has none of {', '.join(quantities)} with flags; reduce it first"
        )
    columns = ["quantity", "core", "reason", "flagged", "alone"]
    cores = pd.DataFrame(per_core)
    cores["share_kept"] = cores["kept"] / cores["readings"]
    return Audit(pd.DataFrame(per_reason, columns=columns), cores, tuple(allow))


def _count(
    dataset: xr.Dataset,
    name: str,
    quantity: str,
    allow: tuple[str, ...],
    per_reason: list[Any],
    per_core: list[Any],
) -> None:
    flag = dataset[f"{name}_flag"].values
    reason = dataset[f"{name}_reason"].values
    core = (
        dataset.coords["core"].values.astype(str)
        if "core" in dataset.coords
        else np.full(flag.shape, "")
    )
    doubt = sum(
        flags.bit(word) for word, level in flags.REASONS.items() if level not in (flags.GOOD,)
    )
    kept = flags.usable(flag, allow)
    for label in dict.fromkeys(core):
        here = core == label
        masks = reason[here]
        per_core.append(
            {
                "quantity": quantity,
                "core": label,
                "readings": int(here.sum()),
                "kept": int(kept[here].sum()),
                "suspect": int((flag[here] == flags.SUSPECT).sum()),
                "bad": int((flag[here] == flags.BAD).sum()),
                "missing": int((flag[here] == flags.MISSING).sum()),
            }
        )
        for word in flags.REASONS:
            bit = flags.bit(word)
            found = (masks & bit) != 0
            if found.any():
                alone = int(np.count_nonzero(found & ((masks & doubt & ~bit) == 0)))
                per_reason.append((quantity, label, word, int(found.sum()), alone))
