"""The verdict on a photo: each fault by itself, and the formula behind the smallest pit."""

import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from rakelight.core.records import FaceMap, FlatPhoto, Lamp
from rakelight.light.background import flatten_light
from rakelight.light.lamp import settle_lamp
from rakelight.photo.quality import judge_quality, smallest_countable
from rakelight.simulate.camera import Camera, aim_camera, photograph
from rakelight.simulate.lamp import Lamp as MadeUpLamp
from rakelight.simulate.lamp import light_slab
from rakelight.simulate.recipes import choose_recipe
from rakelight.simulate.slab import make_slab

CASES = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parents[1] / "data" / "photo_quality.json").read_text(encoding="utf-8")
    )
}
MM_PER_PX = 0.2
SMALLEST_MM = 1.5
SAID = Lamp(from_deg=250.0, angle_deg=14.0)


@cache
def lit_slab(angle_deg: float = 14.0):
    """Return a made-up slab of 150 x 110 mm and its light."""
    recipe = choose_recipe("caps", size_mm=(150.0, 110.0), mm_per_px=MM_PER_PX, pits_per_m2=3000.0)
    slab = make_slab(recipe, seed=21)
    return slab, light_slab(slab, MadeUpLamp(from_deg=250.0, angle_deg=angle_deg))


def take_photo(angle_deg: float = 14.0, **camera) -> np.ndarray:
    slab, radiance = lit_slab(angle_deg)
    return photograph(radiance, aim_camera(slab, Camera(**camera)), seed=21)


def judge_photo(rgb: np.ndarray, *, said: Lamp = SAID, seen=None, exif=None, **changes):
    """Return the verdict on a photo as the whole chain would give it."""
    face = FaceMap(rgb, np.ones(rgb.shape[:2], bool) if seen is None else seen, MM_PER_PX)
    flat = flatten_light(face)
    lamp = settle_lamp(flat, face, said)
    options = {"exif": exif or {}, "smallest_mm": SMALLEST_MM} | changes
    return judge_quality(face, flat, lamp, **options)


def names_of(quality) -> set[str]:
    """Return the names of all complaints."""
    return {n.removeprefix("complaint_") for n in quality.checks if n.startswith("complaint_")}


def test_good_photo_is_good():
    """A sharp, raking, well exposed photo is good and gets no advice."""
    quality = judge_photo(take_photo())
    assert (quality.verdict, quality.advice, names_of(quality)) == ("good", (), set())
    assert quality.smallest_countable_mm < SMALLEST_MM


@pytest.mark.parametrize(
    ("camera", "reason", "verdict"),
    [
        ({"defocus_px": 5.0}, "blurred", "retake"),
        ({"motion_px": 16.0, "motion_deg": 30.0}, "shaken", "retake"),
        ({"exposure_aim": 1.2}, "overexposed", "retake"),
        ({"exposure_aim": 0.006}, "too_dark", "doubtful"),
    ],
)
def test_camera_faults_are_named(camera, reason, verdict):
    """Blur, shake, too much and too little light are each named by their own advice."""
    quality = judge_photo(take_photo(**camera))
    assert quality.verdict == verdict
    assert reason in names_of(quality)
    assert len(quality.advice) == len(names_of(quality))


@pytest.mark.parametrize(
    ("exif", "reason", "verdict"),
    [
        ({"Flash": 25}, "flash", "retake"),  # bit 0 set: fired
        ({"Flash": 24}, None, "good"),  # automatic, did not fire
        ({"DigitalZoomRatio": 2.0}, "digital_zoom", "doubtful"),
        ({"DigitalZoomRatio": 1.0}, None, "good"),
        ({"CustomRendered": 1}, "processing", "doubtful"),
        ({"CustomRendered": 0}, None, "good"),
    ],
)
def test_camera_notes_are_heard(exif, reason, verdict):
    """What the camera wrote about flash, zoom and processing counts."""
    quality = judge_photo(take_photo(), exif=exif)
    assert quality.verdict == verdict
    assert names_of(quality) == ({reason} if reason else set())


@pytest.mark.parametrize(
    "case", [c for n, c in CASES.items() if n.startswith("px_budget")], ids=lambda c: c["id"]
)
def test_pixel_budget(case):
    """Just finer than the worked limit is accepted, just coarser is not."""
    across, smallest_mm = case["inputs"]["pixels_across"], case["inputs"]["smallest_void_mm"]
    limit_mm = case["expected"]["mm_per_px"]
    words = {}
    for step in (0.98, 1.02):
        face = FaceMap(take_photo(), np.ones((550, 750), bool), limit_mm * step)
        flat = replace(flatten_light(face), mm_per_px=limit_mm * step)
        quality = judge_quality(face, flat, Lamp(), exif={}, smallest_mm=smallest_mm)
        words[step] = quality.checks.get("complaint_too_coarse", 0.0)
    # 5 px: good to doubtful; 3 px: doubtful to retake.
    assert (words[0.98], words[1.02]) == ((0.0, 1.0) if across == 5 else (1.0, 2.0))


