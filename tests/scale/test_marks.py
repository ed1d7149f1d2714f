"""Fiducials of known place: marks.toml and the scale that follows."""

import numpy as np
import pytest

from rakelight.core.errors import ScaleError, SettingsError
from rakelight.core.flags import flag_names
from rakelight.core.records import Lens
from rakelight.scale.fiducials import find_fiducials
from rakelight.scale.marks import parse_marks, read_marks, scale_from_marks
from rakelight.scale.plane import make_grid, place_on_slab

from .scenes import lay_on, take_photo

SLAB_MM = (700.0, 500.0)
MIDDLES_MM = {4: (55.0, 55.0), 5: (645.0, 55.0), 6: (640.0, 440.0), 7: (60.0, 450.0)}
PLAN = """
slab = "700x500"
[[mark]]
id = 4
at_corner = "top-left"
[[mark]]
id = 5
at_corner = "top-right"
[[mark]]
id = 6
x_mm = 640
y_mm = 440
[[mark]]
id = 7
corners_mm = [[20, 410], [100, 410], [100, 490], [20, 490]]
"""


@pytest.fixture(scope="module")
def slab(make_desk, mark_print):
    """A face with four marks near its corners, one of them turned by 4 degrees."""
    scene = make_desk(SLAB_MM)
    for mark_id, middle in MIDDLES_MM.items():
        scene = lay_on(scene, mark_print(mark_id), middle, turn_deg=4 if mark_id == 6 else 0)
    return scene


VIEW = {"mm_per_px": 0.5, "size_px": (1560, 1200), "distance_mm": 1000, "vignetting": 0.4}


@pytest.mark.parametrize(("tilt_deg", "k1"), [(0, 0), (20, -0.03), (35, -0.08), (35, 0.04)])
def test_places_between_the_marks(slab, tilt_deg, k1):
    """Tilt, barrel and vignetting: places within 0.25 mm rms and lengths within 0.3 %."""
    photo, camera = take_photo(slab, tilt_deg=tilt_deg, tilt_from_deg=140, k1=k1, **VIEW)
    scale = scale_from_marks(photo, parse_marks(PLAN))
    field = make_grid((600.0, 400.0), 9) + 50
    found = place_on_slab(scale, camera.project(field))
    assert np.sqrt(np.mean(np.sum((found - field) ** 2, axis=1))) < 0.25
    width_mm = np.hypot(*(found[8] - found[0]))
    assert width_mm == pytest.approx(600, rel=0.003)
    assert scale.size_mm == SLAB_MM
    assert scale.rms_mm < 0.5
    if k1:
        assert scale.lens.k1 == pytest.approx(k1, abs=0.003)


def test_corners_are_found_to_a_tenth_of_a_pixel(slab):
    """Where the paper is not over-exposed corners lie within 0.25 px, and their mean within 0.05."""
    photo, camera = take_photo(slab, tilt_deg=25, exposure_aim=0.15, **VIEW)
    for fiducial in find_fiducials(photo):
        half = np.array([[-40, -40], [40, -40], [40, 40], [-40, 40]])
        turn = np.deg2rad(4 if fiducial.mark_id == 6 else 0)
        turned = half @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        truth = camera.project(turned + MIDDLES_MM[fiducial.mark_id])
        away = fiducial.corners_px - truth
        # Sharpening makes a square about 0.1 px larger all round; that leaves its middle alone.
        assert np.hypot(*away.T).max() < 0.25
        assert np.hypot(*away.mean(axis=0)) < 0.05


def test_turned_photo_gives_the_same_places(slab):
    """The camera turned by 90 degrees sees the same places."""
    photo, camera = take_photo(slab, tilt_deg=20, turn_deg=90, **VIEW | {"size_px": (1200, 1560)})
    scale = scale_from_marks(photo, parse_marks(PLAN))
    field = make_grid((600.0, 400.0), 5) + 50
    assert np.abs(place_on_slab(scale, camera.project(field)) - field).max() < 0.5


