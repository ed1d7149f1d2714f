"""Many photos of one face joined into one map."""

import errno
import math
import os
import subprocess
import sys
import tempfile

import cv2
import numpy as np
import pytest

from rakelight.core.errors import OutputError, ScaleError
from rakelight.core.records import Photo
from rakelight.scale.join import _open_map, join_photos
from rakelight.scale.marks import MarksPlan, parse_marks
from rakelight.scale.plane import make_grid, place_on_slab

from .scenes import draw_mark, lay_on, take_photo

SIZE_MM = (900.0, 420.0)
PX_PER_MM = 2
MIDDLES_MM = {4: (60.0, 60.0), 5: (60.0, 360.0), 6: (840.0, 210.0)}
PLAN = 'slab = "900x420"\n' + "".join(
    f"[[mark]]\nid = {key}\nx_mm = {x}\ny_mm = {y}\n" for key, (x, y) in MIDDLES_MM.items()
)
K1 = -0.03


@pytest.fixture(scope="module")
def face():
    """A face with grain, tone and 400 dark pits, three marks near its ends."""
    rng = np.random.default_rng(2)
    rows, cols = (int(v * PX_PER_MM) for v in SIZE_MM[::-1])
    grain = cv2.GaussianBlur(rng.standard_normal((rows, cols)).astype(np.float32), (0, 0), 1.2)
    tone = cv2.resize(rng.normal(0, 0.1, (5, 9)).astype(np.float32), (cols, rows), interpolation=3)
    scene = 0.3 * (1 + 0.25 * grain + tone)
    for x, y, r in zip(*rng.integers(10, (cols - 10, rows - 10, 30), (400, 3)).T, strict=True):
        cv2.circle(scene, (int(x), int(y)), 2 + int(r) % 4, 0.06, -1, cv2.LINE_AA)
    scene = np.repeat(scene[..., None], 3, axis=2)
    for mark_id, middle in MIDDLES_MM.items():
        scene = lay_on(scene, draw_mark(mark_id), middle, scene_px_per_mm=PX_PER_MM)
    return scene


@pytest.fixture(scope="module")
def shots(face):
    """Six overlapping photos, 3 x 2, by a barrel lens, each a little tilted, turned and exposed."""
    rng = np.random.default_rng(7)
    photos, cameras = [], []
    for y in (125, 295):
        for x in (170, 450, 730):
            photo, camera = take_photo(
                face, scene_px_per_mm=PX_PER_MM, seed=len(photos), mm_per_px=0.52,
                size_px=(760, 560), aim_mm=(x, y), tilt_deg=abs(rng.normal(0, 5)),
                tilt_from_deg=rng.uniform(0, 360), turn_deg=rng.normal(0, 3), k1=K1,
                distance_mm=700, exposure_aim=rng.uniform(0.25, 0.4), vignetting=0.3,
            )  # fmt: skip
            photos.append(photo)
            cameras.append(camera)
    return photos, cameras


@pytest.fixture(scope="module")
def joined(shots):
    """The six photos joined."""
    return join_photos(shots[0], parse_marks(PLAN))


def test_every_photo_is_placed(joined, shots):
    """Places anywhere on the face come out within 0.5 mm in each photo, the lens too."""
    field = make_grid(SIZE_MM, 21)
    for view, camera in zip(joined.views, shots[1], strict=True):
        at = camera.project(field)
        shown = ((at > 0) & (at < (759, 559))).all(axis=1)
        away = np.hypot(*(place_on_slab(view, at[shown]) - field[shown]).T)
        # A pixel is 0.5 mm; ties are good to a third of one.
        assert away.max() < 0.5
        assert view.lens.k1 == pytest.approx(K1, abs=0.004)


def test_map_shows_the_face_as_it_is(joined, face):
    """The joined map, laid over the scene it was made from, differs by light but not by place."""
    s = joined.face.mm_per_px
    rows, cols = joined.face.seen.shape
    assert joined.face.size_mm == pytest.approx(SIZE_MM, abs=s)
    truth = cv2.resize(face[..., 1], (cols, rows), interpolation=cv2.INTER_AREA)
    found = joined.face.rgb[..., 1].astype(np.float32)
    for y in range(60, rows - 160, 140):
        for x in range(60, cols - 160, 180):
            a, b = (np.sqrt(m[y : y + 100, x : x + 100]) for m in (truth, found))
            a, b = (m - cv2.GaussianBlur(m, (0, 0), 15) for m in (a, b))
            window = cv2.createHanningWindow((100, 100), cv2.CV_32F)
            (dx, dy), response = cv2.phaseCorrelate(a.astype(np.float32), b, window)
            assert math.hypot(dx, dy) * s < 0.4
            assert response > 0.2


