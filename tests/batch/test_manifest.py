"""What a person writes into a manifest, and what a folder says by itself."""

import datetime
import math

import pytest

from rakelight.batch.manifest import (
    BatchItem,
    list_items,
    parse_day,
    parse_lamp,
    parse_scale,
    read_manifest,
)
from rakelight.batch.storage import join_place, split_place
from rakelight.core.errors import RakelightError, SettingsError


def write(folder, text, name="plant.csv"):
    """Return the path of a manifest with this text."""
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return str(path)


def test_every_column_is_read(tmp_path):
    """A full row comes out as it was written, the photos seen from the manifest's folder."""
    where = write(
        tmp_path,
        "photo,job,slab,stage,scale,lamp,mix,mould,day,soft_light\n"
        "a b.jpg,Bench,A,after demold,0.165,270 15,M1,7,2026-11-25,soft.jpg\n",
    )
    expected = BatchItem(
        str(tmp_path / "a b.jpg"), "Bench", "A", "after demold", "0.165", "270 15", "M1", "7", "2026-11-25",
        str(tmp_path / "soft.jpg"),
    )  # fmt: skip
    assert [expected] == read_manifest(where)


def test_spreadsheets_of_other_countries_are_read(tmp_path):
    """Semicolons, a decimal comma and the mark that some spreadsheets write first change nothing."""
    where = write(tmp_path, "\ufeffphoto;scale;lamp\r\nx.jpg;0,165;270 15\r\n\r\n")
    (item,) = read_manifest(where)
    assert "" == item.trouble
    assert {"mm_per_px": 0.165} == parse_scale(item.scale)


def test_what_was_said_for_all_fills_empty_cells(tmp_path):
    """A cell that says something wins over the option, an empty one takes it."""
    where = write(tmp_path, "photo,scale\nx.jpg,0.2\ny.jpg,\n")
    items = read_manifest(where, said=BatchItem("", job="J", scale="0.165"))
    assert ["0.2", "0.165"] == [item.scale for item in items]
    assert [("J", "x"), ("J", "y")] == [(item.job, item.slab) for item in items]


@pytest.mark.parametrize(
    "row",
    [
        ",J", "x.jpg", "x.jpg,J,extra", "x\x07.jpg,J", "x.jpg," + "n" * 300, "x.jpg," + "n" * 3000,
    ],
)  # fmt: skip
def test_a_bad_row_keeps_its_sentence_and_stops_nothing(tmp_path, row):
    """The rows before and after a bad one are as good as ever."""
    items = read_manifest(write(tmp_path, f"photo,job\na.jpg,J\n{row}\nb.jpg,J\n"))
    assert [False, True, False] == [bool(item.trouble) for item in items]
    assert items[1].trouble.endswith((".", "?"))


@pytest.mark.parametrize(
    "text",
    [
        b"", b"\n\n", b"file,job\nx,y\n", b"photo,photo\nx,y\n", b"photo,nonsense\nx,y\n",
        b"photo\n", b"\xff\xfe\x00", b'photo\n"x', b"\x00\x01\x02",
    ],
)  # fmt: skip
def test_what_is_no_manifest_is_one_sentence(tmp_path, text):
    """Empty, of another table, not UTF-8, cut: one sentence."""
    with pytest.raises(SettingsError, match=r"[^.]\.$"):
        read_manifest(write(tmp_path, text))


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("", {}),
        ("card", {}),
        ("0.165", {"mm_per_px": 0.165}),
        ("marks bench/marks.toml", {"marks": "bench/marks.toml"}),
        (
            "366,434 2937,299 3312,2227 195,2391 600x450",
            {"corners_px": ((366, 434), (2937, 299), (3312, 2227), (195, 2391)), "slab_mm": (600, 450)},
        ),
    ],
)  # fmt: skip
def test_scale_words(words, expected):
    """Each way to give the scale becomes what the inspection takes."""
    assert expected == parse_scale(words)


@pytest.mark.parametrize(
    "words", ["nan", "-1", "wide", "1,2 3,4", "1,2 3,4 5,6 7,8", "1,2 3,4 5,6 7,8 big", "inf"]
)
def test_wrong_scale_words_are_one_sentence(words):
    """Nothing that is no scale passes."""
    with pytest.raises(RakelightError, match=r"\.$"):
        parse_scale(words)


