"""Files of figures: one layout, one drawing a kind, the same bytes in every process."""

from __future__ import annotations

import base64
import io
import multiprocessing
import os
import re
import signal
import subprocess
import sys
import time
import warnings
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from fontTools import ttLib
from matplotlib import font_manager, layout_engine
from matplotlib.figure import Figure
from PIL import Image

from corephys import cli, figures, sensors
from corephys.figures import plate, printing, processes
from corephys.figures.files import PICTURES, printed
from corephys.figures.plate import COLUMNS
from corephys.figures.style import SETTINGS
from tests.reduced_tree import reduced_tree

NAMES = ("summary", "scan", "gamma_calibration", "porosity_depth")


@pytest.fixture(scope="module")
def tree() -> xr.DataTree:
    return reduced_tree(300)


def contents(paths: list[Path]) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in paths}


# --------------------------------------------------------------------------------------------------
# One layout, one drawing of each kind.


def test_a_figure_is_laid_out_once_and_drawn_once_a_kind(
    tree: xr.DataTree, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted = {"draw": 0, "layout": 0}

    def counting(kind: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **options: Any) -> Any:
            counted[kind] += 1
            return function(*arguments, **options)

        return call

    monkeypatch.setattr(Figure, "draw", counting("draw", Figure.draw))
    engine = layout_engine.ConstrainedLayoutEngine
    monkeypatch.setattr(engine, "execute", counting("layout", engine.execute))
    figure = figures.porosity_depth(tree)
    figures.save(figure, tmp_path, "x", kinds=("png", "svg", "pdf", "csv", "txt"))
    assert counted == {"draw": 3, "layout": 1}
    figure.picture(100.0)
    figure.savefig(io.BytesIO(), format="svg")
    assert counted == {"draw": 5, "layout": 1}


def test_savefig_gives_the_bytes_of_save(tree: xr.DataTree, tmp_path: Path) -> None:
    figure = figures.porosity_depth(tree)
    saved = figures.save(figure, tmp_path / "saved", "x", kinds=PICTURES)
    with matplotlib.rc_context({"svg.fonttype": "path", "pdf.fonttype": 3, "font.size": 20.0}):
        for path in saved:
            figure.savefig(tmp_path / path.name)
            figure.savefig(str(tmp_path / f"again{path.suffix}"))
            stream = io.BytesIO()
            figure.savefig(stream, format=path.suffix[1:])
            given = (tmp_path / path.name, tmp_path / f"again{path.suffix}")
            assert {path.read_bytes(), *(one.read_bytes() for one in given)} == {stream.getvalue()}


def test_savefig_takes_the_arguments_of_matplotlib(tree: xr.DataTree) -> None:
    figure = figures.porosity_depth(tree)

    def picture(**options: Any) -> Image.Image:
        stream = io.BytesIO()
        figure.savefig(stream, format="png", **options)
        return Image.open(stream)

    usual = picture()
    assert usual.mode == "RGB" and usual.info["Description"] == figure.caption
    assert usual.width == pytest.approx(200 * figure.get_size_inches()[0], abs=1)
    assert picture(dpi=100).width == pytest.approx(usual.width / 2, abs=1)
    assert picture(bbox_inches="tight").size != usual.size
    assert picture(metadata={"Title": "porosity"}).info["Title"] == "porosity"
    clear = picture(transparent=True)
    assert clear.mode == "RGBA" and np.asarray(clear)[..., 3].min() == 0
    assert np.array_equal(np.asarray(picture()), np.asarray(usual))  # nothing stayed changed


def test_a_picture_has_the_pixels_of_the_drawing(tree: xr.DataTree) -> None:
    figure = figures.gamma_calibration(tree)
    picture = np.asarray(Image.open(io.BytesIO(figure.picture(100.0))))
    with matplotlib.rc_context(SETTINGS):
        figure.canvas.draw()  # type: ignore[no-untyped-call]
    drawing = np.asarray(figure.canvas.buffer_rgba())  # type: ignore[attr-defined]
    assert (drawing[..., 3] == 255).all()
    np.testing.assert_array_equal(picture, drawing[..., :3])


def test_boxes_are_those_of_matplotlib() -> None:
    top, bottom = np.array([0.0, 2.0, 5.0]), np.array([1.5, 2.0, 9.0])
    for width in (1.0, np.array([1.0, 3.0, 2.0])):
        with plate.new_plate(60.0, 60.0) as figure:
            ours, theirs = figure.subplots(1, 2)
            plate.boxes(ours, "panel", "boxes", top, bottom, width=width, hatch="//")
            theirs.barh(top, width, bottom - top, align="edge", color="0.5", edgecolor="black",
                        linewidth=0.4, hatch="//")  # fmt: skip
        assert ours.get_xlim() == theirs.get_xlim() and ours.get_ylim() == theirs.get_ylim()
        for one, other in zip(ours.patches, theirs.patches, strict=True):
            assert one.get_bbox().bounds == other.get_bbox().bounds
            assert one.get_facecolor() == other.get_facecolor()
            assert one.get_edgecolor() == other.get_edgecolor()
            assert one.get_zorder() == other.get_zorder() and one.get_hatch() == other.get_hatch()


# --------------------------------------------------------------------------------------------------
# The font of an SVG.


def embedded(svg: bytes) -> ttLib.TTFont:
    found = re.search(rb"data:font/ttf;base64,([A-Za-z0-9+/=]+)", svg)
    assert found is not None
    return ttLib.TTFont(io.BytesIO(base64.b64decode(found[1])))


def test_the_font_holds_the_letters_and_no_table_without_use(tree: xr.DataTree) -> None:
    font = embedded(printed(figures.porosity_depth(tree), ["svg"])["svg"])
    assert not {"FFTM", "GDEF", "GPOS", "GSUB", "MATH", "kern"} & set(font.keys())
    assert {"cmap", "glyf", "head", "hhea", "hmtx", "loca", "maxp", "name", "OS/2", "post"} <= set(
        font.keys()
    )


@pytest.mark.parametrize("words", ["Hole 7 [g/cm³]", "Скважина 7", "Hole №7 → ≥ ½"])
def test_letters_of_any_script_are_in_the_font(words: str) -> None:
    with plate.new_plate(60.0, 40.0) as figure:
        figure.text(0.1, 0.5, words)
        figure.subplots()
    letters = {chr(code) for code in embedded(printed(figure, ["svg"])["svg"]).getBestCmap()}
    assert set(words) <= letters


def test_the_font_of_a_figure_is_that_of_the_file() -> None:
    letters = frozenset("Hole 7 [g/cm³] −½ µ°Ω")
    file = font_manager.findfont("DejaVu Sans")
    assert letters < printing._USUAL
    assert printing._letters(letters) == printing._subset(file, letters)


# --------------------------------------------------------------------------------------------------
# The table.


TABLES: dict[str, list[dict[str, Any]]] = {
    "nothing": [],
    "floats": [{"a": [1.0, np.pi * 1e-12, -0.0], "b": "x", "c": ["u", "v", "u"]}],
    "missing": [{"a": [np.nan, 2.5], "b": "x", "c": ""}, {"a": [np.nan], "b": "y", "c": ["w"]}],
    "infinite": [{"a": [np.inf, -np.inf, np.nan], "b": "x", "c": ""}],
    "whole": [{"a": [1, 12345678901234], "b": "x", "c": ""}],
    "whole and float": [{"a": [1, 2], "b": "x", "c": ""}, {"a": [0.5], "b": "x", "c": ""}],
    "quotes": [{"a": [1.0, 2.0], "b": 'say "a, b" 100 % %s', "c": ["\n", 'it"s']}],
    "empty": [{"a": [], "b": "x", "c": ""}, {"a": [7.0], "b": "", "c": ""}],
    "single": [{"a": np.array([0.1, 16777217], dtype=np.float32), "b": "x", "c": ""}],
    "times": [{"a": np.array(["2026-01-01", "NaT"], "datetime64[s]"), "b": "x", "c": ""}],
    "objects": [{"a": np.array([1.0, None, "n"], dtype=object), "b": "x", "c": ""}],
}


@pytest.mark.parametrize("name", sorted(TABLES))
def test_the_table_is_that_of_pandas(name: str) -> None:
    columns = ("a", "b", "c")
    frames = [pd.DataFrame(held)[list(columns)] for held in TABLES[name] if len(held["a"])]
    joined = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)
    expected = joined.to_csv(index=False, float_format="%.10g", lineterminator="\n")
    assert printing.csv_bytes(TABLES[name], columns).decode() == expected


