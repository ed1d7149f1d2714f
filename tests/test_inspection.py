"""The whole path: one photo in, one record out."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from rakelight.core.errors import LampError, ScaleError
from rakelight.core.flags import flag_bit
from rakelight.core.records import PIT_COLUMNS, PLAN_COLUMNS, Lamp, Lens
from rakelight.core.settings import Settings
from rakelight.inspection import Given, change_settings, inspect_photo
from rakelight.pits.pins import PinDepth
from rakelight.scale.lens import write_lens
from rakelight.simulate import Lamp as SceneLamp
from rakelight.simulate.camera import aim_camera, photograph
from rakelight.simulate.lamp import light_slab


@pytest.fixture(scope="module")
def inspection(photo_file):
    """The made-up photo, inspected."""
    given = Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0, basis="said"), job={"job": "bench"})
    return inspect_photo(photo_file, given)


def test_pits_of_known_places_are_found(inspection, made_up):
    """At least 9 in 10 true pits of 1.2 mm and more lie within half a diameter of a row of the table."""
    truth = made_up.slab.pits[made_up.slab.pits.diameter_mm >= 1.2]
    gaps = np.hypot(
        truth.x_mm.to_numpy()[:, None] - inspection.pits.x_mm.to_numpy(),
        truth.y_mm.to_numpy()[:, None] - inspection.pits.y_mm.to_numpy(),
    )
    assert np.mean(gaps.min(axis=1) < truth.diameter_mm / 2) >= 0.9


def test_record_is_complete(inspection):
    """Tables have their declared columns, every pit its outline, and the settings come along."""
    assert [column.name for column in PIT_COLUMNS] == list(inspection.pits.columns)
    assert [column.name for column in PLAN_COLUMNS] == list(inspection.plan.fields.columns)
    assert len(inspection.pits) == len(inspection.outlines_mm)
    assert list(range(1, len(inspection.pits) + 1)) == inspection.pits.pit_id.tolist()
    assert 1.0 == inspection.settings["find"]["smallest_mm"]
    assert 64 == len(inspection.photos[0]["sha256"])


def test_nothing_smaller_than_asked_is_counted(photo_file):
    """With 3 mm as the smallest size no pit below 3 mm is listed."""
    given = Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0))
    settings = change_settings(Settings(), find={"smallest_mm": 3.0})
    pits = inspect_photo(photo_file, given, settings=settings).pits
    assert len(pits) > 0
    assert pits.diameter_mm.min() >= 3.0 * 0.995


def test_steps_are_told_in_words(photo_file):
    """A person waiting is told what is being done."""
    said = []
    inspect_photo(photo_file, Given(mm_per_px=0.15), progress=said.append)
    assert "finding pits" in said


def test_a_second_lamp_gives_depths_and_keeps_the_pits(photo_file, made_up, tmp_path, inspection):
    """The same face lit from the right as well: no pit is lost, some depths stand on two shadows, both photos are kept."""
    radiance = light_slab(made_up.slab, SceneLamp(90.0, 15.0), ambient=0.1)
    path = tmp_path / "from_right.png"
    Image.fromarray(photograph(radiance, aim_camera(made_up.slab), seed=8)).save(path)
    left, right = (Lamp(side, 15.0, basis="said") for side in (270.0, 90.0))
    both = inspect_photo(photo_file, Given(mm_per_px=0.15, lamp=left, other_lamps=((path, right),)))
    assert len(inspection.pits) * 0.97 <= len(both.pits)
    assert (both.pits.depth_basis == "lamps").any()
    assert 2 == len(both.photos)
    assert 90.0 == both.photos[1]["lamp"]["from_deg"]
    assert both.pits.loc[both.pits.depth_basis == "unknown", "depth_mm"].isna().all()


def test_a_second_photo_of_another_size_is_refused(photo_file, tmp_path):
    """Photos under several lamps come from one camera place; another size is one sentence."""
    path = tmp_path / "other.png"
    Image.fromarray(np.full((300, 400, 3), 120, np.uint8)).save(path)
    given = Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0), other_lamps=((path, Lamp(90.0)),))
    with pytest.raises(LampError, match="not as large"):
        inspect_photo(photo_file, given)


def test_the_same_photo_or_lamp_again_is_refused(photo_file, tmp_path):
    """One photo given twice, or a lamp that has not moved, shows nothing new and is one sentence."""
    copy = tmp_path / "copy.jpg"
    copy.write_bytes(photo_file.read_bytes())
    left = Lamp(270.0, 15.0, basis="said")
    with pytest.raises(LampError, match="the very photo"):
        inspect_photo(photo_file, Given(mm_per_px=0.15, lamp=left, other_lamps=((copy, Lamp(90.0)),)))
    with Image.open(photo_file) as image:
        image.save(copy, quality=80)
    with pytest.raises(LampError, match="at the same side"):
        inspect_photo(photo_file, Given(mm_per_px=0.15, lamp=left, other_lamps=((copy, left),)))


def test_a_second_lamp_said_at_the_wrong_side_is_left_out(made_up, photo_file, tmp_path, inspection):
    """A second photo lit from the other side than was said takes no pit away."""
    path = tmp_path / "again.jpg"
    with Image.open(photo_file) as image:
        image.save(path, quality=80)
    left, wrong = (Lamp(side, 15.0, basis="said") for side in (270.0, 90.0))
    both = inspect_photo(photo_file, Given(mm_per_px=0.15, lamp=left, other_lamps=((path, wrong),)))
    assert len(inspection.pits) == len(both.pits)
    assert any("left out" in note for note in both.warnings)


def test_a_typed_in_depth_stands_in_the_record(photo_file, inspection):
    """A pin depth by number reaches the table of the record with its basis."""
    given = Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0, basis="said"), pin_depths=(PinDepth(2.2, 3),))
    row = inspect_photo(photo_file, given).pits.iloc[2]
    assert (3, 2.2, "pin") == (row.pit_id, row.depth_mm, row.depth_basis)
    assert row.x_mm == pytest.approx(inspection.pits.x_mm[2])


@pytest.mark.parametrize(
    "given",
    [
        Given(),
        Given(mm_per_px=0.1, corners_px=[(0, 0), (9, 0), (9, 9), (0, 9)], slab_mm=(90, 90)),
        Given(corners_px=[(0, 0), (9, 0), (9, 9), (0, 9)]),
        Given(length_px=[(10, 10), (700, 10)]),
        Given(length_mm=100.0),
        Given(mm_per_px=0.15, slab_mm=(120, 90)),
        Given(slab_mm=(120, 90)),
    ],
)
def test_missing_or_double_scale_is_one_sentence(photo_file, given):
    """No scale, two scales and corners without a size each say what to do."""
    with pytest.raises(ScaleError) as caught:
        inspect_photo(photo_file, given)
    assert 1 == len(str(caught.value).splitlines())


@pytest.fixture(scope="module")
def framed(made_up, tmp_path_factory):
    """The made-up face photographed with the floor around it and a barrel lens, and its camera."""
    camera = replace(made_up.camera, size_px=(1000, 780), mm_per_px=0.15, k1=-0.04, tilt_deg=8.0)
    radiance = light_slab(made_up.slab, made_up.lamp, ambient=0.1)
    path = tmp_path_factory.mktemp("framed") / "framed.jpg"
    Image.fromarray(photograph(radiance, camera, seed=5)).save(path, quality=93)
    return path, camera


def measure_gaps(made_up, pits):
    """Return how far the true pits of 1.5 mm and more lie from the nearest row, mm."""
    truth = made_up.slab.pits[made_up.slab.pits.diameter_mm >= 1.5]
    gaps = np.hypot(
        truth.x_mm.to_numpy()[:, None] - pits.x_mm.to_numpy(),
        truth.y_mm.to_numpy()[:, None] - pits.y_mm.to_numpy(),
    )
    return gaps.min(axis=1)


def test_corners_are_looked_for_when_only_the_size_is_given(made_up, framed):
    """With the slab's size alone its corners are found, which is said; pits lie where they should."""
    given = Given(slab_mm=(120, 90), lamp=Lamp(270.0, 15.0))
    inspection = inspect_photo(framed[0], given)
    assert any(
        "corners were found in the photo, not given" in words for words in inspection.warnings
    )
    # Half a millimetre: the outline of a shallow pit is traced to about that.
    assert np.mean(measure_gaps(made_up, inspection.pits) < 0.5) > 0.9
    assert inspection.pits.near_edge.any()