def test_lamp_and_day_words():
    """Side, side and angle, place; a day as ISO writes it."""
    assert not parse_lamp("").is_side_known
    side, angle, place = (parse_lamp(words) for words in ("270", "-90 15", "at 10,-20,300"))
    assert (270.0, True) == (side.from_deg, math.isnan(side.angle_deg))
    assert (270.0, 15.0) == (angle.from_deg, angle.angle_deg)
    assert (10.0, -20.0, 300.0) == place.at_mm
    assert (270.0, 15.0) == (parse_lamp("left 15").from_deg, parse_lamp("left 15").angle_deg)
    assert datetime.date(2026, 11, 25) == parse_day("2026-11-25")
    for wrong in ("1 2 3", "north", "at 1,2", "400", "270 95", "at 1,2,-3"):
        with pytest.raises(RakelightError, match=r"\.$"):
            parse_lamp(wrong)
    for wrong in ("25.11.2026", "2026-13-01", "0001-01-01", "now"):
        with pytest.raises(SettingsError):
            parse_day(wrong)


def test_a_folder_per_slab(tmp_path):
    """The folder above a photo names the slab; hidden files, other files and soft light stay aside."""
    for name in ("A/1.JPG", "A/soft_light.jpg", "B/2.png", "3.tif", "B/.4.jpg", "B/notes.txt"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    items = list_items(str(tmp_path))
    assert [("3", "3.tif"), ("A", "1.JPG"), ("B", "2.png")] == [
        (item.slab, split_place(item.photo)[1]) for item in items
    ]
    assert {tmp_path.name} == {item.job for item in items}


def test_results_inside_the_folder_are_no_photos(tmp_path, monkeypatch):
    """The pictures of a batch and of an inspection among the photos stay aside; `.` has a name."""
    made = ("batch/trends.csv", "batch/trends.png", "A/out/summary.json", "A/out/map.png")
    for name in ("A/B/1.jpg", *made):
        (tmp_path / name).parent.mkdir(exist_ok=True, parents=True)
        (tmp_path / name).write_bytes(b"x")
    monkeypatch.chdir(tmp_path)
    (item,) = list_items(".")
    assert ("A/B", tmp_path.name) == (item.slab, item.job)


def test_a_pattern_names_photos(tmp_path):
    """Only what fits the pattern comes, and the slab is the folder after its fixed part."""
    for name in ("A/1.jpg", "B/1.jpg", "B/2.jpg"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    items = list_items(str(tmp_path / "*" / "1.jpg"))
    assert ["A", "B"] == [item.slab for item in items]


def test_an_address_lists_like_a_folder(tmp_path):
    """The same photos behind `memory://` and `file://` give the same slabs."""
    fsspec = pytest.importorskip("fsspec")
    store = fsspec.filesystem("memory")
    for name in ("A/1.jpg", "B/2.jpg"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
        store.pipe(f"/listed/{name}", b"x")
    try:
        wanted = ["A", "B"]
        assert wanted == [item.slab for item in list_items("memory://listed")]
        assert wanted == [item.slab for item in list_items("memory://listed/*/*.jpg")]
        assert wanted == [item.slab for item in list_items(tmp_path.as_uri())]
    finally:
        store.rm("/listed", recursive=True)


@pytest.mark.parametrize(
    "place", ["nowhere", "no*thing", "memory://nothing", "nosuchstore://x", "*.csv"]
)
def test_what_is_not_there_is_one_sentence(place):
    """A missing folder, a pattern or address without photos."""
    with pytest.raises(RakelightError, match=r"\.$"):
        list_items(place)


def test_names_join_as_people_expect():
    """From a folder, from an address; whole paths and addresses stay."""
    assert "s3://b/x/y.jpg" == join_place("s3://b/x", "y.jpg")
    assert "s3://b/z.jpg" == join_place("here", "s3://b/z.jpg")
    assert ("s3://b/x", "y.jpg") == split_place("s3://b/x/y.jpg")
