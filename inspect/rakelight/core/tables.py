"""Records on disk: how a table is written as CSV and read back, and what one inspection holds.

This stands in core because four folders need the same words: report writes these files,
compare, the log and the screens read them, and none of these may import another.
"""

import contextlib
import csv
import io
import json
import math
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from .checks import say_write_trouble
from .errors import OutputError
from .records import (
    COLOUR_COLUMNS,
    MARK_COLUMNS,
    PIT_COLUMNS,
    PLAN_COLUMNS,
    SCHEMA,
    Column,
)

INSPECTION_FILES: tuple[str, ...] = (
    "summary.json",
    "pits.csv",
    "marks.csv",
    "colour.csv",
    "plan.csv",
    "zones.geojson",
    "map.png",
    "heat.png",
    "work_sheet.pdf",
    "report.pdf",
)

RECORD_FILE = "record.zip"
"""Beside those: the whole record with the face's pixels, for comparing and for the job log."""

_TABLES = (
    ("pits", PIT_COLUMNS),
    ("marks", MARK_COLUMNS),
    ("colour", COLOUR_COLUMNS),
    ("plan", PLAN_COLUMNS),
)
# A spreadsheet runs a cell that starts like this as a formula; the apostrophe itself is
# doubled, so that reading gives back exactly what was written.
_RISKY_STARTS = ("=", "+", "-", "@", "\t", "\n", "'")
_DECIMALS_BY_UNIT = {"mm": 2, "mm2": 3, "mm3": 3, "1/m2": 1, "min": 1, "g": 1}
_DECIMALS_BY_NAME = {
    "diameter_sd_mm": 3,
    "area_share": 6,
    "confidence": 3,
    "cost": 2,
    "L": 2,
    "a": 2,
    "b": 2,
    "tone_dE00": 2,
}
_DECIMALS_OTHERWISE = 4


@dataclass(frozen=True, slots=True)
class InspectionTables:
    """What one inspection folder holds for other programs: the summary and its four tables."""

    folder: Path
    summary: dict[str, Any]
    pits: pd.DataFrame
    marks: pd.DataFrame
    colour: pd.DataFrame
    plan: pd.DataFrame


def countable(pits: pd.DataFrame) -> pd.Series:
    """Return which pits count: those not flagged as below the smallest countable size."""
    return ~pits["flags"].str.contains("below_countable", regex=False)


def format_csv(table: pd.DataFrame, columns: tuple[Column, ...]) -> str:
    """Return a table as CSV text with exactly the declared columns, in their order.

    Parameters
    ----------
    table : DataFrame
        Holds every declared column; other columns are left out.
    columns : tuple of Column
        As declared in `core.records`; name and unit decide the decimals.

    Returns
    -------
    str
        Lines end with a line feed; NaN is an empty cell; truth values are True and False.
        Text that a spreadsheet would run as a formula starts with an apostrophe.

    Errors of the answer: rounding to 0.005 mm in places and sizes, below any pixel.
    Source: our choice.
    """
    cells = [_format_column(table[column.name], column) for column in columns]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([column.name for column in columns])
    writer.writerows(zip(*cells, strict=True))
    return text.getvalue()


def write_csv(table: pd.DataFrame, columns: tuple[Column, ...], path: str | Path) -> Path:
    """Write a table whole: a killed run leaves the old file or the new one, and return its path."""
    return write_whole(Path(path), format_csv(table, columns).encode())


def write_whole(path: Path, data: bytes) -> Path:
    """Write a file so that a killed run leaves the old one or the new one, and return its path."""
    draft = path.with_name(f".{path.name[:40]}.{secrets.token_hex(6)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with draft.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(draft, path)
    except OSError as trouble:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)
        raise OutputError(say_write_trouble(trouble, path)) from None
    return path


def parse_csv(path: str | Path, columns: tuple[Column, ...]) -> pd.DataFrame:
    """Return the table of a CSV file with the declared columns and dtypes.

    Raises
    ------
    OutputError
        One sentence that names the file and the first column or cell that is wrong.
    """
    path = Path(path)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            text = file.read()
    except (OSError, UnicodeDecodeError):
        raise OutputError(f"{path.name} cannot be read as a table; make it again.") from None
    return parse_csv_text(text, columns, name=path.name)


def parse_csv_text(text: str, columns: tuple[Column, ...], *, name: str) -> pd.DataFrame:
    """Return the table of CSV text, as `parse_csv`; `name` is what errors call the text."""
    header, rows = _read_rows(text, name)
    missing = [column.name for column in columns if column.name not in header]
    if missing:
        raise OutputError(
            f"{name} has no column {missing[0]!r}; make the file again with rakelight."
        )
    places = {title: place for place, title in enumerate(header)}
    return pd.DataFrame(
        {
            column.name: _parse_column([row[places[column.name]] for row in rows], column, name)
            for column in columns
        }
    )