def test_every_figure_has_the_table_of_pandas(tree: xr.DataTree) -> None:
    drawn = 0
    for draw in figures.FIGURES.values():
        try:
            figure = draw(tree)
        except figures.NothingToDraw:
            continue
        drawn += 1
        assert tuple(figure.table().columns) == COLUMNS
        expected = figure.table().to_csv(index=False, float_format="%.10g", lineterminator="\n")
        assert printed(figure, ["csv"])["csv"].decode() == expected
    assert drawn > 8


# --------------------------------------------------------------------------------------------------
# Several processes.


def test_two_processes_write_the_bytes_of_one(tree: xr.DataTree, tmp_path: Path) -> None:
    alone = figures.write_figures(tree, tmp_path / "1", names=NAMES, processes=1)
    shared = figures.write_figures(tree, tmp_path / "2", names=NAMES, processes=2)
    assert [path.name for path in alone] == [path.name for path in shared]
    assert [path.name for path in alone] == [
        f"{name}.{kind}" for name in NAMES for kind in ("png", "svg", "csv", "txt")
    ]
    assert contents(alone) == contents(shared)


@pytest.mark.slow
def test_all_figures_of_a_hole_by_three_processes(
    demo_reduced: xr.DataTree, tmp_path: Path
) -> None:
    alone = figures.write_figures(demo_reduced, tmp_path / "1", processes=1)
    shared = figures.write_figures(demo_reduced, tmp_path / "3", processes=3)
    assert len(alone) > 100 and contents(alone) == contents(shared)


