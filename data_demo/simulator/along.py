"""What a sensor with a long response sees: the core cut into thin cells along each section.

A reading is the sum over the cells of its section, each weighted by the share of a Gaussian
response that lies on it and by how much of the cell holds core. Sections are scanned apart from
each other: beyond an end there is nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from . import flaws
from .layout import EMPTY_KINDS

STEP = 0.5  # cm
SIGMA_OF_WIDTH = 1.0 / (2.0 * np.sqrt(2.0 * np.log(2.0)))  # standard deviation over FWHM
SOUND = 0.99  # least share of the response on sound core of a reading without a label


@dataclass
class Cells:
    """Cells of all sections: section row, edges [cm], the material's own depth [m], how much of
    the cell holds core (`fill`) and whether nothing at all is wrong with it (`sound`)."""

    row: np.ndarray
    left: np.ndarray
    right: np.ndarray
    own_depth: np.ndarray
    fill: np.ndarray
    sound: np.ndarray

    def seen(self, readings, width, values):
        """Response-weighted sums of `values` (cell, or cell by column) at each reading.

        `width` [cm] is the full width at half maximum; the weights of an endless core add to one.
        """
        sigma = width * SIGMA_OF_WIDTH
        rows, offset = readings["row"].to_numpy(), readings["offset"].to_numpy()
        values = np.asarray(values, dtype=float)
        result = np.zeros((len(rows), *values.shape[1:]))
        for row in np.unique(rows):
            cells, here = self.row == row, rows == row
            at = offset[here][:, None]
            weight = ndtr((self.right[cells] - at) / sigma) - ndtr((self.left[cells] - at) / sigma)
            result[here] = weight @ values[cells]
        return result

    def label(self, readings, layout, width):
        """Label readings whose response runs over an end or into a void and that have no label
        yet, and add `filled`, the share of the response on core."""
        length = layout.sections["length"].to_numpy()[readings["row"]]
        readings = flaws.mark_ends(readings, length, half_width=width * SIGMA_OF_WIDTH)
        inside, sound, filled = self.seen(
            readings, width, np.stack([np.ones_like(self.fill), self.sound, self.fill], axis=1)
        ).T
        flaw = readings["flaw"].to_numpy().copy()
        flaw[(sound < SOUND * inside) & (flaw == "")] = "near_void"
        return readings.assign(flaw=flaw, filled=filled)


def cut(layout, intervals) -> Cells:
    """Cut every section that is scanned into cells, with the planted `intervals` of core."""
    rows, left, right = [], [], []
    for row, section in enumerate(layout.sections.itertuples()):
        if section.kind == "section":
            number = int(np.ceil(round(section.length * 100.0 / STEP, 6)))
            edges = np.linspace(0.0, section.length * 100.0, number + 1)
            rows.append(np.full(number, row))
            left.append(edges[:-1])
            right.append(edges[1:])
    row, left, right = map(np.concatenate, (rows, left, right))
    own = layout.depths(row, 0.5 * (left + right))[1]
    cells = Cells(row, left, right, own, np.ones(row.size), np.ones(row.size))
    for gone in layout.removed.itertuples():
        if gone.kind in EMPTY_KINDS or gone.when == "before_scan":
            take_out(cells, layout.section_row(gone.core, gone.section), gone.from_, gone.to, 1.0)
    for planted in intervals.itertuples():
        take_out(cells, planted.row, planted.from_, planted.to, planted.severity)
    return cells


def take_out(cells, row, start, stop, share) -> None:
    """Empty `share` of the core of one section between two offsets [cm]."""
    here = np.flatnonzero(cells.row == row)
    left, right = cells.left[here], cells.right[here]
    overlap = np.clip(np.minimum(right, stop) - np.maximum(left, start), 0.0, None)
    overlap = overlap / (right - left)
    cells.fill[here] *= 1.0 - share * overlap
    cells.sound[here] *= 1.0 - overlap


def keys(readings):
    """The columns of a scan table that say where a reading lies."""
    return readings[["core", "section", "offset"]].rename(columns={"offset": "offset [cm]"})


def truth_keys(readings, flaw, ground):
    """The columns that every truth table of a scan begins with."""
    own = readings["own_depth"].to_numpy()
    return keys(readings).assign(
        **{
            "run": readings["run"],
            "depth_fitted [m]": np.round(own, 3),
            "porosity": np.round(ground.porosity(own), 4),
            "flaw": flaw,
            "filled_share": np.round(readings["filled"].to_numpy(), 4),
        }
    )
