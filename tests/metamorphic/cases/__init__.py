"""Cases by area; importing a module registers those of its area."""

from __future__ import annotations

import importlib
import pkgutil

# Public functions that take no measured quantity, each with the reason; every module of cases
# lists those of its area.
NOT_MEASURED: dict[str, str] = {}


def load() -> None:
    """Register every case, and gather the functions that take no measured quantity."""
    for found in pkgutil.iter_modules(__path__):
        module = importlib.import_module(f"{__name__}.{found.name}")
        NOT_MEASURED.update(getattr(module, "NOT_MEASURED", {}))
