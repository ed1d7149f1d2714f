"""A kept photo knows its pixels and its time, not its place."""

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from rakelight.core.position import blank_position

KINDS = ("JPEG", "PNG", "TIFF", "WEBP")


def make_photo(kind, *, has_place=True, order=None, xmp=b""):
    """Return a small photo as bytes, with time, maker and (when asked) a position."""
    exif = Image.Exif()
    exif[0x010F] = "Camera"
    if order:
        exif.endian = order
    exif.get_ifd(0x8769)[0x9003] = "2026:03:07 10:11:12"
    if has_place:
        place = exif.get_ifd(0x8825)
        place[1], place[2], place[3], place[4] = (
            "N",
            (52.0, 31.0, 12.345),
            "E",
            (13.0, 24.0, 18.765),
        )
        place[0x1D] = "2026:03:07"
    rgb = np.random.default_rng(4).integers(0, 255, (20, 30, 3)).astype(np.uint8)
    content = io.BytesIO()
    more = {"xmp": xmp} if xmp else {}
    # Pillow leaves the place out of a TIFF unless it is handed the block as bytes.
    block = exif.tobytes() if kind == "TIFF" else exif
    Image.fromarray(rgb).save(content, kind, exif=block, **more)
    return content.getvalue()


def open_photo(data):
    """Return pixels, EXIF and GPS block as Pillow reads them."""
    with Image.open(io.BytesIO(data)) as picture:
        exif = picture.getexif()
        shot, place = dict(exif.get_ifd(0x8769)), dict(exif.get_ifd(0x8825))
        return np.array(picture), shot, place  # a TIFF forgets its blocks once it is unpacked


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("order", ["<", ">"])
def test_position_goes_and_all_else_stays(kind, order):
    """Same length, same pixels, same time; no latitude, longitude or satellite day."""
    data = make_photo(kind, order=order)
    blanked = blank_position(data)
    pixels, shot, place = open_photo(data)
    assert len(place) >= 5
    pixels_after, shot_after, place_after = open_photo(blanked)
    assert len(data) == len(blanked)
    assert (pixels == pixels_after).all() and shot == shot_after
    assert not {tag: value for tag, value in place_after.items() if value}


@pytest.mark.parametrize("kind", KINDS)
def test_a_photo_without_position_is_left_alone(kind):
    """Not a byte is changed, and no copy is made."""
    data = make_photo(kind, has_place=False)
    assert data is blank_position(data)


def test_heic_loses_its_position():
    """Phones write HEIC: the block inside is blanked as well."""
    heif = pytest.importorskip("pillow_heif")
    exif = Image.Exif()
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (52.0, 31.0, 12.345)
    content = io.BytesIO()
    picture = heif.from_pillow(Image.new("RGB", (64, 64), (120, 110, 100)))
    picture.save(content, exif=exif.tobytes())
    data = content.getvalue()
    blanked = blank_position(data)
    assert len(data) == len(blanked) and data != blanked
    read = Image.Exif()
    read.load(heif.open_heif(io.BytesIO(blanked)).info["exif"])
    assert not any(read.get_ifd(0x8825).values())


def test_words_of_xmp_are_blanked():
    """Latitude and longitude as attributes or as elements become blanks; other words stay."""
    xmp = (
        b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><d exif:GPSLatitude="52,31.2N" tiff:Make="Camera">'
        b"<exif:GPSLongitude>13,24.3E</exif:GPSLongitude></d></x:xmpmeta>"
    )
    data = make_photo("JPEG", has_place=False, xmp=xmp)
    blanked = blank_position(data)
    assert b"52,31.2N" in data and b"52,31.2N" not in blanked and b"13,24.3E" not in blanked
    assert b'tiff:Make="Camera"' in blanked and len(data) == len(blanked)
    assert (open_photo(data)[0] == open_photo(blanked)[0]).all()


@given(cut=st.integers(0, 900), place=st.integers(0, 900), byte=st.integers(0, 255))
def test_damaged_photos_go_through(cut, place, byte):
    """Cut anywhere and with any byte changed: an answer of the same length, no error."""
    data = bytearray(make_photo("JPEG"))
    data[min(place, len(data) - 1)] = byte
    data = bytes(data[: len(data) - cut])
    assert len(data) == len(blank_position(data))


def test_blanking_twice_is_blanking_once():
    """Nothing is left to be found the second time."""
    once = blank_position(make_photo("TIFF"))
    assert once is blank_position(once)