def test_a_process_draws_what_it_is_handed(tree: xr.DataTree, tmp_path: Path) -> None:
    helper = processes._Helper(
        tree, figures.FIGURES, deque(["porosity_depth", "station"]), tmp_path, ("csv", "txt")
    )
    try:
        helper.wait()
        written = helper.result()
    finally:
        helper.stop()
    assert list(written) == ["porosity_depth"]  # the hole has no station
    assert (
        contents(written["porosity_depth"])["porosity_depth.csv"]
        == printed(figures.porosity_depth(tree), ["csv"])["csv"]
    )


def test_an_error_of_another_process_is_raised_here(tree: xr.DataTree, tmp_path: Path) -> None:
    wrong: Any = plate.symbol_key  # needs two arguments more
    helper = processes._Helper(tree, {"wrong": wrong}, deque(["wrong"]), tmp_path, ("txt",))
    try:
        with pytest.raises(TypeError, match="symbol_key"):
            helper.wait()
    finally:
        helper.stop()
    (tmp_path / "heat_flow.txt").mkdir()  # a file that cannot be written
    helper = processes._Helper(tree, figures.FIGURES, deque(["heat_flow"]), tmp_path, ("txt",))
    try:
        with pytest.raises(IsADirectoryError, match=r"heat_flow\.txt"):
            helper.wait()
    finally:
        helper.stop()


