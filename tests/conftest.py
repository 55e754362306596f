"""What every test shares: no display, and the folders by name."""

from __future__ import annotations

from pathlib import Path

import matplotlib
import pytest

matplotlib.use("Agg")

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
