"""The page of the newest core in a real browser, which renews itself from a folder."""

from __future__ import annotations

import importlib.util
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from corephys.watch import page

pytestmark = pytest.mark.browser


def now() -> np.datetime64:
    """The time of the test: the file may have been read minutes before."""
    return np.datetime64("now", "s")


CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser")) if p), None)
DRIVER = shutil.which("chromedriver")
SECONDS = 20.0


@pytest.fixture(scope="module")
def driver() -> Iterator[Any]:
    if os.environ.get("COREPHYS_BROWSER") != "1":
        pytest.skip("minutes long: COREPHYS_BROWSER=1 or .ci/extra browser runs it")
    if importlib.util.find_spec("selenium") is None or not (CHROMIUM and DRIVER):
        pytest.skip("a browser test needs selenium, chromium and chromedriver")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu"):
        options.add_argument(argument)
    browser = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    yield browser
    browser.quit()


def write(folder: Path, words: str, identity: str, when: np.datetime64, state: str) -> None:
    text = page.page(f"<p id='words'>{words}</p>", "Core", identity, "newest.js")
    (folder / "newest.html").write_text(text, encoding="utf-8")
    (folder / "newest.js").write_text(page.sign(identity, when, state), encoding="utf-8")


def shown(driver: Any, part: str, words: str) -> None:
    """Wait until an element of the page contains some words."""
    from selenium.webdriver.support.ui import WebDriverWait

    script = f"var e = document.getElementById('{part}'); return e ? e.textContent : '';"
    WebDriverWait(driver, SECONDS, poll_frequency=0.2).until(
        lambda browser: words in browser.execute_script(script)
    )


def test_the_page_renews_itself_and_turns_red_without_a_sign(driver: Any, tmp_path: Path) -> None:
    write(tmp_path, "core seventeen", "a-1", now(), "watching")
    driver.get((tmp_path / "newest.html").as_uri())
    shown(driver, "words", "core seventeen")
    shown(driver, "watch-state", "watching, last look")
    write(tmp_path, "core eighteen", "a-2", now(), "watching")
    shown(driver, "words", "core eighteen")
    # The same page goes on standing while the watch stops, or is not heard of.
    late = now() - np.timedelta64(600, "s")
    (tmp_path / "newest.js").write_text(page.sign("a-2", late, "watching"), encoding="utf-8")
    shown(driver, "watch-state", "No sign of the watch since")
    (tmp_path / "newest.js").write_text(page.sign("a-2", now(), "stopped"), encoding="utf-8")
    shown(driver, "watch-state", "The watch was stopped at")
    colour = driver.execute_script(
        "return getComputedStyle(document.getElementById('watch-state')).backgroundColor"
    )
    assert colour == "rgb(179, 38, 30)"
    shown(driver, "words", "core eighteen")


def test_the_time_on_deck_counts_on(driver: Any, tmp_path: Path) -> None:
    stamp = str(now() - np.timedelta64(3 * 3600 + 125, "s")) + "Z"
    write(tmp_path, f"<b id='deck' data-deck='{stamp}'>0 min</b>", "b-1", now(), "watching")
    driver.get((tmp_path / "newest.html").as_uri())
    shown(driver, "deck", "3 h 02 min")
