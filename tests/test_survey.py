"""Several overlapping photos of one face: one map, one pit list."""

import json

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from scipy.spatial import cKDTree

from rakelight.cli import main
from rakelight.core.errors import LampError, ScaleError
from rakelight.core.flags import flag_bit
from rakelight.core.records import Lamp, Quality
from rakelight.inspection import Given, inspect_photo
from rakelight.scale.card import draw_cells
from rakelight.simulate.camera import Camera, photograph
from rakelight.simulate.lamp import Lamp as MadeUpLamp
from rakelight.simulate.lamp import light_slab, soft_light
from rakelight.simulate.props import lay_print
from rakelight.simulate.recipes import choose_recipe
from rakelight.simulate.slab import make_slab
from rakelight.survey import gather_words, inspect_survey, join_lamps, join_qualities

SIZE_MM = (420.0, 150.0)
MM_PER_PX = 0.2
MARKS_MM = {4: (25.0, 25.0), 5: (25.0, 125.0), 6: (395.0, 25.0), 7: (395.0, 125.0)}
SIDE_MM, PAPER_MM = 24.0, 33.0
LAMP = Lamp(270.0, 15.0, basis="said")


@pytest.fixture(scope="module")
def slab():
    """A face of 420 x 150 mm with pits, and four marks near its ends."""
    recipe = choose_recipe("worn", size_mm=SIZE_MM, mm_per_px=MM_PER_PX, pits_per_m2=3000)
    made = make_slab(recipe, seed=12)
    for mark_id, (x_mm, y_mm) in MARKS_MM.items():
        square = np.full((132, 132), 0.8, np.float32)
        cells = np.where(np.kron(draw_cells(mark_id), np.ones((16, 16), bool)), 0.8, 0.03)
        square[18:114, 18:114] = cells
        corner = (x_mm - PAPER_MM / 2, y_mm - PAPER_MM / 2)
        made = lay_print(made, square, *corner, size_mm=(PAPER_MM, PAPER_MM), thickness_mm=0.05)
    return made


