"""Tables on disk: what is written is what is read, and a damaged file says what is wrong."""

import csv
import json
import math

import numpy as np
import pandas as pd
import pytest

from rakelight.core import records, tables
from rakelight.core.errors import OutputError


def make_pits(n: int = 3) -> pd.DataFrame:
    """A pit table with odd values in the odd places."""
    return records.make_table(
        records.PIT_COLUMNS,
        {
            "pit_id": np.arange(1, n + 1),
            "x_mm": np.linspace(0.004, 2399.996, n),
            "y_mm": np.full(n, -0.0001),
            "kind": ["pinhole"] * n,
            "zone": ["NA", "=1+1", "A"][:n],
            "near_edge": [True, False, True][:n],
            "depth_mm": [math.nan] * n,
        },
    )


def test_written_table_reads_back_with_declared_dtypes(tmp_path):
    """Every value comes back, to the printed decimals, with the dtype that core declares."""
    pits = make_pits()
    path = tmp_path / "pits.csv"
    path.write_text(tables.format_csv(pits, records.PIT_COLUMNS), encoding="utf-8")
    back = tables.parse_csv(path, records.PIT_COLUMNS)
    expected = pits.round(2)
    pd.testing.assert_frame_equal(expected, back, atol=0.005, rtol=0)  # 2 decimals


def test_empty_table_keeps_every_column(tmp_path):
    """Nothing found is a header line and a table with no rows, not a missing file."""
    path = tmp_path / "pits.csv"
    path.write_text(
        tables.format_csv(records.make_table(records.PIT_COLUMNS), records.PIT_COLUMNS)
    )
    back = tables.parse_csv(path, records.PIT_COLUMNS)
    assert [column.name for column in records.PIT_COLUMNS] == list(back.columns)
    assert len(back) == 0
    assert str(back["pit_id"].dtype) == "int64"


@pytest.mark.parametrize("text", ["=HYPER(1)", "+1", "-1", "@a", "\t=1", "'quoted", "a\n=2", ""])
def test_formula_text_is_disarmed_on_disk_and_whole_after_reading(tmp_path, text):
    """No cell starts like a formula, and reading gives back the very text."""
    column = (records.Column("zone", "str", "", ""),)
    path = tmp_path / "zones.csv"
    path.write_text(
        tables.format_csv(pd.DataFrame({"zone": [text]}), column), encoding="utf-8", newline=""
    )
    with path.open(newline="") as file:
        cell = list(csv.reader(file))[1:]
    assert not cell or not cell[0] or not cell[0][0].startswith(("=", "+", "-", "@", "\t", "\r"))
    assert [text] == list(tables.parse_csv(path, column)["zone"])


def test_missing_number_is_an_empty_cell_and_no_minus_zero():
    """NaN is written as nothing at all, and a tiny negative number as 0.00."""
    line = tables.format_csv(make_pits(1), records.PIT_COLUMNS).splitlines()[1].split(",")
    assert line[7] == ""
    assert line[2] == "0.00"


@pytest.mark.parametrize(
    ("damage", "word"),
    [
        (lambda text: text.replace("pit_id", "id"), "pit_id"),
        (lambda text: text.replace("0.00", "abc", 1), "x_mm"),
        (lambda text: text[:-30], "cut"),
        (lambda text: "", "empty"),
        (lambda text: text.replace("True", "maybe"), "near_edge"),
    ],
)
def test_damaged_table_is_one_sentence_that_names_the_place(tmp_path, damage, word):
    """A wrong header, a wrong cell or a cut line is named, without a traceback of pandas."""
    path = tmp_path / "pits.csv"
    path.write_text(damage(tables.format_csv(make_pits(), records.PIT_COLUMNS)))
    with pytest.raises(OutputError, match=word) as caught:
        tables.parse_csv(path, records.PIT_COLUMNS)
    assert len(str(caught.value).splitlines()) == 1


def test_plain_values_hold_no_nan():
    """Numbers that are not finite become null, deep inside too, so the JSON is strict."""
    value = {"a": np.float32("nan"), "b": (1, np.int64(2), np.array([1.5, np.inf])), 3: pd.NA}
    plain = tables.to_plain(value)
    assert plain == {"a": None, "b": [1, 2, [1.5, None]], "3": None}
    json.dumps(plain, allow_nan=False)


def test_folder_that_is_not_an_inspection_is_named(tmp_path):
    """A missing folder, a foreign folder and a newer record are told apart."""
    with pytest.raises(OutputError, match="no folder"):
        tables.read_inspection_tables(tmp_path / "nothing")
    with pytest.raises(OutputError, match="no summary"):
        tables.read_inspection_tables(tmp_path)
    (tmp_path / "summary.json").write_text("[1]")
    with pytest.raises(OutputError, match="not a summary"):
        tables.read_inspection_tables(tmp_path)
    (tmp_path / "summary.json").write_text(json.dumps({"schema": records.SCHEMA + 1}))
    with pytest.raises(OutputError, match="newer"):
        tables.read_inspection_tables(tmp_path)
