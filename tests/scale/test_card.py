"""The scale card: printed to size, found on a desk, and what it says about the photo."""

import shutil
import subprocess
from dataclasses import replace

import cv2
import numpy as np
import pytest

from rakelight.core.errors import OutputError, ScaleError, SettingsError
from rakelight.core.flags import flag_names
from rakelight.core.records import Photo
from rakelight.scale.card import draw_cells, make_card, make_chessboard, place_card, scale_from_card
from rakelight.scale.corners import scale_from_corners
from rakelight.scale.fiducials import find_fiducials
from rakelight.scale.layout import BOARD_CORNERS, FIDUCIALS_MM
from rakelight.scale.plane import make_grid, place_on_slab

from .scenes import lay_on, take_photo

DESK_MM = (640.0, 480.0)
CARD_AT_MM = (300.0, 230.0)


@pytest.fixture(scope="module")
def desk(make_desk, card_print):
    """A desk with the card on it, square to the desk."""
    return lay_on(make_desk(DESK_MM), card_print, CARD_AT_MM)


def card_error(scale, pose, camera, places_mm):
    """Return how far places come out from the truth, laid into the card's own axes."""
    found = place_on_slab(scale, camera.project(places_mm))
    card_left_top = np.array(CARD_AT_MM) - 95
    return np.hypot(*(found - pose.outline_mm[0] - (places_mm - card_left_top)).T)


@pytest.mark.parametrize("mm_per_px", [0.15, 0.25, 0.4, 0.6, 0.9])
@pytest.mark.parametrize("tilt_deg", [0, 20, 35])
def test_card_is_read_at_five_distances_and_three_tilts(desk, mm_per_px, tilt_deg):
    """The card on a desk places a field of 600 x 400 mm within 0.4 mm rms."""
    size_px = (min(1600, round(500 / mm_per_px)), min(1400, round(400 / mm_per_px)))
    photo, camera = take_photo(
        desk, mm_per_px=mm_per_px, tilt_deg=tilt_deg, tilt_from_deg=200, size_px=size_px,
        distance_mm=900, vignetting=0.3,
    )  # fmt: skip
    scale, pose = scale_from_card(photo)
    field = np.add(make_grid((600.0, 400.0), 9), (20, 40))
    # Corners are good to 0.03-0.1 px; three times the card's reach amplifies that by up to ten.
    assert np.sqrt(np.mean(card_error(scale, pose, camera, field) ** 2)) < 0.4
    assert pose.turn_deg == pytest.approx(0.0)
    assert scale.source == "card"


def test_card_in_a_photo_read_at_half_size(desk):
    """The card's scale and place come out in the photo's own pixels when it was read at half size."""
    whole, camera = take_photo(
        desk, mm_per_px=0.2, tilt_deg=20, size_px=(1600, 1400), vignetting=0.3
    )
    half = cv2.resize(whole.rgb, (800, 700), interpolation=cv2.INTER_AREA)
    scale, pose = scale_from_card(replace(whole, rgb=half, shrink=2))
    known, _ = scale_from_card(whole)
    field = np.add(make_grid((300.0, 240.0), 9), (150, 120))
    assert np.sqrt(np.mean(card_error(scale, pose, camera, field) ** 2)) < 0.2
    assert scale.mm_per_px == pytest.approx(known.mm_per_px, rel=0.005)
    assert scale.spread_mm_per_px == pytest.approx(known.spread_mm_per_px, rel=0.02)


def test_barrel_lens_is_seen_and_taken_out(desk):
    """A barrel lens of 5 % is estimated from the card alone, and places stay within 0.4 mm rms."""
    photo, camera = take_photo(
        desk, mm_per_px=0.3, tilt_deg=35, size_px=(1700, 1350), k1=-0.05, vignetting=0.3
    )
    scale, pose = scale_from_card(photo)
    field = np.add(make_grid((600.0, 400.0), 9), (20, 40))
    assert np.sqrt(np.mean(card_error(scale, pose, camera, field) ** 2)) < 0.4
    assert scale.lens is not None
    assert scale.lens.k1 == pytest.approx(-0.05, abs=0.006)
    assert "lens_not_corrected" not in flag_names(scale.flags)


