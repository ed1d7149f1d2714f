"""A JPEG's colours finer than the usual decoder gives them.

Catalogue: `read_jpeg_codes`. A decoder rounds luma and chroma to whole codes before it makes red,
green and blue of them. Noise hides that in luma, but the chroma of concrete is flat over whole
squares, so all of it is rounded the same way: up to a unit of a* and b*, more than the file's own
steps. Here the chroma tables in a copy of the file's head are enlarged, so that the decoder itself
unpacks the chroma enlarged, and its rounding shrinks by as much.
"""

import io
import warnings
from collections.abc import Iterator

import cv2
import numpy as np

from ..core.errors import DAMAGED
from ..core.orientation import read_orientation, turn_upright
from ..core.records import Photo
from .balance import FINE_CODES

ENLARGE = 4
"""Chroma may lie up to 32 codes from grey then: warm light on concrete has 10 to 20 (our choice)."""
CLIPPED_MOST = 0.3
"""When more of the picture than this is too colourful to be enlarged, it is read as usual."""
UV_SHARE = (1.772 / 2.032, 1.402 / 1.14)
"""A JPEG's chromas over the U and V that OpenCV turns into red, green and blue."""
STRIP_ROWS = 128
_TABLES, _SCAN = 0xDB, 0xDA


def read_jpeg_codes(data: bytes, photo: Photo) -> np.ndarray | None:
    """Return the sRGB codes of a JPEG photo in steps of 1/256, or None when it cannot be read so.

    Parameters
    ----------
    data : bytes of the photo's file. photo : the same file as read usually: its profile, size and turn count.

    Returns
    -------
    uint16 (rows, cols, 3), code times 256, upright like `photo.rgb`, to stand in its place. None
    when the file is no JPEG of luma and chroma in sRGB, is damaged, or was read at reduced size.

    Errors of the answer
    --------------------
    The file's own rounding stays: a mean of chroma is known to the first table entry over 8.
    Pixels further than 32 codes of chroma from grey are those of `photo`.

    Source
    ------
    ITU-T T.81 and T.871; the enlarged tables are our choice.
    """
    if photo.shrink != 1 or not photo.profile.endswith(("sRGB", "sRGB assumed")):
        return None
    chroma = _unpack_enlarged(data)
    if chroma is None:
        return None
    chroma = turn_upright(chroma, read_orientation(photo.exif))
    if chroma.shape != photo.rgb.shape:
        return None
    inside = cv2.inRange(chroma, (0, 1, 1), (255, 254, 254))
    if not inside.all():  # chroma kept at half size reaches over the rim
        inside = cv2.erode(inside, np.ones((5, 5), np.uint8))
    if np.count_nonzero(inside) < (1 - CLIPPED_MOST) * inside.size:
        return None
    whole = np.arange(256)
    chromas = [128 + (whole - 128) / ENLARGE * share for share in UV_SHARE]
    table = np.stack([whole, *chromas], axis=-1)[None] * FINE_CODES
    table = np.clip(table, 0, 65535).round().astype(np.uint16)
    codes = np.empty(chroma.shape, np.uint16)
    for row in range(0, len(chroma), STRIP_ROWS):
        rows = slice(row, row + STRIP_ROWS)
        codes[rows] = cv2.cvtColor(cv2.LUT(chroma[rows], table), cv2.COLOR_YUV2RGB)
    outside = inside == 0
    if outside.any():
        codes[outside] = photo.rgb[outside] * np.uint16(FINE_CODES)
    return codes


def _unpack_enlarged(data: bytes) -> np.ndarray | None:
    """Return luma and enlarged chroma, uint8 (rows, cols, 3), as stored, or None; `read_photo` has judged the size."""
    from PIL.JpegImagePlugin import JpegImageFile

    try:
        with warnings.catch_warnings():
            # A damaged block beside the pixels is no reason to alarm anyone.
            warnings.simplefilter("ignore")
            # By kind and not by Image.open: of a file of several pictures the first, and no limit but this program's.
            with JpegImageFile(io.BytesIO(data)) as head:
                if head.mode != "RGB" or head.info.get("adobe_transform", 1) == 0:
                    return None
                luma, *chroma = (layer[3] for layer in head.layer)
            if luma in chroma:
                return None
            with JpegImageFile(io.BytesIO(_enlarge_tables(data, set(chroma)))) as picture:
                picture.draft("YCbCr", None)
                return np.asarray(picture) if picture.mode == "YCbCr" else None
    except DAMAGED:
        return None


def _enlarge_tables(data: bytes, tables: set[int]) -> bytes:
    """Return the file with the named quantisation tables enlarged; ValueError when they cannot be."""
    changed = bytearray(data)
    for marker, first, last in _list_segments(data):
        while marker == _TABLES and first < last:
            is_wide, name = changed[first] >> 4, changed[first] & 15
            entries = slice(first + 1, first + 1 + 64 * (1 + is_wide))
            if name in tables:
                steps = [step * ENLARGE for step in changed[entries]]
                if is_wide or max(steps) > 255:
                    raise ValueError("the steps do not fit the table")
                changed[entries] = bytes(steps)
            first = entries.stop
    return bytes(changed)


def _list_segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Yield marker, first and last byte of the segments before the picture itself."""
    place = 2
    while place + 4 <= len(data) and data[place] == 0xFF:
        marker, length = data[place + 1], int.from_bytes(data[place + 2 : place + 4], "big")
        if marker == 0xFF:  # a fill byte
            place += 1
            continue
        if marker == _SCAN:
            return
        yield marker, place + 4, place + 2 + length
        place += 2 + length
    raise ValueError("no picture found")
