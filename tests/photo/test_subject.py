"""What is no photo of a cast face is told as such, and every made-up face passes."""

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from rakelight.core.records import FaceMap, Lamp
from rakelight.light.background import flatten_light
from rakelight.light.lamp import settle_lamp
from rakelight.photo.quality import judge_quality
from rakelight.photo.subject import Subject, look_at_subject
from rakelight.simulate import Lamp as MadeUpLamp
from rakelight.simulate import choose_recipe, simulate_photo

SIZE = (600, 800)


def judge(rgb):
    """The verdict and the names of the complaints about a picture said to be lit from the left."""
    face = FaceMap(rgb, np.ones(rgb.shape[:2], bool), 0.15)
    flat = flatten_light(face)
    lamp = settle_lamp(flat, face, Lamp(270.0, 15.0, basis="said"))
    found = judge_quality(face, flat, lamp, exif={}, smallest_mm=1.0)
    names = [
        name.removeprefix("complaint_") for name in found.checks if name.startswith("complaint_")
    ]
    return found.verdict, names


def write_page(paper, ink, noise_sd=0.0):
    """A page of text; with noise it is a scan of one."""
    page = np.full((*SIZE, 3), paper, np.uint8)
    for row in range(40, SIZE[0] - 20, 26):
        words = "the lamp lies low beside the slab so that every hole throws a shadow"
        cv2.putText(page, words, (20, row), cv2.FONT_HERSHEY_SIMPLEX, 0.62, ink, 2, cv2.LINE_AA)
    noise = np.random.default_rng(3).normal(0, noise_sd, (*SIZE, 1)) if noise_sd else 0
    return np.clip(page + noise, 0, 255).astype(np.uint8)


def draw_screen(paper, ink=(40, 40, 48)):
    """A screen: bars, boxes and words on plain ground."""
    screen = write_page(paper, ink)
    screen[:60] = (30, 80, 120)
    screen[300:500, 100:400] = (230, 150, 60)
    return screen


def pack(rgb, quality):
    """The picture after a JPEG of that quality."""
    data = io.BytesIO()
    Image.fromarray(rgb).save(data, "JPEG", quality=quality)
    return np.asarray(Image.open(data))


@pytest.mark.parametrize("paper", [(255, 255, 255), (244, 244, 246), (18, 20, 28)])
@pytest.mark.parametrize("quality", [None, 80])
def test_screens_and_pages_are_no_photos(paper, quality):
    """White, light and dark grounds, as PNG or JPEG: take another, with that one reason."""
    ink = (90, 90, 90) if min(paper) > 128 else (225, 225, 220)
    for drawn in (draw_screen(paper, ink), write_page(paper, ink)):
        rgb = drawn if quality is None else pack(drawn, quality)
        assert ("retake", ["no_photo"]) == judge(rgb)


def test_scanned_page_is_doubtful():
    """Noise hides the flat ground, but no writing looks like a hole that is lit from the side."""
    verdict, names = judge(write_page((205, 200, 190), (60, 60, 60), noise_sd=4.0))
    assert "good" != verdict
    assert "no_face" in names or "no_photo" in names


def test_colourful_scene_is_doubtful():
    """Blobs of colour with noise: not the colours of one face."""
    rng = np.random.default_rng(5)
    blobs = cv2.resize(
        rng.integers(30, 220, (6, 8, 3)).astype(np.uint8), SIZE[::-1], interpolation=cv2.INTER_CUBIC
    )
    noisy = np.clip(blobs + rng.normal(0, 5, blobs.shape), 0, 255).astype(np.uint8)
    assert "no_face" in judge(noisy)[1]


@pytest.mark.parametrize("recipe", ["caps", "worn", "dishes", "cast_wall", "honed", "bubbles"])
@pytest.mark.parametrize("angle_deg", [7.0, 15.0])
def test_every_made_up_face_is_a_face(recipe, angle_deg):
    """Rough or honed, even under a very low lamp and after a hard JPEG, no face is called anything else."""
    made = choose_recipe(recipe, size_mm=(90.0, 70.0), mm_per_px=0.15, pits_per_m2=2000.0)
    rgb = pack(simulate_photo(73, recipe=made, lamp=MadeUpLamp(270.0, angle_deg)).rgb, 75)
    assert not {"no_photo", "no_face"} & set(judge(rgb)[1])


@pytest.mark.parametrize("gain", [2.2, 3.0])
def test_burnt_out_or_blank_face_is_told_as_that(gain):
    """Clipped white and one plain grey are flat as well, but have no edges of a drawing."""
    made = choose_recipe("caps", size_mm=(90.0, 70.0), mm_per_px=0.15, pits_per_m2=2000.0)
    rgb = simulate_photo(74, recipe=made, lamp=MadeUpLamp(270.0, 15.0)).rgb
    burnt = np.clip(rgb.astype(float) * gain, 0, 255).astype(np.uint8)
    assert "overexposed" in judge(burnt)[1]
    assert not {"no_photo", "no_face"} & set(judge(burnt)[1])
    assert "no_photo" not in judge(np.full((*SIZE, 3), 128, np.uint8))[1]


def test_nothing_seen_says_nothing():
    """A face of which nothing is seen is no drawing."""
    face = FaceMap(draw_screen((255, 255, 255)), np.zeros(SIZE, bool), 0.15)
    assert Subject() == look_at_subject(face)
    assert not Subject().is_drawn
    shown = look_at_subject(replace(face, seen=np.ones(SIZE, bool)))
    assert shown.is_drawn
