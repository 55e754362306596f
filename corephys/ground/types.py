"""Types of public arguments and results: what a user may pass, and what comes back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import xarray as xr

from corephys.ground.constants import Constant

if TYPE_CHECKING:
    import pint

    #: A number with a unit: ``cp.quantity(...)``, a DataArray with ``units``, or ``"2.7 g/cm^3"``.
    Dimensional: TypeAlias = pint.Quantity | xr.DataArray | str | Constant
    #: A single number with a unit.
    Scalar: TypeAlias = pint.Quantity | str | Constant
    #: Numbers without a unit, plain or as a DataArray.
    Numbers: TypeAlias = float | np.ndarray | xr.DataArray
    #: A fraction from 0 to 1, or per cent with their unit.
    Fraction: TypeAlias = float | np.ndarray | pint.Quantity | xr.DataArray | str | Constant
    #: A result of this package with its uncertainties, or the bare series.
    Measurement: TypeAlias = xr.Dataset | xr.DataArray | pint.Quantity
    #: A number or series that comes back with its unit.
    WithUnit: TypeAlias = pint.Quantity | xr.DataArray

#: Floats, arrays or DataArrays inside a law: converted at its door, in the unit given there.
Floats: TypeAlias = Any