def test_seams_do_not_show(joined, face):
    """Photos of different exposure join without a step: the slow tone stays within 6 %."""
    rows, cols = joined.face.seen.shape
    truth = cv2.resize(face[..., 1], (cols, rows), interpolation=cv2.INTER_AREA)
    light = np.clip(joined.face.rgb[..., 1] / 255, 0.01, 1) ** 2.2
    ratio = cv2.GaussianBlur(np.log(light / truth).astype(np.float32), (0, 0), 6)
    # Marks are over-exposed; look at the face between them.
    inner = ratio[30:-30, 260:-260]
    step = np.abs(inner[:, 8:] - inner[:, :-8])
    assert np.quantile(step, 0.99) < 0.06


def test_face_is_covered_and_counted(joined, shots):
    """All of the face is seen; with the right-hand photos left out the rest is reported unseen."""
    assert joined.uncovered_mm2 < 0.001 * SIZE_MM[0] * SIZE_MM[1]
    # The marks' papers hide the face: three squares of 110 mm and a margin of 2 mm.
    assert joined.face.seen_mm2 == pytest.approx(900 * 420 - 3 * 114**2, rel=0.003)
    assert set(np.unique(joined.shown)) - {-1} == set(range(6))
    left = join_photos([shots[0][0], shots[0][3]], parse_marks(PLAN))
    hidden_mm2 = 2 * 114**2
    assert left.uncovered_mm2 == pytest.approx(
        900 * 420 - left.face.seen_mm2 - hidden_mm2, rel=0.01
    )
    assert left.uncovered_mm2 > 0.5 * 900 * 420
    assert not left.face.seen[:, -100:].any()
    assert left.face.rgb[:, -100:].max() == 0
    assert any("not looked at" in note for note in left.scale.notes)


def test_order_of_photos_does_not_matter(joined, shots):
    """Photos given backwards give the same places, to a tenth of a millimetre."""
    back = join_photos(shots[0][::-1], parse_marks(PLAN))
    middle = [(380.0, 280.0)]
    for one, other in zip(joined.views, back.views[::-1], strict=True):
        np.testing.assert_allclose(
            place_on_slab(one, middle), place_on_slab(other, middle), atol=0.1
        )


def test_photo_of_something_else_is_left_out(shots):
    """A photo that shares nothing with the others is named and left out."""
    rng = np.random.default_rng(0)
    noise = cv2.GaussianBlur(rng.integers(0, 255, (560, 760, 3)).astype(np.uint8), (0, 0), 3)
    stray = Photo(noise, "cat.jpg", "0" * 64)
    joined = join_photos([*shots[0][:2], stray], parse_marks(PLAN))
    assert joined.unplaced == ("cat.jpg",)
    assert joined.views[2] is None
    assert any("cat.jpg" in note for note in joined.scale.notes)


def test_map_on_disk_is_the_same(joined, shots):
    """Drawn into files, from photos read one at a time, the map is the same."""

    class Lazy:
        """A sequence that hands out photos when asked."""

        n_asked = 0

        def __len__(self):
            return len(shots[0])

        def __getitem__(self, k):
            self.n_asked += 1
            return shots[0][k]

    lazy = Lazy()
    steps = []
    on_disk = join_photos(
        lazy, parse_marks(PLAN), files_from_px=1, tell=lambda *step: steps.append(step)
    )
    assert isinstance(on_disk.face.rgb, np.memmap)
    np.testing.assert_array_equal(on_disk.face.rgb, joined.face.rgb)
    np.testing.assert_array_equal(on_disk.face.seen, joined.face.seen)
    assert lazy.n_asked <= 3 * 6
    assert steps[-1] == ("map", 6, 6)


