"""Display of results: cards of text or HTML, escaped tables, inline pictures, digits."""

from __future__ import annotations

import base64
import html
import math
from collections.abc import Iterable
from dataclasses import dataclass

from corephys.ground import thresholds

__all__ = [
    "RESEARCH_ONLY",
    "SEALED_SOURCE",
    "Card",
    "Shown",
    "digits",
    "fit_warnings",
    "picture_html",
    "with_both_parts",
    "with_uncertainty",
]

_CHI_SQUARE = thresholds.value("fit_chi_square")
_RESIDUAL = thresholds.value("fit_residual")
# The lines of caution of results, figures and tables. Stress, strength and drilling fluid:
RESEARCH_ONLY = (
    "Research estimate; not for well control, mud weight, casing, slope or structural decisions; "
    "follow local codes and licensed practice."
)
# Gamma attenuation and its calibration:
SEALED_SOURCE = (
    "Research estimate; no count or density shows the state of a sealed source or its shutter; "
    "work at the source under its licence, with a survey meter, by local codes."
)


@dataclass(frozen=True)
class Card:
    """Summary of a result: text in a terminal, compact HTML in a notebook.

    Parameters
    ----------
    title : str
        Name of the result.
    rows : tuple of (str, str)
        Label and text of each number, with uncertainties to the right digits.
    warnings : tuple of str
        Warnings; empty without any.
    next_steps : tuple of str
        Proposed next steps.
    more : tuple of (str, str)
        Further rows, folded in a notebook.
    lines : tuple of str
        Lines of a longer text, folded in a notebook.
    lines_title : str
        Title of the longer text.
    picture : bytes
        PNG beside the numbers; empty for none.
    """

    title: str
    rows: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()
    next_steps: tuple[str, ...] = ()
    more: tuple[tuple[str, str], ...] = ()
    lines: tuple[str, ...] = ()
    picture: bytes = b""
    lines_title: str = "summary"

    def __repr__(self) -> str:
        rows = [*self.rows, *self.more]
        width = max((len(label) for label, _ in rows), default=0)
        body = [f"{label:<{width}}  {text}" for label, text in rows]
        body += [f"beware: {words}" for words in self.warnings]
        body += [f"next: {words}" for words in self.next_steps]
        return "\n".join([self.title, *body, *self.lines])

    def _repr_html_(self) -> str:
        parts = [f"<b>{_escaped(self.title)}</b>", _rows_html(self.rows)]
        for heading, words in (("Beware", self.warnings), ("Next", self.next_steps)):
            items = "".join(f"<li>{_escaped(one)}</li>" for one in words)
            if items:
                parts.append(f'<b>{heading}</b><ul style="margin:0 0 0.4em">{items}</ul>')
        if self.more:
            words = f"{len(self.more)} tables" if len(self.more) > 1 else "1 table"
            parts.append(f"<details><summary>{words}</summary>{_rows_html(self.more)}</details>")
        if self.lines:
            text = _escaped("\n".join(self.lines))
            parts.append(
                f"<details><summary>{_escaped(self.lines_title)}, {len(self.lines)} lines</summary>"
                f'<pre style="font-size:85%">{text}</pre></details>'
            )
        shown = f'<div style="flex:1 1 24em">{"".join(parts)}</div>'
        if self.picture:
            shown += f"<div>{picture_html(self.picture, f'picture of {self.title}')}</div>"
        return (
            '<div style="display:flex;flex-wrap:wrap;gap:1em;align-items:flex-start;'
            f'font-size:13px;line-height:1.35">{shown}</div>'
        )


class Shown:
    """Base of objects with a method ``card``, which is shown in a notebook."""

    def card(self) -> Card:
        """Summary of this object."""
        raise NotImplementedError

    def _repr_html_(self) -> str:
        return self.card()._repr_html_()


_ROUNDING = 1e-12  # a residual below it is that of floating point


