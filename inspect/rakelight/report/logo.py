"""The shop's own logo, made safe for a page: read as a picture, written again without metadata."""

import io
from pathlib import Path

from PIL import Image

from rakelight.core.errors import OutputError

_LONGEST_SIDE_PX = 800


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
        with Image.open(Path(path)) as picture:
            picture.thumbnail((_LONGEST_SIDE_PX, _LONGEST_SIDE_PX))
            clean = picture.convert("RGBA")
    except (OSError, ValueError, Image.DecompressionBombError):
        raise OutputError(
            f"The logo {path} cannot be read; give a PNG or JPEG file or leave it out."
        ) from None
    content = io.BytesIO()
    Image.frombytes("RGBA", clean.size, clean.tobytes()).save(content, "PNG")
    return content.getvalue()