def test_known_lens_is_used_as_it_is(slab):
    """A calibrated lens is not estimated again, and two marks are then enough for 0.5 mm."""
    photo, camera = take_photo(slab, tilt_deg=20, k1=-0.06, **VIEW)
    half_px = float(np.hypot(779.5, 599.5))
    lens = Lens(-0.06, 0.0, (779.5, 599.5), half_px, basis="chessboard")
    plan = parse_marks(PLAN)
    two = type(plan)(plan.places[::2], plan.size_mm)
    scale = scale_from_marks(photo, two, lens=lens)
    assert scale.lens is lens
    field = make_grid((600.0, 400.0), 5) + 50
    assert np.abs(place_on_slab(scale, camera.project(field)) - field).max() < 0.5


def test_one_mark_alone_is_said(slab, mark_print, make_desk):
    """One mark gives a scale, and the record says that one is few and the lens unknown."""
    scene = lay_on(make_desk(SLAB_MM), mark_print(9), (350, 250))
    photo, camera = take_photo(scene, tilt_deg=10, **VIEW)
    plan = parse_marks('slab = "700x500"\n[[mark]]\nid = 9\nx_mm = 350\ny_mm = 250\n')
    scale = scale_from_marks(photo, plan)
    near = np.add(make_grid((100.0, 100.0), 3), (300, 200))
    # A twelfth of a degree of turn and 0.1 px of rim on one square of 80 mm.
    assert np.abs(place_on_slab(scale, camera.project(near)) - near).max() < 0.7
    assert any("Only one mark" in note for note in scale.notes)
    assert "lens_not_corrected" in flag_names(scale.flags)


def test_a_mark_measured_wrong_is_named(slab):
    """A place written 60 mm wrong is found out and the mark is named."""
    photo, _ = take_photo(slab, tilt_deg=10, **VIEW)
    with pytest.raises(ScaleError, match="Mark 6 lies"):
        scale_from_marks(photo, parse_marks(PLAN.replace("x_mm = 640", "x_mm = 580")))


def test_no_mark_seen_gives_one_sentence(make_desk):
    """A photo without marks says what to do."""
    photo, _ = take_photo(make_desk(SLAB_MM), mm_per_px=0.6)
    with pytest.raises(ScaleError, match="None of the marks"):
        scale_from_marks(photo, parse_marks(PLAN))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("mark = 3", "expected array"),
        ("[[mark]]\nid = 4\n", "mark 4 needs"),
        ("[[mark]]\nid = 4\nx_mm = 1\n", "both x_mm and y_mm"),
        ("[[mark]]\nid = 4\nx_mm = 'left'\ny_mm = 2\n", "mark entry 1, x_mm"),
        ("[[mark]]\nid = 4\nat_corner = 'top-left'\n", "slab's size"),
        ("slab='70x50'\n[[mark]]\nid = 4\nat_corner = 'middle'\n", "top-left, top-right"),
        ("[[mark]]\nid = 99\nx_mm = 1\ny_mm = 2\n", "between 0 and 49"),
        ("[[mark]]\nid = 4\nx_mm = 1\ny_mm = 2\n" * 2, "twice"),
        ("[[mark]]\nid = 4\nx = 1\ny_mm = 2\n", "unknown field x"),
        ("[[mark]]\nid = 4\ncorners_mm = [[0,0],[80,0],[80,60],[0,80]]\n", "square"),
        ("[[mark]]\nid = 4\ncorners_mm = [[0,0],[80,0],[80,60]]\n", "four pairs"),
        ("slab = 'big'\n[[mark]]\nid = 4\nx_mm = 1\ny_mm = 2\n", "Write a size"),
        ("printed_rule_mm = 10\n[[mark]]\nid = 4\nx_mm = 1\ny_mm = 2\n", "printed_rule_mm"),
        ("mark = []\n", "names no mark"),
        ("[[mark\n", "wrong"),
    ],
)
def test_wrong_marks_files_are_explained(text, words):
    """Every way to write a wrong file is answered by what is wrong in it."""
    with pytest.raises(SettingsError, match=words):
        parse_marks(text)


def test_marks_file_that_is_not_there(tmp_path):
    """A missing file is one sentence."""
    with pytest.raises(SettingsError, match="There is no file"):
        read_marks(tmp_path / "marks.toml")


def test_printed_rule_changes_the_squares():
    """A printer that makes 98 mm of 100 makes 78.4 mm squares."""
    plan = parse_marks("printed_rule_mm = 98\n[[mark]]\nid = 4\nx_mm = 1\ny_mm = 2\n")
    assert plan.places[0].side_mm == pytest.approx(78.4)
