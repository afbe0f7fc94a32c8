"""How like a picture is to a part of the screen, and where it is most like. Pure, on arrays.

A picture is cut into tiles. The likeness of a tile is the share of the picture's own contrast there that the
screen explains, in %: ``100 × (1 − Σ(screen − picture)² / (Σ(picture − its mean colour)² + N × floor²))``,
none below 0: the coefficient of determination (Draper and Smith, Applied Regression Analysis, 1998, 1.3) with
the picture as the prediction, and a floor for tiles that hardly have contrast. That of the picture is the
mean over the quarter of its tiles that fits worst (our own rule, no source), so that another word on the same
button counts. Unlike a correlation it falls where only brightness differs: a menu that is dimmed behind a
dialog, a button that is not lit.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from harness.errors import WorkloadFailed
from harness.userfiles import open_regular

#: Contrast that a picture is taken to have at least, levels of 255.
FLOOR: Final = 16.0
#: Size of a tile, px, and most tiles along a side.
_TILE: Final = (24, 16)
_MOST_TILES: Final = 8
#: Places that are looked at closely after a look at a smaller scale.
_CANDIDATES: Final = 4
#: Largest picture file that is read, bytes, and largest picture, pixels.
MOST_FILE_BYTES: Final = 32 << 20
MOST_PIXELS: Final = 8192 * 8192
#: A picture smaller than this says nothing, pixels.
LEAST_SIDE: Final = 4

Pixels = NDArray[np.uint8]


@dataclass(frozen=True)
class Picture:
    """A wanted picture.

    Attributes:
        pixels: uint8, (height, width, 3), blue green red.
        mask: Which of them count, (height, width); None: all. Transparent ones do not.
    """

    pixels: Pixels
    mask: NDArray[np.bool_] | None = None

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, px."""
        return int(self.pixels.shape[1]), int(self.pixels.shape[0])


@dataclass(frozen=True)
class Found:
    """Where a picture is most like: its upper left corner, px, and how like, %."""

    likeness_pct: float
    x: int
    y: int


def load_picture(path: Path) -> Picture:
    """Read a picture file. Raises WorkloadFailed, UserFileError."""
    import io

    from PIL import Image

    with open_regular(path, "picture") as file:
        data = file.read(MOST_FILE_BYTES + 1)
    try:
        if len(data) > MOST_FILE_BYTES:
            raise ValueError(f"it has over {MOST_FILE_BYTES >> 20} MiB")
        with Image.open(io.BytesIO(data)) as image:
            width, height = image.size
            if width * height > MOST_PIXELS:
                raise ValueError(f"it has {width} × {height} pixels")
            rgba = np.asarray(image.convert("RGBA"))
    except Exception as error:  # whatever a damaged file makes the library raise
        raise WorkloadFailed(
            f"{path} can't be read as a picture ({error}); save it as PNG", permanent=True
        ) from error
    if min(width, height) < LEAST_SIDE:
        raise WorkloadFailed(
            f"{path} has {width} × {height} pixels, too few to be recognised; cut a larger part",
            permanent=True,
        )
    mask = rgba[:, :, 3] >= 128
    if not mask.any():
        raise WorkloadFailed(f"{path} is wholly transparent; cut an opaque part", permanent=True)
    return Picture(np.ascontiguousarray(rgba[:, :, 2::-1]), None if mask.all() else mask)


def likeness_pct(screen: Pixels, picture: Picture) -> float:
    """How like two areas of the same size are, %; 0 where their sizes differ."""
    if screen.shape != picture.pixels.shape:
        return 0.0
    wanted, shown = picture.pixels.astype(np.float32), screen.astype(np.float32)
    height, width = wanted.shape[:2]
    likes = []
    for top, bottom in _cuts(height, _TILE[1]):
        for left, right in _cuts(width, _TILE[0]):
            place = (slice(top, bottom), slice(left, right))
            counts = None if picture.mask is None else picture.mask[place]
            if counts is not None and not counts.any():
                continue
            tile, seen = wanted[place], shown[place]
            tile, seen = (a.reshape(-1, 3) if counts is None else a[counts] for a in (tile, seen))
            likes.append(_tile_likeness(tile, seen))
    worst = sorted(likes)[: max(1, round(len(likes) / 4))]
    return 100.0 * sum(worst) / len(worst)


def _cuts(length: int, tile: int) -> list[tuple[int, int]]:
    """A side in parts of about that length, at most :data:`_MOST_TILES`."""
    count = min(_MOST_TILES, max(1, round(length / tile)))
    edges = [round(length * number / count) for number in range(count + 1)]
    return list(pairwise(edges))


