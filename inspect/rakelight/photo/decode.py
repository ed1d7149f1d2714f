"""From the bytes of a file to upright-able pixels: one decoder per kind of file.

Every decoder looks at the header first and refuses what is too small or too large before
a single pixel is unpacked. Nothing here switches anything on for the whole program.
"""

import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePath
from typing import Any

import cv2
import numpy as np
from PIL import Image

from ..core.errors import DAMAGED, PhotoError
from ..core.orientation import read_orientation
from ..core.settings import PhotoSettings
from .metadata import read_exif
from .profile import convert_print_colours

_MAGIC = (
    (b"\xff\xd8\xff", "JPEG"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"II*\x00", "TIFF"),
    (b"MM\x00*", "TIFF"),
    (b"II+\x00", "TIFF"),
    (b"MM\x00+", "TIFF"),
    (b"GIF8", "GIF"),
    (b"BM", "BMP"),
)
_HEIC_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_RAW_SUFFIXES = {
    ".dng", ".cr2", ".cr3", ".nef", ".nrw", ".arw", ".raf", ".orf", ".rw2", ".pef", ".srw",
}  # fmt: skip
_PLAIN_JPEG_MODES = ("RGB", "L")
# A JPEG is unpacked at half or a quarter of its size without ever being whole.
_READ_AT = {
    1: cv2.IMREAD_COLOR_RGB,
    2: cv2.IMREAD_COLOR_RGB | (cv2.IMREAD_REDUCED_COLOR_2 & ~cv2.IMREAD_COLOR),
    4: cv2.IMREAD_COLOR_RGB | (cv2.IMREAD_REDUCED_COLOR_4 & ~cv2.IMREAD_COLOR),
}
_JPEG_END = b"\xff\xd9"
_TURNED_FROM = 5  # EXIF orientations from here on swap rows and columns
_MEGA = 1e6
# A small file that claims to be huge is built to fill the memory. Deflate packs flat colour to 0.001 to
# 0.003 bytes per pixel and JPEG to 0.006; photos of grain, however dark and small, stay above 0.03.
_SWOLLEN_FROM_MP = 40.0
_BYTES_PER_PX_MIN = 0.01

ChooseShrink = Callable[[tuple[int, int]], int]
How = tuple[PhotoSettings, ChooseShrink, Path | None]


