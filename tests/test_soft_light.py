"""Soft-light photos laid on the slab: by the raking photo's frame or their own, with sheet, turn and patches."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from rakelight.cli import main
from rakelight.core.columns import MARK_COLUMNS, PIT_COLUMNS
from rakelight.core.errors import ColourError, ScaleError
from rakelight.core.records import FaceMap, make_table
from rakelight.core.settings import Settings
from rakelight.inspection import Given
from rakelight.scale.corners import scale_from_mm_per_px
from rakelight.soft_light import (
    RakingFrame,
    SoftPhotos,
    follow_frame,
    read_light,
    read_patches,
    read_tone,
)

sys.path.insert(0, str(Path(__file__).parent / "colour"))
from scenes import GREY_MM, draw_scene

FRAME = RakingFrame((1000, 1500), (1500.0, 1000.0), mm_per_px=1.0)
CORNERS = ((10, 10), (1490, 10), (1490, 990), (10, 990))


def test_same_shape_is_laid_like_the_raking_photo():
    """Nothing changes, whatever gave the scale; marks and card speak for themselves in any shape."""
    assert ({}, ()) == follow_frame((1000, 1500), FRAME, None)
    assert ({}, ()) == follow_frame((333, 333), RakingFrame((1000, 1500), (1, 1)), None)


def test_a_second_lamp_keeps_the_frame_and_joined_photos_have_none():
    """Photos under other lamps share the first one's frame; photos joined to one map have none of their own."""
    taken = {"rows_px": 1000, "cols_px": 1500}
    given = Given(mm_per_px=1.0)
    assert (1000, 1500) == RakingFrame.of(given, (taken, taken), (1500.0, 1000.0)).shape_px
    joined = taken | {"is_placed": True}
    assert RakingFrame.of(given, (joined, joined), (1500.0, 1000.0)).shape_px is None



def test_smaller_copy_is_laid_by_its_ratio_and_says_so():
    """Half the pixels: twice the mm per pixel, half the corners."""
    changes, notes = follow_frame((500, 750), FRAME, None)
    assert changes == {"mm_per_px": pytest.approx(2.0)}
    assert "0.50 times" in notes[0]
    framed = RakingFrame((1000, 1500), (1500.0, 1000.0), corners_px=CORNERS)
    corners = follow_frame((500, 750), framed, None)[0]["corners_px"]
    assert np.allclose(np.array(CORNERS) / 2, corners)


def test_other_frame_needs_its_own_corners():
    """One sentence says what to give; with corners they count instead of every other way."""
    with pytest.raises(ScaleError, match="--soft-corners"):
        follow_frame((1000, 1000), FRAME, None)
    changes, notes = follow_frame((1000, 1000), FRAME, CORNERS)
    assert changes["mm_per_px"] is None
    assert (CORNERS, (1500.0, 1000.0)) == (changes["corners_px"], changes["slab_mm"])
    assert notes == ()


@pytest.fixture(scope="module")
def scene():
    """A slab with one dark patch of 12 mm, small enough for a quick test."""
    patches = ((300.0, 200.0, 12.0, -6.0, 0.0, 0.0),)
    return draw_scene(41, size_mm=(600.0, 400.0), mm_per_px=0.8, patches=patches, mottle_L=0.3)


@pytest.fixture(scope="module")
def files(scene, tmp_path_factory):
    """The scene as files: soft light, white sheet, and the slab turned as the camera saw it."""
    folder = tmp_path_factory.mktemp("soft")
    turned = scene.take(is_turned=True).rgb[::-1, ::-1]
    pictures = {"soft": scene.take().rgb, "sheet": scene.take_white_sheet().rgb, "turned": turned}
    plain = replace(scene, camera=replace(scene.camera, jpeg_quality=None)).take().rgb
    Image.fromarray(plain).save(folder / "soft.jpg", quality=92, subsampling="4:2:0")
    for name, rgb in pictures.items():
        Image.fromarray(np.ascontiguousarray(rgb)).save(folder / f"{name}.png")
    pd.DataFrame({"pit_id": [7], "x_mm": [300.0], "y_mm": [200.0], "diameter_mm": [12.0]}).to_csv(
        folder / "pits.csv", index=False
    )
    return folder


