"""One case a public function: how to call it, and which of its rows depend on each other."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import pint
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw, Seeded
from tests.metamorphic.relations import walk

CASES: dict[str, Case] = {}
ROWS = ("each", "set", "order", "none")


@dataclass(frozen=True)
class Case:
    """How a public function is called with generated arguments.

    Parameters
    ----------
    function : str
        ``module.function`` as users write it after ``cp.``; ``#word`` after it tells several
        cases of one function apart.
    build : callable
        Takes a Draw and returns the arguments by name.
    rows : {"each", "set", "order", "none"}
        ``each``: the result of a reading depends on that reading alone. ``set``: on all readings,
        in any order. ``order``: on their order. ``none``: there are no rows.
    size : tuple of int
        Least and most readings of an example.
    dims : tuple of str
        Dimensions of the rows.
    lazy : bool
        dask arrays are taken and stay lazy.
    rtol : float
        Two results may differ by this share, of each number and of the largest of its array.
    without : mapping of str to str
        Relations that cannot hold, and why.
    only : callable, optional
        Paths of the result that are compared.
    examples : int
        Most examples of a short run, fewer for what takes long.
    call : callable, optional
        Takes the arguments in place of the function by its name.
    """

    function: str
    build: Callable[[Draw], dict[str, Any]]
    rows: str = "each"
    size: tuple[int, int] = (2, 6)
    dims: tuple[str, ...] = ("reading",)
    lazy: bool = False
    rtol: float = 1e-9
    without: Mapping[str, str] = field(default_factory=dict)
    only: Callable[[str], bool] | None = None
    examples: int = 100
    call: Callable[..., Any] | None = None

    def __call__(self, arguments: Mapping[str, Any]) -> Any:
        """Result of the public function."""
        if self.call is not None:
            return self.call(**arguments)
        module, _, name = self.function.partition("#")[0].partition(".")
        target = getattr(cp, module)
        return (getattr(target, name) if name else target)(**arguments)

    def relations(self) -> list[str]:
        """Relations that this case is put under."""
        arguments = self.build(Draw(Seeded(0), self.size[1]))
        parts: list[Any] = []
        walk(arguments, parts.append)
        datasets = [p for p in parts if isinstance(p, xr.Dataset)]
        arrays = [p for p in parts if isinstance(p, xr.DataArray)]
        found = ["units"]
        if any(str(n).endswith("_u_random") for d in datasets for n in d.data_vars):
            found += ["companions_kept", "companions_bare"]
        if self.rows in ("each", "set"):
            found.append("permuted")
        if self.rows == "each":
            found += ["split", "alone"]
        if arrays:
            found.append("quantities")
        if any("depth" in p.coords for p in (*datasets, *arrays)):
            found.append("positions")
        if self.lazy:
            found.append("lazy")
        dimensional = [p for p in parts if isinstance(p, (xr.Dataset, xr.DataArray, pint.Quantity))]
        if not dimensional and not any(isinstance(p, str) and " " in p for p in parts):
            found.remove("units")
        return [relation for relation in found if relation not in self.without]


def case(function: str, **choices: Any) -> Callable[[Callable[[Draw], dict[str, Any]]], None]:
    """Register the decorated function as the arguments of a case."""

    def register(build: Callable[[Draw], dict[str, Any]]) -> None:
        # A file that is imported under two names registers its cases again.
        there = CASES.get(function)
        if there and there.build.__code__.co_filename != build.__code__.co_filename:
            raise ValueError(f"two cases of {function}")
        assert choices.get("rows", "each") in ROWS, choices["rows"]
        CASES[function] = Case(function, build, **choices)

    return register