def test_card_measures_the_slab(desk):
    """With the slab's corners picked, the card gives the slab's size, to 0.1 %."""
    photo, camera = take_photo(desk, mm_per_px=0.5, tilt_deg=20, size_px=(1500, 1200))
    scale, pose = scale_from_card(photo, corners_px=camera.find_corners())
    assert scale.size_mm == pytest.approx(DESK_MM, rel=1e-3)
    np.testing.assert_allclose(pose.outline_mm[0], np.array(CARD_AT_MM) - 95, atol=0.3)
    # The parts of the card stand where the layout says.
    np.testing.assert_allclose(pose.post_foot_mm[1], np.array(CARD_AT_MM) - 4, atol=0.3)
    np.testing.assert_allclose(pose.field_mm, CARD_AT_MM, atol=0.3)
    np.testing.assert_allclose(pose.grey_patch_mm[0], np.add(CARD_AT_MM, (75, -35)), atol=0.3)


def test_turned_card_on_a_known_face(make_desk, card_print):
    """On a face of known corners the card's place and turn come out."""
    scene = lay_on(make_desk(DESK_MM), card_print, CARD_AT_MM, turn_deg=30)
    photo, camera = take_photo(scene, mm_per_px=0.5, tilt_deg=10, size_px=(1440, 1140))
    known = scale_from_corners(camera.find_corners(), DESK_MM, photo.shape_px)
    scale, pose = place_card(photo, known)
    assert pose.turn_deg == pytest.approx(30, abs=0.1)
    np.testing.assert_allclose(pose.field_mm, CARD_AT_MM, atol=0.3)
    assert scale is known


def test_wrong_slab_size_is_told_by_the_card(desk):
    """A slab said to be 3 % larger than it is contradicts the card, and the record says so."""
    photo, camera = take_photo(desk, mm_per_px=0.6, size_px=(1200, 950))
    wrong = scale_from_corners(camera.find_corners(), (660.0, 494.0), photo.shape_px)
    scale, _ = place_card(photo, wrong)
    assert "scale_off_face" in flag_names(scale.flags)
    assert "+3." in scale.notes[-1]


def test_printed_rule_scales_everything(desk):
    """A rule that measures 98 mm makes the same photo 2 % smaller."""
    photo, _ = take_photo(desk, mm_per_px=0.4, size_px=(1400, 1100))
    true, pose = scale_from_card(photo)
    less, less_pose = scale_from_card(photo, printed_rule_mm=98.0)
    assert less.size_mm[0] / true.size_mm[0] == pytest.approx(0.98, rel=1e-4)
    assert less_pose.post_height_mm == pytest.approx(0.98 * pose.post_height_mm)


def test_card_above_the_face_is_corrected(desk):
    """A card 30 mm above the face, at 900 mm, reads 3.4 % too fine; its height mends that."""
    photo, _ = take_photo(desk, mm_per_px=0.4, tilt_deg=15, size_px=(1400, 1100), distance_mm=870)
    focal_35_mm = 870 / 0.4 / np.hypot(1400, 1100) * np.hypot(36, 24)
    with_exif = Photo(photo.rgb, "a.jpg", "0" * 64, exif={"FocalLengthIn35mm": focal_35_mm})
    flat, _ = scale_from_card(with_exif)
    mended, _ = scale_from_card(with_exif, height_mm=30.0)
    middle = [(700, 550), (710, 550)]
    grown = np.diff(place_on_slab(mended, middle)[:, 0]) / np.diff(
        place_on_slab(flat, middle)[:, 0]
    )
    assert grown[0] == pytest.approx(900 / 870, rel=0.003)
    assert "scale_off_face" in flag_names(mended.flags)
    assert "above the face" in mended.notes[0]


def test_no_card_gives_one_sentence(make_desk, desk):
    """A photo without the card, and one with half of it covered, each say what to do."""
    photo, _ = take_photo(make_desk(DESK_MM), mm_per_px=0.5)
    with pytest.raises(ScaleError, match="No scale card"):
        scale_from_card(photo)
    covered = desk.copy()
    covered[:, : int(CARD_AT_MM[0] * 4)] = 0.1
    photo, _ = take_photo(covered, mm_per_px=0.5)
    with pytest.raises(ScaleError, match="Only 2 of the card's 4"):
        scale_from_card(photo)
    scale = scale_from_corners([(0, 0), (900, 0), (900, 700), (0, 700)], DESK_MM, photo.shape_px)
    assert place_card(photo, scale) == (scale, None)