def read(files, scene, *, pits=None, soft="soft.png", **given):
    """The tone report of the scene's files, laid by mm per pixel."""

    def place(photo, changes, light, scale):
        scale = scale or scale_from_mm_per_px(photo.shape_px, scene.mm_per_px)
        pixels = photo.rgb if light is None else light
        return FaceMap(pixels, np.ones(photo.shape_px, bool), scene.mm_per_px), scale, None

    taken = SoftPhotos(files / soft, grey=GREY_MM, **given)
    frame = RakingFrame(scene.shape, scene.size_mm, mm_per_px=scene.mm_per_px)
    tables = (make_table(PIT_COLUMNS) if pits is None else pits, make_table(MARK_COLUMNS))
    return read_tone(taken, place, frame, leave_out=tables, zones=(), settings=Settings())


@pytest.mark.parametrize(
    ("given", "expected"),
    [({}, "model"), ({"flat_field": "sheet.png"}, "flat"), ({"turned": "turned.png"}, "turned")],
)
def test_lamp_is_told_from_the_slab_by_what_was_given(files, scene, given, expected):
    """The basis of the light follows the photos; only with one of them can drift be judged."""
    report = read(files, scene, **{name: files / file for name, file in given.items()})
    assert expected == report.figures["light"]
    assert all(d["is_separated"] == (expected != "model") for d in report.figures["drift"])


def test_filled_pits_are_held_against_the_face_around_them(files, scene):
    """A patch painted 6 L* darker reads about 5 dE00 (within .5) and reads as a spot."""
    (patch,) = read(files, scene, patches=files / "pits.csv").figures["patches"]
    assert patch["patch_id"] == 7
    assert patch["dE00"] == pytest.approx(5.0, abs=0.6)
    assert patch["reads_as_spot"]
    assert "darker" in patch["words"]


def test_a_jpeg_is_read_in_finer_codes_than_its_decoder_gives(files, scene):
    """The pixels laid on the slab are codes in steps of 1/256; patch and uncertainty are those of a fine file."""
    photo, light = read_light(files / "soft.jpg", Settings())
    assert (np.uint16, photo.rgb.shape) == (light.dtype, light.shape)
    assert read_light(files / "soft.png", Settings())[1] is None
    (patch,) = read(files, scene, soft="soft.jpg", patches=files / "pits.csv").figures["patches"]
    assert 5.0 == pytest.approx(patch["dE00"], abs=0.6)
    assert 0 < patch["dE00_sd"] < 0.5


def test_open_pit_is_no_patch(files, scene, make_pits):
    """Where a pit is still open nothing is said about tone: a hole is dark whatever the paste."""
    pits = make_pits([303.0], [200.0], 5.0)
    (patch,) = read(files, scene, pits=pits, patches=files / "pits.csv").figures["patches"]
    assert (None, False) == (patch["dE00"], patch["reads_as_spot"])
    assert "still open" in patch["words"]


def test_photos_that_do_not_belong_together_are_refused(files, scene, tmp_path):
    """Both a sheet and a turned slab; a sheet of another shape; a list that is none."""
    with pytest.raises(ColourError, match="not both"):
        read(files, scene, flat_field=files / "sheet.png", turned=files / "turned.png")
    Image.fromarray(np.full((60, 80, 3), 200, np.uint8)).resize((640, 480)).save(
        tmp_path / "sheet.png"
    )
    with pytest.raises(ColourError, match="one stand"):
        read(files, scene, flat_field=tmp_path / "sheet.png")
    (tmp_path / "list.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(ColourError, match="no list of patches"):
        read_patches(tmp_path / "list.csv")


def test_folder_of_an_inspection_names_its_pits(files):
    """A folder stands for the pits.csv in it."""
    assert [7] == read_patches(files)["pit_id"].tolist()


def test_raking_photo_is_refused_for_colour(photo_file, tmp_path, capsys):
    """Exit code 2, one sentence that says what to do, and no folder."""
    arguments = ["--mm-per-px", "0.15", "--lamp-from", "270", "--soft-light", str(photo_file)]
    with pytest.raises(SystemExit) as ended:
        main(["inspect", str(photo_file), *arguments, "--out", str(tmp_path / "out")])
    assert ended.value.code == 2
    told = capsys.readouterr().err.strip().splitlines()[-1]
    assert "raking light" in told
    assert "soft, even light" in told
    assert not (tmp_path / "out").exists()
