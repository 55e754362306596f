"""Arrays of whole numbers, packed small: the part of the viewer's data that a browser unpacks.

Values are rounded to a fixed number of decimals a series and uncertainties to two significant
digits, which is what is shown of them. Whole numbers that change little from one reading to the
next are kept as differences. Bytes of equal rank lie side by side, so that zlib makes them small.
"""

from __future__ import annotations

import json
import math
import zlib
from typing import Any

import numpy as np

# Codes of uncertainties: 0 not known, 1 zero, 2 not finite, from 3 on two digits and power of ten.
_NOT_KNOWN, _ZERO, _NOT_FINITE, _FIRST = 0, 1, 2, 3
_LEAST_POWER, _POWERS, _MANTISSAS = -40, 81, 90
_LARGEST = 2**28  # whole number up to which a value is kept as a difference
_LOOKED_AT = 65536  # numbers of an array on which the two ways of packing are tried
_USUAL_ERROR = 0.05  # quantile of the uncertainties whose second digit is still shown
_DIGITS = 4  # fewest significant digits of a usual value


class Packer:
    """Arrays one after the other in one block of bytes, each with a description.

    Attributes
    ----------
    size : int
        Number of bytes so far.
    """

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self.size = 0

    def raw(self, content: bytes) -> list[int]:
        """Start and length of bytes that are kept as they are, such as a picture."""
        start = self.size
        self._parts.append(content)
        self.size += len(content)
        return [start, len(content)]

    def whole(self, numbers: np.ndarray) -> dict[str, int]:
        """Description of an array of whole numbers below 2^30.

        ``at`` is its first byte, ``n`` its length, ``w`` the bytes of a number, ``d`` 1 where
        differences are kept. Negative numbers alternate with positive ones: 0, -1, 1, -2, 2.
        """
        numbers = np.asarray(numbers, dtype=np.int64)
        here = numbers[:_LOOKED_AT]
        plain, steps = (_planes(_folded(part)) for part in (here, np.diff(here, prepend=0)))
        by_step = len(zlib.compress(steps[0], 1)) < len(zlib.compress(plain[0], 1))
        content, width = _planes(_folded(np.diff(numbers, prepend=0) if by_step else numbers))
        start, _ = self.raw(content)
        return {"at": start, "n": int(numbers.size), "w": width, "d": int(by_step)}

    def close(self, head: dict[str, Any]) -> bytes:
        """The complete package: length of the head, the head as JSON, the arrays; zlib format."""
        text = json.dumps(head, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        words = text.encode("utf-8", "replace")
        return zlib.compress(len(words).to_bytes(4, "little") + words + b"".join(self._parts), 6)


def _folded(numbers: np.ndarray) -> np.ndarray:
    """Numbers without a sign: 0, -1, 1, -2, 2 become 0, 1, 2, 3, 4."""
    return ((numbers << 1) ^ (numbers >> 63)).astype("<u8")


def _planes(numbers: np.ndarray) -> tuple[bytes, int]:
    """Bytes of equal rank side by side, and the bytes that the largest number needs."""
    largest = int(numbers.max()) if numbers.size else 0
    width = 1 if largest < 2**8 else 2 if largest < 2**16 else 4
    return numbers.view(np.uint8).reshape(-1, 8)[:, :width].T.tobytes(), width


def decimals(values: np.ndarray, error: np.ndarray) -> int:
    """Decimals at which a series is kept: two digits of a small uncertainty, four of a value.

    ``values`` and ``error`` are those of usable readings; NaN where an uncertainty is not known.
    """
    known = error[np.isfinite(error) & (error > 0.0)]
    size = np.abs(values[np.isfinite(values) & (values != 0.0)])
    if not size.size:
        return _DIGITS
    places = _DIGITS - 1 - math.floor(math.log10(float(np.median(size))))
    if known.size:
        places = max(places, 1 - math.floor(math.log10(float(np.quantile(known, _USUAL_ERROR)))))
    most = math.floor(math.log10(_LARGEST / float(size.max())))
    return min(places, most)


def pack_values(packer: Packer, values: np.ndarray, places: int) -> dict[str, Any]:
    """Description of a series of values, rounded to ``places`` decimals.

    A value that is not a number is listed in ``missing``. One too large for the packing is listed
    in ``far`` and kept as text with all digits.
    """
    scaled = values * 10.0**places
    with np.errstate(invalid="ignore"):
        far = np.isinf(values) | (np.abs(scaled) > _LARGEST)
    missing = np.isnan(values)
    # A gap repeats the last number, so that its difference is zero.
    held = np.where(far | missing, -1, np.arange(values.size))
    last = np.maximum.accumulate(held) if values.size else held
    whole = np.where(last >= 0, np.rint(scaled[np.maximum(last, 0)]), 0.0)
    whole = np.where(np.isfinite(whole), whole, 0.0).astype(np.int64)
    return {
        "places": places,
        "whole": packer.whole(whole),
        "missing": packer.whole(np.flatnonzero(missing)),
        "far": [[int(i), repr(float(values[i]))] for i in np.flatnonzero(far)],
    }


def pack_errors(packer: Packer, error: np.ndarray) -> dict[str, int]:
    """Description of standard uncertainties, rounded to two significant digits."""
    code = np.full(error.size, _NOT_KNOWN, dtype=np.int64)
    code[error == 0.0] = _ZERO
    code[np.isinf(error)] = _NOT_FINITE
    some = np.isfinite(error) & (error > 0.0)
    u = error[some]
    power = np.floor(np.log10(u)).astype(np.int64)
    digits = np.rint(u * 10.0 ** (1.0 - power)).astype(np.int64)
    power += digits >= 100
    digits[digits >= 100] = 10
    digits = np.clip(digits, 10, 99)
    inside = (power >= _LEAST_POWER) & (power < _LEAST_POWER + _POWERS)
    found = _FIRST + (power - _LEAST_POWER) * _MANTISSAS + digits - 10
    code[some] = np.where(inside, found, np.where(power > 0, _NOT_FINITE, _ZERO))
    return packer.whole(code)
