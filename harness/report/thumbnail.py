"""A picture of a screen, scaled down to be carried inside the page."""

from __future__ import annotations

import base64
import io
from typing import Final

#: Width as stored, px: sharp on a screen of two pixels to one, shown at half of it at least.
WIDTH_PX: Final = 720
#: Largest picture file that is looked at, bytes.
MOST_PICTURE_BYTES: Final = 64 << 20
_MOST_PIXELS: Final = 100_000_000


def thumbnail(content: bytes) -> tuple[str, int, int] | None:
    """A picture as ``data:`` address of a JPEG, with width and height, px; None where it is no picture."""
    from PIL import Image

    try:
        with Image.open(io.BytesIO(content)) as image:
            if image.width * image.height > _MOST_PIXELS:
                return None
            small = image.convert("RGB")
    except Exception:  # whatever a damaged file makes the library raise
        return None
    small.thumbnail((WIDTH_PX, WIDTH_PX))
    packed = io.BytesIO()
    small.save(packed, "JPEG", quality=72)
    address = "data:image/jpeg;base64," + base64.b64encode(packed.getvalue()).decode("ascii")
    return address, small.width, small.height
