"""Small pictures of kept photos, for choosing and pointing; never for measuring."""

import io
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

from . import desk, drafts

SIDE_PX = 2600
_QUALITY = 85


@dataclass(frozen=True, slots=True)
class Preview:
    """A small JPEG of a photo, upright, and the size of the whole photo in pixels."""

    jpeg: bytes
    rows_px: int
    cols_px: int


def keep_preview(uid: str, photo: drafts.KeptPhoto) -> Path | None:
    """Return the small picture of a draft's photo, made when first asked for; None when it has none."""
    path = drafts.place_photo(uid, photo)
    kept = path.with_name(f"{photo.sha256}.preview.jpg")
    if not kept.is_file():
        preview = make_preview(path)
        if preview is None:
            return None
        passing = kept.with_suffix(".part")
        passing.write_bytes(preview.jpeg)
        passing.replace(kept)
        size = {"rows_px": preview.rows_px, "cols_px": preview.cols_px}
        desk.write_plain(kept.with_suffix(".json"), size)
    return kept


def read_size(uid: str, photo: drafts.KeptPhoto) -> tuple[int, int] | None:
    """Return (columns, rows) of a photo as it stands upright; None when it has no preview."""
    kept = keep_preview(uid, photo)
    size = desk.read_plain(kept.with_suffix(".json")) if kept else {}
    return (size["cols_px"], size["rows_px"]) if size else None


def make_preview(path: Path, side_px: int = SIDE_PX) -> Preview | None:
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