@dataclass(frozen=True, slots=True)
class Decoded:
    """Pixels as stored (uint8 rows, cols, 3), and what the file says about them.

    orientation : the EXIF turn that is still to be done; 1 when the decoder has done it.
    shrink : pixels of the file per pixel here, each way.
    """

    pixels: np.ndarray
    orientation: int = 1
    icc: bytes | None = None
    exif: dict[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    shrink: int = 1


def decode_picture(
    data: bytes,
    name: str,
    settings: PhotoSettings,
    *,
    choose_shrink: ChooseShrink = lambda shape_px: 1,
    path: Path | None = None,
) -> Decoded:
    """Return the decoded pixels of a file given as bytes; PhotoError when it cannot be done.

    `choose_shrink` is asked, with the rows and columns of the upright picture, by how much it may be
    shrunk each way (1, 2 or 4). A JPEG is unpacked at that size at once, which takes less than half the time; other
    files are averaged afterwards. A picture whose sides are no multiple of it is shrunk by less.
    `path` is where the bytes were read from, which lets a JPEG be unpacked in less time.
    """
    decoded = _decode(data, name, (settings, choose_shrink, path))
    if (
        decoded.shrink > 1
        or (shrink := _agree_shrink(decoded.pixels.shape, decoded.orientation, choose_shrink)) == 1
    ):
        return decoded
    rows, cols = decoded.pixels.shape[:2]
    small = cv2.resize(
        decoded.pixels, (cols // shrink, rows // shrink), interpolation=cv2.INTER_AREA
    )
    return replace(decoded, pixels=small, shrink=shrink)


def _agree_shrink(shape: tuple[int, ...], orientation: int, choose_shrink: ChooseShrink) -> int:
    rows, cols = shape[:2]
    shrink = choose_shrink((cols, rows) if orientation >= _TURNED_FROM else (rows, cols))
    while shrink > 1 and (rows % shrink or cols % shrink):
        shrink //= 2
    return shrink


def _decode(data: bytes, name: str, how: How) -> Decoded:
    kind = _detect_kind(data, name)
    decode = {"raw": _decode_raw, "HEIC": _decode_heic}.get(kind, _decode_common)
    try:
        with warnings.catch_warnings():
            # A damaged block beside the pixels is no reason to refuse a photo or to alarm anyone.
            warnings.simplefilter("ignore")
            return decode(data, kind, name, how)
    except (*DAMAGED, cv2.error, Image.DecompressionBombError):
        raise PhotoError(
            f"{name} is damaged or cut short and cannot be read; copy it from the camera again."
        ) from None


def _detect_kind(data: bytes, name: str) -> str:
    if PurePath(name).suffix.lower() in _RAW_SUFFIXES:
        return "raw"
    for start, kind in _MAGIC:
        if data.startswith(start):
            return kind
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC_BRANDS:
        return "HEIC"
    raise PhotoError(
        f"{name} is not a picture that can be read: "
        "give a JPEG, PNG, TIFF, WebP, BMP, GIF, HEIC or raw photo."
    )


def _check_size(size_px: tuple[int, int], n_bytes: int, name: str, settings: PhotoSettings) -> None:
    width_px, height_px = size_px
    if min(width_px, height_px) < settings.min_side_px:
        raise PhotoError(
            f"{name} is only {width_px} x {height_px} pixels; give the camera's own photo "
            f"of at least {settings.min_side_px} pixels a side."
        )
    if width_px * height_px > settings.max_megapixels * _MEGA:
        raise PhotoError(
            f"{name} has {width_px * height_px / _MEGA:.0f} megapixels, more than the "
            f"{settings.max_megapixels:g} allowed: cut it into parts or raise max_megapixels."
        )

    is_large = width_px * height_px > _SWOLLEN_FROM_MP * _MEGA
    if is_large and n_bytes < width_px * height_px * _BYTES_PER_PX_MIN:
        raise PhotoError(
            f"{name} unpacks to {width_px * height_px / _MEGA:.0f} megapixels out of "
            f"{n_bytes / 1e6:.1f} MB, which no photo does: give the camera's own file."
        )


def _decode_common(data: bytes, kind: str, name: str, how: How) -> Decoded:
    # Opening by kind and not by Image.open keeps Pillow's program-wide pixel limit untouched:
    # the limit of this program is checked on the header right below.
    Image.init()
    factory, _ = Image.OPEN[kind]
    with factory(io.BytesIO(data), name) as picture:
        _check_size(picture.size, len(data), name, how[0])
        exif = read_exif(picture)
        icc = picture.info.get("icc_profile")
        if kind == "JPEG" and picture.mode in _PLAIN_JPEG_MODES:
            orientation = read_orientation(exif)
            shrink = _agree_shrink(picture.size[::-1], orientation, how[1])
            pixels = _decode_jpeg(data, picture.size, shrink, how[2])
            return Decoded(pixels, orientation, icc, exif, shrink=shrink)
        pixels, is_icc_used, notes = _decode_pillow(picture, name, icc)
        # Pillow turns a TIFF while unpacking it, and nothing else.
        orientation = 1 if kind == "TIFF" else read_orientation(exif)
        return Decoded(pixels, orientation, None if is_icc_used else icc, exif, tuple(notes))


def _decode_jpeg(
    data: bytes, size_px: tuple[int, int], shrink: int, path: Path | None
) -> np.ndarray:
    flags = _READ_AT[shrink] | cv2.IMREAD_IGNORE_ORIENTATION
    shape = (*(side // shrink for side in size_px[::-1]), 3)
    pixels = None
    # Into memory from NumPy, which the system hands out in large pages: that saves a third of the time. Read from
    # a file, one that was cut short would pass as whole.
    if path is not None and data.rstrip(b"\0").endswith(_JPEG_END):
        pixels = cv2.imread(str(path), np.empty(shape, np.uint8), flags)
    if pixels is None or pixels.shape != shape:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if pixels is None or pixels.shape != shape:
        raise ValueError("cut short")
    return pixels


def _decode_pillow(
    picture: Image.Image, name: str, icc: bytes | None
) -> tuple[np.ndarray, bool, list[str]]:
    """Return pixels, whether the profile is used up, and notes on what was changed."""
    notes: list[str] = []
    if getattr(picture, "n_frames", 1) > 1 and picture.format != "MPO":
        notes.append("The file holds several pictures; only the first was read.")
    if picture.mode.startswith("I"):
        notes.append("16-bit grey was brought to 8 bits.")
        return _halve_depth(np.asarray(picture)), False, notes
    if picture.mode == "F":
        raise PhotoError(
            f"{name} holds floating-point numbers without a fixed white: save it with 8 or 16 bits."
        )
    if picture.mode == "CMYK":
        notes.append("Print colours (CMYK) were converted to sRGB.")
        return np.array(convert_print_colours(picture, icc)), True, notes
    if picture.has_transparency_data:
        notes.append("Transparent parts were laid on white.")
        layer = picture.convert("RGBA")
        white = Image.new("RGBA", layer.size, (255, 255, 255, 255))
        return np.array(Image.alpha_composite(white, layer).convert("RGB")), False, notes
    return np.array(picture.convert("RGB")), False, notes


def _halve_depth(grey: np.ndarray) -> np.ndarray:
    if grey.min() < 0 or grey.max() > 65535:
        raise ValueError("not a 16-bit picture")
    grey8 = ((grey.astype(np.uint32) + 128) // 257).astype(np.uint8)  # 65535 = 255 * 257
    return np.repeat(grey8[..., None], 3, axis=2)


def _decode_heic(data: bytes, kind: str, name: str, how: How) -> Decoded:
    try:
        import pillow_heif
    except ImportError:
        raise PhotoError(
            f'{name} is a HEIC photo: run pip install "rakelight[heif]", '
            "or let the phone save JPEG."
        ) from None
    heif = pillow_heif.open_heif(data, convert_hdr_to_8bit=True)
    _check_size(heif.size, len(data), name, how[0])
    picture = heif.to_pillow()
    exif = read_exif(picture)
    pixels, _, notes = _decode_pillow(picture, name, None)
    # libheif has already turned the picture; its EXIF may still carry the old orientation.
    return Decoded(pixels, 1, heif.info.get("icc_profile"), exif, tuple(notes))


def _decode_raw(data: bytes, kind: str, name: str, how: How) -> Decoded:
    """Return a developed raw photo: daylight white balance, no automatic brightening, sRGB.

    The camera's own white balance is left off, so that two photos of one camera mean the same
    colours by the same numbers; the grey patch does the rest. LibRaw turns the picture upright.
    """
    try:
        import rawpy
    except ImportError:
        raise PhotoError(
            f'{name} is a raw photo: run pip install "rakelight[raw]", or let the camera save JPEG.'
        ) from None
    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            _check_size((raw.sizes.width, raw.sizes.height), len(data), name, how[0])
            pixels = raw.postprocess(
                use_camera_wb=False,
                use_auto_wb=False,
                no_auto_bright=True,
                output_color=rawpy.ColorSpace.sRGB,
                gamma=(2.4, 12.92),
            )
    except rawpy.LibRawError:
        raise ValueError("not a raw file") from None
    note = "Raw was developed with daylight white balance and without automatic brightening."
    return Decoded(pixels, 1, None, _read_raw_exif(data), (note,))


def _read_raw_exif(data: bytes) -> dict[str, Any]:
    """Return what the TIFF-like header of a raw file says; empty when it has none."""
    Image.init()
    try:
        with Image.OPEN["TIFF"][0](io.BytesIO(data), "") as header:
            return read_exif(header)
    except DAMAGED:
        return {}
