"""What the camera wrote into the file, in plain names; never a position, never a serial number."""

import math
import struct
from typing import Any

from PIL import Image

# Tag numbers of the Exif standard (CIPA DC-008), from memory, checked against Pillow's list.
_CAMERA_TAGS = {"Orientation": 0x0112, "Make": 0x010F, "Model": 0x0110}
_SHOT_TAGS = {
    "ExposureTime": 0x829A,
    "FNumber": 0x829D,
    "ISO": 0x8827,
    "DateTimeOriginal": 0x9003,
    "Flash": 0x9209,
    "FocalLength": 0x920A,
    "ColorSpace": 0xA001,
    "CustomRendered": 0xA401,
    "WhiteBalance": 0xA403,
    "DigitalZoomRatio": 0xA404,
    "FocalLengthIn35mm": 0xA405,
    "LensModel": 0xA434,
}
_SHOT_BLOCK = 0x8769
_UNCALIBRATED = 65535
_DAMAGED = (
    OSError, SyntaxError, ValueError, TypeError, KeyError, IndexError, AssertionError, ArithmeticError,
    RuntimeError, struct.error,
)  # fmt: skip

EXIF_NAMES = (*_CAMERA_TAGS, *_SHOT_TAGS)


def read_exif(picture: Image.Image) -> dict[str, Any]:
    """Return the EXIF entries that matter for measuring, by plain name; empty when there are none.

    Parameters
    ----------
    picture : PIL.Image.Image
        Opened, not yet decoded (a decoded TIFF has lost its orientation).

    Returns
    -------
    dict
        Names from `EXIF_NAMES`; numbers as int or float (ExposureTime in s, FocalLength in mm),
        words as str. Damaged entries are left out.

    Source
    ------
    Exif tag lists (read); which of them matter: photo quality notes of the project.
    """
    try:
        block = picture.getexif()
        shot = block.get_ifd(_SHOT_BLOCK)
    except _DAMAGED:
        return {}
    return _plain_entries(block, _CAMERA_TAGS) | _plain_entries(shot, _SHOT_TAGS)


def is_uncalibrated(exif: dict[str, Any]) -> bool:
    """Return whether the camera says that its colours are not sRGB."""
    return exif.get("ColorSpace") == _UNCALIBRATED


def _plain_entries(block: Any, tags: dict[str, int]) -> dict[str, Any]:
    entries = {}
    for name, tag in tags.items():
        try:
            value = _plain_value(block.get(tag))
        except (*_DAMAGED, ZeroDivisionError, OverflowError):
            continue
        if value is not None:
            entries[name] = value
    return entries


def _plain_value(value: Any) -> int | float | str | None:
    """Return an int, a finite float or a cleaned word; None when the entry holds nothing."""
    if isinstance(value, tuple):
        value = value[0] if value else None
    if value is None or isinstance(value, int):
        return value
    if isinstance(value, bytes):
        value = value.decode("ascii", errors="ignore")
    if isinstance(value, str):
        return "".join(sign for sign in value if sign.isprintable()).strip() or None
    number = float(value)
    return number if math.isfinite(number) else None
