"""Watch a hole folder and show its newest core: ``cp.watch(folder)``.

The module itself is called: ``cp.watch(folder)`` is ``cp.watch.watch(folder)``.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

from corephys.watch.watching import WatchError, Watching, watch

__all__ = ["WatchError", "Watching", "watch"]


class _Face(ModuleType):
    """The room as a function. Its folder has the name that the package gives the function, and an
    import of any file of it would put the module in the place of the function."""

    def __call__(self, *arguments: Any, **more: Any) -> Watching:
        return watch(*arguments, **more)


sys.modules[__name__].__class__ = _Face
