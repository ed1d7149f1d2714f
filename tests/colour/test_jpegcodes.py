"""A JPEG's colours in steps finer than whole codes."""

import io
import struct

import cv2
import numpy as np
import pytest
from PIL import Image

from rakelight.colour.balance import FINE_CODES, decode_light
from rakelight.colour.jpegcodes import read_jpeg_codes
from rakelight.core.orientation import turn_upright
from rakelight.core.records import Photo
from rakelight.photo.read import read_photo

QUALITY = 92
STEP = 3 / 8
"""First entry of the chroma table at quality 92 (17 of T.81 annex K, scaled), over the 8 of the transform."""


def paint(shape=(256, 384)) -> np.ndarray:
    """Return warm grey (rows, cols, 3) as floats, its chroma changing slowly, with a sensor's noise."""
    rng = np.random.default_rng(4)
    codes = np.empty((*shape, 3), np.float32)
    codes[...] = 158.0, 150.0, 138.0
    codes += np.linspace(0, 6, shape[1])[:, None] * np.array([1.0, 0.0, -1.0])
    return codes + rng.normal(0, 2, codes.shape)


def save(codes: np.ndarray, path, **changes):
    """Write codes as a JPEG and return its path."""
    pixels = np.clip(codes + 0.5, 0, 255).astype(np.uint8)
    Image.fromarray(pixels).save(
        path, "JPEG", **({"quality": QUALITY, "subsampling": "4:2:0"} | changes)
    )
    return path


def read(path) -> np.ndarray | None:
    """Return the fine codes of a file, in codes of 255."""
    codes = read_jpeg_codes(path.read_bytes(), read_photo(path))
    return None if codes is None else codes / FINE_CODES


def find_chroma(codes: np.ndarray) -> np.ndarray:
    """Return blue minus green averaged over squares of 16 pixels."""
    rows, cols = codes.shape[0] // 16, codes.shape[1] // 16
    gap = np.ascontiguousarray(codes[:, :, 2] - codes[:, :, 1]).astype(np.float32)
    return cv2.resize(gap, (cols, rows), interpolation=cv2.INTER_AREA)


def test_chroma_is_finer_than_the_usual_decoder_gives(tmp_path):
    """The means of squares are right to the file's own step, twice as near as decoded usually."""
    codes = paint()
    path = save(codes, tmp_path / "soft.jpg")
    photo, true = read_photo(path), find_chroma(codes)
    usual, fine = (
        np.abs(find_chroma(found) - true) for found in (photo.rgb.astype(float), read(path))
    )
    # Blue less green is 2.12 blue chroma and .71 red chroma, each within half a step and a tenth of a code.
    assert fine.max() < (2.12 + 0.71) * (STEP / 2 + 0.1)
    assert 2 * np.sqrt(np.mean(fine**2)) < np.sqrt(np.mean(usual**2))


def test_luma_and_place_stay(tmp_path):
    """Nothing moves: every pixel lies within 2.5 codes of the usual decoding, the mean within half a code."""
    path = save(paint(), tmp_path / "soft.jpg")
    gap = read(path) - read_photo(path).rgb
    assert np.abs(gap).max() < 2.5
    assert np.abs(gap.mean(axis=(0, 1))).max() < 0.5


@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_upright_like_the_photo(tmp_path, orientation):
    """Turned as the camera wrote, like the photo itself."""
    exif = Image.Exif()
    exif[274] = orientation
    path = save(paint(), tmp_path / "turned.jpg", exif=exif)
    photo = read_photo(path)
    assert photo.rgb.shape == read(path).shape
    assert np.abs(read(path) - photo.rgb).max() < 2.5


def test_too_colourful_pixels_are_read_as_usual(tmp_path):
    """A red clamp on the face keeps the colour it has, and spoils nothing around it."""
    codes = paint()
    codes[100:160, 100:160] = 220, 40, 30
    path = save(codes, tmp_path / "clamp.jpg")
    photo, fine = read_photo(path), read(path)
    assert np.array_equal(photo.rgb[110:150, 110:150], fine[110:150, 110:150])
    assert np.abs(fine - photo.rgb).max() < 2.5


