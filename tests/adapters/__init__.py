"""Adapters of the check values: every module of this folder is read, one an area."""

from __future__ import annotations

import importlib
import pkgutil

from tests.adapters.registry import ADAPTERS, COVERS

for _module in pkgutil.iter_modules(__path__):
    importlib.import_module(f"{__name__}.{_module.name}")

__all__ = ["ADAPTERS", "COVERS"]
