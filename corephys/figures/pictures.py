"""Pictures of the core as figures need them: upright, and averaged down to the size in print."""

from __future__ import annotations

import json
import os
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import thresholds
from corephys.ground.provenance import digest

if TYPE_CHECKING:
    from PIL.Image import Image

_MOST = thresholds.value("picture_pixels")
_STRIP = 2**22  # pixels that are averaged at a time
# Quarter turns, counted against the clock, that bring the top of the core to the top.
_TURNS = {"top": 0, "right": 1, "bottom": 2, "left": 3}
_ORIENTATION = 0x0112  # tag of a camera that was held sideways (Exif 2.32)
_DEEP = ("I", "F", "I;16", "I;16B", "I;16L", "I;16N")  # modes with more than eight bits


class PictureError(ValueError):
    """A picture cannot be drawn; the message states why."""


class PictureFiles:
    """The pictures of a hole on disk.

    Parameters
    ----------
    tree : DataTree
        Hole with the table ``images``.
    folder : path, optional
        Folder of the hole; the default is the folder from which it was read.
    """

    def __init__(self, tree: xr.DataTree, folder: str | os.PathLike[str] | None = None) -> None:
        leaf = tree.children["images"].to_dataset(inherit=False)
        home = folder if folder is not None else leaf.encoding.get("source")
        self.folder = None if home is None else Path(home)
        self.digests: dict[str, str] = json.loads(tree.attrs.get("input_sha256", "{}"))

    def read(self, file: str, top_at: str, rows: int, columns: int) -> np.ndarray:
        """A picture as 8-bit values, the top of the core first.

        ``rows`` along the core and ``columns`` across it are enough for the print: a larger picture
        is averaged by blocks, so that it keeps at least as many. The result is (rows, columns), or
        (rows, columns, 3) in colour. PictureError for a file that cannot be used.
        """
        if self.folder is None:
            raise PictureError(
                f"the folder of {file!r} is not known; give the hole folder as pictures="
            )
        home = self.folder.resolve()
        path = (home / file).resolve()
        if not path.is_relative_to(home):
            raise PictureError(f"{file!r} leads out of the hole folder; put the picture into it")
        if not path.is_file():
            raise PictureError(f"there is no file {file!r} in the hole folder; put it there")
        if self.digests.get(file, "") not in ("", digest(path)):
            raise PictureError(f"the file {file!r} has changed; read the hole again")
        turns = _TURNS[top_at or "top"]
        wanted = (columns, rows) if turns % 2 == 0 else (rows, columns)
        return np.ascontiguousarray(np.rot90(_upright(path, *wanted), turns))


def _upright(path: Path, across: int, down: int) -> np.ndarray:
    """A picture as a viewer shows it, with at least this size if the file has it."""
    from PIL import Image

    try:
        # The limit of the library warns below our own.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            opened = Image.open(path, formats=("PNG", "JPEG"))
        with opened as picture:
            if picture.format == "PNG":  # asking a PNG for its tags decodes it
                _refuse_too_large(picture, path)
            held = picture.getexif().get(_ORIENTATION, 1)
            if held in (5, 6, 7, 8):
                across, down = down, across
            # A JPEG is decoded at an eighth, a quarter or half of its size where that is enough.
            picture.draft(picture.mode, (across, down))
            _refuse_too_large(picture, path)
            pixels = _averaged(picture, across, down)
    except Image.DecompressionBombError as error:
        raise PictureError(f"{path.name} is too large ({error}); save a smaller copy") from error
    except (OSError, SyntaxError, ValueError) as error:
        if isinstance(error, PictureError):
            raise
        words = f"{path.name} cannot be read as PNG or JPEG ({error}); save it again"
        raise PictureError(words) from error
    return _as_held(pixels, held)


def _refuse_too_large(picture: Image, path: Path) -> None:
    """PictureError for a picture that would take too much memory."""
    if picture.width * picture.height > _MOST:
        raise PictureError(
            f"{path.name} has {picture.width} x {picture.height} pixels and at most {_MOST:.3g} "
            "are drawn; save a smaller copy"
        )


def _averaged(picture: Image, across: int, down: int) -> np.ndarray:
    """Means of blocks of pixels, in strips, so that only one copy of the picture is held."""
    blocks = max(1, picture.width // max(across, 1)), max(1, picture.height // max(down, 1))
    step = max(1, _STRIP // (picture.width * blocks[1])) * blocks[1]
    parts = []
    deep = picture.mode in _DEEP
    for start in range(0, picture.height, step):
        end = min(start + step, picture.height)
        strip = picture.crop((0, start, picture.width, end))
        if deep:
            parts.append(_block_means(np.asarray(strip, dtype=float), *blocks))
            continue
        strip = strip.convert("L" if strip.mode in ("1", "L") else "RGB")
        parts.append(np.asarray(strip.reduce(blocks)))
    found = np.concatenate(parts)
    if not deep:
        return found
    # More than eight bits, as of a radiograph: drawn from its least to its greatest value.
    low, high = float(found.min()), float(found.max())
    return np.round(255.0 * (found - low) / ((high - low) or 1.0)).astype(np.uint8)


def _block_means(values: np.ndarray, across: int, down: int) -> np.ndarray:
    """Means of blocks; those at the far edges may be smaller."""
    rows, columns = np.arange(0, values.shape[0], down), np.arange(0, values.shape[1], across)
    sums = np.add.reduceat(np.add.reduceat(values, rows, axis=0), columns, axis=1)
    high = np.diff(np.append(rows, values.shape[0]))
    wide = np.diff(np.append(columns, values.shape[1]))
    return np.asarray(sums / (high[:, None] * wide))


def _as_held(pixels: np.ndarray, orientation: int) -> np.ndarray:
    """Pixels turned and mirrored as the camera's tag asks."""
    if orientation in (5, 6, 7, 8):
        pixels = pixels.swapaxes(0, 1)
    down = slice(None, None, -1) if orientation in (3, 4, 7, 8) else slice(None)
    across = slice(None, None, -1) if orientation in (2, 3, 6, 7) else slice(None)
    return pixels[down, across]
