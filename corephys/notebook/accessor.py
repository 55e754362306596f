"""The accessor ``ds.corephys``: what a user asks most often of a result, as methods of the result.

``corephys/__init__.py`` loads this module where xarray is loaded already, else with the first
name that needs xarray. It imports nothing but xarray at module level, so that ``import corephys``
stays fast; each method imports what it needs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

if TYPE_CHECKING:
    from typing import Unpack

    import pandas as pd

    from corephys.figures.look import Look
    from corephys.figures.plate import Plate

__all__ = ["Results"]


@xr.register_dataset_accessor("corephys")
class Results:
    """Uncertainty, usable values, history and figure of a result: ``ds.corephys``.

    Parameters
    ----------
    dataset : Dataset
        Result of a public function, or a leaf of a reduced hole as a Dataset.

    Examples
    --------
    >>> import corephys as cp
    >>> result = cp.porosity.from_density(
    ...     cp.quantity(1.7, "g/cm^3"),
    ...     grain_density="2.70 g/cm^3",
    ...     pore_water_density="1.024 g/cm^3",
    ... )
    >>> bool(result.corephys.usable("porosity"))
    True
    """

    def __init__(self, dataset: xr.Dataset) -> None:
        self._dataset = dataset

    def total(self, name: str) -> xr.DataArray:
        """Combined standard uncertainty of a quantity, k = 1.

        Parameters
        ----------
        name : str
            Quantity, such as ``"bulk_density"``.

        Returns
        -------
        DataArray
            Root of the sum of squares of the random and the systematic part, in the unit that the
            vocabulary has for the quantity; NaN where a part is not known.

        Raises
        ------
        KeyError
            If the result does not hold the quantity with its uncertainties.
        """
        from corephys import uncertainty

        self._require(name, f"{name}_u_random", f"{name}_u_systematic")
        found: xr.DataArray = uncertainty.total(self._dataset, name)
        return found

    def usable(
        self, name: str, *, allow: tuple[str, ...] = ("good", "not_evaluated")
    ) -> xr.DataArray:
        """Which values of a quantity a product may use.

        Parameters
        ----------
        name : str
            Quantity; its flags are read where it has them.
        allow : tuple of {"good", "not_evaluated", "suspect", "bad"}
            Flag levels that pass.

        Returns
        -------
        DataArray
            True where the value is a number and its flag passes, at the positions of the quantity;
            ``ds[name].where(ds.corephys.usable(name))`` leaves the others out.

        Raises
        ------
        KeyError
            If the result does not hold the quantity.
        ValueError
            If a level is not one of the scheme.
        """
        from corephys.ground import flags

        self._require(name)
        # Through xarray, so that a lazy result of an archive stays lazy.
        values = self._dataset[name].astype(float)
        found: xr.DataArray = xr.apply_ufunc(np.isfinite, values, dask="allowed")
        if f"{name}_flag" in self._dataset:
            found = found & flags.usable(self._dataset[f"{name}_flag"], allow)
        # The mask has no unit; attributes of the quantity would give it one.
        return found.drop_attrs(deep=False).rename(f"{name}_usable")

    def budget(self, name: str, *, by: str = "source") -> pd.DataFrame:
        """Which part of the variance of a quantity comes from which source.

        Parameters
        ----------
        name : str
            Quantity.
        by : {"source", "group"}
            Rows are sources, or groups of sources.

        Returns
        -------
        DataFrame
            As :func:`corephys.uncertainty.budget` returns it.

        Raises
        ------
        KeyError
            If the result does not hold the quantity.
        """
        from corephys import uncertainty

        self._require(name)
        return uncertainty.budget(self._dataset, name, by=by)

    def explain(self) -> str:
        """Steps, constants and sources of the result in words.

        Returns
        -------
        str
            As :func:`corephys.explain` returns it: plain text, one step a line.
        """
        from corephys.notebook.results import explain

        return explain(self._dataset)

    def plot(self, name: str, **options: Unpack[Look]) -> Plate:
        """Draw a quantity of the result against depth.

        Parameters
        ----------
        name : str
            Quantity along ``reading`` with the coordinate ``depth``.
        **options
            Size, axes of the caller and more, see :class:`corephys.figures.Look`.

        Returns
        -------
        Plate
            A small matplotlib Figure: flagged values grey, uncertainties as bars where there are
            few values.

        Raises
        ------
        KeyError
            If the result does not hold the quantity.
        NothingToDraw
            If the quantity has no depth, or no value is a number.
        """
        from corephys.figures.sketch import sketch
        from corephys.ground import companions

        self._require(name)
        # A result in other units draws the same picture.
        return sketch(companions.library_units(self._dataset), name, **options)

    def _require(self, *names: str) -> None:
        """Refuse a name that the result does not hold, and list those that it holds."""
        missing = [name for name in names if name not in self._dataset]
        if missing:
            held = ", ".join(map(str, self._dataset.data_vars)) or "no variable"
            raise KeyError(f"the result has no {missing[0]!r}; it holds {held}")
