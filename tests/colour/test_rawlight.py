"""Raw photos stay linear from the sensor to the tone."""

import sys

import numpy as np
import pytest
import tifffile

from rakelight.colour.balance import Shoot
from rakelight.colour.difference import measure_dE00
from rakelight.colour.rawlight import read_raw_light
from rakelight.colour.uniformity import measure_colour
from rakelight.core.errors import PhotoError
from rakelight.core.records import FaceMap

from .scenes import GREY_MM, XYZ_OF_RGB, Scene, lab_to_linear, paint_rect

WHITE_LEVEL = 16383


def write_dng(path, linear: np.ndarray) -> None:
    """Write a made-up 14-bit raw photo: one channel per pixel, a camera that sees sRGB itself."""
    counts = np.clip(np.round(linear * WHITE_LEVEL), 0, WHITE_LEVEL).astype(np.uint16)
    mosaic = counts[:, :, 1].copy()
    mosaic[0::2, 0::2], mosaic[1::2, 1::2] = counts[0::2, 0::2, 0], counts[1::2, 1::2, 2]
    matrix = [part for v in np.linalg.inv(XYZ_OF_RGB).ravel() for part in (round(v * 10000), 10000)]
    tags = [  # numbers and types of the DNG specification, from memory, checked by reading back
        (33421, "H", 2, (2, 2), True), (33422, "B", 4, bytes([0, 1, 1, 2]), True),
        (50706, "B", 4, bytes([1, 4, 0, 0]), True), (50707, "B", 4, bytes([1, 1, 0, 0]), True),
        (50708, "s", 0, "Made up", True), (50714, "H", 1, 0, True), (50717, "H", 1, WHITE_LEVEL, True),
        (50721, "2i", 9, tuple(matrix), True), (50728, "2I", 3, (1, 1) * 3, True), (50778, "H", 1, 21, True),
    ]  # fmt: skip
    tifffile.imwrite(path, mosaic, photometric=32803, extratags=tags, metadata=None)


def test_light_comes_out_as_it_went_in(tmp_path):
    """Two areas of known light are read to one part in 5000, brightness untouched."""
    pytest.importorskip("rawpy")
    linear = np.zeros((96, 128, 3), np.float32)
    linear[:, :64], linear[:, 64:] = (0.3, 0.25, 0.2), (0.1, 0.12, 0.14)
    write_dng(tmp_path / "face.dng", linear)
    light = read_raw_light(tmp_path / "face.dng")
    assert np.float32 == light.dtype and (96, 128, 3) == light.shape
    assert (0.3, 0.25, 0.2) == pytest.approx(light[48, 32], abs=2e-4)
    assert (0.1, 0.12, 0.14) == pytest.approx(light[48, 96], abs=2e-4)


def test_tone_of_a_raw_photo_has_no_steps(tmp_path):
    """Cells of a raw photo in even light come out within .15 dE00 of the painted tone, hue included."""
    pytest.importorskip("rawpy")
    scene = Scene(seed=95, size_mm=(600.0, 400.0), mm_per_px=2.0, grain_L=0.0, lamp=None)
    linear = lab_to_linear(scene.paint())
    paint_rect(linear, GREY_MM, scene.mm_per_px, GREY_MM[4])
    write_dng(tmp_path / "face.dng", linear * np.float32([0.5, 0.45, 0.35]))
    light = read_raw_light(tmp_path / "face.dng")
    even = FaceMap(np.ones_like(light) * 0.5, np.ones(scene.shape, bool), scene.mm_per_px)
    face = FaceMap(light, np.ones(scene.shape, bool), scene.mm_per_px)
    table = measure_colour(face, grey=GREY_MM, shoot=Shoot(flat=even)).table
    truth = measure_colour(FaceMap(linear, face.seen, 2.0), grey=GREY_MM, shoot=Shoot(flat=even)).table
    gaps = measure_dE00(table[["L", "a", "b"]].to_numpy(), truth[["L", "a", "b"]].to_numpy())
    assert gaps.max() < 0.15


def test_what_is_no_raw_photo_is_one_sentence(tmp_path):
    """A file of zeros is refused with its name."""
    pytest.importorskip("rawpy")
    path = tmp_path / "face.dng"
    path.write_bytes(b"II*\0" + b"\0" * 60)
    with pytest.raises(PhotoError, match=r"face\.dng cannot be read as a raw photo"):
        read_raw_light(path)


def test_missing_extra_is_one_sentence(tmp_path, monkeypatch):
    """Without the extra the line to type is named."""
    path = tmp_path / "face.dng"
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(PhotoError, match=r"rakelight\[raw\]"):
        read_raw_light(path)
