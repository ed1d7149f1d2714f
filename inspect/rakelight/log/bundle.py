"""One job as one file: a zip of open formats that can be read without this program.

    bundle.json                          what this is, schema number, SHA-256 and length of each file
    records/<kind>.json                  job, slab, pour_zone, survey, photo, inspection, ... history
    inspections/<uid>/<sheet>            record.json, pits.csv, marks.csv, ..., seen.png
    comparisons/<uid>/<sheet>            record.json, table.csv
    photos/<sha256>.jpg                  the photos (their position blanked), and the rectified faces

A row names its parent by uid. Times are ISO 8601 with their zone, numbers in the units their
names end in. `intake` reads such a file back.
"""

import hashlib
import json
import os
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from .. import __version__
from ..core.errors import LogError
from .connection import Log, plain_errors, reading
from .photos import CHUNK_BYTES
from .rows import row_values
from .store import find_job_row, load_sheets
from .tables import (
    KINDS,
    Base,
    History,
    Job,
    Sheet,
)

BUNDLE_SCHEMA = 1
FORMAT = "rakelight job"
SUFFIX = ".zip"
MANIFEST = "bundle.json"
# A bundle of the same job is the same file byte by byte, whenever it is made.
EPOCH = (1980, 1, 1, 0, 0, 0)

PARENTS: dict[str, str] = {
    "slab": "job",
    "pour_zone": "slab",
    "survey": "slab",
    "photo": "survey",
    "inspection": "survey",
    "comparison": "inspection",
    "decision": "inspection",
    "repair": "slab",
    "trial": "job",
    "note": "job",
}
"""Kind of record -> kind it belongs to; a comparison belongs to its later inspection."""

LINKS: dict[str, tuple[tuple[str, str], ...]] = {
    kind: ((f"{parent}_id", parent),) for kind, parent in PARENTS.items() if kind != "comparison"
} | {"job": (), "comparison": (("after_id", "inspection"), ("before_id", "inspection"))}
"""Kind of record -> its keys to other records and what kind those are."""


@dataclass(slots=True)
class _Archive:
    """A zip being written, with the list of what is in it."""

    file: zipfile.ZipFile
    files: dict[str, dict[str, Any]] = field(default_factory=dict)

    def add(self, name: str, data: bytes) -> None:
        self._note(name, hashlib.sha256(data).hexdigest(), len(data))
        self.file.writestr(_make_info(name, zipfile.ZIP_DEFLATED), data)

    def add_file(self, name: str, path: Path) -> None:
        digest, n_bytes = hashlib.sha256(), 0
        info = _make_info(name, zipfile.ZIP_STORED)
        info.file_size = path.stat().st_size
        with open(path, "rb") as source, self.file.open(info, "w") as target:
            while chunk := source.read(CHUNK_BYTES):
                digest.update(chunk)
                n_bytes += len(chunk)
                target.write(chunk)
        self._note(name, digest.hexdigest(), n_bytes)

    def _note(self, name: str, sha256: str, n_bytes: int) -> None:
        self.files[name] = {"sha256": sha256, "n_bytes": n_bytes}


def export_job(log: Log, job: str, path: str | Path) -> Path:
    """Return the bundle of one job, written whole or not at all.

    Parameters
    ----------
    job : name or uid.
    path : file to write, or a folder for a name made from the job's.

    Raises
    ------
    LogError
        When the file exists already or its folder does not, or a photo is missing or was altered.
    """
    path = Path(path)
    with reading(log) as session:
        row = find_job_row(session, job)
        path, passing = _start_file(path, f"{_make_file_name(row.name)}{SUFFIX}")
        try:
            with plain_errors(log), zipfile.ZipFile(passing, "w") as file:
                _write(session, log, row, _Archive(file))
            os.replace(passing, path)
        finally:
            passing.unlink(missing_ok=True)
    return path


def _start_file(path: Path, name: str) -> tuple[Path, Path]:
    """Return the file to write and its passing name, begun empty: the place itself can be written."""
    try:
        if path.is_dir():
            path = path / name
        if path.exists():
            raise LogError(f"{path} exists already; name another file.")
        if not path.parent.is_dir():
            raise LogError(f"There is no folder {path.parent}; make it, or name another.")
        passing = path.with_name(path.name + ".passing")
        passing.write_bytes(b"")
    except OSError as error:
        raise LogError(
            f"{path} cannot be written ({error.strerror or error}); name another file."
        ) from error
    return path, passing


def list_rows(session: Session, job: Job) -> dict[str, list[Base]]:
    """Return every row of a job by kind, put-away ones too, parents before children."""
    rows: dict[str, list[Base]] = {"job": [job]}
    for kind in KINDS:
        for key, parent in LINKS[kind][:1]:
            table = KINDS[kind]
            ids = [row.id for row in rows[parent]]
            rows[kind] = list(
                session.scalars(
                    sa.select(table).where(getattr(table, key).in_(ids)).order_by(table.id)
                )
            )
    return rows


def _write(session: Session, log: Log, job: Job, archive: _Archive) -> None:
    rows = list_rows(session, job)
    uids = {kind: {row.id: row.uid for row in found} for kind, found in rows.items()}
    for kind, found in rows.items():
        records = [{**row_values(row), **_name_links(kind, row, uids)} for row in found]
        archive.add(f"records/{kind}.json", _to_json(records))
    lines = session.scalars(
        sa.select(History).where(History.job_uid == job.uid).order_by(History.id)
    )
    archive.add("records/history.json", _to_json([row_values(line) for line in lines]))
    for kind, folder in (("inspection", "inspections"), ("comparison", "comparisons")):
        key = getattr(Sheet, f"{kind}_id")
        for row in rows[kind]:
            for name, data in sorted(load_sheets(session, key == row.id).items()):
                archive.add(f"{folder}/{row.uid}/{name}", data)
    for name, path in sorted(set(_list_files(log, rows))):
        if not path.is_file():
            raise LogError(f"Photo {path.name} is missing; run `rakelight jobs check`.")
        archive.add_file(name, path)
        if archive.files[name]["sha256"] != path.stem:
            raise LogError(f"Photo {path.name} was altered; run `rakelight jobs check`.")
    manifest = {
        "format": FORMAT, "schema": BUNDLE_SCHEMA, "version": __version__, "job": job.uid,
        "files": archive.files,
    }  # fmt: skip
    archive.file.writestr(_make_info(MANIFEST, zipfile.ZIP_DEFLATED), _to_json(manifest))


def _name_links(kind: str, row: Base, uids: dict[str, dict[int, str]]) -> dict[str, str]:
    return {key: uids[parent][getattr(row, key)] for key, parent in LINKS[kind]}


def _list_files(log: Log, rows: dict[str, list[Base]]) -> Iterator[tuple[str, Path]]:
    for photo in rows["photo"]:
        yield f"photos/{photo.sha256}{photo.suffix}", log.photos.place(photo.sha256, photo.suffix)
    for row in rows["inspection"]:
        if row.face_sha256:
            yield f"photos/{row.face_sha256}.jpg", log.photos.place(row.face_sha256, ".jpg")


def _make_info(name: str, method: int) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, EPOCH)
    info.compress_type = method
    info.external_attr = 0o100644 << 16
    return info


def _make_file_name(name: str) -> str:
    kept = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in name)
    return kept.strip("_")[:80] or "job"


def _to_json(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False).encode()
