"""The page of the newest core: one HTML file that refreshes itself, and its body as a card."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from corephys.figures.style import COLOURS, RESEARCH_ONLY, SEALED_SOURCE, unit_in_print
from corephys.ground import thresholds
from corephys.ground.cards import with_uncertainty
from corephys.ground.registry import SENSORS
from corephys.quality import SEQUENCE
from corephys.watch import tracks
from corephys.watch.core import ROUTINE, Change, Channel, CoreSummary, Middle, Standard

__all__ = ["Fault", "body", "page", "sign"]

_SILENCE = thresholds.value("watch_silence")
_REASONS_SHOWN = 6  # reasons of one sensor
_LINES_SHOWN = 8  # lines of one list before the rest is folded
_POLL = 2  # s between two looks of the browser at the sign of the watch
_AHEAD = 600.0  # s by which a clock may be behind a time on deck without a word
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


@dataclass(frozen=True)
class Fault:
    """Why the last change could not be shown.

    Parameters
    ----------
    when : datetime64
        Time at which it was found, UTC.
    place : str
        File, with its line where known.
    message : str
        The complete message.
    """

    when: np.datetime64
    place: str
    message: str


# --------------------------------------------------------------------------------------------------
# Words.


def _clock(when: np.datetime64) -> str:
    """Date and time to the second."""
    return str(when.astype("datetime64[s]")).replace("T", " ") + " UTC"


def _since(seconds: float) -> str:
    """A time that has passed, such as "2 h 14 min"."""
    minutes = math.floor(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{minutes // 1440} days"


def _value(value: float, u: float, unit: str, power: int) -> str:
    """Value with its uncertainty and unit, and a power of ten taken out."""
    value, u = value / 10.0**power, u / 10.0**power
    words = unit_in_print(with_uncertainty(value, u, unit))
    if not math.isfinite(u):
        words = f"{value:.3g} ± unknown"
    return words.replace("-", "−")


def _signed(change: Change, unit: str, power: int) -> str:
    """A change with its sign."""
    if not math.isfinite(change.value):
        return "—"
    return ("+" if change.value >= 0.0 else "") + _value(change.value, change.u, unit, power)


def _unit(unit: str, power: int) -> str:
    """Unit in print with its power of ten; empty for a pure number."""
    parts = [f"10{str(power).translate(_RAISED)}"] if power else []
    parts += [unit_in_print(unit)] if unit != "1" else []
    return " ".join(parts)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


# --------------------------------------------------------------------------------------------------
# Parts of the page.


def _list(lines: Sequence[str], nothing: str) -> str:
    """Lines as a list; what is beyond the first of them is folded."""
    if not lines:
        return f'<p class="fine">{escape(nothing)}</p>'

    def items(those: Sequence[str]) -> str:
        return "<ul>" + "".join(f"<li>{escape(one)}</li>" for one in those) + "</ul>"

    shown = items(lines[:_LINES_SHOWN])
    rest = lines[_LINES_SHOWN:]
    if rest:
        shown += f"<details><summary>{len(rest)} more</summary>{items(rest)}</details>"
    return shown


def _tile(number: str, words: str, attention: bool) -> str:
    mark = "▲ " if attention else ""
    kind = "look" if attention else "fine"
    return f'<li class="{kind}"><b>{mark}{escape(number)}</b><span>{escape(words)}</span></li>'


def _tiles(summary: CoreSummary) -> str:
    """The state of the core in a few large numbers."""
    channels = summary.channels
    scanned = sum(1 for channel in channels if channel.newest.value.size)
    readings = sum(channel.newest.value.size for channel in channels)
    doubtful = sum(channel.doubtful for channel in channels)
    beyond = sum(channel.beyond_routine for channel in channels)
    out = [s.sensor.replace("_", " ") for s in summary.standards if s.out_of_control]
    changes = [channel.boundary for channel in channels]
    far = sum(change.stands_out for change in changes)
    judged = sum(change.judged for change in changes)
    offsets = "no offset at the boundary is judged"
    if judged:
        offsets = f"of {_count(judged, 'offset')} at the boundary stand out"
    checked = sum(s.status in ("in_control", "out_of_control") for s in summary.standards)
    standards = f"of {_count(checked, 'standard')} out of control" if checked else "no standard"
    return (
        '<ul class="tiles">'
        + _tile(f"{scanned} of {len(channels)}", "sensors have readings", scanned < len(channels))
        + _tile(
            f"{beyond}",
            f"of {readings} readings doubtful, and {doubtful - beyond} at section ends or left out",
            beyond > 0,
        )
        + _tile(str(len(out)) if checked else "—", standards, bool(out))
        + _tile(str(far) if judged else "—", offsets, far > 0)
        + _tile(str(len(summary.missing)), "things still missing", bool(summary.missing))
        + "</ul>"
    )


def _card(channel: Channel, summary: CoreSummary) -> str:
    """One sensor: its track with the numbers below it."""
    both = np.concatenate([channel.above.value, channel.newest.value])
    power = tracks.power_of_ten(both)
    unit = _unit(channel.unit, power)
    picture = tracks.track(
        channel,
        _length(summary.sections_above, channel.above.offset),
        _length(summary.sections, channel.newest.offset),
        (summary.above, summary.core),
        (summary.sections_above, summary.sections),
        power,
    )
    title = escape(channel.words) + (f" <small>[{escape(unit)}]</small>" if unit else "")
    return (
        f'<article><h3 style="border-color:{channel.colour}">{title}</h3>{picture}'
        f"<dl>{_middle_row(channel.middle, summary.core, power)}"
        f"{_change_row('offset at the boundary', channel.boundary, power)}"
        f"{_change_row('shift of the median', channel.shift, power)}</dl>"
        f"{tracks.trend(channel.trend, channel.colour)}"
        f"{_reasons(channel)}</article>"
    )


def _length(sections: Iterable[tuple[str, float, float]], offset: np.ndarray) -> float:
    """Length of a core [m]: of its sections, or down to its last reading."""
    laid = sum(length for _, _, length in sections)
    return max(laid, float(np.nanmax(offset)) if np.isfinite(offset).any() else 0.0)


def _middle_row(middle: Middle, core: str, power: int) -> str:
    words = _value(middle.value, middle.u, "1", power) if middle.n else "no usable reading"
    return f"<dt>median of core {escape(core)}</dt><dd>{words}</dd>"


def _change_row(label: str, change: Change, power: int) -> str:
    words = change.words
    if math.isfinite(change.usual):
        words += f"; usual change ± {change.usual / 10.0**power:.2g}"
    mark, kind = ("▲ ", ' class="look"') if change.stands_out else ("", "")
    return (
        f"<dt>{label}</dt><dd{kind}>{mark}{_signed(change, '1', power)}"
        f"<small>{'stands out; ' if change.stands_out else ''}{escape(words)}</small></dd>"
    )


def _reasons(channel: Channel) -> str:
    """How many readings are doubtful, and why, in plain words."""
    size = channel.newest.value.size
    if not size:
        return '<p class="why">no readings yet</p>'
    used = int(channel.newest.good.sum())
    shown = [
        f"<li{' class=routine' if reason in ROUTINE else ''}>"
        f"<b>{n}</b><span>{escape(_reason_words(reason))}</span></li>"
        for reason, n in channel.reasons[:_REASONS_SHOWN]
    ]
    more = len(channel.reasons) - _REASONS_SHOWN
    if more > 0:
        shown.append(f"<li>and {_count(more, 'further reason')}</li>")
    listed = f'<ul class="why">{"".join(shown)}</ul>'
    return f'<p class="why">{used} of {size} readings usable</p>{listed}'


def _reason_words(reason: str) -> str:
    """A reason with what it means, where the tests of the scan state it."""
    meaning = SEQUENCE.get(reason, "").partition(": ")[2]
    words = reason.replace("_", " ")
    return f"{words}: {meaning}" if meaning else words


def _standard(standard: Standard) -> str:
    """The chart of one standard and its last check in words."""
    colour = next(
        (COLOURS.get(s.quantity, "black") for s in SENSORS.records() if s.name == standard.sensor),
        "black",
    )
    kind = ' class="look"' if standard.out_of_control else ""
    words = {
        "in_control": "in control",
        "out_of_control": "in control again",
        "not_enough_standards": "too few checks for limits",
        "no_scatter": "checks without scatter: no limits",
    }.get(standard.status, standard.status.replace("_", " "))
    if standard.out_of_control:
        words = "▲ out of control"
    if math.isfinite(standard.z):
        words += f", last check {standard.z:+.1f} standard deviations from the centre".replace(
            "-", "−"
        )
    when = "" if np.isnat(standard.last) else f", {_clock(standard.last)[:16]} UTC"
    unit = "" if standard.unit == "1" else f" [{unit_in_print(standard.unit)}]"
    return (
        f"<li><b>{escape(standard.sensor.replace('_', ' '))}</b> "
        f"<span{kind}>{escape(words)}</span><small>{escape(standard.what + unit + when)}</small>"
        f"{tracks.checks(standard, colour)}</li>"
    )


def _fault(fault: Fault, good: str) -> str:
    """The error on top of the last good page."""
    lines = fault.message.strip().splitlines() or [""]
    more = lines[1:]
    rest = f"<pre>{escape(chr(10).join(more[:12]))}</pre>" if more else ""
    if len(more) > 12:
        rest += f"<p>and {len(more) - 12} further lines</p>"
    place = f"<b>{escape(fault.place)}</b> · " if fault.place else ""
    return (
        f'<section class="fault" role="alert"><h2>▲ The last change is not shown</h2>'
        f"<p>{_clock(fault.when)} · {place}{escape(lines[0])}</p>{rest}<p>{escape(good)}</p>"
        "</section>"
    )


def _on_deck(summary: CoreSummary, now: np.datetime64) -> str:
    """Time since the core came on deck; the script of the page counts it on."""
    if np.isnat(summary.on_deck):
        return '<div class="deck"><b>—</b><span>time on deck not given</span></div>'
    seconds = float((now - summary.on_deck) / np.timedelta64(1, "s"))
    stamp = str(summary.on_deck.astype("datetime64[s]")) + "Z"
    words = f"since {_clock(summary.on_deck)[:16]} UTC"
    if seconds < -_AHEAD:
        return (
            f'<div class="deck"><b>—</b><span>on deck {escape(words)}, which is ahead of this '
            "computer's clock: check the time zone in hole.toml, and the clock</span></div>"
        )
    return (
        f'<div class="deck"><b data-deck="{stamp}">{_since(max(0.0, seconds))}</b>'
        f"<span>on deck {escape(words)}</span></div>"
    )


def body(
    summary: CoreSummary | None,
    now: np.datetime64,
    *,
    hole: str = "",
    fault: Fault | None = None,
    warnings: Sequence[str] = (),
    written: np.datetime64 | None = None,
    spent: Mapping[str, float] | None = None,
) -> str:
    """The page of the newest core as one element, for the page and for a notebook.

    Parameters
    ----------
    summary : CoreSummary or None
        From ``summarise_core``; None where there is no core yet.
    now : datetime64
        Time of the page, UTC.
    hole : str
        Name of the hole for a page without a core.
    fault : Fault, optional
        Why the last change is not shown.
    warnings : sequence of str
        Exports that the import refused and what it does not take yet.
    written : datetime64, optional
        Time of the last good reduction, UTC.
    spent : mapping of str to float, optional
        Seconds of each step of the last good reduction.

    Returns
    -------
    str
        One ``<div>`` with its style.
    """
    parts = [f'<div class="newest-core"><style>{_STYLE}</style>']
    if fault is not None:
        good = "Nothing was reduced before it."
        if written is not None:
            good = f"What follows is of {_clock(written)}."
        parts.append(_fault(fault, good))
    if warnings:
        parts.append(f'<section class="warning"><h2>▲ Import</h2>{_list(warnings, "")}</section>')
    if summary is None:
        words = "No core yet: cores.csv is missing or has no row." if fault is None else ""
        parts.append(f"<header><div><h1>{escape(hole)}</h1><p>{words}</p></div></header>")
    else:
        parts += _core(summary, now)
    lines = (SEALED_SOURCE, RESEARCH_ONLY)
    parts.append("<footer>" + "".join(f"<p><b>{escape(line)}</b></p>" for line in lines))
    if written is not None and spent:
        steps = ", ".join(f"{words} {seconds:.2f} s" for words, seconds in spent.items())
        total = sum(spent.values())
        parts.append(f"<p>Reduced {_clock(written)}, {total:.1f} s after the change: {steps}.</p>")
    return "".join([*parts, "</footer></div>"])


def _core(summary: CoreSummary, now: np.datetime64) -> list[str]:
    """The parts of the page that are about the core."""
    facts = " · ".join(escape(fact) for fact in summary.facts)
    boundary = escape(summary.boundary_words)
    notes = ""
    if summary.notes:
        notes = (
            f"<details><summary>{_count(len(summary.notes), 'note')} of the reduction</summary>"
            + "<ul>"
            + "".join(f"<li>{escape(note)}</li>" for note in summary.notes)
            + "</ul></details>"
        )
    standards = "".join(_standard(standard) for standard in summary.standards)
    return [
        f'<header><div><p class="hole">{escape(summary.hole)}</p>'
        f"<h1>Core {escape(summary.core)}</h1><p>{facts}</p>"
        f'<p class="small">{escape(summary.rule)} · {boundary}</p></div>'
        f"{_on_deck(summary, now)}</header>",
        _tiles(summary),
        '<section class="cards">'
        + "".join(_card(channel, summary) for channel in summary.channels)
        + "</section>",
        '<section class="lists">'
        f"<div><h2>Still missing</h2>{_list(summary.missing, 'nothing that this core should have')}"
        "</div>"
        f"<div><h2>Contradictions and failures</h2>{_list(summary.suspect, 'none found')}{notes}"
        "</div></section>",
        "<h2>Standards</h2>"
        + (f'<ul class="standards">{standards}</ul>' if standards else _list((), "no checks yet")),
    ]


# --------------------------------------------------------------------------------------------------
# The file.


def page(fragment: str, title: str, identity: str, sign_file: str) -> str:
    """The complete page.

    Parameters
    ----------
    fragment : str
        From :func:`body`.
    title : str
        Title of the window.
    identity : str
        Name of this state of the page, as in its sign.
    sign_file : str
        Name of the file beside the page that holds the sign of the watch, see :func:`sign`.

    Returns
    -------
    str
        HTML that fetches nothing but the sign beside it, also from a folder without a server.
        Without scripts the page is loaded again every few seconds.
    """
    script = _SCRIPT
    for name, text in (
        ("IDENTITY", json.dumps(identity)),
        ("SIGN", json.dumps(sign_file)),
        ("SILENCE", f"{_SILENCE:g}"),
        ("POLL", f"{1000 * _POLL:g}"),
    ):
        script = script.replace(f"%{name}%", text)
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<noscript><meta http-equiv="refresh" content="{_POLL}"></noscript>'
        f"<title>{escape(title)}</title><style>{_STYLE_OF_FILE}</style></head>"
        f'<body><p id="watch-state" role="status"></p>{fragment}<script>{script}</script>'
        "</body></html>\n"
    )


def sign(identity: str, now: np.datetime64, state: str) -> str:
    """The sign of the watch beside the page, which the page looks at.

    Parameters
    ----------
    identity : str
        Name of the newest state of the page.
    now : datetime64
        Time of the sign, UTC.
    state : {"watching", "stopped"}
        Whether the watch goes on.

    Returns
    -------
    str
        One line of script. It is a script and not data, since a browser lets a page from a folder
        load nothing else.
    """
    stamp = str(now.astype("datetime64[s]")) + "Z"
    return f"newestCore({json.dumps(identity)}, {json.dumps(stamp)}, {json.dumps(state)});\n"


_SCRIPT = """
(function () {
  var state = document.getElementById("watch-state");
  function since(seconds) {
    var minutes = Math.floor(seconds / 60);
    if (minutes < 60) return minutes + " min";
    if (minutes < 2880) {
      return Math.floor(minutes / 60) + " h " + String(minutes % 60).padStart(2, "0") + " min";
    }
    return Math.floor(minutes / 1440) + " days";
  }
  function count() {
    document.querySelectorAll("[data-deck]").forEach(function (one) {
      var seconds = (Date.now() - Date.parse(one.dataset.deck)) / 1000;
      if (seconds >= 0) one.textContent = since(seconds);
    });
  }
  function tell(words, kind) {
    state.textContent = words;
    state.className = kind;
  }
  window.newestCore = function (identity, stamp, what) {
    if (identity !== %IDENTITY%) return location.reload();
    var age = (Date.now() - Date.parse(stamp)) / 1000;
    var at = stamp.slice(11, 19) + " UTC";
    if (what === "stopped") {
      tell("The watch was stopped at " + at + ": this page is not kept up.", "old");
    } else if (age > %SILENCE%) {
      tell("No sign of the watch since " + at + ": it may have stopped, or a clock is wrong.",
        "old");
    } else tell("watching, last look " + at, "live");
  };
  function look() {
    var one = document.createElement("script");
    one.src = %SIGN% + "?" + Date.now();
    one.onload = one.onerror = function () { one.remove(); };
    document.body.appendChild(one);
    count();
  }
  look();
  setInterval(look, %POLL%);
})();
"""

_STYLE_OF_FILE = """
body{margin:0;background:#fff}
#watch-state{margin:0;padding:3px 22px;font:15px system-ui,Arial,sans-serif;color:#2f6b3d}
#watch-state.old{background:#b3261e;color:#fff;font-size:24px;padding:8px 22px}
@media print{#watch-state{display:none}}
"""

# Every rule begins with the class of the page, so that the card changes nothing else of a notebook.
_STYLE = """
.newest-core{font:17px/1.35 system-ui,"Segoe UI",Roboto,Arial,sans-serif;color:#141414;
background:#fff;padding:14px 22px 10px;box-sizing:border-box;max-width:2200px;margin:0 auto}
.newest-core *{box-sizing:border-box}
.newest-core p,.newest-core ul,.newest-core dl,.newest-core h1,.newest-core h2,.newest-core h3
{margin:0;padding:0}
.newest-core header{display:flex;flex-wrap:wrap;justify-content:space-between;gap:6px 40px;
align-items:flex-end}
.newest-core h1{font-size:64px;line-height:1.05;letter-spacing:-1px;font-weight:750}
.newest-core .hole{font-size:22px;color:#444}
.newest-core header p{font-size:22px}
.newest-core header p.small{font-size:16px;color:#555}
.newest-core .deck{text-align:right;max-width:26em}
.newest-core .deck b{display:block;font-size:64px;line-height:1.05;
font-variant-numeric:tabular-nums}
.newest-core .deck span{font-size:18px;color:#444}
.newest-core .tiles{list-style:none;display:grid;gap:10px;margin:16px 0;
grid-template-columns:repeat(auto-fit,minmax(165px,1fr))}
.newest-core .tiles li{border:2px solid #c9d3c9;border-left:10px solid #4c8a5b;padding:8px 12px;
background:#f7faf7}
.newest-core .tiles li.look{border-color:#e5c38a;border-left-color:#c76b00;background:#fff8ec}
.newest-core .tiles b{display:block;font-size:38px;line-height:1.1}
.newest-core .tiles span{font-size:17px;color:#333}
.newest-core .cards{display:grid;gap:14px;grid-template-columns:repeat(auto-fit,minmax(270px,1fr))}
.newest-core article{border:1px solid #d8d8d8;padding:10px 12px;min-width:0}
.newest-core article svg,.newest-core .standards svg{width:100%;height:auto;display:block}
.newest-core h3{font-size:21px;line-height:1.2;border-left:8px solid;
padding-left:8px;min-height:2.4em}
.newest-core h3 small{font-weight:400;color:#444;font-size:17px}
.newest-core dt{font-size:15px;color:#555;margin-top:6px}
.newest-core dd{margin:0;font-size:25px;font-weight:650;line-height:1.15;
font-variant-numeric:tabular-nums}
.newest-core dd small,.newest-core .standards small{display:block;font-size:14px;font-weight:400;
color:#555}
.newest-core .look{color:#9a4f00}
.newest-core .tiles .look b{color:#9a4f00}
.newest-core p.why{font-size:18px;font-weight:650;margin-top:6px}
.newest-core ul.why{list-style:none;font-size:15px}
.newest-core ul.why li{display:flex;gap:8px}
.newest-core ul.why b{flex:0 0 2em;text-align:right}
.newest-core .routine{color:#777}
.newest-core h2{font-size:24px;margin:16px 0 4px}
.newest-core .lists{display:grid;gap:14px 30px;margin-top:18px;
grid-template-columns:repeat(auto-fit,minmax(330px,1fr))}
.newest-core .lists li{margin:0 0 5px 20px;font-size:18px}
.newest-core .standards{list-style:none;display:grid;gap:10px 30px;
grid-template-columns:repeat(auto-fit,minmax(330px,1fr))}
.newest-core .standards li{font-size:18px}
.newest-core .fine{color:#2f6b3d;font-size:18px}
.newest-core details{font-size:15px;color:#333;margin-top:6px}
.newest-core details li{font-size:15px}
.newest-core .fault{background:#fdecea;border:3px solid #b3261e;
padding:10px 16px;margin-bottom:12px}
.newest-core .fault h2{color:#8c1d18;font-size:30px;margin-top:0}
.newest-core .warning h2{margin-top:0}
.newest-core .fault p{font-size:19px;overflow-wrap:anywhere}
.newest-core .fault pre{white-space:pre-wrap;font-size:15px;margin:4px 0}
.newest-core .warning{background:#fff8ec;border:2px solid #c76b00;
padding:8px 16px;margin-bottom:12px}
.newest-core .warning li{margin-left:20px}
.newest-core footer{margin-top:16px;border-top:1px solid #ccc;
padding-top:6px;font-size:15px;color:#333}
@media (max-width:700px){.newest-core{padding:8px 10px}
.newest-core h1,.newest-core .deck b{font-size:44px}.newest-core .deck{text-align:left}
.newest-core header p{font-size:18px}}
@media print{.newest-core article,.newest-core .tiles li{break-inside:avoid}
.newest-core .cards{grid-template-columns:repeat(3,1fr)}}
"""