def _tile_likeness(wanted: NDArray[np.float32], shown: NDArray[np.float32]) -> float:
    """From 0 to 1; (N, 3) each."""
    error = float(np.square(shown - wanted).sum(dtype=np.float64))
    own = float(np.square(wanted - wanted.mean(axis=0)).sum(dtype=np.float64))
    return max(0.0, 1.0 - error / (own + wanted.size * FLOOR**2))


def find(screen: Pixels, picture: Picture, *, thorough: bool = True) -> Found | None:
    """Where in an area the picture is most like; None where it does not fit in.

    Not ``thorough``: places are first compared at a smaller scale, which takes a tenth of the time and may
    miss one place in many that are alike.
    """
    width, height = picture.size
    if screen.shape[0] < height or screen.shape[1] < width:
        return None
    if screen.shape == picture.pixels.shape:
        return Found(likeness_pct(screen, picture), 0, 0)
    scale = _scale_of(picture)
    if not thorough and picture.mask is None and scale > 1:
        return _find_coarsely(screen, picture, scale)
    errors = error_map(screen, picture)
    y, x = np.unravel_index(int(errors.argmin()), errors.shape)
    part = screen[y : y + height, x : x + width]
    return Found(likeness_pct(part, picture), int(x), int(y))


def _scale_of(picture: Picture) -> int:
    """By how much a picture can be made smaller and still be known."""
    side = min(picture.size)
    return 4 if side >= 40 else 2 if side >= 16 else 1


def _find_coarsely(screen: Pixels, picture: Picture, scale: int) -> Found:
    """The best place near one of the few that are best at the smaller scale."""
    cv2: Any = importlib.import_module("cv2")
    width, height = picture.size

    def smaller(pixels: Pixels) -> Pixels:
        size = (max(1, pixels.shape[1] // scale), max(1, pixels.shape[0] // scale))
        return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA))

    errors = error_map(smaller(screen), Picture(smaller(picture.pixels)))
    best: Found | None = None
    for _ in range(_CANDIDATES):
        row, column = (int(at) for at in np.unravel_index(int(errors.argmin()), errors.shape))
        top, left = max(0, row * scale - 2 * scale), max(0, column * scale - 2 * scale)
        area = screen[top : top + height + 4 * scale, left : left + width + 4 * scale]
        near = find(area, picture)
        if near is not None and (best is None or near.likeness_pct > best.likeness_pct):
            best = Found(near.likeness_pct, near.x + left, near.y + top)
        errors[max(0, row - 2) : row + 3, max(0, column - 2) : column + 3] = np.inf
        if not np.isfinite(errors).any():
            break
    return best or Found(0.0, 0, 0)


def error_map(screen: Pixels, picture: Picture) -> NDArray[np.float32]:
    """Σ(screen − picture)² for each place of the picture's corner, (height, width) of the places."""
    cv2: Any = importlib.import_module("cv2")
    cv2.setNumThreads(1)  # looking must not take all processors from the title
    if picture.mask is None:
        return np.asarray(cv2.matchTemplate(screen, picture.pixels, cv2.TM_SQDIFF))
    mask = np.repeat(picture.mask[:, :, None], 3, axis=2).astype(np.float32)
    found = cv2.matchTemplate(
        screen.astype(np.float32), picture.pixels.astype(np.float32), cv2.TM_SQDIFF, mask=mask
    )
    errors: NDArray[np.float32] = np.asarray(found, np.float32)
    return np.where(np.isfinite(errors), errors, np.float32(np.finfo(np.float32).max))


def runner_up_pct(screen: Pixels, picture: Picture, at: Found) -> float:
    """The best likeness of the picture anywhere else in the area: further away than half its size."""
    width, height = picture.size
    if screen.shape[0] < height or screen.shape[1] < width:
        return 0.0
    errors = error_map(screen, picture)
    top, left = max(0, at.y - height // 2), max(0, at.x - width // 2)
    errors[top : at.y + height // 2 + 1, left : at.x + width // 2 + 1] = np.inf
    if not np.isfinite(errors).any():
        return 0.0
    y, x = np.unravel_index(int(errors.argmin()), errors.shape)
    return likeness_pct(screen[y : y + height, x : x + width], picture)


def save_png(path: Path, pixels: Pixels) -> None:
    """Write an area as PNG. Raises OSError."""
    import os

    from PIL import Image

    from harness import inside

    if not pixels.size:
        return
    part = path.with_name(path.name + ".part")
    with os.fdopen(inside.create(part.parent, part), "wb") as file:
        Image.fromarray(np.ascontiguousarray(pixels[:, :, ::-1])).save(file, "PNG", compress_level=1)
    inside.replace(path.parent, part, path)
