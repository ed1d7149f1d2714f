"""A whole record as sheets of open formats, and back.

An inspection becomes record.json (everything that is not a table or a picture), one CSV per
table, seen.png (where the photo shows the face) and face.jpg (the rectified face). Fields that
later versions add to the records travel by themselves; a field that is missing takes its
default. NaN is null in JSON and an empty cell in CSV.
"""

import dataclasses
import gzip
import hashlib
import io
import json
import math
import types
import typing
import zlib
from typing import Any

import numpy as np
import pandas as pd

from .errors import LogError, OutputError
from .records import (
    CHANGE_COLUMNS,
    COLOUR_COLUMNS,
    MARK_COLUMNS,
    PIT_ACTION_COLUMNS,
    PIT_COLUMNS,
    PLAN_COLUMNS,
    Column,
    Comparison,
    FaceMap,
    Inspection,
    make_table,
)
from .tables import format_csv, parse_csv_text, to_plain

RECORD = "record.json"
SEEN = "seen.png"
FACE = "face.jpg"
JPEG_SIDE_MAX_PX = 65_500
FACE_PX_MAX = 150_000_000
"""A face of more pixels is kept coarser by a whole factor: reading it back must fit into a laptop."""
KEPT_DTYPES = frozenset({"float64", "int64", "Int64", "bool", "str"})
SHEET_BYTES_MAX = 1 << 28
"""A sheet that unpacks to more than 256 MB is not one of ours."""

COLUMNS: dict[str, tuple[Column, ...]] = {
    "pits": PIT_COLUMNS,
    "marks": MARK_COLUMNS,
    "colour.table": COLOUR_COLUMNS,
    "plan.fields": PLAN_COLUMNS,
    "plan.pits": PIT_ACTION_COLUMNS,
    "table": CHANGE_COLUMNS,
}

Sheets = dict[str, bytes]


def pack_inspection(inspection: Inspection, *, face_quality: int = 90) -> tuple[Sheets, bytes]:
    """Return the sheets of an inspection and its face as JPEG (empty when there is no picture).

    A face beyond FACE_PX_MAX is kept coarser, and its mm_per_px and shrink say so.
    """
    face = coarsen_face(inspection.face)
    blank = dataclasses.replace(inspection, face=_blank_face(face))
    sheets = pack_record(blank)
    if face.seen.size:
        sheets[SEEN] = _encode_seen(face.seen)
    return sheets, _encode_face(face.rgb, face_quality)


