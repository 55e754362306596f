"""One line of the table of benchmarks."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Row", "table"]


@dataclass(frozen=True)
class Row:
    """What was timed, beside what else was timed in the same run.

    Parameters
    ----------
    what, size : str
        The work and how much of it.
    ours : float
        [s].
    competent, naive : float, optional
        What a practised hand writes in the usual libraries, and the plain way [s]; scaled where
        only a part of it was run.
    memory : float, optional
        Beside the input [MiB].
    """

    what: str
    size: str
    ours: float
    competent: float | None = None
    naive: float | None = None
    memory: float | None = None


def table(rows: list[Row]) -> str:
    """Markdown; only the ratios mean something from one machine to another."""
    head = ("work", "size", "ours [s]", "competent [s]", "naive [s]", "memory [MiB]",
            "competent / ours", "naive / ours")  # fmt: skip
    lines = [head, ("---",) * len(head)]
    for row in rows:
        memory = "" if row.memory is None else f"{row.memory:.0f}"
        lines.append((
            row.what, row.size, f"{row.ours:.3g}", _seconds(row.competent), _seconds(row.naive),
            memory, _ratio(row.competent, row.ours), _ratio(row.naive, row.ours),
        ))  # fmt: skip
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _seconds(value: float | None) -> str:
    return "" if value is None else f"{value:.3g}"


def _ratio(other: float | None, ours: float) -> str:
    return "" if other is None else f"{other / ours:.3g}"
