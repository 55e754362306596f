"""corephys: from the readings of a core to its physical properties, with their uncertainties.

``import corephys as cp`` is the one idiom; names are handed out lazily, so that the import costs
little more than xarray.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from corephys import constants as constants
    from corephys import flags as flags
    from corephys import uncertainty as uncertainty
    from corephys.units import UnitError as UnitError
    from corephys.units import quantity as quantity

_MODULES = {
    "constants": "corephys.constants",
    "flags": "corephys.flags",
    "uncertainty": "corephys.uncertainty",
}
_NAMES = {
    "quantity": "corephys.units",
    "UnitError": "corephys.units",
}

__all__ = sorted([*_MODULES, *_NAMES, "__version__"])


def __getattr__(name: str) -> Any:
    if name in _MODULES:
        return importlib.import_module(_MODULES[name])
    if name in _NAMES:
        return getattr(importlib.import_module(_NAMES[name]), name)
    raise AttributeError(f"module 'corephys' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