def test_edges_of_the_slab_straighten_the_lens(made_up, framed):
    """With four picked corners a barrel lens of 4 % is found by the slab's edges, and pits lie right."""
    corners = framed[1].find_corners() + np.random.default_rng(2).normal(0, 1, (4, 2))
    given = Given(corners_px=corners, slab_mm=(120, 90), lamp=Lamp(270.0, 15.0))
    inspection = inspect_photo(framed[0], given)
    assert inspection.scale.lens is not None
    assert not inspection.scale.flags & flag_bit("lens_not_corrected")
    assert np.mean(measure_gaps(made_up, inspection.pits) < 0.5) > 0.9


def test_lens_file_is_used(made_up, framed, tmp_path):
    """A lens from a file is taken as it is, and no doubt about the lens is raised."""
    middle = ((1000 - 1) / 2, (780 - 1) / 2)
    lens = Lens(-0.04, 0.0, middle, float(np.hypot(*middle)), basis="chessboard")
    path = write_lens(tmp_path / "lens.toml", lens, (780, 1000))
    corners, lamp = framed[1].find_corners(), Lamp(270.0, 15.0)
    given = Given(corners_px=corners, slab_mm=(120, 90), lens=path, lamp=lamp)
    inspection = inspect_photo(framed[0], given)
    assert -0.04 == pytest.approx(inspection.scale.lens.k1)
    assert np.mean(measure_gaps(made_up, inspection.pits) < 0.5) > 0.9
    plain = inspect_photo(framed[0], Given(mm_per_px=0.15, lens=path))
    assert not plain.scale.flags & flag_bit("lens_not_corrected")


