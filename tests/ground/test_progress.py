"""A bar is shown for long work in a terminal or a notebook, and nothing is written into a pipe."""

from __future__ import annotations

import io
import subprocess
import sys
import threading
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

from corephys.ground import progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def a_terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """A terminal as standard error, where bars are shown at once.

    No fixture: pytest sets the standard error anew between the setup and the call of a test.
    """
    found = Terminal()
    monkeypatch.setattr(sys, "stderr", found)
    monkeypatch.setattr(progress, "_DELAY", 0.0)
    monkeypatch.setattr(progress, "_EVERY", 0.0)
    monkeypatch.delenv("TQDM_DISABLE", raising=False)
    return found


def work() -> None:
    with progress.bar("reduce") as step:
        for number in range(4):
            step(f"stage {number}", number, 4)


def test_a_terminal_shows_the_steps_and_is_clean_after(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = a_terminal(monkeypatch)
    work()
    text = terminal.getvalue()
    assert "reduce: stage 3" in text and "75%" in text
    # The last thing written is the removal of the bar.
    assert text.rpartition("|")[2].strip(" \r") == "" and text.endswith("\r")


def test_short_work_shows_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = a_terminal(monkeypatch)
    monkeypatch.setattr(progress, "_DELAY", 60.0)
    work()
    assert terminal.getvalue() == ""


def test_a_pipe_gets_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    pipe = io.StringIO()
    monkeypatch.setattr(sys, "stderr", pipe)
    monkeypatch.setattr(progress, "_DELAY", 0.0)
    work()
    assert pipe.getvalue() == ""


def test_the_environment_and_the_caller_can_silence_it(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = a_terminal(monkeypatch)
    told: list[tuple[str, int, int]] = []
    with progress.bar("reduce", lambda *step: told.append(step)) as step:
        step("density", 2, 5)
    assert told == [("density", 2, 5)]
    monkeypatch.setenv("TQDM_DISABLE", "1")
    work()
    assert terminal.getvalue() == ""


def test_work_inside_other_work_and_in_threads_shows_no_second_bar(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    terminal = a_terminal(monkeypatch)
    with progress.bar("report") as step:
        step("reduce", 0, 2)
        work()
        step("figures", 1, 2)
    assert "stage" not in terminal.getvalue() and "report: figures" in terminal.getvalue()
    before = terminal.getvalue()
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert terminal.getvalue() == before
    work()
    assert "stage" in terminal.getvalue()


def test_an_error_removes_the_bar_and_leaves_the_next_free(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = a_terminal(monkeypatch)
    with pytest.raises(ZeroDivisionError), progress.bar("reduce") as step:
        step("density", 1, 3)
        raise ZeroDivisionError
    assert terminal.getvalue().endswith("\r")
    work()
    assert "stage 3" in terminal.getvalue()


def test_a_notebook_shows_plain_html_and_removes_it(monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[str] = []

    class Handle:
        def update(self, what: str) -> None:
            shown.append(what)

    def display(what: str, display_id: bool) -> Handle:
        assert display_id
        shown.append(what)
        return Handle()

    package: Any = ModuleType("IPython")
    package.get_ipython = lambda: SimpleNamespace(kernel=None)
    below: Any = ModuleType("IPython.display")
    below.HTML, below.display = str, display
    monkeypatch.setitem(sys.modules, "IPython", package)
    monkeypatch.setitem(sys.modules, "IPython.display", below)
    monkeypatch.setattr(progress, "_DELAY", 0.0)
    monkeypatch.setattr(progress, "_EVERY", 0.0)
    with progress.bar("reduce") as step:
        step("<b>", 1, 4)
        step("seismic", 2, 4)
    assert shown[0] == '<progress value="1" max="4"></progress> <small>reduce: &lt;b&gt;</small>'
    assert "seismic" in shown[1] and shown[-1] == ""
    shown.clear()
    monkeypatch.setattr(progress, "_DELAY", 60.0)
    work()
    assert shown == []


def test_neither_the_package_nor_a_bar_brings_widgets() -> None:
    code = (
        "import sys, corephys.ground.progress as p\n"
        "with p.bar('x') as step:\n    step('y', 1, 2)\n"
        "print([m for m in ('IPython', 'ipywidgets', 'tqdm.notebook') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]" and found.stderr == ""
