"""The shop's own logo, made safe for a page: read as a picture, written again without metadata."""

import io
import struct
import warnings
import zlib
from pathlib import Path

from PIL import Image

from rakelight.core.errors import OutputError

_LONGEST_SIDE_PX = 800
_PIXELS_MAX = 40_000_000
# What Pillow raises when a picture is damaged.
_DAMAGED = (
    OSError, EOFError, ValueError, TypeError, LookupError, SyntaxError, ArithmeticError, AssertionError,
    RuntimeError, MemoryError, struct.error, zlib.error,
)  # fmt: skip


def read_logo(path: str) -> bytes:
    """Return the logo as PNG bytes of at most 800 px, or no bytes when none was set.

    Raises
    ------
    OutputError
        When the file is missing or is not a picture that can be read.
    """
    if not path:
        return b""
    try:
        with warnings.catch_warnings():
            # A damaged block beside the pixels is no reason to alarm anyone.
            warnings.simplefilter("ignore")
            clean = _read_small(Path(path))
    except (*_DAMAGED, Image.DecompressionBombError):
        raise OutputError(
            f"The logo {path} cannot be read; give a PNG or JPEG file or leave it out."
        ) from None
    content = io.BytesIO()
    Image.frombytes("RGBA", clean.size, clean.tobytes()).save(content, "PNG")
    return content.getvalue()


def _read_small(path: Path) -> Image.Image:
    """The picture, no larger than a page needs it; one of far more pixels than a logo has is refused."""
    with Image.open(path) as picture:
        if picture.width * picture.height > _PIXELS_MAX:
            raise OutputError(
                f"The logo {path} has {picture.width} x {picture.height} pixels; give one of 2000 px at most."
            )
        picture.thumbnail((_LONGEST_SIDE_PX, _LONGEST_SIDE_PX))
        return picture.convert("RGBA")