def take_photos(slab, folder, lights, *, names="abc"):
    """Return the files of photos from left to right, each under its own light."""
    rng = np.random.default_rng(4)
    paths = []
    for k, (name, radiance) in enumerate(zip(names, lights, strict=True)):
        camera = Camera(
            slab_size_mm=SIZE_MM, slab_mm_per_px=MM_PER_PX, mm_per_px=0.2, size_px=(1000, 900),
            aim_mm=(95 + 115 * k, 75), tilt_deg=abs(rng.normal(0, 5)), k1=-0.03, distance_mm=500,
            tilt_from_deg=rng.uniform(0, 360), turn_deg=rng.normal(0, 3), defocus_px=0.5,
        )  # fmt: skip
        path = folder / f"{name}.jpg"
        Image.fromarray(photograph(radiance, camera, seed=k)).save(path, quality=93)
        paths.append(path)
    return paths


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with marks.toml."""
    path = tmp_path_factory.mktemp("top")
    lines = [f'slab = "{SIZE_MM[0]:g}x{SIZE_MM[1]:g}"']
    for key, (x_mm, y_mm) in MARKS_MM.items():
        lines += [
            "[[mark]]",
            f"id = {key}",
            f"side_mm = {SIDE_MM}",
            f"x_mm = {x_mm}",
            f"y_mm = {y_mm}",
        ]
    (path / "marks.toml").write_text("\n".join(lines))
    return path


@pytest.fixture(scope="module")
def from_left(slab):
    """The face lit from the left at 15 degrees."""
    return light_slab(slab, MadeUpLamp(270.0, 15.0), ambient=0.1)


@pytest.fixture(scope="module")
def photos(slab, from_left, folder):
    """Three overlapping photos."""
    return take_photos(slab, folder, [from_left] * 3)


@pytest.fixture(scope="module")
def survey(photos, folder):
    """The three photos inspected, and what was said on the way."""
    steps = []
    given = Given(marks=folder / "marks.toml", lamp=LAMP)
    return inspect_survey(photos, given, progress=steps.append), steps


def list_open(slab, least_mm):
    """Return the true pits that are open, at least so large and wholly on the face."""
    pits = slab.pits[(slab.pits.diameter_mm >= least_mm) & (slab.pits.state == "open")]
    papers = np.array(list(MARKS_MM.values()))
    away = np.abs(pits[["x_mm", "y_mm"]].to_numpy()[:, None] - papers).max(axis=2).min(axis=1)
    return pits[away > PAPER_MM / 2 + 4]


def test_every_pit_has_its_place_once(survey, slab):
    """Of the true pits of 1.5 mm and more at least 97 % lie within 1 mm of a row; none has two."""
    truth = list_open(slab, 1.5)
    found = survey[0].pits[["x_mm", "y_mm"]].to_numpy()
    places = truth[["x_mm", "y_mm"]].to_numpy()
    gap, _ = cKDTree(found).query(places)
    assert len(truth) > 60
    assert np.mean(gap < 1.0) >= 0.97
    # Rows nearer than a millimetre would be one pit counted twice: no true pits lie that close.
    assert 0 == len(cKDTree(found).query_pairs(1.0))
    seam = np.abs(places[:, 0, None] - (152.5, 267.5)).min(axis=1) < 12
    assert seam.sum() > 5
    assert np.mean(gap[seam] < 1.0) >= np.mean(gap[~seam] < 1.0) - 0.05


def test_record_lists_every_photo(survey, photos):
    """Each photo stands in the record with its checksum, verdict and lamp; pits are numbered from 1."""
    inspection = survey[0]
    assert [path.name for path in photos] == [photo["name"] for photo in inspection.photos]
    assert all(photo["is_placed"] and len(photo["sha256"]) == 64 for photo in inspection.photos)
    assert {"good", "doubtful", "retake"} >= {photo["verdict"] for photo in inspection.photos}
    assert [270.0] * 3 == [photo["lamp"]["from_deg"] for photo in inspection.photos]
    assert list(range(1, len(inspection.pits) + 1)) == inspection.pits.pit_id.tolist()
    assert len(inspection.pits) == len(inspection.outlines_mm) == len(inspection.evidence)
    assert inspection.face.size_mm == pytest.approx(SIZE_MM, abs=0.2)
    assert inspection.lamp.from_deg == pytest.approx(270.0)


def test_person_waiting_is_told_photo_by_photo(survey):
    """Reading, drawing and searching are told for each photo."""
    steps = survey[1]
    for word in ("reading photo 3 of 3", "drawing photo 2 of 3", "photo 1 of 3: finding pits"):
        assert any(step.startswith(word) for step in steps)


def test_edges_count_where_they_are_known(survey):
    """The plan gives the slab's size, so pits within 10 mm of its rim are flagged, others are not."""
    pits = survey[0].pits
    rim = np.minimum.reduce([pits.x_mm, pits.y_mm, SIZE_MM[0] - pits.x_mm, SIZE_MM[1] - pits.y_mm])
    assert pits.near_edge[rim < 9].all()
    assert not pits.near_edge[rim - pits.diameter_mm > 11].any()


def test_one_photo_goes_the_way_of_one(photos, folder):
    """With one photo the answer is that of `inspect_photo`."""
    given = Given(marks=folder / "marks.toml", lamp=LAMP)
    one, other = inspect_photo(photos[0], given), inspect_survey(photos[:1], given)
    np.testing.assert_array_equal(one.pits.x_mm, other.pits.x_mm)
    # What the photo does not show is not face: the other two thirds of the slab.
    assert one.face.seen_mm2 < 0.55 * SIZE_MM[0] * SIZE_MM[1]