def fit_warnings(
    reduced_chi_square: float, residual: Iterable[float], unit: str
) -> tuple[str, ...]:
    """Warnings of a calibration or fit.

    Parameters
    ----------
    reduced_chi_square : float
        Reduced chi-square; NaN if the data have no uncertainty.
    residual : iterable of float
        Data less model.
    unit : str
        Unit of the residuals.

    Returns
    -------
    tuple of str
        Empty for a reduced chi-square up to two and no residual beyond four robust standard
        deviations (common practice, no source).
    """
    warnings = []
    if math.isfinite(reduced_chi_square) and reduced_chi_square > _CHI_SQUARE:
        warnings.append(
            f"reduced chi-square {reduced_chi_square:.2f}: the points scatter more than their "
            "stated errors allow"
        )
    # 1.4826 times the median size is the standard deviation of normal residuals.
    known = sorted(abs(float(one)) for one in residual if math.isfinite(float(one)))
    usual = 1.4826 * known[len(known) // 2] if known else 0.0
    if len(known) > 4 and known[-1] > max(_RESIDUAL * usual, _ROUNDING):
        warnings.append(
            f"one residual of {known[-1]:.3g}{'' if unit == '1' else f' {unit}'} stands apart from "
            f"the usual {usual:.2g}"
        )
    return tuple(warnings)


def with_uncertainty(value: float, u: float, unit: str = "1") -> str:
    """A value with its standard uncertainty to two digits.

    Parameters
    ----------
    value, u : float
        Numbers in ``unit``. An uncertainty that is not a positive number is written as unknown, a
        value that is not a number as "no number".
    unit : str
        Unit in the library's spelling; ``"1"`` is not written.

    Returns
    -------
    str
        Text such as ``"50.43 ± 0.61 mW/m^2"``.

    Examples
    --------
    >>> with_uncertainty(958.7, 49.6, "m")
    '959 ± 50 m'
    >>> with_uncertainty(2.7, float("nan"), "g/cm^3")
    '2.7 g/cm^3 (uncertainty unknown)'
    """
    if not math.isfinite(value):
        return "no number"
    unit = "" if unit == "1" else f" {unit}"
    if not math.isfinite(u) or u <= 0:
        return f"{value:.4g}{unit} (uncertainty unknown)"
    digits = 1 - math.floor(math.log10(float(f"{u:.1e}")))
    if digits <= 6:
        value, u = round(value, digits) + 0.0, round(u, digits)  # a rounded -0.0 is 0.0
    else:  # many leading zeros are hard to read: one power of ten for both
        power = math.floor(math.log10(max(abs(value), u)))
        value, u, digits = value / 10.0**power, u / 10.0**power, max(0, digits + power)
        return f"({value:.{digits}f} ± {u:.{digits}f}) × 10^{power}{unit}"
    return f"{value:.{max(0, digits)}f} ± {u:.{max(0, digits)}f}{unit}"


def with_both_parts(value: float, u_random: float, u_systematic: float, unit: str = "1") -> str:
    """A value with both parts of its standard uncertainty, ready to be quoted.

    Parameters
    ----------
    value, u_random, u_systematic : float
        Numbers in ``unit``; NaN for a part that is not known.
    unit : str
        Unit in the library's spelling; ``"1"`` is not written.

    Returns
    -------
    str
        The value with its total uncertainty and both parts; with one part where the other is not
        known.

    Examples
    --------
    >>> with_both_parts(0.76594, 0.0057, float("nan"))
    '0.7659 ± 0.0057 (random); systematic uncertainty not given'
    >>> with_both_parts(958.7, 30.0, 40.0, "m")
    '959 ± 50 m (random 30 m, systematic 40 m)'
    >>> with_both_parts(1070.0, 121.0, 0.33, "m")
    '1070 ± 120 m (random 120 m, systematic 0.33 m)'
    """
    parts = {"random": u_random, "systematic": u_systematic}
    known = {name: u for name, u in parts.items() if math.isfinite(u) and u >= 0.0}
    if len(known) == 2:
        total = with_uncertainty(value, math.hypot(u_random, u_systematic), unit)
        mark = "" if unit == "1" else f" {unit}"
        random, systematic = (f"{float(f'{u:.2g}'):g}{mark}" for u in (u_random, u_systematic))
        return f"{total} (random {random}, systematic {systematic})"
    for name, u in known.items():
        other = "systematic" if name == "random" else "random"
        shown = with_uncertainty(value, u, unit)
        return f"{shown} ({name}); {other} uncertainty not given"
    return with_uncertainty(value, float("nan"), unit)


def digits(value: float, u: float) -> tuple[str, str]:
    """A value and its standard uncertainty as two cells of a table.

    Parameters
    ----------
    value, u : float
        Numbers in one unit.

    Returns
    -------
    tuple of str and str
        The value, and the uncertainty to two significant digits, both to the same place; four
        significant digits and an empty cell if the uncertainty is not a positive number; two
        empty cells if the value is not a number.

    Examples
    --------
    >>> digits(1.23456, 0.0996)
    ('1.23', '0.10')
    >>> digits(2.7, float("nan"))
    ('2.700', '')
    >>> digits(-0.004, 0.1)
    ('0.00', '0.10')
    """
    if not math.isfinite(value):
        return "", ""
    if not (math.isfinite(u) and u > 0.0):
        return f"{value:#.4g}".rstrip("."), ""
    places = 1 - math.floor(math.log10(float(f"{u:.1e}")))
    if places > 7:
        return f"{value:.{max(0, places + math.floor(math.log10(abs(value) or u)))}e}", f"{u:.1e}"
    value, u = round(value, places) + 0.0, round(u, places)  # a rounded -0.0 is 0.0
    return f"{value:.{max(0, places)}f}", f"{u:.{max(0, places)}f}"


def picture_html(png: bytes, description: str) -> str:
    """A picture inline in a page.

    Parameters
    ----------
    png : bytes
        Picture.
    description : str
        Alternative text for readers who cannot see the picture.

    Returns
    -------
    str
        One ``<img>`` element.

    Raises
    ------
    ValueError
        When the bytes are not a PNG picture.
    """
    if not png.startswith(b"\x89PNG\r\n\x1a\n"):
        raise ValueError(
            f"png begins with {png[:8]!r} and is no PNG picture; give the bytes of Plate.picture()"
        )
    data = base64.b64encode(png).decode("ascii")
    return f'<img src="data:image/png;base64,{data}" alt="{_escaped(description)}">'


def _rows_html(rows: Iterable[tuple[str, str]]) -> str:
    """Labels and texts as an HTML table."""
    lines = "".join(
        f'<tr><th style="text-align:left;vertical-align:top">{_escaped(label)}</th>'
        f'<td style="text-align:left">{_escaped(text)}</td></tr>'
        for label, text in rows
    )
    return f'<table style="font-size:inherit">{lines}</table>'


def _escaped(cell: object) -> str:
    """Text of a cell, safe in HTML."""
    return html.escape(str(cell), quote=True)
