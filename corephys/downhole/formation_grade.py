"""Grade of a formation temperature in words: the whole rule stands here."""

from __future__ import annotations

from corephys.downhole import formation_decay
from corephys.ground import flags, thresholds

__all__ = ["GRADES", "grade"]

GRADES = ("good", "fair", "poor", "rejected")
LIMITS = (
    "formation_good_duration", "formation_fair_duration", "formation_good_deviation",
    "formation_fair_deviation", "formation_largest_rest",
)  # fmt: skip
_WORDS = {
    "no_decay": "the probe did not cool",
    "input_bad": "an input is unusable",
    "missing_value": "no temperature",
    "second_friction_pulse": "a second friction pulse",
    "late_motion": "the probe moved late",
    "disturbed_decay": "only a part of the record is a decay",
    "poor_fit": "residuals are not white",
    "beyond_method_range": "outside the response table",
}


def grade(decay: formation_decay.Decay | None, duration: float, reason: int) -> tuple[str, str]:
    """Grade of one station and why.

    Parameters
    ----------
    decay : Decay or None
        The fit.
    duration : float
        From the penetration to the last sample of the window [s].
    reason : int
        Bits of :mod:`corephys.ground.flags`.

    Returns
    -------
    tuple of str
        One of ``GRADES``, and the reason in words.

    Notes
    -----
    rejected: no temperature, or a reason that makes it bad. poor: a second friction pulse, late
    motion, more than a tenth of the first excess left at the end, residuals of 20 mK or more, or
    less than three minutes. fair: residuals of 5 mK or more or not white, less than six minutes,
    a decay in only a part of the record, or a response table left behind. good: none of these, so
    a single pulse and a decay that falls to its end. The limits are common practice (six minutes,
    5 mK) and rows of :mod:`corephys.ground.thresholds`.
    """
    named = flags.names(reason)
    fatal = [name for name in named if flags.REASONS[name] in (flags.BAD, flags.MISSING)]
    if decay is None or fatal:
        words = [_WORDS.get(name, name.replace("_", " ")) for name in fatal]
        return "rejected", "; ".join(words) or "too short a record"
    poor = [_WORDS[name] for name in ("second_friction_pulse", "late_motion") if name in named]
    fair = [_WORDS[name] for name in ("disturbed_decay", "poor_fit", "beyond_method_range")
            if name in named]  # fmt: skip
    if decay.remaining > thresholds.value("formation_largest_rest"):
        poor.append(f"{100 * decay.remaining:.0f} % of the excess left at the end")
    deviation, minutes = f"residuals of {1e3 * decay.deviation:.1f} mK", f"{duration / 60:.1f} min"
    if decay.deviation >= thresholds.value("formation_fair_deviation"):
        poor.append(deviation)
    elif decay.deviation >= thresholds.value("formation_good_deviation"):
        fair.append(deviation)
    if duration < thresholds.value("formation_fair_duration"):
        poor.append(f"only {minutes}")
    elif duration < thresholds.value("formation_good_duration"):
        fair.append(f"only {minutes}")
    if poor or fair:
        return ("poor" if poor else "fair"), "; ".join(poor + fair)
    return "good", f"single pulse, undisturbed decay of {minutes}, {deviation}"
