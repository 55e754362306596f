"""Notebooks in a real browser: all cells run, one control of each panel moved, the number found.

JupyterLab is served on the loopback address with a token, headless Chromium is driven by Selenium.
It takes minutes and runs where COREPHYS_BROWSER is 1. Pictures of the pages go to the folder that
COREPHYS_SCREENSHOTS names, and nowhere without it.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import corephys as cp

pytestmark = pytest.mark.browser

SECONDS_TO_START = 90.0
SECONDS_TO_RUN = 420.0
SECONDS_TO_CHANGE = 60.0
_TOKEN = "only-on-this-machine"
CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser")) if p), None)
DRIVER = shutil.which("chromedriver")


def _lacking() -> str:
    """What is missing here for a browser, in words; empty where nothing is."""
    missing = [
        name for name in ("jupyterlab", "ipywidgets", "ipympl", "selenium") if not _has(name)
    ]
    missing += [] if CHROMIUM else ["chromium"]
    missing += [] if DRIVER else ["chromedriver"]
    return ", ".join(missing)


def _has(module: str) -> bool:
    import importlib.util

    return importlib.util.find_spec(module) is not None


@pytest.fixture(scope="module")
def needed() -> None:
    if os.environ.get("COREPHYS_BROWSER") != "1":
        pytest.skip("minutes long: COREPHYS_BROWSER=1 or .ci/extra browser runs it")
    if missing := _lacking():
        pytest.skip(f"a browser test needs {missing}")


@pytest.fixture(scope="module")
def served(
    needed: None, tmp_path_factory: pytest.TempPathFactory, project_root: Path
) -> Iterator[str]:
    """Address of a JupyterLab that serves copies of the notebooks."""
    root = tmp_path_factory.mktemp("served")
    for part in ("notebooks", "data_demo"):
        shutil.copytree(project_root / part, root / part)
    settings = root / "settings" / "@jupyterlab" / "notebook-extension"
    settings.mkdir(parents=True)
    # Every cell stays in the page, also those scrolled out of sight.
    (settings / "tracker.jupyterlab-settings").write_text('{"windowingMode": "none"}')
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = {
        **os.environ,
        "JUPYTERLAB_SETTINGS_DIR": str(root / "settings"),
        "JUPYTER_CONFIG_DIR": str(root / "config"),
        "JUPYTER_RUNTIME_DIR": str(root / "runtime"),
        "IPYTHONDIR": str(root / "ipython"),
        "PYTHONPATH": str(project_root),
    }
    environment.pop("MPLBACKEND", None)
    command = [
        sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1",
        f"--port={port}", f"--IdentityProvider.token={_TOKEN}",
        "--LabApp.expose_app_in_browser=True", f"--ServerApp.root_dir={root}",
        "--LabApp.news_url=None",
    ]  # fmt: skip
    log = (root / "server.log").open("w")
    server = subprocess.Popen(
        command, env=environment, stdout=log, stderr=log, start_new_session=True
    )
    try:
        address = f"http://127.0.0.1:{port}"
        _wait_for(address, server, root / "server.log")
        yield address
    finally:
        os.killpg(server.pid, 15)
        try:
            server.wait(20.0)
        except subprocess.TimeoutExpired:
            os.killpg(server.pid, 9)
            server.wait()
        log.close()


def _wait_for(address: str, server: subprocess.Popen[bytes], log: Path) -> None:
    end = time.monotonic() + SECONDS_TO_START
    while time.monotonic() < end:
        if server.poll() is not None:
            break
        try:
            with urllib.request.urlopen(f"{address}/api?token={_TOKEN}", timeout=5.0):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.5)
    pytest.fail(f"JupyterLab did not start:\n{log.read_text()[-2000:]}")


@pytest.fixture
def browser(needed: None, tmp_path: Path) -> Iterator[Any]:
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "--disable-dev-shm-usage", "--window-size=1300,1700",
        f"--user-data-dir={tmp_path / 'user'}",
    ):  # fmt: skip
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    try:
        yield driver
    finally:
        driver.quit()


def _until(what: str, look: Any, seconds: float = SECONDS_TO_CHANGE) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found = look()
        if found:
            return found
        time.sleep(0.3)
    return pytest.fail(f"in {seconds:.0f} s there was no {what}")


def _open_and_run(browser: Any, address: str, notebook: str) -> None:
    browser.get(f"{address}/lab/tree/notebooks/{notebook}?token={_TOKEN}&reset")
    ready = (
        "const app = window.jupyterapp; if (!app) return false;"
        "const one = app.shell.currentWidget;"
        "return !!(one && one.context && one.context.isReady && one.sessionContext &&"
        " one.sessionContext.session && one.sessionContext.session.kernel &&"
        " one.sessionContext.session.kernel.status === 'idle');"
    )
    _until("notebook with a kernel", lambda: browser.execute_script(ready), SECONDS_TO_START)
    # Started and asked after: one long call would outlast the driver's own patience.
    browser.execute_script(
        "window.all_cells_ran = false; const done = () => { window.all_cells_ran = true; };"
        "window.jupyterapp.commands.execute('notebook:run-all-cells').then(done, done);"
    )
    waiting = (
        "return window.all_cells_ran &&"
        " Array.from(document.querySelectorAll('.jp-CodeCell .jp-InputPrompt'))"
        ".filter(p => /\\[\\s*\\*?\\s*\\]/.test(p.textContent)).length === 0;"
    )
    _until("end of the run", lambda: browser.execute_script(waiting), SECONDS_TO_RUN)
    errors = browser.execute_script(
        "return Array.from(document.querySelectorAll("
        '\'.jp-OutputArea-output[data-mime-type="application/vnd.jupyter.error"],'
        '.jp-RenderedText[data-mime-type="application/vnd.jupyter.error"]\'))'
        ".map(e => e.textContent.slice(-400));"
    )
    assert errors == []


def _panel(browser: Any, title: str) -> Any:
    """The box of controls of the panel whose words begin with a title."""
    from selenium.webdriver.common.by import By

    path = (
        "//div[contains(@class, 'widget-vbox')]"
        f"[.//div[contains(@class, 'widget-html')]//b[starts-with(normalize-space(), '{title}')]]"
    )
    found = _until(f"panel {title!r}", lambda: browser.find_elements(By.XPATH, path))
    browser.execute_script("arguments[0].scrollIntoView({block: 'start'});", found[0])
    return found[0]


def _words(panel: Any) -> str:
    """What the panel says, without its title."""
    from selenium.webdriver.common.by import By

    path = ".//div[contains(@class, 'widget-html-content')][.//pre]"
    text = panel.find_element(By.XPATH, path).text
    return text.split("\n", 1)[1]


def _shoot(browser: Any, name: str) -> None:
    folder = os.environ.get("COREPHYS_SCREENSHOTS")
    if folder:
        time.sleep(3.0)  # the picture comes after the words
        Path(folder).mkdir(parents=True, exist_ok=True)
        browser.save_screenshot(str(Path(folder) / f"{name}.png"))


@pytest.fixture(scope="module")
def reduced(demo_reduced: Any) -> Any:
    return demo_reduced


def _move_window(browser: Any, panel: Any) -> str:
    """The left end of the window two samples later, by the keys; what the panel then says."""
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    before = _words(panel)
    handle = panel.find_elements(By.CSS_SELECTOR, ".noUi-handle")[0]
    handle.send_keys(Keys.ARROW_RIGHT)
    changed = _until("changed number", lambda: (now := _words(panel)) != before and now)
    before = changed
    handle = panel.find_elements(By.CSS_SELECTOR, ".noUi-handle")[0]
    handle.send_keys(Keys.ARROW_RIGHT)
    return _until("changed number", lambda: (now := _words(panel)) != before and now)


def _drag(browser: Any, panel: Any) -> None:
    """Drag a span over the middle of the live plot, by the mouse."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By

    plot = panel.find_element(By.CSS_SELECTOR, ".jupyter-matplotlib-canvas-div")
    # The place stands in the page before the plot is drawn into it, and takes no drag till then.
    drawn = (
        "const c = arguments[0].querySelector('canvas'); if (!c || !c.width) return false;"
        "return c.getContext('2d').getImageData(0, 0, c.width, c.height).data.some(v => v > 0);"
    )
    _until("plot drawn", lambda: browser.execute_script(drawn, plot))
    width = plot.size["width"]
    drag = ActionChains(browser).move_to_element_with_offset(plot, -width // 10, 0)
    drag.click_and_hold().move_by_offset(width // 10, 0).move_by_offset(width // 5, 0)
    drag.release().perform()


def _chosen(words: str) -> str:
    found = re.search(r"window chosen: (\S+ s to \S+ s)", words)
    assert found is not None, words
    return found[1]


def test_windows_of_the_heat_flow_notebook(served: str, browser: Any, reduced: Any) -> None:
    _open_and_run(browser, served, "04_heat_flow.ipynb")
    for title, make, name in (
        ("window of run 10", cp.panels.heating_windows, 10),
        ("window of station 3", cp.panels.cooling_windows, 3),
    ):
        panel = _panel(browser, title)
        started = _words(panel)
        moved = _move_window(browser, panel)
        _shoot(browser, f"04_{title.replace(' ', '_')}")
        window = _chosen(moved)
        assert window != _chosen(started)
        own = make(reduced, name).set(window)
        assert own.summary_text() == moved.split("\n")[0]
        assert json.loads(moved.split("changes = ")[1]) == own.changes
        _drag(browser, panel)
        dragged = _until("dragged window", lambda p=panel, m=moved: (n := _words(p)) != m and n)
        _shoot(browser, f"04_{title.replace(' ', '_')}_dragged")
        assert own.set(_chosen(dragged)).summary_text() == dragged.split("\n")[0]


def test_exclusions_of_the_first_notebook(served: str, browser: Any, reduced: Any) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    _open_and_run(browser, served, "01_reduce_a_hole.ipynb")
    panel = _panel(browser, "intervals to exclude")
    started = _words(panel)
    assert started.startswith("1 interval with")
    boxes = panel.find_elements(By.CSS_SELECTOR, "input[type='number']")

    def ends() -> list[float]:
        return [float(box.get_attribute("value") or "nan") for box in boxes]

    # Written one after the other: first as the panel begins, then, each on its own, as dragged.
    _until("empty interval", lambda: ends() == [0.0, 1.0])
    _drag(browser, panel)
    _until("dragged interval", lambda: 0.0 < ends()[0] < ends()[1] < 150.0 and ends()[1] != 1.0)
    for box, number in zip(boxes, ("80", "90"), strict=True):
        box.send_keys(Keys.CONTROL, "a")
        box.send_keys(number, Keys.TAB)
    panel.find_element(By.CSS_SELECTOR, ".widget-text input[type='text']").send_keys(
        "seen in the browser", Keys.TAB
    )
    buttons = {b.text: b for b in panel.find_elements(By.TAG_NAME, "button")}
    buttons["mark interval"].click()
    moved = _until("changed number", lambda: (now := _words(panel)) != started and now)
    _shoot(browser, "01_exclusions")
    rows = [line.split(",") for line in moved.split("\n")[2:]]
    assert rows[1][2:5] == ["80.0", "90.0", "seen in the browser"]
    own = cp.panels.exclusions(reduced, "bulk_density")
    for core, section, top, bottom, reason, *_ in rows:
        own.set(core, section, f"{top} cm", f"{bottom} cm", reason)
    assert own.summary_text() == moved.split("\n")[0]


def test_tie_of_the_notebook_of_holes(served: str, browser: Any, project_root: Path) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    _open_and_run(browser, served, "08_tie_holes.ipynb")
    panel = _panel(browser, "core 1 of hole B against core 1 of hole A")
    started = _words(panel)
    handle = panel.find_element(By.CSS_SELECTOR, ".noUi-handle")
    handle.send_keys(Keys.ARROW_RIGHT)
    moved = _until("changed number", lambda: (now := _words(panel)) != started and now)
    _shoot(browser, "08_tie")
    shift = re.search(r"shift (\S+ m)", moved)
    assert shift is not None
    site = cp.composite.read_site(project_root / "data_demo" / "site")
    held = {
        name: {"bulk_density": cp.reduce(tree)["properties/density"].to_dataset()}
        for name, tree in site.holes.items()
        if name in "AB"
    }
    own = cp.panels.tie(site, held, ("B", "1"), ("A", "1")).set(shift[1])
    assert own.summary_text() == moved.split("\n")[0]
    row = moved.split("\n")[2].split(",")
    assert float(row[6]) - float(row[3]) == pytest.approx(own.shift.to("m").magnitude, abs=1e-3)
