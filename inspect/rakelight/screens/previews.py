"""Small pictures of kept photos, for choosing and pointing; never for measuring."""

import io
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

_SIDE_PX = 1200
_QUALITY = 82


@dataclass(frozen=True, slots=True)
class Preview:
    """A small JPEG of a photo, upright, and the size of the whole photo in pixels."""

    jpeg: bytes
    rows_px: int
    cols_px: int


def make_preview(path: Path, side_px: int = _SIDE_PX) -> Preview | None:
    """Return a small picture of a photo, or None when this kind of file cannot be shown.

    A big JPEG is decoded at a fraction of its size, so that memory and time stay small.
    """
    try:
        with Image.open(path) as photo:
            cols, rows = photo.size
            if photo.getexif().get(0x0112, 1) in (5, 6, 7, 8):
                cols, rows = rows, cols
            photo.draft("RGB", (side_px, side_px))
            small = ImageOps.exif_transpose(photo)
            small.thumbnail((side_px, side_px))
            content = io.BytesIO()
            small.convert("RGB").save(content, "JPEG", quality=_QUALITY)
    except (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombError):
        return None
    return Preview(content.getvalue(), rows, cols)
