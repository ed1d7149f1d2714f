"""The straight smear of a moved camera, read from the spectrum."""

import math

import cv2
import numpy as np
import pytest

from rakelight.core.records import FaceMap, FlatPhoto, Lamp
from rakelight.light.background import flatten_light
from rakelight.photo.quality import judge_quality
from rakelight.photo.smear import measure_smear
from rakelight.simulate.camera import Camera, aim_camera, photograph

from .test_sharpness import MM_PER_PX, lit_slab


def take(**camera) -> tuple[FaceMap, FlatPhoto]:
    """Return a made-up photo of a face with round pits, and its relief."""
    slab, radiance = lit_slab(5, "caps")
    rgb = photograph(radiance, aim_camera(slab, Camera(**camera)), seed=5)
    face = FaceMap(rgb, np.ones(rgb.shape[:2], bool), MM_PER_PX)
    return face, flatten_light(face)


@pytest.mark.parametrize(("length_px", "angle_deg"), [(13, 30), (18, 110), (26, 160)])
def test_length_and_direction_of_a_smear(length_px, angle_deg):
    """A smear of 13 to 26 px is read to 2 px; its direction, right towards bottom, to two steps of 3 degrees."""
    face, flat = take(motion_px=length_px, motion_deg=angle_deg)
    smear = measure_smear(flat.relief, face.seen)
    assert smear.length_px == pytest.approx(length_px, abs=2)
    off_deg = abs((smear.angle_deg - angle_deg + 90) % 180 - 90)
    assert off_deg <= 6.01
    assert smear.weight > 13


def test_direction_runs_from_right_towards_bottom():
    """Grain smeared from top left to bottom right lies at 45 degrees, its mirror image at 135."""
    rng = np.random.default_rng(4)
    relief = rng.normal(0, 0.1, (600, 600)).astype(np.float32)
    down_right = np.eye(12, dtype=np.float32) / 12
    seen = np.ones(relief.shape, bool)
    assert measure_smear(cv2.filter2D(relief, -1, down_right), seen).angle_deg == pytest.approx(45)
    mirrored = cv2.filter2D(relief, -1, np.ascontiguousarray(down_right[:, ::-1]))
    assert measure_smear(mirrored, seen).angle_deg == pytest.approx(135)


def test_a_sharp_or_evenly_blurred_photo_shows_no_smear():
    """Neither a sharp photo nor one out of focus has a direction that stands out."""
    for camera in ({"defocus_px": 0.6}, {"defocus_px": 3.0}):
        face, flat = take(**camera)
        assert measure_smear(flat.relief, face.seen).weight < 13


def test_nothing_seen_has_no_weight():
    """Without a whole tile the weight is unknown."""
    nothing = measure_smear(np.zeros((100, 100), np.float32), np.ones((100, 100), bool))
    assert math.isnan(nothing.weight)


def test_a_shaken_photo_is_told_so():
    """A smear that spares many edges is still named, with its length in the advice."""
    face, flat = take(motion_px=16, motion_deg=40)
    quality = judge_quality(face, flat, Lamp(from_deg=250.0), exif={}, smallest_mm=1.6)
    assert "complaint_shaken" in quality.checks
    assert any("camera moved" in sentence for sentence in quality.advice)
