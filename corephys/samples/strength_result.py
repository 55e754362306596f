"""What every result of strength carries: its line of safety and the names of its effects."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, units
from corephys.ground.arguments import positive
from corephys.ground.cards import RESEARCH_ONLY
from corephys.uncertainty import Measured

__all__ = ["SAFETY"]

NAME = "undrained_shear_strength"
SAFETY = RESEARCH_ONLY
RELATIVE = (
    "a relative profile: coring, storage, rate and direction of shear set it apart from the ground"
)


def numbers(value: Any, unit: str, name: str, *, zero: bool = False) -> Any:
    """Take an argument through the door that has to be above zero.

    Parameters
    ----------
    value : Quantity, DataArray, str or Constant
        The argument as the caller gave it.
    unit : str
        The unit the calculation works in.
    name : str
        Name of the argument, for the message.
    zero : bool
        Zero itself may be given.

    Returns
    -------
    float or array
        Floats in ``unit``. One value for all readings is refused where it cannot be; a reading of
        a series passes, and is flagged where it is used.
    """
    found = units.as_floats(value, unit, name)
    return found if np.ndim(found) else positive(value, unit, name, zero=zero)


def beyond(outside: Any) -> Any:
    """The bit ``beyond_method_range``, a pure number, where True stands; 0 elsewhere."""
    return _bits(outside, "beyond_method_range")


def impossible(bad: Any) -> Any:
    """The bit ``impossible_value``, a pure number, where True stands; 0 elsewhere."""
    return _bits(bad, "impossible_value")


def _bits(where: Any, reason: str) -> Any:
    def mask(here: Any) -> Any:
        return np.where(here, flags.bit(reason), 0).astype(np.int64)

    return xr.apply_ufunc(mask, where)


def result(
    measured: Measured, steps: tuple[str, ...], constants: dict[str, Any], **attributes: Any
) -> xr.Dataset:  # fmt: skip
    """The Dataset of a strength, with its line of safety.

    Parameters
    ----------
    measured : Measured
        Undrained shear strength [kPa].
    steps : tuple of str
        Equations in words.
    constants : dict of str to anything that :func:`corephys.ground.provenance.records` takes
        Numbers that were used, as the caller gave them.
    **attributes
        Further global attributes.

    Returns
    -------
    Dataset
        ``undrained_shear_strength`` [kPa]; attributes ``safety`` and ``use``.
    """
    return series.build(
        {NAME: measured}, steps=steps, constants=constants, safety=SAFETY, use=RELATIVE,
        **attributes,
    )  # fmt: skip
