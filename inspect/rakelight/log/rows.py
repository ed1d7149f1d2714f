"""Rows as plain words and numbers, and back with every type checked."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from ..core.errors import LogError
from .tables import Base, UtcTime

GIVEN = ("id", "uid", "made_at", "deleted_at")
"""Columns that the log fills in by itself."""


def row_values(row: Base) -> dict[str, Any]:
    """Return what stands in a row, as plain words and numbers, without its keys to other rows."""
    values = {}
    for column in list_columns(type(row)):
        value = getattr(row, column.key)
        values[column.key] = value.isoformat() if isinstance(value, datetime) else value
    return values


def list_columns(table: type[Base]) -> list[sa.Column]:
    """Return the columns of a table that say something: not its number, not its keys."""
    columns = sa.inspect(table).columns
    return [c for c in columns if c.key != "id" and not c.foreign_keys]


def check_values(
    table: type[Base], values: Mapping[str, Any], *, is_clearing: bool = False
) -> dict[str, Any]:
    """Return values that a person gave for a row, or a LogError that names the wrong one.

    None means that nothing was said; with `is_clearing` it means that the value is taken away.
    """
    columns = {c.key: c for c in list_columns(table) if c.key not in GIVEN}
    for name, value in values.items():
        if name not in columns:
            known = ", ".join(sorted(columns))
            raise LogError(f"A {table.__tablename__} has no {name!r}; it has {known}.")
        if value is not None or is_clearing:
            try:
                read_value(columns[name], value)
            except (TypeError, ValueError, OverflowError):
                raise LogError(
                    f"{name} of a {table.__tablename__} cannot be {value!r}; give it as "
                    f"{_describe(columns[name])}."
                ) from None
    return {n: read_value(columns[n], v) for n, v in values.items() if is_clearing or v is not None}


def read_values(table: type[Base], record: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values of a plain record for the columns of a table.

    Names that the table does not have are left out; a value of the wrong type is a ValueError
    or TypeError.
    """
    columns = [c for c in list_columns(table) if c.key in record]
    return {column.key: read_value(column, record[column.key]) for column in columns}


def read_value(column: sa.Column, value: Any) -> Any:
    """Return one value as its column holds it; TypeError or ValueError when it does not fit."""
    if value is None:
        if column.nullable:
            return None
        raise ValueError(column.key)
    if isinstance(column.type, UtcTime):
        return value if isinstance(value, datetime) else datetime.fromisoformat(value)
    kind = column.type.python_type
    if isinstance(column.type, sa.JSON):
        return value
    if kind is float and isinstance(value, int):
        value = float(value)
    if not isinstance(value, kind) or isinstance(value, bool):
        raise TypeError(column.key)
    _check_length(column, value)
    return value


def _check_length(column: sa.Column, value: Any) -> None:
    length = getattr(column.type, "length", None)
    if isinstance(value, str) and ("\0" in value or (length is not None and len(value) > length)):
        raise ValueError(column.key)
    if (
        isinstance(value, int)
        and abs(value) >= 2**31
        and not isinstance(column.type, sa.BigInteger)
    ):
        raise ValueError(column.key)
    if isinstance(value, float) and value != value:
        raise ValueError(column.key)


def _describe(column: sa.Column) -> str:
    if isinstance(column.type, UtcTime):
        return "a date and time"
    return {float: "a number", int: "a whole number", str: "text"}.get(
        column.type.python_type, "a table"
    )
