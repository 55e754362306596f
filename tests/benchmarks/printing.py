"""Files of all figures of a hole: ours in one and two processes, and the plain way.

The plain way is what a practised hand writes: ``savefig`` of matplotlib for each kind of picture,
with its constrained layout in place, and ``DataFrame.to_csv``. The competent way lays each figure
out once before it prints. Neither embeds a font, so that both do a little less than ours.

Run on demand: ``python -m tests.benchmarks.printing [kinds]``. Only the ratios mean something.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

import corephys as cp
from corephys import figures
from corephys.figures.style import SETTINGS
from tests.benchmarks.row import Row

HOLE = Path(__file__).resolve().parents[2] / "data_demo" / "hole"


def by_savefig(tree, folder, kinds, once):
    """Each kind by ``savefig`` of matplotlib; ``once`` fixes the layout before."""
    for name, draw in figures.FIGURES.items():
        try:
            figure = draw(tree)
        except figures.NothingToDraw:
            continue
        FigureCanvasAgg(figure)
        with matplotlib.rc_context(SETTINGS):
            if once:
                figure.draw_without_rendering()
                figure.set_layout_engine("none")
            for kind in kinds:
                dots = 200 if kind == "png" else 300
                Figure.savefig(figure, folder / f"{name}.{kind}", dpi=dots)
        table = figure.table()
        options = {"index": False, "float_format": "%.10g", "lineterminator": "\n"}
        table.to_csv(folder / f"{name}.csv", **options)
        (folder / f"{name}.txt").write_text(f"{figure.caption}\n", encoding="utf-8")


def timed(function, tree, *arguments, **options):
    """Time of one run [s], in a folder of its own, and its tables."""
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        function(tree, Path(folder), *arguments, **options)
        seconds = time.perf_counter() - start
        return seconds, {path.name: path.read_bytes() for path in Path(folder).glob("*.csv")}


def main(*kinds: str) -> list[Row]:
    """Print times and ratios; return them for the table."""
    kinds = kinds or ("png", "svg")
    tree = cp.reduce(cp.read_hole(HOLE))
    figures.heat_flow(tree).picture()  # what is loaded once in a process
    plain, expected = timed(by_savefig, tree, kinds, once=False)
    competent, _ = timed(by_savefig, tree, kinds, once=True)
    alone, tables = timed(figures.write_figures, tree, kinds=kinds, processes=1)
    shared, others = timed(figures.write_figures, tree, kinds=kinds, processes=2)
    assert tables == others == expected
    print(
        f"figures of the demo hole as {', '.join(kinds)}, CSV and text: one process {alone:.1f} s"
    )
    print(f"  two processes, the start of one among it: {shared:.1f} s, ratio {alone / shared:.2f}")
    print(f"  savefig, laid out once {competent:.1f} s, ratio {competent / alone:.2f}")
    print(f"  savefig of each kind {plain:.1f} s, ratio {plain / alone:.2f}")
    size = f"{len(tables)} figures, {' and '.join(kinds)}"
    return [
        Row("figures, one process", size, alone, competent, plain),
        Row("figures, two processes", size, shared, competent, plain),
    ]


if __name__ == "__main__":
    main(*sys.argv[1:])
