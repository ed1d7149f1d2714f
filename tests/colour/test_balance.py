"""Blocks of light, the grey reference, and what may be compared."""

import numpy as np
import pandas as pd
import pytest

from rakelight.colour.balance import (
    GreyReading,
    Shoot,
    average_cells,
    decode_light,
    doubt_comparison,
    read_grey,
    reduce_face,
)
from rakelight.colour.difference import find_lab
from rakelight.colour.evenface import even_face
from rakelight.colour.uniformity import measure_colour
from rakelight.core.errors import ColourError
from rakelight.core.records import FaceMap
from rakelight.core.settings import ColourSettings
from rakelight.simulate.camera import Camera

from .conftest import SMALL
from .scenes import GREY_MM, Scene


def make_face(rgb, mm_per_px=0.5) -> FaceMap:
    """Return a face map of some pixels, all of them seen."""
    return FaceMap(np.asarray(rgb), np.ones(np.asarray(rgb).shape[:2], bool), mm_per_px)


def test_blocks_average_light_and_not_codes():
    """A board of black and white averages to half the light, which is code 188 and not 128."""
    board = (np.indices((40, 40)).sum(axis=0) % 2).astype(np.float32)
    board = np.repeat(board[..., None] * 0.9, 3, axis=2)
    blocks = reduce_face(make_face(board), settings=ColourSettings(block_mm=2.0))
    assert blocks.linear.shape == (10, 10, 3)
    assert blocks.linear == pytest.approx(0.45, abs=1e-5)


def test_blocks_are_those_of_the_plain_way():
    """Strips of the picture give what plain averages of the decoded pixels give."""
    rgb = np.random.default_rng(3).integers(60, 200, (101, 77, 3), dtype=np.uint8)
    blocks = reduce_face(make_face(rgb), settings=ColourSettings(block_mm=2.5))
    plain = decode_light(rgb)[:100, :75].reshape(20, 5, 15, 5, 3).mean(axis=(1, 3))
    assert plain == pytest.approx(blocks.linear, abs=1e-6)


def test_what_is_left_out_is_not_clean():
    """Masks, rectangles, tables, blown-out and unseen pixels are not clean; pits stay bare face."""
    rgb = np.full((100, 200, 3), 120, np.uint8)
    rgb[90:, 190:] = 255
    face = make_face(rgb, 1.0)
    face.seen[:10, :10] = False
    mask = np.zeros((100, 200), bool)
    mask[50, 100] = True
    pits = pd.DataFrame({"x_mm": [20.0, np.nan], "y_mm": [60.0, 5.0], "length_mm": [4.0, 4.0]})
    blocks = reduce_face(face, leave_out=[mask, (150, 20, 20, 10), pits], settings=ColourSettings(block_mm=2.0))
    for x_mm, y_mm in ((5, 5), (100, 50), (160, 25), (20, 60), (195, 95)):
        assert not blocks.clean[int(y_mm / 2), int(x_mm / 2)]
    assert blocks.bare[30, 10]
    assert blocks.clean.mean() > 0.9


def test_inputs_are_not_changed():
    """The photo and the mask are as they were after measuring."""
    face = Scene(seed=4, **SMALL).take()
    rgb, seen, mask = face.rgb.copy(), face.seen.copy(), np.zeros(face.seen.shape, bool)
    measure_colour(face, grey=GREY_MM, leave_out=[mask])
    assert (rgb == face.rgb).all() and (seen == face.seen).all() and not mask.any()


def test_grey_brings_exposure_and_white_back():
    """A warm, dark photo reads the painted tone: L* to .4; a JPEG's steps at the dark patch cost 1.5 in hue."""
    scene = Scene(seed=5, mottle_L=0.0, lamp=None, cast=(1.2, 1.0, 0.7), **SMALL)
    found = measure_colour(scene.take(exposure=0.6), grey=GREY_MM).figures["median"]
    assert scene.L == pytest.approx(found["L"], abs=0.4)
    assert (scene.a, scene.b) == pytest.approx((found["a"], found["b"]), abs=1.5)


def test_grey_brings_the_tone_back_without_rounding():
    """The same photo without a JPEG's rounding reads the painted tone to .3 on every axis."""
    camera = Camera(vignetting=0.0, jpeg_quality=None)
    scene = Scene(seed=5, mottle_L=0.0, lamp=None, cast=(1.2, 1.0, 0.7), camera=camera, **SMALL)
    found = measure_colour(scene.take(exposure=0.6), grey=GREY_MM).figures["median"]
    assert (scene.L, scene.a, scene.b) == pytest.approx(tuple(found.values()), abs=0.3)