def coarsen_face(face: FaceMap) -> FaceMap:
    """Return a face within FACE_PX_MAX and JPEG's longest side: itself, or each k by k pixels as one."""
    rows, cols = face.seen.shape or face.rgb.shape[:2]
    factor = max(
        math.ceil(math.sqrt(rows * cols / FACE_PX_MAX)),
        math.ceil(max(rows, cols) / JPEG_SIDE_MAX_PX),
    )
    if factor <= 1:
        return face
    import cv2

    rows, cols = rows // factor, cols // factor
    rgb = face.rgb[: rows * factor, : cols * factor]
    if rgb.size:
        rgb = cv2.resize(rgb, (cols, rows), interpolation=cv2.INTER_AREA)
    seen = face.seen[factor // 2 :: factor, factor // 2 :: factor][:rows, :cols]
    return FaceMap(rgb, seen, face.mm_per_px * factor, face.shrink * factor)


def unpack_inspection(sheets: Sheets, face_jpeg: bytes = b"") -> Inspection:
    """Return the inspection that was packed; without its JPEG the face has no pixels."""
    inspection = unpack_record(Inspection, sheets)
    seen = _decode_seen(sheets[SEEN]) if SEEN in sheets else np.zeros((0, 0), bool)
    rgb = _decode_face(face_jpeg)
    face = dataclasses.replace(inspection.face, rgb=rgb, seen=seen)
    return dataclasses.replace(inspection, face=face)


def pack_comparison(comparison: Comparison) -> Sheets:
    """Return the sheets of a comparison."""
    return pack_record(comparison)


def unpack_comparison(sheets: Sheets) -> Comparison:
    """Return the comparison that was packed."""
    return unpack_record(Comparison, sheets)


def fingerprint_sheets(sheets: Sheets) -> str:
    """Return one SHA-256 over all sheets, to know the same result again; how long it took is left out."""
    digest = hashlib.sha256()
    for name in sorted(sheets):
        data = _leave_out_times(sheets[name]) if name == RECORD else sheets[name]
        digest.update(name.encode() + b"\0" + hashlib.sha256(data).digest())
    return digest.hexdigest()


def _leave_out_times(text: bytes) -> bytes:
    told = json.loads(text)
    figures = (told.get("record", {}).get("plan") or {}).get("figures")
    if not isinstance(figures, dict) or figures.pop("seconds", None) is None:
        return text
    return json.dumps(told, ensure_ascii=False).encode()


def hash_bytes(data: bytes) -> str:
    """Return the SHA-256 of bytes as hex."""
    return hashlib.sha256(data).hexdigest()


def compress_sheet(data: bytes) -> bytes:
    """Return gzip of a sheet; pictures are kept as they are."""
    return data if data[:4] == b"\x89PNG" else gzip.compress(data, 6, mtime=0)


def expand_sheet(data: bytes) -> bytes:
    """Return the sheet from what was kept; a damaged or swollen one is a LogError."""
    if data[:4] == b"\x89PNG":
        return data
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(data)) as file:
            text = file.read(SHEET_BYTES_MAX + 1)
    except (OSError, EOFError, zlib.error):
        raise LogError("A table of the log is damaged; bring back a copy of the log.") from None
    if len(text) > SHEET_BYTES_MAX:
        raise LogError(
            "A table of the log is larger than any real one; bring back a copy of the log."
        )
    return text


def pack_record(record: Any) -> Sheets:
    """Return record.json and one CSV per table of any record dataclass."""
    sheets: Sheets = {}
    columns: dict[str, list[list[str]]] = {}
    plain = _to_mapping(record, "", sheets, columns)
    text = json.dumps({"record": plain, "columns": columns}, ensure_ascii=False, allow_nan=False)
    return {RECORD: text.encode(), **sheets}


def unpack_record(cls: type, sheets: Sheets) -> Any:
    """Return a record of a class from its sheets."""
    try:
        text = json.loads(sheets[RECORD])
        return _revive(cls, text["record"], "", sheets, text["columns"])
    except (KeyError, ValueError, TypeError, OutputError, RecursionError) as error:
        raise LogError(f"A record of the log is damaged ({error}); bring back a copy.") from None


def _to_mapping(record: Any, path: str, sheets: Sheets, columns: dict) -> dict[str, Any]:
    plain = {}
    for field in dataclasses.fields(record):
        name, value = f"{path}{field.name}", getattr(record, field.name)
        if isinstance(value, pd.DataFrame):
            known = COLUMNS.get(name) or _infer_columns(value)
            columns[name] = [[column.name, column.dtype] for column in known]
            sheets[f"{name}.csv"] = format_csv(value, known).encode()
        else:
            plain[field.name] = _plain_value(value, f"{name}.", sheets, columns)
    return plain


def _plain_value(value: Any, path: str, sheets: Sheets, columns: dict) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return _to_mapping(value, path, sheets, columns)
    if isinstance(value, (tuple, list)):
        return [_plain_value(v, f"{path}{i}.", sheets, columns) for i, v in enumerate(value)]
    if isinstance(value, np.ndarray) and value.ndim == 2 and value.shape[1] == 2:
        return to_plain(np.round(value, 3))  # outlines: a thousandth of a mm is plenty
    return to_plain(value)


def _infer_columns(table: pd.DataFrame) -> tuple[Column, ...]:
    return tuple(
        Column(str(name), str(dtype) if str(dtype) in KEPT_DTYPES else "str", "", "")
        for name, dtype in table.dtypes.items()
    )