def test_a_process_that_ends_early_leaves_no_figure_out(
    tree: xr.DataTree, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    code = processes._START.replace("serve()", "os._exit(7)").replace(
        "import sys", "import os, sys"
    )
    monkeypatch.setattr(processes, "_START", code)
    with pytest.warns(RuntimeWarning, match="ended early"):
        written = figures.write_figures(tree, tmp_path, names=NAMES, processes=2)
    assert len(written) == 4 * len(NAMES)


def test_a_hole_that_cannot_be_sent_is_drawn_here(tree: xr.DataTree, tmp_path: Path) -> None:
    odd = tree.copy()
    odd.attrs["own"] = lambda: None
    with pytest.warns(RuntimeWarning, match="ended early"):
        written = figures.write_figures(odd, tmp_path, names=NAMES, processes=2)
    assert len(written) == 4 * len(NAMES)


def test_what_another_process_would_draw_otherwise_is_drawn_here(
    tree: xr.DataTree, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def own(hole: xr.DataTree) -> figures.Plate:
        figure = figures.porosity_depth(hole)
        figure.caption = f"Process {os.getpid()}."
        return figure

    monkeypatch.setitem(figures.FIGURES, "own", own)
    figures.write_figures(tree, tmp_path, names=["heat_flow", "own"], processes=2)
    assert (tmp_path / "own.txt").read_text(encoding="utf-8") == f"Process {os.getpid()}.\n"

    def refused() -> Any:
        raise AssertionError("a further process was started")

    monkeypatch.setattr(processes, "_start_process", refused)
    few: dict[str, Any] = {"names": ["heat_flow", "porosity_depth"], "kinds": ["png"]}
    with monkeypatch.context() as context:
        context.setattr(sensors, "own_records", lambda: ("a record",))
        assert figures.write_figures(tree, tmp_path, **few, processes=2)
    with monkeypatch.context() as context:
        context.setattr(processes, "_FEWEST", 2)
        context.setattr(processes, "_PROCESSES", 1)
        assert figures.write_figures(tree, tmp_path, **few)
        context.setattr(processes, "_PROCESSES", 2)
        context.setattr(multiprocessing, "parent_process", lambda: "a pool")
        assert figures.write_figures(tree, tmp_path, **few)
    with pytest.raises(AssertionError, match="further process"):
        figures.write_figures(tree, tmp_path, **few, processes=2)
    assert figures.write_figures(tree, tmp_path, **few)  # few figures: one process


def test_warnings_of_another_process_are_given_here() -> None:
    helper = object.__new__(processes._Helper)
    helper._ended_early = None
    helper._answer = processes._Answer({}, [("the axis is short", UserWarning)])
    with pytest.warns(UserWarning, match="the axis is short"):
        helper.result()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        helper._answer = processes._Answer()
        helper.result()


SCRIPT = """
import sys
from corephys import figures
from corephys.figures import processes
from tests.reduced_tree import reduced_tree

start = processes._start_process

def shown():
    process = start()
    print(process.pid, flush=True)
    return process

processes._start_process = shown
tree = reduced_tree(300)
while True:
    figures.write_figures(tree, sys.argv[1], processes=2)
"""


def ended(process: int) -> bool:
    """Whether a process is gone, or only waits for its parent to take notice."""
    state = subprocess.run(
        ["ps", "-o", "stat=", "-p", str(process)], capture_output=True, text=True
    )
    return state.stdout.strip()[:1] in ("", "Z")


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
@pytest.mark.parametrize("seconds", [0.3, 3.0])
def test_no_process_outlives_the_caller(
    tmp_path: Path, project_root: Path, number: int, seconds: float
) -> None:
    caller = subprocess.Popen(
        [sys.executable, "-c", SCRIPT, str(tmp_path)],
        cwd=project_root, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    )  # fmt: skip
    assert caller.stdout is not None and caller.stderr is not None
    helper = int(caller.stdout.readline())
    assert not ended(helper)
    time.sleep(seconds)
    # A terminal sends Ctrl-C to the group of the caller. Python drops an interrupt that comes while
    # a finaliser or a callback runs; a user then presses the keys again.
    for _ in range(5):
        os.killpg(caller.pid, number)
        try:
            caller.wait(timeout=10)
            break
        except subprocess.TimeoutExpired:
            continue
    deadline = time.monotonic() + 10.0
    pids = [helper, *map(int, caller.stdout.read().split())]
    while not all(map(ended, pids)) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert all(map(ended, pids))
    words = caller.stderr.read()
    assert caller.returncode is not None
    assert number == signal.SIGINT or "Traceback" not in words
    # The frames are those of the caller: a worker runs serve() and prints nothing.
    assert "in serve\n" not in words
    assert number != signal.SIGINT or words.rstrip().endswith("KeyboardInterrupt")


# --------------------------------------------------------------------------------------------------
# Names and kinds.


def test_kinds_and_names_that_do_not_exist_are_refused(tree: xr.DataTree, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="kinds has 'gif'; expected some of png, svg, pdf"):
        figures.write_figures(tree, tmp_path / "x", kinds=("gif",))
    with pytest.raises(ValueError, match="names has 'porosity'"):
        figures.write_figures(tree, tmp_path / "x", names=["porosity"])
    with pytest.raises(ValueError, match="processes is 0; expected 1 or more"):
        figures.write_figures(tree, tmp_path / "x", processes=0)
    assert not (tmp_path / "x").exists()
    made = figures.write_figures(tree, tmp_path, names=["heat_flow"], kinds=["pdf"])
    assert [path.name for path in made] == ["heat_flow.pdf", "heat_flow.csv", "heat_flow.txt"]


def test_the_command_takes_formats(
    tmp_path: Path, demo_hole: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli._formats("PNG, pdf,png") == ("png", "pdf")
    out = tmp_path / "out"
    with pytest.raises(SystemExit, match="2"):
        cli.main(["reduce", str(demo_hole), "--out", str(out), "--formats", "gif"])
    assert "expected png, svg or pdf" in capsys.readouterr().err
    assert not out.exists()