def find_dark_squares(page, px_per_mm):
    """Return x, y, width, height in mm of the large black squares on a page."""
    grey = cv2.cvtColor(page, cv2.COLOR_BGR2GRAY) if page.ndim == 3 else page
    n, _, stats, _ = cv2.connectedComponentsWithStats((grey < 60).astype(np.uint8), connectivity=4)
    boxes = stats[1:n, :4] / px_per_mm
    wide = boxes[(boxes[:, 2] > 25) & (np.abs(boxes[:, 2] - boxes[:, 3]) < 1)]
    return wide[np.lexsort((wide[:, 0], wide[:, 1].round()))]


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs the pdftoppm renderer")
@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210, 297)), ("us-letter", (215.9, 279.4))])
def test_printed_page_is_true_to_size(tmp_path, paper, size_mm):
    """On the rendered PDF every square has its size and place, to a tenth of a millimetre."""
    px_per_mm = 20
    make_card(tmp_path / "card.pdf", paper=paper, n_marks=1)
    command = ["pdftoppm", "-gray", "-r", str(25.4 * px_per_mm), "card.pdf", "page"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    pages = [cv2.imread(str(p), cv2.IMREAD_GRAYSCALE) for p in sorted(tmp_path.glob("*.pgm"))]
    assert [n / px_per_mm for n in pages[0].shape[::-1]] == pytest.approx(size_mm, abs=0.1)
    left_mm = (size_mm[0] - 190) / 2
    expected = sorted((left_mm + x, 10 + y, 30, 30) for x, y in FIDUCIALS_MM.values())
    found = sorted(map(tuple, find_dark_squares(pages[0], px_per_mm)))
    np.testing.assert_allclose(found, expected, atol=0.1)
    np.testing.assert_allclose(find_dark_squares(pages[1], px_per_mm)[0, 2:], (80, 80), atol=0.1)
    # The rule's baseline: the longest dark run in its row of pixels.
    row = pages[0][round((10 + 176) * px_per_mm)] < 128
    middle = row[round((left_mm + 40) * px_per_mm) : round((left_mm + 150) * px_per_mm)]
    dark = np.flatnonzero(middle)
    assert (dark[-1] - dark[0]) / px_per_mm == pytest.approx(100, abs=0.2)


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs the pdftoppm renderer")
def test_printed_chessboard_is_found_again(tmp_path):
    """The chessboard page shows 9 x 6 inner corners, 25 mm apart."""
    make_chessboard(tmp_path / "board.pdf", paper="us-letter")
    command = ["pdftoppm", "-gray", "-r", "127", "board.pdf", "page"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    page = cv2.imread(str(next(tmp_path.glob("*.pgm"))), cv2.IMREAD_GRAYSCALE)
    is_found, at = cv2.findChessboardCornersSB(page, BOARD_CORNERS)
    assert is_found
    corners = at.reshape(6, 9, 2) / 5
    # The finder's corners scatter by up to half a pixel, 0.1 mm, on a picture this sharp.
    assert np.hypot(*(corners[0, -1] - corners[0, 0])) == pytest.approx(200, abs=0.25)
    assert np.hypot(*(corners[-1, 0] - corners[0, 0])) == pytest.approx(125, abs=0.25)


def test_pages_repeat_and_count(tmp_path):
    """Marks come two on a page after the card, and the ids are OpenCV's own squares."""
    one = make_card(tmp_path / "one.pdf", n_marks=3).read_bytes()
    assert one.count(b"/Type /Page\n") + one.count(b"/Type/Page/") == 3 or b"/Count 3" in one
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    picture = cv2.aruco.generateImageMarker(dictionary, 7, 60, borderBits=1)
    np.testing.assert_array_equal(np.kron(draw_cells(7), np.ones((10, 10))) > 0, picture > 127)


@pytest.mark.parametrize(
    ("options", "words"),
    [({"paper": "a5"}, "paper"), ({"n_marks": 99}, "marks"), ({"has_card": False}, "Ask for")],
)
def test_wrong_card_options_are_refused(tmp_path, options, words):
    """Options that make no card are refused before anything is written."""
    with pytest.raises(SettingsError, match=words):
        make_card(tmp_path / "card.pdf", **options)
    assert not list(tmp_path.iterdir())


def test_card_into_a_missing_folder(tmp_path):
    """A folder that is not there is answered by one sentence."""
    with pytest.raises(OutputError, match="There is no folder"):
        make_card(tmp_path / "nowhere" / "card.pdf")


@pytest.mark.parametrize("tilt_from_deg", [20, 110, 200, 290])
def test_small_slanting_squares_are_all_read(desk, tilt_from_deg):
    """At 0.9 mm per pixel and 35 degrees the card's squares of 27 to 33 px are all found; places to 0.4 mm rms."""
    photo, camera = take_photo(
        desk, mm_per_px=0.9, tilt_deg=35, tilt_from_deg=tilt_from_deg, size_px=(622, 489)
    )
    assert [0, 1, 2, 3] == [fiducial.mark_id for fiducial in find_fiducials(photo)]
    scale, pose = scale_from_card(photo)
    away = card_error(scale, pose, camera, np.add(make_grid((600.0, 400.0), 9), (20, 40)))
    assert np.sqrt(np.mean(away**2)) < 0.4