@pytest.mark.parametrize(("angle_deg", "reason"), [(45.0, "lamp_high"), (3.0, "lamp_low")])
def test_lamp_angle_said_is_judged(angle_deg, reason):
    """A lamp said to stand too high or too low is doubtful."""
    quality = judge_photo(take_photo(), said=Lamp(from_deg=250.0, angle_deg=angle_deg))
    assert quality.verdict == "doubtful" and reason in names_of(quality)


def test_wrong_lamp_side_is_passed_on():
    """A contradicted lamp side makes the photo doubtful, with the lamp's own sentence."""
    quality = judge_photo(take_photo(), said=Lamp(from_deg=70.0, angle_deg=14.0))
    assert quality.verdict == "doubtful" and "lamp_side" in names_of(quality)
    assert "lit from the left" in quality.advice[0]


def test_only_the_face_is_judged():
    """A burnt-out, blurred table beside the face does not spoil the photo."""
    rgb, seen = take_photo().copy(), np.ones((550, 750), bool)
    rgb[:, 500:], seen[:, 500:] = 255, False
    quality = judge_photo(rgb, seen=seen)
    assert quality.verdict == "good"
    assert quality.clipped_white_share < 0.01


def test_glare_and_damp_are_seen():
    """A mirrored lamp and a damp patch are each named."""
    light = take_photo().astype(float)
    shine = light.copy()
    shine[100:300, 100:300] = np.minimum(shine[100:300, 100:300] * 1.5, 250)
    assert "glare" in names_of(judge_photo(shine.astype(np.uint8)))
    damp = light.copy()
    block = damp[200:400, 300:550]
    damp[200:400, 300:550] = 0.7 * (
        block.mean(axis=(0, 1)) + 0.3 * (block - block.mean(axis=(0, 1)))
    )
    assert "damp" in names_of(judge_photo(damp.astype(np.uint8)))


def test_blank_photo_is_retaken():
    """A photo of nothing at all asks for another one and claims no smallest pit."""
    quality = judge_photo(np.full((400, 400, 3), 110, np.uint8))
    assert quality.verdict == "retake"
    assert math.isnan(quality.smallest_countable_mm)


def test_face_not_seen_at_all():
    """A map of which nothing is seen asks for another photo instead of failing."""
    quality = judge_photo(take_photo(), seen=np.zeros((550, 750), bool))
    assert quality.verdict == "retake"


@pytest.mark.parametrize(
    ("blur_sigma_px", "grain_sd", "expected_px"),
    [(0.0, 0.11, 3), (1.2, 0.0, 5), (2.0, 0.0, 8), (0.0, 0.34, 4), (0.0, 0.69, 8)],
)
def test_smallest_countable_against_trials(blur_sigma_px, grain_sd, expected_px):
    """The formula meets the sizes found in nine of ten in trials (whole pixels)."""
    found = smallest_countable(1.0, blur_sigma_px, grain_sd=grain_sd)
    assert found == pytest.approx(expected_px, abs=0.5)


def test_smallest_countable_scales():
    """Twice the pixel size is twice the smallest pit; worse input never makes it smaller."""
    assert smallest_countable(0.4, 1.0) == pytest.approx(2 * smallest_countable(0.2, 1.0))
    plain = smallest_countable(0.2, 1.0)
    assert smallest_countable(0.2, 1.0, noise_sd=0.2) > plain
    assert smallest_countable(0.2, 1.0, grain_sd=0.5) > plain
    assert math.isnan(smallest_countable(0.2, math.nan))


def test_advice_comes_in_the_order_to_try():
    """Camera switches come first, then the lamp, then focus."""
    quality = judge_photo(
        take_photo(defocus_px=5.0),
        said=Lamp(from_deg=250.0, angle_deg=45.0),
        exif={"DigitalZoomRatio": 2.0},
    )
    found = [
        next(i for i, a in enumerate(quality.advice) if word in a)
        for word in ("zoom", "lamp at 45", "not sharp")
    ]
    assert found == sorted(found)
    assert quality.verdict == "retake"


def test_inputs_are_not_changed():
    """Face and relief stay as they were."""
    rgb = take_photo()
    face = FaceMap(rgb.copy(), np.ones(rgb.shape[:2], bool), MM_PER_PX)
    flat = flatten_light(face)
    kept = FlatPhoto(flat.relief.copy(), flat.background.copy(), flat.noise_sd, flat.mm_per_px)
    judge_quality(face, flat, Lamp(), exif={}, smallest_mm=1.0)
    np.testing.assert_array_equal(face.rgb, rgb)
    np.testing.assert_array_equal(flat.relief, kept.relief)
    np.testing.assert_array_equal(flat.background, kept.background)
