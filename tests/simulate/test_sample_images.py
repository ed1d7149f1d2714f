"""The folder sample_images: complete, small, and true to its list."""

import hashlib
import re
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from rakelight.light.post import read_post
from rakelight.photo.read import read_photo
from rakelight.scale.card import scale_from_card
from rakelight.scale.marks import scale_from_marks
from rakelight.scale.rectify import rectify_photo
from rakelight.simulate.relief import integrate_normals

FOLDER = Path(__file__).parents[2] / "sample_images"
PHOTOS = tomllib.loads((FOLDER / "samples.toml").read_text(encoding="utf-8"))["photo"]


def test_every_photo_is_listed_and_small():
    """Each JPEG is in samples.toml, none is over 1.2 MB and the folder is under 6 MB."""
    assert {path.name for path in FOLDER.glob("*.jpg")} == {photo["file"] for photo in PHOTOS}
    assert max(path.stat().st_size for path in FOLDER.glob("*.jpg")) < 1.2e6
    assert sum(path.stat().st_size for path in FOLDER.rglob("*") if path.is_file()) < 6e6


@pytest.mark.parametrize("photo", PHOTOS, ids=lambda photo: photo["file"])
def test_scale_and_size_fit_the_picture(photo):
    """A straight photo is slab size / mm per pixel large; listed corners lie in the picture."""
    with Image.open(FOLDER / photo["file"]) as picture:
        width, height = picture.size
    if "mm_per_px" in photo and "slab_mm" in photo:
        # The last part of a pixel of the panel is not in the picture.
        assert width == pytest.approx(photo["slab_mm"][0] / photo["mm_per_px"], abs=1)
        assert height == pytest.approx(photo["slab_mm"][1] / photo["mm_per_px"], abs=1)
    for x, y in photo.get("corners_px", []):
        assert 0 <= x < width and 0 <= y < height
    assert photo["light"] == "soft light" or photo["lamp_from_deg"] in (270, 90)


def test_every_photo_has_a_line_to_paste():
    """Every raking photo stands in a command of the README, with its own numbers, and every file named is there."""
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    lines = [line.strip() for line in text.splitlines() if line.startswith("    rakelight ")]
    for photo in PHOTOS:
        named = [line for line in lines if f"sample_images/{photo['file']}" in line]
        assert named, photo["file"]
        if "corners_px" in photo:
            assert " ".join(f"{x:.1f},{y:.1f}" for x, y in photo["corners_px"]) in named[0]
        if photo["light"] == "raking" and "mm_per_px" in photo and "right" not in photo["file"]:
            assert f"--mm-per-px {photo['mm_per_px']:g}" in named[0]
    for name in re.findall(r"sample_images/([\w.]+)", " ".join(lines)):
        assert (FOLDER / name).is_file(), name


@pytest.mark.parametrize("file", ["card_raking.jpg", "marks_raking.jpg"])
def test_card_and_marks_give_the_panels_scale(file):
    """A point of the panel found by card or marks lies where the list's corners say, to a millimetre."""
    entry = next(photo for photo in PHOTOS if photo["file"] == file)
    photo = read_photo(FOLDER / file)
    if "marks" in entry:
        scale = scale_from_marks(photo, FOLDER / entry["marks"])
        assert (600, 450) == pytest.approx(scale.size_mm)
        return
    scale, card = scale_from_card(photo, corners_px=entry["corners_px"])
    assert (600, 450) == pytest.approx(scale.size_mm, abs=1.0)
    face = rectify_photo(photo, scale)
    post = read_post(face, card)
    assert 270 == pytest.approx(post.from_deg, abs=4)
    assert 15 == pytest.approx(post.angle_deg, abs=2)


def test_large_pits_are_dark_where_the_truth_says():
    """In the raking photo the lamp's side of every deep pit from 6 mm is darker than the face."""
    with Image.open(FOLDER / "before_raking.jpg") as picture:
        grey = np.asarray(picture.convert("L"), float)
    pits = pd.read_csv(FOLDER / "truth" / "before_pits.csv")
    deep = pits.query("diameter_mm >= 6 and depth_mm > 0.25 * diameter_mm")
    assert len(deep) > 10
    for pit in deep.itertuples():
        row = round(pit.y_mm / 0.165 - 0.5)
        col = round((pit.x_mm - 0.2 * pit.width_mm) / 0.165 - 0.5)
        around = grey[max(row - 90, 0) : row + 90, max(col - 90, 0) : col + 90]
        assert grey[row - 1 : row + 2, col - 1 : col + 2].mean() < 0.75 * np.median(around)


def test_repair_keeps_the_pits_of_before():
    """The after table starts with the pits of the before table, at their places."""
    before = pd.read_csv(FOLDER / "truth" / "before_pits.csv")
    after = pd.read_csv(FOLDER / "truth" / "after_pits.csv")
    np.testing.assert_array_equal(before["x_mm"], after["x_mm"][: len(before)])
    assert {"new"} == set(after["state"][len(before) :])
    assert {"open", "closed", "dished"} == set(after["state"][: len(before)])


def test_plaster_is_the_file_its_origin_names():
    """The normal map is the one whose checksum is written down, and its slopes fit a face."""
    data = (FOLDER / "plaster_normals.webp").read_bytes()
    assert hashlib.sha256(data).hexdigest() in (FOLDER / "ORIGIN.md").read_text(encoding="utf-8")
    with Image.open(FOLDER / "plaster_normals.webp") as picture:
        normals = np.asarray(picture.convert("RGB"))
    slope = -(normals[:, :, 1] / 127.5 - 1)
    # The right reading of green leaves less than half of the slope unexplained, the wrong one more.
    for green_points_up, fits in ((False, True), (True, False)):
        height = integrate_normals(normals, 0.3, green_points_up=green_points_up)
        left = np.gradient(height, 0.3, axis=0) - slope * (-1 if green_points_up else 1)
        assert fits == bool(left.std() < 0.5 * slope.std())