def read_inspection_tables(folder: str | Path) -> InspectionTables:
    """Return the summary and the tables of one inspection folder, checked.

    Raises
    ------
    OutputError
        When the folder is missing, is not an inspection, was made by a newer version or
        holds a damaged file; one sentence says which.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise OutputError(f"There is no folder {folder}; name a folder that rakelight wrote.")
    tables = {}
    summary = _read_summary(folder)
    for name, columns in _TABLES:
        path = folder / f"{name}.csv"
        if not path.is_file():
            raise OutputError(f"{folder} has no {path.name}; inspect the photo again.")
        tables[name] = parse_csv(path, columns)
    return InspectionTables(folder=folder, summary=summary, **tables)


def to_plain(value: Any) -> Any:
    """Return a value as plain JSON knows it: NaN and infinity become None, arrays lists."""
    if value is None or isinstance(value, (str, bool)):
        return value
    if isinstance(value, (np.bool_,)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): to_plain(entry) for key, entry in value.items()}
    return _collection_to_plain(value)


def _collection_to_plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return [to_plain(entry) for entry in value.tolist()]
    if isinstance(value, (list, tuple, set, frozenset)):
        return [to_plain(entry) for entry in value]
    if isinstance(value, pd.DataFrame):
        return [to_plain(row) for row in value.to_dict("records")]
    return None if value is pd.NA else str(value)


def _format_column(values: pd.Series, column: Column) -> list[str]:
    if column.dtype == "float64":
        decimals = _DECIMALS_BY_NAME.get(
            column.name, _DECIMALS_BY_UNIT.get(column.unit, _DECIMALS_OTHERWISE)
        )
        # Adding zero turns the -0.0 that rounding leaves into 0.0.
        rounded = np.round(values.to_numpy(float), decimals) + 0.0
        return [f"{number:.{decimals}f}" if math.isfinite(number) else "" for number in rounded]
    if column.dtype in ("int64", "Int64"):
        return ["" if pd.isna(number) else str(int(number)) for number in values]
    if column.dtype == "bool":
        return [str(bool(truth)) for truth in values]
    return [_disarm_text(text) for text in values]


def _disarm_text(text: Any) -> str:
    text = "" if pd.isna(text) else str(text).replace("\r", " ")  # a bare CR breaks CSV readers
    return f"'{text}" if text.startswith(_RISKY_STARTS) else text


def _rearm_text(text: str) -> str:
    return text[1:] if text.startswith("'") else text


def _read_rows(text: str, name: str) -> tuple[list[str], list[list[str]]]:
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error:
        raise OutputError(f"{name} cannot be read as a table; make it again.") from None
    if not rows:
        raise OutputError(f"{name} is empty; make it again with rakelight.")
    for number, row in enumerate(rows[1:], start=2):
        if len(row) != len(rows[0]):
            raise OutputError(f"Line {number} of {name} is cut or damaged; make it again.")
    return rows[0], rows[1:]


def _parse_column(cells: list[str], column: Column, name: str) -> pd.Series:
    try:
        values = [_parse_cell(cell, column.dtype) for cell in cells]
        return pd.Series(values, dtype=column.dtype)
    except (ValueError, TypeError, OverflowError, KeyError):
        raise OutputError(
            f"Column {column.name!r} of {name} holds something that is not "
            f"{_describe_dtype(column.dtype)}; mend that cell or make the file again."
        ) from None


def _parse_cell(cell: str, dtype: str) -> Any:
    if dtype == "float64":
        return float(cell) if cell else math.nan
    if dtype == "int64":
        return int(cell)
    if dtype == "Int64":
        return int(cell) if cell else pd.NA
    if dtype == "bool":
        return {"true": True, "false": False}[cell.lower()]
    return _rearm_text(cell)


def _describe_dtype(dtype: str) -> str:
    return {"float64": "a number", "bool": "True or False", "str": "text"}.get(
        dtype, "a whole number"
    )


def _read_summary(folder: Path) -> dict[str, Any]:
    path = folder / "summary.json"
    if not path.is_file():
        raise OutputError(f"{folder} is not an inspection: it has no summary.json.")
    try:
        summary = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        raise OutputError(f"{path} is damaged; inspect the photo again.") from None
    if not isinstance(summary, dict) or not isinstance(summary.get("schema"), int):
        raise OutputError(f"{path} is not a summary of rakelight; name another folder.")
    if summary["schema"] > SCHEMA:
        raise OutputError(f"{folder} was written by a newer rakelight; update and try again.")
    return summary
