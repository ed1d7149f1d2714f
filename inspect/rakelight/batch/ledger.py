"""What is already done: one small file per finished photo, written whole.

The name of the file is the key: SHA-256 over the photo's bytes, what was said about it, the
settings and the program version. A batch that was killed, or is run again with more photos,
leaves out every photo whose key has a file. One batch at a time writes into a folder.
"""

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from .. import __version__
from ..core.checks import say_write_trouble
from ..core.errors import OutputError
from ..core.tables import to_plain, write_whole
from ..report.exchange import hold_folder, is_folder_held
from .manifest import BatchItem
from .work import Order

DONE = "done"
_RECORD_BYTES_MAX = 1_000_000
# Where the record goes and how many threads made it change nothing that was measured.
_IDLE_SETTINGS = (("find", "threads"), ("log", None), ("batch", None))


def make_key(item: BatchItem, files: dict[str, bytes | None], order: Order) -> str:
    """Return the key of one photo: the same for the same bytes, words, settings and version.

    files : bytes by role (photo, soft_light, marks), None where there is none.
    """
    settings = {step: dict(values) for step, values in order.settings.items()}
    for step, name in _IDLE_SETTINGS:
        if name is None:
            settings.pop(step, None)
        else:
            settings.get(step, {}).pop(name, None)
    hashes = {role: _hash(data) for role, data in files.items() if data is not None}
    hashes |= {"agreed": _hash(order.agreed or b""), "rates": _hash(order.rates or b"")}
    said = [
        item.job,
        item.slab,
        item.stage,
        "marks" if "marks" in hashes else item.scale,
        item.lamp,
        item.day,
    ]
    parts = [said, hashes, settings, __version__, order.log]
    text = json.dumps(parts, sort_keys=True, ensure_ascii=True, default=str)
    return _hash(text.encode())


def find_done(folder: Path, key: str) -> dict[str, Any] | None:
    """Return the figures of a finished photo, None when there are none or they are damaged."""
    path = _place(folder, key)
    try:
        if path.stat().st_size > _RECORD_BYTES_MAX:
            return None
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    is_ours = isinstance(record, dict) and record.get("key") == key
    figures = record.get("figures") if is_ours else None
    return figures if isinstance(figures, dict) else None


def note_done(folder: Path, key: str, figures: dict[str, Any]) -> None:
    """Keep the figures of a finished photo, whole or not at all."""
    text = json.dumps({"key": key, "figures": to_plain(figures)}, ensure_ascii=False, indent=0)
    write_whole(_place(folder, key), text.encode())


@contextlib.contextmanager
def hold_out(folder: Path) -> Iterator[None]:
    """Hold the folder of the results for this run; another run that holds it is an OutputError."""
    try:
        (folder / DONE).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(say_write_trouble(error, folder)) from None
    if is_folder_held(folder / DONE):
        raise OutputError(f"Another batch is writing into {folder}; wait for it or name another.")
    handle = hold_folder(folder / DONE)
    try:
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _place(folder: Path, key: str) -> Path:
    return folder / DONE / key[:2] / f"{key}.json"


def _hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