def test_card_alone_places_photos(card_print):
    """Without a marks file the scale card gives the frame, and the map is what the photos show."""
    rng = np.random.default_rng(3)
    scene = 0.3 * (1 + 0.3 * cv2.GaussianBlur(rng.standard_normal((800, 1200, 1)), (0, 0), 1.5))
    scene = np.repeat(scene[..., None].astype(np.float32), 3, axis=2)
    scene = lay_on(scene, card_print, (180, 200), scene_px_per_mm=PX_PER_MM)
    photos, cameras = zip(
        *(
            take_photo(
                scene, scene_px_per_mm=PX_PER_MM, mm_per_px=0.5, size_px=(640, 560),
                aim_mm=(x, 200), tilt_deg=4, distance_mm=700,
            )
            for x in (190, 380)
        ),
        strict=True,
    )  # fmt: skip
    joined = join_photos(photos)
    ends = np.array([(150.0, 150.0), (500.0, 250.0)])
    first = place_on_slab(joined.views[0], cameras[0].project(ends[:1]))
    second = place_on_slab(joined.views[1], cameras[1].project(ends[1:]))
    # One card and one overlap of 130 mm carry the place on over 200 mm more: two pixels.
    assert np.hypot(*(second - first)[0]) == pytest.approx(math.hypot(350, 100), abs=1.0)


def test_what_cannot_be_joined_is_explained(shots):
    """No photo, no mark, and photos of two sizes are each one sentence."""
    with pytest.raises(ScaleError, match="at least one photo"):
        join_photos([], parse_marks(PLAN))
    with pytest.raises(ScaleError, match="None of the photos shows a mark"):
        join_photos([shots[0][1], shots[0][4]], parse_marks(PLAN))
    odd = Photo(shots[0][1].rgb[:-4], "odd.jpg", "0" * 64)
    with pytest.raises(ScaleError, match="differ in size"):
        join_photos([shots[0][0], odd], parse_marks(PLAN))
    with pytest.raises(ScaleError, match="on the face"):
        join_photos(shots[0], parse_marks("height_mm = 5.0\n" + PLAN))


def test_a_mark_measured_wrong_is_named(shots):
    """A mark written 40 mm wrong in the file is found out."""
    plan = parse_marks(PLAN.replace("y_mm = 360.0", "y_mm = 320.0"))
    assert isinstance(plan, MarksPlan)
    with pytest.raises(ScaleError, match=r"Mark \d lies"):
        join_photos([shots[0][0], shots[0][3]], plan)


@pytest.mark.skipif(not hasattr(os, "posix_fallocate"), reason="this system cannot set room aside")
def test_no_room_for_the_map_is_one_sentence(monkeypatch):
    """A map that its disk cannot take says where room is needed."""

    def refuse(*args):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "posix_fallocate", refuse)
    with pytest.raises(OutputError, match="make room there"):
        _open_map((100, 200))


@pytest.mark.parametrize("way", ["set aside", "refused", "none"])
def test_the_map_on_disk_has_its_room(monkeypatch, way):
    """The map's files are zero and take writes, also where the system cannot set room aside."""

    def refuse(*args):
        raise OSError(errno.EOPNOTSUPP, "Operation not supported")

    if way == "refused":
        monkeypatch.setattr(os, "posix_fallocate", refuse, raising=False)
    elif way == "none":
        monkeypatch.delattr(os, "posix_fallocate", raising=False)
    rgb, seen = _open_map((3000, 2001))
    assert ((3000, 2001, 3), (3000, 2001)) == (rgb.shape, seen.shape)
    assert (np.uint8, bool) == (rgb.dtype, seen.dtype)
    assert not rgb.any() and not seen.any()
    rgb[-1], seen[-1] = 7, True
    assert rgb[-1].min() == 7 and seen[-1].all()


@pytest.mark.skipif(
    sys.platform != "linux" or os.geteuid() != 0, reason="needs to mount a tiny disk"
)
@pytest.mark.parametrize("is_set_aside", [True, False])
def test_a_full_disk_is_told_before_anything_is_drawn(tmp_path, monkeypatch, is_set_aside):
    """On a disk of 64 kB a map of 80 kB is refused when its files are made, not by a bus error at a write."""
    command = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", tmp_path]
    if subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("cannot mount a tiny disk here")
    if not is_set_aside:
        monkeypatch.delattr(os, "posix_fallocate")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    try:
        with pytest.raises(OutputError, match="make room there"):
            _open_map((100, 200))
        assert [] == list(tmp_path.iterdir())
    finally:
        subprocess.run(["umount", tmp_path], check=True)