def _revive(cls: type, plain: dict, path: str, sheets: Sheets, columns: dict) -> Any:
    hints = typing.get_type_hints(cls)
    values = {}
    for field in dataclasses.fields(cls):
        name = f"{path}{field.name}"
        if f"{name}.csv" in sheets:
            values[field.name] = _read_sheet(sheets[f"{name}.csv"], name, columns)
        elif hints[field.name] is pd.DataFrame:
            if _has_default(field):
                continue
            values[field.name] = make_table(COLUMNS.get(name, ()))
        elif field.name in plain:
            values[field.name] = _revive_value(
                hints[field.name], plain[field.name], f"{name}.", sheets, columns
            )
    return cls(**values)


def _has_default(field: dataclasses.Field) -> bool:
    missing = dataclasses.MISSING
    return field.default is not missing or field.default_factory is not missing


def _read_sheet(data: bytes, name: str, columns: dict) -> pd.DataFrame:
    kept = tuple(Column(title, dtype, "", "") for title, dtype in columns[name])
    if not {column.dtype for column in kept} <= KEPT_DTYPES:
        raise ValueError(f"a column of {name} is of no kind that is kept")
    table = parse_csv_text(data.decode(), kept, name=f"{name}.csv")
    if name not in COLUMNS:
        return table
    declared = {column.name for column in COLUMNS[name]}
    # Columns declared since are blank, columns dropped since are left behind.
    held = {title: table[title] for title in table.columns if title in declared}
    return make_table(COLUMNS[name], held or None)


def _revive_value(hint: Any, value: Any, path: str, sheets: Sheets, columns: dict) -> Any:
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        if value is None:
            return None
        return _revive_value(
            next(h for h in inner if h is not type(None)), value, path, sheets, columns
        )
    if dataclasses.is_dataclass(hint):
        return _revive(hint, value, path, sheets, columns)
    if hint is float:
        return math.nan if value is None else float(value)
    if hint is np.ndarray:
        return _to_array(value)
    if origin is tuple:
        kinds = [inner[0]] * len(value) if inner[-1] is Ellipsis else inner
        return tuple(
            _revive_value(kind, v, f"{path}{i}.", sheets, columns)
            for i, (kind, v) in enumerate(zip(kinds, value, strict=True))
        )
    if origin is dict and inner[1] is float:
        return {key: math.nan if v is None else float(v) for key, v in value.items()}
    return value


def _to_array(value: list) -> np.ndarray:
    return np.array(value, dtype=object).astype(float) if value else np.empty(0)


def _blank_face(face: FaceMap) -> FaceMap:
    return dataclasses.replace(face, rgb=np.zeros((0, 0, 3), np.uint8), seen=np.zeros((0, 0), bool))


def _encode_seen(seen: np.ndarray) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(np.asarray(seen, np.uint8) * 255).convert("1").save(out, "PNG", optimize=False)
    return out.getvalue()


def _decode_seen(data: bytes) -> np.ndarray:
    return _open_picture(data, ("PNG",), "1") > 0


def _encode_face(rgb: np.ndarray, quality: int) -> bytes:
    from PIL import Image

    if not rgb.size:
        return b""
    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG", quality=quality, subsampling=0)
    return out.getvalue()


def _decode_face(data: bytes) -> np.ndarray:
    return _open_picture(data, ("JPEG",), "RGB") if data else np.zeros((0, 0, 3), np.uint8)


def _open_picture(data: bytes, formats: tuple[str, ...], mode: str) -> np.ndarray:
    import warnings

    from PIL import Image

    with warnings.catch_warnings():
        # The log's own plan pictures may be larger than Pillow expects of a stranger's.
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)
        try:
            with Image.open(io.BytesIO(data), formats=formats) as picture:
                return np.array(picture.convert(mode))
        except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
            raise LogError("A kept picture is damaged; bring back a copy of the log.") from None
