"""Cases by area; importing a module registers those of its area."""

from __future__ import annotations

import importlib
import pkgutil


def load() -> None:
    """Register every case."""
    for module in pkgutil.iter_modules(__path__):
        importlib.import_module(f"{__name__}.{module.name}")
