"""Windows in time that somebody chose: ``"25 s to 90 s"`` by the name of a run or a station."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from corephys import units

__all__ = ["ends", "of_known", "samples"]


def ends(text: str, what: str) -> tuple[float, float]:
    """Start and end of a window.

    Parameters
    ----------
    text : str
        Such as ``"25 s to 90 s"`` or ``"1 min to 12 min"``.
    what : str
        Whose window, for the message.

    Returns
    -------
    tuple of float and float
        [s], the first below the second.

    Raises
    ------
    UnitError
        For a bare number or a unit that is no time.
    ValueError
        When it is not two times, or the end is not after the start.
    """
    parts = str(text).split(" to ")
    if not isinstance(text, str) or len(parts) != 2:
        raise ValueError(f'the window of {what} is {text!r}; write it as "25 s to 90 s"')
    start, end = (float(units.as_floats(part.strip(), "s", f"window of {what}")) for part in parts)
    if not end > start or start < 0.0:
        raise ValueError(
            f"the window of {what} is {text!r}; it has to start at zero or later and end after "
            "its start"
        )
    return start, end


def of_known(
    windows: Mapping[str, str] | None, names: Iterable[str], kind: str
) -> dict[str, tuple[float, float]]:
    """Windows by name, every name one of those there are.

    Parameters
    ----------
    windows : mapping of str to str, or None
        Name to window.
    names : iterable of str
        Those there are.
    kind : str
        What they are names of, such as ``"run"``.

    Returns
    -------
    dict of str to (float, float)
        Name to start and end [s].

    Raises
    ------
    UnitError, ValueError
        As :func:`ends`, and for a name that there is not.
    """
    known = list(dict.fromkeys(map(str, names)))
    unknown = [str(name) for name in windows or {} if str(name) not in known]
    if unknown:
        listed = ", ".join(known[:12]) + (f" and {len(known) - 12} more" if len(known) > 12 else "")
        raise ValueError(
            f"a window is given for the {kind} {unknown[0]!r}, which there is not; the {kind}s are "
            f"{listed}"
        )
    return {str(name): ends(text, f"{kind} {name}") for name, text in (windows or {}).items()}


def samples(
    time: np.ndarray, window: tuple[float, float], what: str, fewest: int
) -> tuple[int, int]:
    """First and last sample of a record in a window.

    Parameters
    ----------
    time : ndarray, (samples,)
        In order [s]; NaN beyond the end of the record.
    window : tuple of float and float
        Start and end [s], both inside.
    what : str
        Whose window, for the message.
    fewest : int
        Samples that it must hold.

    Returns
    -------
    tuple of int and int
        Positions in ``time``.

    Raises
    ------
    ValueError
        When it holds fewer samples.
    """
    inside = np.flatnonzero((time >= window[0]) & (time <= window[1]))
    if inside.size < fewest:
        known = time[np.isfinite(time)]
        held = f"{known[0]:.4g} s to {known[-1]:.4g} s" if known.size else "nothing"
        raise ValueError(
            f"the window {window[0]:g} s to {window[1]:g} s of {what} holds {inside.size} of the "
            f"samples that can be used, which reach from {held}; at least {fewest} are needed"
        )
    return int(inside[0]), int(inside[-1])
