"""Records as sheets and back."""

import dataclasses
import gzip
import json
import math

import numpy as np
import pandas as pd
import pytest

from rakelight.core import codec
from rakelight.core.errors import LogError
from rakelight.core.records import (
    PIT_COLUMNS,
    ColourReport,
    Comparison,
    FaceMap,
    GradeReport,
    Inspection,
    Lamp,
    Quality,
    RepairPlan,
    Scale,
    make_table,
)


def same(one, other) -> bool:
    """Return whether two values of records are the same, NaN being like NaN and a tuple like a list."""
    if dataclasses.is_dataclass(one):
        return type(one) is type(other) and all(
            same(getattr(one, f.name), getattr(other, f.name)) for f in dataclasses.fields(one)
        )
    if isinstance(one, pd.DataFrame):
        pd.testing.assert_frame_equal(one, other)
        return True
    if isinstance(one, np.ndarray):
        return np.array_equal(one, other, equal_nan=one.dtype.kind == "f")
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(same(v, other[k]) for k, v in one.items())
    if isinstance(one, (tuple, list)):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, float) and math.isnan(one):
        return math.isnan(other)
    return one == other


def test_inspection_comes_back(make_inspection, photo):
    """Every field of an inspection is the same after the way to disk and back."""
    inspection = make_inspection(photo=photo)
    sheets, face = codec.pack_inspection(inspection)
    kept = {name: codec.compress_sheet(data) for name, data in sheets.items()}
    back = codec.unpack_inspection({n: codec.expand_sheet(d) for n, d in kept.items()}, face)
    for field in dataclasses.fields(Inspection):
        if field.name != "face":
            assert same(getattr(inspection, field.name), getattr(back, field.name)), field.name
    assert np.array_equal(inspection.face.seen, back.face.seen)
    assert inspection.face.mm_per_px == back.face.mm_per_px
    # JPEG of pure noise, the worst there is: still within a fifth of the range on average.
    assert np.abs(inspection.face.rgb.astype(int) - back.face.rgb).mean() < 50


def test_empty_inspection_comes_back(make_inspection):
    """No pits, no picture, nothing known: the same empty record comes back."""
    empty = dataclasses.replace(
        make_inspection(n=0),
        face=FaceMap(np.zeros((0, 0, 3), np.uint8), np.zeros((0, 0), bool), 0.5),
        lamp=Lamp(),
        quality=Quality("good", (), math.nan, math.nan, 0, 0),
        scale=Scale("length", 0.5, math.nan, np.full((3, 3), math.nan), (80.0, 40.0)),
        marks=make_inspection().marks[:0],
        grade=GradeReport((), ()),
        colour=ColourReport(make_inspection().colour.table),
        plan=RepairPlan(make_inspection().plan.fields[:0]),
    )
    sheets, face = codec.pack_inspection(empty)
    assert b"" == face
    back = codec.unpack_inspection(sheets, face)
    assert all(
        same(getattr(empty, f.name), getattr(back, f.name)) for f in dataclasses.fields(empty)
    )


def test_comparison_comes_back(make_comparison):
    """A comparison is the same after the way to disk and back."""
    comparison = make_comparison()
    assert same(comparison, codec.unpack_comparison(codec.pack_comparison(comparison)))


def test_sheets_are_open_formats(make_inspection):
    """JSON is JSON without NaN, CSV has a heading, and a formula in a cell is disarmed."""
    sheets, face = codec.pack_inspection(make_inspection())
    assert {"record", "columns"} == set(json.loads(sheets["record.json"]))
    assert b"NaN" not in sheets["record.json"]
    assert sheets["pits.csv"].startswith(b"pit_id,x_mm,y_mm,diameter_mm")
    assert b"'=1+1" in sheets["plan.fields.csv"]
    assert b"\x89PNG" == sheets["seen.png"][:4]
    assert b"\xff\xd8\xff" == face[:3]


def test_fingerprint_knows_the_same_again(make_inspection):
    """Equal results have one fingerprint; one pit moved by a hundredth of a mm has another."""
    sheets = codec.pack_inspection(make_inspection())[0]
    assert codec.fingerprint_sheets(sheets) == codec.fingerprint_sheets(
        codec.pack_inspection(make_inspection())[0]
    )
    moved = make_inspection()
    moved.pits.loc[0, "x_mm"] += 0.01
    assert codec.fingerprint_sheets(sheets) != codec.fingerprint_sheets(
        codec.pack_inspection(moved)[0]
    )


