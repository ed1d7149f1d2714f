"""The slab's own edges as the frame of joined photos."""

import cv2
import numpy as np
import pytest

from rakelight.core.errors import ScaleError
from rakelight.scale.join import join_photos
from rakelight.scale.plane import make_grid, place_on_slab

from .scenes import lay_on, take_photo

SIZE_MM = (900.0, 420.0)
PX_PER_MM = 2


@pytest.fixture(scope="module")
def face():
    """A face with grain and 400 dark pits."""
    rng = np.random.default_rng(2)
    rows, cols = (int(v * PX_PER_MM) for v in SIZE_MM[::-1])
    grain = cv2.GaussianBlur(rng.standard_normal((rows, cols)).astype(np.float32), (0, 0), 1.2)
    scene = 0.3 * (1 + 0.25 * grain)
    for x, y, r in zip(*rng.integers(10, (cols - 10, rows - 10, 30), (400, 3)).T, strict=True):
        cv2.circle(scene, (int(x), int(y)), 2 + int(r) % 4, 0.06, -1, cv2.LINE_AA)
    return np.repeat(scene[..., None], 3, axis=2)


def take_shots(face):
    """Return six overlapping photos, 3 x 2, that show a little floor around the slab, and their cameras."""
    rng = np.random.default_rng(7)
    shots = []
    for y in (115, 305):
        for x in (160, 450, 740):
            shots.append(
                take_photo(
                    face, scene_px_per_mm=PX_PER_MM, seed=len(shots), mm_per_px=0.52,
                    size_px=(760, 600), aim_mm=(x, y), tilt_deg=abs(rng.normal(0, 4)),
                    tilt_from_deg=rng.uniform(0, 360), turn_deg=rng.normal(0, 3), k1=-0.03,
                    distance_mm=700, exposure_aim=rng.uniform(0.25, 0.4), vignetting=0.3,
                )
            )  # fmt: skip
    return tuple(zip(*shots, strict=True))


def worst_mm(joined, cameras):
    """Return the greatest error of places on the face over all photos."""
    field, worst = make_grid(SIZE_MM, 21), 0.0
    for view, camera in zip(joined.views, cameras, strict=True):
        at = camera.project(field)
        shown = ((at > 0) & (at < (759, 599))).all(axis=1)
        away = np.hypot(*(place_on_slab(view, at[shown]) - field[shown]).T)
        worst = max(worst, float(away.max()))
    return worst


def test_slab_and_size_alone_place_photos(face):
    """Without mark or card the slab's edges and its size place every photo within 1 mm."""
    photos, cameras = take_shots(face)
    joined = join_photos(photos, size_mm=SIZE_MM)
    # Two pixels: half a pixel at the corners, and what a chain of three photos drifts.
    assert worst_mm(joined, cameras) < 1.0
    assert "corners" == joined.scale.source
    assert any("found on the joined photos" in note for note in joined.scale.notes)
    assert joined.face.size_mm == pytest.approx(SIZE_MM, abs=0.6)


def test_card_and_size_agree(face, card_print):
    """The card's measure of the slab is held against the size said: a wrong size is refused."""
    scene = lay_on(face, card_print, (160, 200), scene_px_per_mm=PX_PER_MM)
    photos, cameras = take_shots(scene)
    assert worst_mm(join_photos(photos, size_mm=SIZE_MM), cameras) < 1.0
    with pytest.raises(ScaleError, match="By the scale card the slab measures"):
        join_photos(photos, size_mm=(1000.0, 420.0))


def test_photos_without_the_edges_are_refused(face):
    """Two photos of the middle show no edge: one sentence asks for marks."""
    shots = [
        take_photo(
            face, scene_px_per_mm=PX_PER_MM, mm_per_px=0.4, size_px=(500, 400), aim_mm=(x, 210)
        )
        for x in (400, 480)
    ]
    with pytest.raises(ScaleError, match="lay marks near both"):
        join_photos([photo for photo, _ in shots], size_mm=SIZE_MM)