def test_a_lamp_moved_to_the_other_side_is_named(slab, from_left, folder, tmp_path):
    """Of three photos the last is lit from the right: the doubt names that photo and no other."""
    from_right = light_slab(slab, MadeUpLamp(90.0, 15.0), ambient=0.1)
    paths = take_photos(slab, tmp_path, [from_left, from_left, from_right], names="pqr")
    given = Given(marks=folder / "marks.toml", lamp=LAMP)
    inspection = inspect_survey(paths, given)
    assert inspection.lamp.flags & flag_bit("lamp_side_contradicted")
    doubts = [words for words in inspection.warnings if "look lit" in words]
    assert ["r.jpg"] == [words.split(":")[0] for words in doubts]


def test_stray_photo_is_listed_and_left_out(photos, folder, tmp_path):
    """A photo of something else stands in the record as not placed, and the warnings name it."""
    noise = np.random.default_rng(0).integers(0, 255, (90, 100, 3)).astype(np.uint8)
    Image.fromarray(noise).resize((1000, 900)).save(tmp_path / "stray.jpg")
    given = Given(marks=folder / "marks.toml", lamp=LAMP)
    inspection = inspect_survey([photos[0], tmp_path / "stray.jpg"], given)
    assert [True, False] == [photo["is_placed"] for photo in inspection.photos]
    assert any("stray.jpg" in words for words in inspection.warnings)


def test_soft_light_photo_of_the_whole_top_is_read(slab, photos, folder, tmp_path):
    """One soft-light photo that shows the marks gives the tone of the joined face."""
    camera = Camera(
        slab_size_mm=SIZE_MM, slab_mm_per_px=MM_PER_PX, mm_per_px=0.35, size_px=(1300, 560)
    )
    Image.fromarray(photograph(soft_light(slab), camera, seed=1)).save(
        tmp_path / "soft.jpg", quality=95
    )
    given = Given(marks=folder / "marks.toml", lamp=LAMP, soft_light=tmp_path / "soft.jpg")
    inspection = inspect_survey(photos[:2], given)
    assert len(inspection.colour.table) > 10


def test_openings_are_no_face(photos, folder, survey):
    """What lies in an opening is neither seen nor counted; pits at its edge are flagged; zones name pits."""
    opening = {
        "name": "sink",
        "kind": "opening",
        "x_mm": 120,
        "y_mm": 40,
        "width_mm": 80,
        "height_mm": 60,
    }
    pour = {"name": "A", "kind": "pour", "x_mm": 0, "y_mm": 0, "width_mm": 210, "height_mm": 150}
    given = Given(marks=folder / "marks.toml", lamp=LAMP, zones=(opening, pour))
    inspection = inspect_survey(photos, given)
    pits = inspection.pits
    hidden_mm2 = survey[0].face.seen_mm2 - inspection.face.seen_mm2
    assert 80 * 60 == pytest.approx(hidden_mm2, rel=0.02)
    inside = pits.x_mm.between(120, 200) & pits.y_mm.between(40, 100)
    assert not inside.any()
    at_rim = pits.x_mm.between(111, 209) & pits.y_mm.between(31, 109)
    assert pits.near_edge[at_rim].all()
    assert {"A"} == set(pits.zone[pits.x_mm < 205])
    assert {""} == set(pits.zone[pits.x_mm > 215])


@pytest.mark.parametrize(
    "way",
    [
        {"mm_per_px": 0.2},
        {"corners_px": [(0, 0), (9, 0), (9, 9), (0, 9)], "slab_mm": (90, 90)},
        {"length_px": [(0, 0), (9, 9)], "length_mm": 3.0},
    ],
)
def test_scales_of_one_photo_are_refused(photos, way):
    """A scale that holds for one photo only is one sentence."""
    with pytest.raises(ScaleError, match="Several photos"):
        inspect_survey(photos, Given(**way))