def test_grey_of_another_reflectance_shifts_all_tones():
    """Typed-in reflectance scales the light: twice as much is 116 (cube root of 2 - 1) in L* + 16 terms."""
    face = Scene(seed=5, L=45.0, has_card=True, **SMALL).take()
    plain, twice = (
        measure_colour(face, grey=(*GREY_MM[:4], reflectance)).figures["median"]["L"] for reflectance in (0.18, 0.36)
    )
    assert (plain + 16) * 2 ** (1 / 3) == pytest.approx(twice + 16, abs=0.05)


def test_grey_beside_the_face_works_as_on_it():
    """A reading taken elsewhere in the photo gives the same balance in even light."""
    scene = Scene(seed=6, lamp=None, camera=Camera(vignetting=0.0), **SMALL)
    face = scene.take()
    on_face = read_grey(face, GREY_MM)
    beside = GreyReading(on_face.linear, on_face.reflectance)
    rect = (GREY_MM[0] - 3, GREY_MM[1] - 3, GREY_MM[2] + 6, GREY_MM[3] + 6)
    first = measure_colour(face, grey=on_face, leave_out=[rect]).figures["median"]["L"]
    second = measure_colour(face, grey=beside, leave_out=[rect]).figures["median"]["L"]
    assert first == pytest.approx(second, abs=0.3)


@pytest.mark.parametrize(
    ("rect", "word"),
    [
        ((-500, -500, 40, 40), "outside"),
        ((100, 100, 1, 1), "too small"),
        ((60, 60, 80), "width"),
        ((60, 60, 80, 60, 1.5), "reflectance"),
        ((40, 40, 160, 200), "not even"),
    ],
)
def test_a_useless_grey_area_says_what_to_do(rect, word):
    """Each mistake with the grey area is one sentence that names it."""
    rgb = np.full((200, 300, 3), 118, np.uint8)
    rgb[::2] = 170
    with pytest.raises(ColourError, match=word):
        read_grey(make_face(rgb, 1.0), rect)


def test_a_blown_out_grey_area_is_refused():
    """A white-out patch cannot balance anything."""
    with pytest.raises(ColourError, match="blown out"):
        read_grey(make_face(np.full((50, 50, 3), 255, np.uint8), 1.0), (10, 10, 20, 20))


def test_linear_pixels_stay_linear():
    """A raw photo's floats are read as light, without a curve."""
    linear = np.full((100, 200, 3), 0.2, np.float32)
    blocks = reduce_face(make_face(linear, 1.0))
    assert blocks.linear == pytest.approx(0.2)
    assert find_lab(np.float32([0.2] * 3))[0] == pytest.approx(51.837, abs=0.01)  # 116 (.2)^(1/3) - 16


def test_averages_of_cells_pass_over_what_is_not_clean():
    """A cell is the mean of its clean blocks; a cell without any has share 0."""
    clean = np.array([[True, False], [True, True]])
    mean, share = average_cells(clean, np.float32([[1, 99], [2, 3]]), 2)
    assert (2.0, 0.75) == pytest.approx((mean[0, 0], share[0, 0]))
    assert average_cells(~np.ones((2, 2), bool), np.ones((2, 2), np.float32), 2)[1] == 0


def test_two_photos_may_be_compared_only_when_nothing_changed():
    """No profile, another white balance or no grey card is each named as a reason."""
    good = Shoot(exif={"WhiteBalance": 1}, profile="Display P3")
    assert doubt_comparison(good, good) == ()
    assert "no colour profile" in doubt_comparison(Shoot(), good)[0]
    assert "white balance" in doubt_comparison(good, Shoot(exif={"WhiteBalance": 0}, profile="sRGB"))[0]
    assert "grey reference" in doubt_comparison(good, good, has_grey=False)[0]


def test_a_tiny_face_is_refused():
    """A handful of pixels is no face; a few more are too few to tell the lamp by."""
    with pytest.raises(ColourError, match="too small"):
        even_face(make_face(np.full((2, 2, 3), 120, np.uint8), 1.0))
    with pytest.raises(ColourError, match="Too little clean face"):
        even_face(make_face(np.full((9, 9, 3), 120, np.uint8), 1.0))