def test_border_of_a_plain_photo_is_no_edge(inspection):
    """A photo with a plain mm per pixel shows a part of a slab: its border makes no pit a chip."""
    assert not inspection.pits.near_edge.any()
    assert "near_edge" not in " ".join(inspection.pits["flags"])


def test_openings_and_outline_bound_the_face(photo_file):
    """Inside an opening and outside the slab's outline nothing is seen, nothing is counted."""
    zones = (
        {"name": "slab", "kind": "slab", "outline_mm": [(0, 0), (100, 0), (100, 90), (0, 90)]},
        {"name": "tap", "kind": "opening", "x_mm": 40, "y_mm": 30, "width_mm": 20, "height_mm": 20},
        {"name": "A", "kind": "pour", "x_mm": 0, "y_mm": 0, "width_mm": 50, "height_mm": 90},
    )
    given = Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0), zones=zones)
    inspection = inspect_photo(photo_file, given)
    pits = inspection.pits
    assert 100 * 90 - 20 * 20 == pytest.approx(inspection.face.seen_mm2, rel=0.01)
    inside = pits.x_mm.between(40, 60) & pits.y_mm.between(30, 50)
    assert not (inside | (pits.x_mm > 100)).any()
    assert pits.near_edge[pits.x_mm.between(30, 40) & pits.y_mm.between(30, 50)].all()
    assert pits.near_edge[pits.x_mm > 91].all()
    assert {"A"} == set(pits.zone[pits.x_mm < 50])


@pytest.mark.parametrize(("threads", "opens"), [(1, False), (2, True)])
def test_one_thread_is_kept_to(photo_file, made_up, tmp_path, monkeypatch, threads, opens):
    """Asked to use one thread, no step of an inspection with a soft-light photo gives work to another; two are used."""
    grey = np.random.default_rng(3).normal((158.0, 150.0, 138.0), 3, made_up.rgb.shape)
    Image.fromarray(grey.astype(np.uint8)).save(tmp_path / "soft.jpg", quality=92)
    given = Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0), soft_light=tmp_path / "soft.jpg")
    handed, submit = [], ThreadPoolExecutor.submit

    def watch(pool, work, *arguments, **names):
        handed.append(work)
        return submit(pool, work, *arguments, **names)

    monkeypatch.setattr(ThreadPoolExecutor, "submit", watch)
    settings = change_settings(Settings(), find={"threads": threads})
    found = inspect_photo(photo_file, given, settings=settings)
    assert len(found.pits) > 10 and found.colour.figures["n_cells"] > 0
    assert opens == bool(handed)
