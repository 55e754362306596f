"""The gallery: every figure of the package with its picture, its caption and the code behind it.

The pictures are drawn by the code that the page shows, on the demo hole and the demo site.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import corephys as cp
from corephys.figures import FIGURES

__all__ = ["GROUPS", "draw", "page"]

ROOT = Path(__file__).resolve().parents[2]
_DOTS = 100.0  # dots per inch of a picture on a screen

# Group of the page -> keys of FIGURES, in their order; a test asks for all of them.
GROUPS: dict[str, tuple[str, ...]] = {
    "The hole at a glance": ("summary", "scan", "description", "core_description"),
    "Samples and properties": (
        "index_properties", "density_comparison", "reported_values", "velocity_axes",
        "velocity_porosity", "velocity_density", "formation_factor",
    ),
    "Compaction, stress and strength": (
        "porosity_depth", "compaction_models", "stress_depth", "strength_depth",
        "consolidation_curves", "accumulation",
    ),
    "Heat": (
        "heating_run", "station", "temperature_records", "heat_flow", "heat_flow_tests",
    ),
    "Seismics and logs": ("seismic_tie", "time_depth", "log_comparison"),
    "Quality": ("gamma_calibration", "control_charts", "audit", "uncertainty_budget"),
}  # fmt: skip

_HEAD = """\
# Gallery

Every figure is drawn by the line of code below it, on the [demo hole](demo_data.md), which is
invented. Begin with:

```python
import corephys as cp

reduced = cp.reduce(cp.read_hole(cp.datasets.demo_hole()))
```

A figure is a matplotlib figure with a caption and the data that it draws:
`figure.savefig("name.pdf")`, `cp.figures.save(figure, "figures", "name")`, `figure.caption`,
`figure.table()`. Flagged readings are drawn as grey rings or grey symbols. Colours, labels, size,
scales and more are options of every figure, see [how to adapt a figure](../figures.md).
"""


def _summary(function: Callable[..., Any]) -> str:
    """First sentence of a docstring."""
    return " ".join((inspect.getdoc(function) or "").split("\n\n")[0].split())


def _names() -> list[str]:
    return [name for names in GROUPS.values() for name in names]


def page(captions: dict[str, str] | None = None) -> str:
    """Text of the page; a figure without a caption was not drawn and has no picture."""
    captions = dict.fromkeys(_names(), "") if captions is None else captions
    lines = [_HEAD, "`````{container} gallery"]
    for name in _names():
        if name in captions:
            lines += [
                f"```{{image}} gallery/{name}.png",
                f":alt: {_summary(FIGURES[name])}",
                f':target: "#{name.replace("_", "-")}"',
                "```",
            ]
    lines += ["`````", ""]
    for group, names in GROUPS.items():
        lines += [f"## {group}", ""]
        for name in names:
            function = FIGURES[name]
            lines += [
                f"### {name.replace('_', ' ')}",
                "",
                _summary(function),
                "",
                "```python",
                f"cp.figures.{function.__name__}(reduced)",
                "```",
                "",
            ]
            if name in captions:
                lines += [f"![{_summary(function)}](gallery/{name}.png)", "", captions[name], ""]
            else:
                lines += ["The demo hole lacks the data of this figure.", ""]
    return "\n".join(lines).rstrip() + "\n"


def draw(folder: Path, state: str) -> dict[str, str]:
    """Draw all pictures and return their captions; nothing is drawn twice for one state.

    ``folder`` is that of the pictures, ``state`` a digest of the code and data behind them.
    """
    note = folder / "captions.json"
    if note.is_file():
        held = json.loads(note.read_text(encoding="utf-8"))
        if held["state"] == state and all(
            (folder / f"{n}.png").is_file() for n in held["captions"]
        ):
            return dict(held["captions"])
    folder.mkdir(parents=True, exist_ok=True)
    reduced = cp.reduce(cp.read_hole(ROOT / "data_demo" / "hole"))
    captions = {}
    for name in _names():
        try:
            figure = FIGURES[name](reduced)
        except cp.figures.NothingToDraw:
            continue
        (folder / f"{name}.png").write_bytes(figure.picture(_DOTS))
        captions[name] = " ".join(figure.caption.split())
    note.write_text(json.dumps({"state": state, "captions": captions}), encoding="utf-8")
    return captions
