"""The record beside the files: whole, without the person's whereabouts, and refused when damaged."""

import dataclasses
import zipfile

import numpy as np
import pytest

from rakelight.core import codec
from rakelight.core.errors import OutputError
from rakelight.report.record import read_record, write_record


def test_record_comes_back_whole(bench, tmp_path):
    """Tables and words are the same to the decimals of a CSV, the face to what JPEG leaves."""
    write_record(bench, tmp_path)
    back = read_record(tmp_path)
    assert list(bench.pits["pit_id"]) == list(back.pits["pit_id"])
    # Two decimals of a mm in the table.
    assert np.allclose(bench.pits["diameter_mm"], back.pits["diameter_mm"], atol=0.005)
    assert bench.grade.grades == back.grade.grades
    assert bench.scale.size_mm == back.scale.size_mm
    assert bench.face.mm_per_px == back.face.mm_per_px
    assert np.array_equal(bench.face.seen, back.face.seen)
    gap = np.abs(bench.face.rgb.astype(int) - back.face.rgb.astype(int))
    # Quality 90 without coarser colour: a few levels of 255 on a grained face.
    assert gap.mean() < 4


def test_record_tells_at_what_size_the_photo_was_read(bench, tmp_path):
    """A face read at half its photo's size still says so when its record is read back."""
    half = dataclasses.replace(bench, face=dataclasses.replace(bench.face, shrink=2))
    write_record(half, tmp_path)
    assert 2 == read_record(tmp_path).face.shrink


def test_same_record_is_the_same_file(bench, tmp_path):
    """Two runs write the same bytes."""
    (tmp_path / "b").mkdir()
    first = write_record(bench, tmp_path).read_bytes()
    assert first == write_record(bench, tmp_path / "b").read_bytes()


def test_whereabouts_stay_at_home(bench, tmp_path):
    """Position and serial numbers of the photo are not in the record; its day is."""
    exif = {
        "GPSInfo": {"1": "N"},
        "BodySerialNumber": "77",
        "DateTimeOriginal": "2026:11:25 07:30:00",
    }
    photo = {"name": "a.jpg", "sha256": "0" * 64, "exif": exif}
    write_record(dataclasses.replace(bench, photos=(photo,)), tmp_path)
    assert {"DateTimeOriginal": exif["DateTimeOriginal"]} == read_record(tmp_path).photos[0]["exif"]


def test_large_face_is_kept_coarser(bench, tmp_path, monkeypatch):
    """Beyond the limit k by k pixels become one, which the face tells, and a place on the slab stays where it was."""
    rows, cols = bench.face.seen.shape
    monkeypatch.setattr(codec, "FACE_PX_MAX", rows * cols // 3)
    write_record(bench, tmp_path)
    face = read_record(tmp_path).face
    assert (rows // 2, cols // 2) == face.seen.shape == face.rgb.shape[:2]
    assert 2 * bench.face.mm_per_px == face.mm_per_px
    assert 2 * bench.face.shrink == face.shrink
    # What was cut off at the far edges is less than one new pixel.
    assert bench.face.seen_mm2 == pytest.approx(face.seen_mm2, rel=2 / min(face.seen.shape) + 0.01)


@pytest.fixture
def folder(bench, tmp_path):
    """A folder with one record."""
    write_record(bench, tmp_path)
    return tmp_path


@pytest.mark.parametrize("cut", [0, 10, 0.5, 0.99])
def test_cut_record_is_refused(folder, cut):
    """A file that was cut anywhere is one sentence."""
    path = folder / "record.zip"
    data = path.read_bytes()
    path.write_bytes(data[: int(cut if cut > 1 else cut * len(data))])
    with pytest.raises(OutputError, match="damaged; inspect the photo again"):
        read_record(folder)


@pytest.mark.parametrize("name", ["../pits.csv", "/etc/pits.csv", "a/b.csv", "run.sh"])
def test_strange_names_are_refused(folder, name):
    """Nothing but the sheets of a record is read."""
    with zipfile.ZipFile(folder / "record.zip", "a") as file:
        file.writestr(name, "x")
    with pytest.raises(OutputError, match="damaged"):
        read_record(folder)


def test_swollen_record_is_refused(folder, monkeypatch):
    """A sheet that unpacks to more than any of ours is not read to its end."""
    monkeypatch.setattr(codec, "SHEET_BYTES_MAX", 2000)
    with pytest.raises(OutputError, match="damaged"):
        read_record(folder)


def test_newer_record_is_refused(bench, tmp_path):
    """A record of a later version asks for the update."""
    write_record(dataclasses.replace(bench, schema=999), tmp_path)
    with pytest.raises(OutputError, match="newer rakelight"):
        read_record(tmp_path)


def test_folder_without_record_says_what_to_do(tmp_path):
    """Missing folder, other folder and a folder of an older version are told apart."""
    with pytest.raises(OutputError, match="There is no folder"):
        read_record(tmp_path / "none")
    with pytest.raises(OutputError, match="is no inspection"):
        read_record(tmp_path)
    (tmp_path / "summary.json").write_text("{}")
    with pytest.raises(OutputError, match="before records were kept"):
        read_record(tmp_path)
