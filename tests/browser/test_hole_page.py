"""The page of a hole in a real browser: without a network, narrow, in print.

It runs where COREPHYS_BROWSER is 1. Pictures go to the folder that COREPHYS_SCREENSHOTS names.
"""

from __future__ import annotations

import base64
import importlib.util
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import xarray as xr

from corephys.report import write_report

pytestmark = pytest.mark.browser

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser")) if p), None)
DRIVER = shutil.which("chromedriver")


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Chromium without a network."""
    if os.environ.get("COREPHYS_BROWSER") != "1":
        pytest.skip("needs a browser: COREPHYS_BROWSER=1 or .ci/extra browser runs it")
    if not (CHROMIUM and DRIVER and importlib.util.find_spec("selenium")):
        pytest.skip("a browser test needs chromium, chromedriver and selenium")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "--disable-dev-shm-usage", f"--user-data-dir={tmp_path_factory.mktemp('user')}",
    ):  # fmt: skip
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    driver.execute_cdp_cmd("Network.enable", {})
    driver.execute_cdp_cmd(
        "Network.emulateNetworkConditions",
        {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0},
    )
    try:
        yield driver
    finally:
        driver.quit()


@pytest.fixture(scope="module")
def address(browser: Any, reduced_once: xr.DataTree, tmp_path_factory: Any) -> str:
    return write_report(reduced_once, tmp_path_factory.mktemp("page")).as_uri()


def opened(browser: Any, address: str, width: int) -> None:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 1000, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    browser.get(address)
    folder = os.environ.get("COREPHYS_SCREENSHOTS")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        browser.save_screenshot(str(Path(folder) / f"page_{width}.png"))


def shown(browser: Any, selector: str) -> bool:
    script = "return document.querySelector(arguments[0]).checkVisibility()"
    return bool(browser.execute_script(script, selector))


@pytest.mark.parametrize("width", [1400, 800, 420])
def test_every_picture_loads_and_nothing_is_wider_than_the_window(
    browser: Any, address: str, width: int
) -> None:
    opened(browser, address, width)
    broken = "return [...document.images].filter(i => !i.complete || !i.naturalWidth).length"
    assert browser.execute_script("return document.images.length") >= 27
    assert browser.execute_script(broken) == 0
    for one in ("document.documentElement", "document.body"):
        assert browser.execute_script(f"return {one}.scrollWidth") <= width
    # Tables open, which are wider, scroll in their own frame.
    browser.execute_script("document.querySelectorAll('details').forEach(d => { d.open = true })")
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert [e for e in browser.get_log("browser") if e["level"] == "SEVERE"] == []


def test_contents_stand_beside_the_page_and_above_it_where_it_is_narrow(
    browser: Any, address: str
) -> None:
    opened(browser, address, 1400)
    assert shown(browser, ".side") and not shown(browser, ".top")
    browser.execute_script("window.scrollTo(0, 5000)")
    assert browser.execute_script(
        "return document.querySelector('.side').getBoundingClientRect().top"
    ) == pytest.approx(0.0, abs=1.0)
    opened(browser, address, 420)
    assert shown(browser, ".top") and not shown(browser, ".side")
    assert not shown(browser, ".top nav")
    browser.execute_script("document.querySelector('.top summary').click()")
    assert shown(browser, ".top nav")
    browser.execute_script("document.querySelector('.top a[href=\"#recipe\"]').click()")
    assert not shown(browser, ".top nav")


def test_print_opens_every_table_and_cuts_none(browser: Any, address: str, tmp_path: Path) -> None:
    opened(browser, address, 1400)
    folded = "return [...document.querySelectorAll('main details')].filter(d => !d.open).length"
    count = browser.execute_script(folded)
    assert count > 10
    browser.execute_script("dispatchEvent(new Event('beforeprint'))")
    assert browser.execute_script(folded) == 0
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    # The width of A4 between the margins, in pixels.
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 680, "height": 1000, "deviceScaleFactor": 1, "mobile": False},
    )
    wide = (
        "return [...document.querySelectorAll('table, img')]"
        ".filter(t => t.getBoundingClientRect().right > innerWidth + 1)"
        ".map(t => t.closest('details, section')?.querySelector('summary, h2')?.textContent)"
    )
    assert browser.execute_script(wide) == []
    assert not shown(browser, ".side") and not shown(browser, ".top")
    browser.execute_script("dispatchEvent(new Event('afterprint'))")
    assert browser.execute_script(folded) == count
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    pdf = base64.b64decode(printed["data"])
    assert pdf.startswith(b"%PDF") and len(pdf) > 100_000
    (tmp_path / "page.pdf").write_bytes(pdf)
