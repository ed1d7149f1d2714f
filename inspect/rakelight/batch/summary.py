"""The one table of a batch, as CSV and Parquet: a row per photo, whatever became of it."""

import io
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from ..core.errors import SettingsError
from ..core.records import BATCH_COLUMNS, TREND_COLUMNS, Column, make_table
from ..core.tables import write_csv, write_whole
from .manifest import COLUMNS, parse_day
from .run import Row

NUMBER_MAX = 1e15
_FROM_ITEM = tuple(title for title in COLUMNS if title != "soft_light")


def make_summary(rows: Sequence[Row]) -> pd.DataFrame:
    """Return one row (BATCH_COLUMNS) per photo in the order of the manifest.

    A photo measured in an earlier run stands as it was measured then, so that a batch stopped
    and started again ends with the table of one that was never stopped.
    """
    values: dict[str, list] = {column.name: [] for column in BATCH_COLUMNS}
    for row in rows:
        known = {title: getattr(row.item, title) for title in _FROM_ITEM} | row.figures
        known |= {"state": row.state, "sentence": row.sentence}
        known["day"] = row.item.day or _read_day(row.figures.get("camera_day"))
        for column in BATCH_COLUMNS:
            values[column.name].append(_fit(known.get(column.name), column))
    return make_table(BATCH_COLUMNS, values)


def write_tables(summary: pd.DataFrame, trends: pd.DataFrame, out: Path) -> list[Path]:
    """Write summary and trends as CSV and, where pyarrow is there, as Parquet; return the paths."""
    written = []
    for name, table, columns in (
        ("summary", summary, BATCH_COLUMNS),
        ("trends", trends, TREND_COLUMNS),
    ):
        written.append(write_csv(table, columns, out / f"{name}.csv"))
        parquet = _pack_parquet(table)
        if parquet is not None:
            written.append(write_whole(out / f"{name}.parquet", parquet))
    return written


def _pack_parquet(table: pd.DataFrame) -> bytes | None:
    try:
        import pyarrow  # noqa: F401  comes with streamlit; a worker may do without
    except ImportError:
        return None
    content = io.BytesIO()
    table.to_parquet(content, engine="pyarrow", index=False)
    return content.getvalue()


def _read_day(text: object) -> str:
    """The camera's day as it was noted; nothing when the note is no day."""
    try:
        return text if isinstance(text, str) and parse_day(text) else ""
    except SettingsError:
        return ""


def _fit(value: object, column: Column) -> object:
    """The value as its column holds it; what is missing or of a wrong kind is blank."""
    blank = {"float64": float("nan"), "Int64": pd.NA}.get(column.dtype, "")
    if value is None:
        return blank
    if column.dtype == "str":
        return str(value)
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not is_number or not abs(value) < NUMBER_MAX:
        return blank
    return int(value) if column.dtype == "Int64" else float(value)
