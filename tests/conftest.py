"""What every test shares: no display, and the folders by name."""

from __future__ import annotations

import os
from pathlib import Path

import matplotlib
import pytest
import xarray as xr

matplotlib.use("Agg")

import corephys as cp

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def project_root() -> Path:
    """Top folder of the project."""
    return ROOT


@pytest.fixture(scope="session")
def demo_hole() -> Path:
    """Folder of the demo hole."""
    folder = ROOT / "data_demo" / "hole"
    assert folder.is_dir(), "data_demo/hole is missing: run python -m data_demo"
    return folder


@pytest.fixture(scope="session")
def reduced_once(demo_hole: Path) -> xr.DataTree:
    """The demo hole reduced with its own recipe; tests take ``demo_reduced``, their own copy."""
    return cp.reduce(cp.read_hole(demo_hole))


@pytest.fixture(scope="module")
def demo_reduced(reduced_once: xr.DataTree) -> xr.DataTree:
    """The reduced demo hole, a copy for each file of tests."""
    return reduced_once.copy(deep=True)


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Folder of open measurements by others, which no release holds; skips where it is absent."""
    folder = Path(
        os.environ.get("COREPHYS_OPEN_DATA")
        or Path(__file__).resolve().parents[2] / "shared" / "data"
    )
    if not folder.is_dir():
        pytest.skip("no folder of open measurements: set COREPHYS_OPEN_DATA")
    return folder