def test_other_lamps_go_with_one_photo(photos, folder):
    """Overlapping photos and photos of one view under several lamps are kept apart."""
    given = Given(marks=folder / "marks.toml", lamp=LAMP, other_lamps=((photos[2], Lamp(90.0)),))
    with pytest.raises(LampError, match="one photo of the whole face"):
        inspect_survey(photos[:2], given)


def test_command_takes_several_photos(photos, folder, tmp_path):
    """One command gives one folder whose summary lists all photos."""
    (tmp_path / "zones.toml").write_text(
        '[[opening]]\nname = "tap"\nx_mm = 210\ny_mm = 75\ndiameter_mm = 30\n'
    )
    with pytest.raises(SystemExit) as ended:
        main(
            [
                "inspect", *map(str, photos), "--marks", str(folder / "marks.toml"),
                "--lamp-from", "270", "--lamp-angle", "15", "--zones", str(tmp_path / "zones.toml"),
                "--out", str(tmp_path / "out"), "--map-tiles", str(tmp_path / "tiles"),
            ]
        )  # fmt: skip
    assert ended.value.code in (0, 3)
    assert {"map.dzi", "map_files"} == {path.name for path in (tmp_path / "tiles").iterdir()}
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert [path.name for path in photos] == [photo["name"] for photo in summary["photos"]]
    shapes = json.loads((tmp_path / "out" / "zones.geojson").read_text())["features"]
    assert any(shape["properties"].get("name") == "tap" for shape in shapes)


def make_quality(verdict, countable_mm, advice=(), **checks):
    """Return a verdict on a photo."""
    return Quality(verdict, advice, 1.0, 0.01, 0.0, 0.0, countable_mm, checks)


def test_worst_photo_decides():
    """The verdict and the smallest countable size are the worst photo's; the advice names photos."""
    joined = join_qualities(
        [
            make_quality("good", 0.8),
            make_quality("retake", 1.9, ("Blur 3.1 px.",), complaint_blurred=2.0),
            make_quality("doubtful", 1.1, ("Blur 1.5 px.",), complaint_blurred=1.0),
        ],
        ["a", "b", "c"],
    )
    assert ("retake", 1.9) == (joined.verdict, joined.smallest_countable_mm)
    assert ("b, c: Blur 3.1 px.",) == joined.advice
    assert 2.0 == joined.checks["complaint_blurred"]


def test_lamps_that_differ_leave_the_side_open():
    """Photos that agree give the side, also across north; photos that do not leave it unknown."""
    near = [Lamp(355.0, 15.0, basis="post"), Lamp(5.0, 16.0, basis="post")]
    joined = join_lamps(near, ["a", "b"], Lamp())
    assert abs((joined.from_deg + 180) % 360 - 180) < 0.1
    assert 15.5 == pytest.approx(joined.angle_deg)
    apart = [Lamp(270.0, 15.0), Lamp(90.0, 25.0)]
    joined = join_lamps(apart, ["a", "b"], Lamp())
    assert np.isnan(joined.from_deg) and np.isnan(joined.angle_deg)


def test_many_names_are_cut_short():
    """Sentences alike but for their numbers are said once; more than four names are counted."""
    said = [("Tilted by 12 degrees.",)] * 6 + [()]
    assert ("a, b, c, d and 2 more: Tilted by 12 degrees.",) == gather_words(said, "abcdefg")
    assert ("All photos: x.",) == gather_words([("x.",)] * 2, ["a", "b"])


def test_a_map_on_disk_gives_the_same_answer(survey, photos, folder, monkeypatch):
    """A survey whose joined map lies in files finds the very pits of one in memory, on the same map."""
    monkeypatch.setattr("rakelight.survey.FILES_FROM_PX", 1)
    on_disk = inspect_survey(photos, Given(marks=folder / "marks.toml", lamp=LAMP))
    assert isinstance(on_disk.face.rgb, np.memmap)
    pd.testing.assert_frame_equal(survey[0].pits, on_disk.pits)
    np.testing.assert_array_equal(survey[0].face.rgb, on_disk.face.rgb)