def test_fingerprint_leaves_out_how_long_it_took(make_inspection):
    """Two runs with one result have one fingerprint, however long the planner searched."""
    made = make_inspection()
    marks = set()
    for seconds in (0.1, 0.2):
        plan = dataclasses.replace(made.plan, figures={"seconds": seconds, "minutes": 12.0})
        sheets, _ = codec.pack_inspection(dataclasses.replace(made, plan=plan))
        assert str(seconds) in sheets["record.json"].decode()
        marks.add(codec.fingerprint_sheets(sheets))
    assert 1 == len(marks)


def test_missing_fields_take_their_defaults(make_inspection):
    """A record of an older version, without fields that came later, can be read."""
    sheets = codec.pack_inspection(make_inspection())[0]
    text = json.loads(sheets["record.json"])
    del text["record"]["lamp"]["side_evidence"]
    del text["record"]["limits_of_this_answer"]
    text["record"]["field_of_the_future"] = 7
    sheets["record.json"] = json.dumps(text).encode()
    del sheets["plan.pits.csv"]
    back = codec.unpack_inspection(sheets)
    assert math.isnan(back.lamp.side_evidence)
    assert () == back.limits_of_this_answer
    assert 0 == len(back.plan.pits)


def test_missing_and_foreign_columns(make_inspection):
    """A column that came later is blank, one that was dropped is left behind."""
    sheets = codec.pack_inspection(make_inspection())[0]
    text = json.loads(sheets["record.json"])
    named = [c for c in text["columns"]["pits"] if c[0] != "diameter_sd_mm"]
    text["columns"]["pits"] = [*named, ["old_number", "int64"]]
    lines = sheets["pits.csv"].decode().splitlines()
    sheets["pits.csv"] = "\n".join(
        line.rpartition(",")[0] + (",old_number" if i == 0 else ",3")
        for i, line in enumerate(lines)
    ).encode()
    sheets["record.json"] = json.dumps(text).encode()
    pits = codec.unpack_inspection(sheets).pits
    assert [c.name for c in PIT_COLUMNS] == list(pits.columns)
    assert pits["diameter_sd_mm"].isna().all()


def test_table_that_was_never_declared():
    """A table added to a record later travels by its own column types."""

    @dataclasses.dataclass(frozen=True)
    class Later:
        heap: pd.DataFrame
        number: float = math.nan

    heap = make_table(PIT_COLUMNS[:2], {"pit_id": [1, 2], "x_mm": [0.25, math.nan]})
    sheets = codec.pack_record(Later(heap))
    assert b"pit_id,x_mm" == sheets["heap.csv"].splitlines()[0]


@pytest.mark.parametrize(
    "damage",
    [
        lambda s: s.pop("record.json"),
        lambda s: s.update({"record.json": b"{"}),
        lambda s: s.update({"record.json": b"[1, 2]"}),
        lambda s: s.update({"pits.csv": s["pits.csv"][:-40]}),
        lambda s: s.update({"pits.csv": s["pits.csv"].replace(b"near_edge", b'"')}),
        lambda s: s.update({"seen.png": s["seen.png"][:60]}),
        lambda s: s.update({"record.json": s["record.json"].replace(b'"int64"', b'"i4,f8"')}),
        lambda s: s.update({"record.json": s["record.json"].replace(b'"int64"', b"[]")}),
    ],
)
def test_damage_is_said(make_inspection, damage):
    """A sheet that is missing, cut or nonsense gives one sentence."""
    sheets = codec.pack_inspection(make_inspection())[0]
    damage(sheets)
    with pytest.raises(LogError, match="bring back a copy"):
        codec.unpack_inspection(sheets)


def test_swollen_sheet_is_refused(monkeypatch):
    """A few bytes that unpack to more than any sheet are not unpacked."""
    monkeypatch.setattr(codec, "SHEET_BYTES_MAX", 1000)
    with pytest.raises(LogError, match="larger than any real one"):
        codec.expand_sheet(gzip.compress(b"0" * 5000))
    with pytest.raises(LogError, match="damaged"):
        codec.expand_sheet(b"not gzip")


def test_every_record_of_core_is_covered():
    """Both kinds of whole record can be taken apart: none of their fields is of an unknown make."""
    assert {"face", "pits", "plan"} <= {f.name for f in dataclasses.fields(Inspection)}
    assert "table" in {f.name for f in dataclasses.fields(Comparison)}
