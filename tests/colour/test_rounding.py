"""How coarsely a file rounds colour."""

import numpy as np
import pytest
from PIL import Image

from rakelight.colour.rounding import (
    NO_ROUNDING,
    WHOLE_CODES,
    Rounding,
    find_rounding,
    read_rounding,
)


@pytest.mark.parametrize(("subsampling", "square_px"), [("4:2:0", 16), ("4:2:2", 16), ("4:4:4", 8)])
def test_tables_of_a_jpeg_are_read(tmp_path, subsampling, square_px):
    """Quality 50 uses the tables of T.81 annex K as printed: 16 for luma and 17 for chroma, over 8."""
    path = tmp_path / "soft.jpg"
    Image.new("RGB", (64, 64), (150, 148, 140)).save(path, quality=50, subsampling=subsampling)
    assert Rounding(16 / 8, 17 / 8, square_px) == read_rounding(path)
    assert square_px / 2 == read_rounding(path, shrink=2).square_px


def test_other_files(tmp_path):
    """A PNG rounds nothing; what is not known counts as a usual phone's JPEG."""
    path = tmp_path / "soft.png"
    Image.new("RGB", (64, 64)).save(path)
    assert NO_ROUNDING == read_rounding(path)
    (tmp_path / "soft.txt").write_text("no photo")
    assert [Rounding()] * 2 == [read_rounding(tmp_path / name) for name in ("soft.txt", "none.jpg")]


def test_one_place_in_lab():
    """Uniform rounding of steps of 3/8 code: a code of luma is some .4 L*, one of chroma some 1.6 a* or b*."""
    expected = np.array([0.4, 1.6, 1.6]) * 0.375 / np.sqrt(12)
    assert expected == pytest.approx(Rounding().lab_sd)
    assert (0.0, 0.0, 0.0) == NO_ROUNDING.lab_sd


def test_small_patches_are_known_less():
    """Uniform rounding at least; the sd grows with the square of side over diameter, and ends somewhere."""
    small, large = (Rounding().find_step_sd(px) for px in (8.0, 400.0))
    assert (small[1:] > 2 * large[1:]).all()
    assert (large >= 0.375 / np.sqrt(12)).all()
    assert np.array_equal(np.zeros(3), NO_ROUNDING.find_step_sd(8.0))
    assert (Rounding(2, 2, 16).find_step_sd(8.0) < 2).all()


def test_pixels_say_what_is_left_of_the_rounding():
    """Light has none, fine codes the file's, whole codes more; a file without loss stays one."""
    file = Rounding(0.5, 0.5, 16)
    assert NO_ROUNDING == find_rounding(np.dtype(np.float32), file)
    assert file == find_rounding(np.dtype(np.uint16), file)
    assert np.hypot(0.5, WHOLE_CODES) == pytest.approx(
        find_rounding(np.dtype(np.uint8), file).chroma_step
    )
    assert NO_ROUNDING == find_rounding(np.dtype(np.uint8), NO_ROUNDING)


def test_large_photos_and_several_in_a_file(tmp_path, monkeypatch):
    """Pillow's own limit of pixels does not count, and of several pictures in a file the first one's tables do."""
    path, picture = tmp_path / "soft.jpg", Image.new("RGB", (64, 64), (150, 148, 140))
    other = Image.new("RGB", (32, 32))
    picture.save(path, "MPO", quality=50, subsampling="4:4:4", save_all=True, append_images=[other])
    with Image.open(path) as opened:
        assert opened.format == "MPO"
    assert Rounding(16 / 8, 17 / 8, 8) == read_rounding(path)
    for limit in (1000, 4000):  # too large, and a warning
        monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", limit)
        assert Rounding(16 / 8, 17 / 8, 8) == read_rounding(path)


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "BMP", "GIF", "WEBP"])
def test_kinds_by_their_first_bytes(tmp_path, kind):
    """PNG, TIFF and BMP round nothing; of GIF and WebP the default is said."""
    path = tmp_path / "soft"
    Image.new("RGB", (64, 64)).save(path, kind)
    assert (Rounding() if kind in ("GIF", "WEBP") else NO_ROUNDING) == read_rounding(path)
