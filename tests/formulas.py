"""Which public functions are formulas, read from the package itself.

A formula is a function that a measurement, product, seawater or mixing module lists in
``__all__``, unless :data:`NOT_FORMULAS` says with a reason why it is none. A new public function
is thus a formula until somebody says otherwise.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from typing import Any

import corephys

ROOMS_WITH_FORMULAS = (
    "corephys.sensors.",
    "corephys.samples.",
    "corephys.downhole.",
    "corephys.products.",
    "corephys.seawater",
    "corephys.mixing",
)

# Dotted name -> why no published number belongs to it.
NOT_FORMULAS: dict[str, str] = {}


def public_modules() -> list[str]:
    """Dotted names of all modules of which no part starts with an underscore."""
    found = ["corephys"]
    for module in pkgutil.walk_packages(corephys.__path__, "corephys."):
        if not any(part.startswith("_") for part in module.name.split(".")):
            found.append(module.name)
    return found


def public_objects() -> dict[str, Any]:
    """Functions and classes that the modules list in ``__all__``, by dotted name."""
    found: dict[str, Any] = {}
    for module_name in public_modules():
        module = importlib.import_module(module_name)
        for name in getattr(module, "__all__", ()):
            thing = getattr(module, name)
            kind = inspect.isfunction(thing) or inspect.isclass(thing)
            if kind and thing.__module__.startswith("corephys"):
                found[f"{thing.__module__}.{thing.__qualname__}"] = thing
    return found


def formulas() -> set[str]:
    """Dotted names of the functions that need a check value."""
    return {
        name
        for name, thing in public_objects().items()
        if inspect.isfunction(thing)
        and name.startswith(ROOMS_WITH_FORMULAS)
        and name not in NOT_FORMULAS
    }