def test_what_cannot_be_read_finer_gives_none(tmp_path):
    """PNG, a grey JPEG, a wide-gamut one, a small reading, colour everywhere and steps too coarse: None."""
    codes = paint()
    png = tmp_path / "soft.png"
    Image.fromarray(codes.astype(np.uint8)).save(png)
    grey = tmp_path / "grey.jpg"
    Image.fromarray(codes[:, :, 0].astype(np.uint8)).save(grey, quality=92)
    red = save(np.full_like(codes, (220, 40, 30)), tmp_path / "red.jpg")
    coarse = save(codes, tmp_path / "coarse.jpg", quality=20)
    assert [None] * 4 == [read(path) for path in (png, grey, red, coarse)]
    path = save(codes, tmp_path / "soft.jpg")
    rgb = read_photo(path).rgb
    assert (
        read_jpeg_codes(path.read_bytes(), Photo(rgb, "soft.jpg", "", profile="Display P3")) is None
    )
    assert (
        read_jpeg_codes(path.read_bytes(), Photo(rgb[::2, ::2], "soft.jpg", "", shrink=2)) is None
    )


def test_a_damaged_file_gives_none(tmp_path):
    """Cut short or without tables: no error here, the usual reading has the word."""
    whole = io.BytesIO()
    Image.fromarray(paint().astype(np.uint8)).save(whole, "JPEG", quality=92)
    photo = Photo(np.zeros((256, 384, 3), np.uint8), "cut.jpg", "")
    for n_bytes in (3, 200, 2000):
        path = tmp_path / "cut.jpg"
        path.write_bytes(whole.getvalue()[:n_bytes])
        assert read_jpeg_codes(path.read_bytes(), photo) is None


def test_fine_codes_are_decoded_like_whole_ones():
    """Code times 256 is the same light as the code, for all 256."""
    codes = np.arange(256, dtype=np.uint8).reshape(1, -1)
    fine = codes.astype(np.uint16) * FINE_CODES
    assert np.allclose(decode_light(codes), decode_light(fine), rtol=1e-6)


def write_exif(orientation: int) -> bytes:
    """Return an EXIF block whose resolution, beside the turn, points past its end."""
    entries = (
        (0x0112, 3, 1, struct.pack("<HH", orientation, 0)),
        (0x011A, 5, 1, struct.pack("<I", 9000)),
    )
    body = b"".join(struct.pack("<HHI", *entry[:3]) + entry[3] for entry in entries)
    return b"Exif\0\0II*\0" + struct.pack("<IH", 8, len(entries)) + body + bytes(4)


@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_a_turn_beside_damaged_exif(tmp_path, orientation):
    """A turned photo whose EXIF cannot be written again is read like any other, in silence."""
    whole, odd = save(paint(), tmp_path / "a.jpg"), tmp_path / "b.jpg"
    save(paint(), odd, exif=write_exif(orientation))
    photo = read_photo(odd)
    assert orientation == photo.exif["Orientation"]
    assert np.array_equal(turn_upright(read(whole), orientation), read(odd))
    assert np.abs(read(odd) - photo.rgb).max() < 2.5


def test_every_byte_of_the_exif_may_be_wrong(tmp_path):
    """Whichever byte of a turned photo's EXIF is spoilt: fine codes laid like the photo, or None; no error."""
    exif = write_exif(6)
    data = save(paint((64, 96)), tmp_path / "soft.jpg", exif=exif).read_bytes()
    first = data.index(exif)
    path, n_fine = tmp_path / "odd.jpg", 0
    for place in range(first, first + len(exif)):
        path.write_bytes(data[:place] + bytes([data[place] ^ 0xFF]) + data[place + 1 :])
        photo, fine = read_photo(path), read(path)
        n_fine += fine is not None
        assert fine is None or np.abs(fine - photo.rgb).max() < 2.5
    assert n_fine > len(exif) / 2


def test_large_photos_and_several_in_a_file_are_read(tmp_path, monkeypatch):
    """Pillow's own limit of pixels does not count here, and of a file of several pictures the first is read."""
    codes = paint()
    first, small = (Image.fromarray(part.astype(np.uint8)) for part in (codes, codes[:64, :64]))
    first.save(tmp_path / "one.jpg", quality=QUALITY)
    first.save(tmp_path / "two.jpg", "MPO", quality=QUALITY, save_all=True, append_images=[small])
    with Image.open(tmp_path / "two.jpg") as opened:
        assert opened.format == "MPO"
    expected = read(tmp_path / "one.jpg")
    assert np.array_equal(expected, read(tmp_path / "two.jpg"))
    for limit in (codes[:, :, 0].size // 3, codes[:, :, 0].size - 1):  # too large, and a warning
        monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", limit)
        assert np.array_equal(expected, read(tmp_path / "one.jpg"))
