"""Reading a stranger's file: a bundle is checked to the last byte before anything is believed.

Nothing is ever unpacked under a name from the archive; sizes are counted while reading and not
taken from the archive's own words; what is not on the list of a bundle is refused.
"""

import hashlib
import json
import re
import stat
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..core.errors import LogError
from ..core.settings import LogSettings
from .bundle import BUNDLE_SCHEMA, FORMAT, MANIFEST
from .photos import CHUNK_BYTES, SUFFIXES

NAMES = re.compile(
    r"bundle\.json"
    r"|records/[a-z_]{1,20}\.json"
    r"|(?:inspections|comparisons)/[0-9a-f]{32}/[A-Za-z0-9_]{1,40}(?:\.[A-Za-z0-9_]{1,40}){1,3}"
    r"|photos/[0-9a-f]{64}(?:\.[a-z]{3,4})?"
)
MANIFEST_BYTES_MAX = 32_000_000
TEXT_BYTES_MAX = 256_000_000
UPGRADES: dict[int, Callable[[dict[str, list[dict]]], dict[str, list[dict]]]] = {}
"""Schema number -> how its records become those of the next schema; empty while there is one."""


@dataclass(frozen=True, slots=True)
class Bundle:
    """An opened bundle whose table of contents has been checked."""

    file: zipfile.ZipFile
    name: str
    job_uid: str
    schema: int
    version: str
    files: dict[str, dict[str, Any]]

    def read(self, name: str) -> bytes:
        """Return one file, checked against its length and SHA-256."""
        return b"".join(self.stream(name))

    def stream(self, name: str) -> Iterator[bytes]:
        """Yield one file in pieces; the last piece comes only when length and SHA-256 are right."""
        promised = self.files[name]
        digest, n_bytes, held = hashlib.sha256(), 0, b""
        with _as_damage(self.name), self.file.open(name) as source:
            while chunk := source.read(CHUNK_BYTES):
                n_bytes += len(chunk)
                if n_bytes > promised["n_bytes"]:
                    raise LogError(f"{self.name} holds more than it says; do not import it.")
                digest.update(chunk)
                if held:
                    yield held
                held = chunk
        if n_bytes != promised["n_bytes"] or digest.hexdigest() != promised["sha256"]:
            raise LogError(f"{name} in {self.name} is damaged; ask for the bundle again.")
        if held:
            yield held

    def read_records(self) -> dict[str, list[dict]]:
        """Return the rows of every kind, brought up to this version's schema."""
        records = {
            name[len("records/") : -len(".json")]: _parse(self.read(name), self.name)
            for name in self.files
            if name.startswith("records/")
        }
        for kind, rows in records.items():
            if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
                raise LogError(f"records/{kind}.json in {self.name} is damaged; ask for it again.")
        for schema in range(self.schema, BUNDLE_SCHEMA):
            records = UPGRADES[schema](records)
        return records

    def list_photos(self) -> list[tuple[str, str, str]]:
        """Return name in the bundle, SHA-256 and file ending of every photo."""
        found = []
        for name in self.files:
            if name.startswith("photos/"):
                sha256, dot, ending = name[len("photos/") :].partition(".")
                found.append((name, sha256, dot + ending))
        return found


@contextmanager
def open_bundle(path: str | Path, *, settings: LogSettings | None = None) -> Iterator[Bundle]:
    """Give a bundle whose list of files has been checked; closes it afterwards.

    Raises
    ------
    LogError
        One sentence: not a bundle, damaged, newer, or built to do harm.
    """
    settings = settings or LogSettings()
    path = Path(path)
    if not path.is_file():
        raise LogError(f"There is no file {path}; name a bundle.")
    with _as_damage(path.name):
        file = zipfile.ZipFile(path)
    with file:
        _check_members(file, path.name, settings)
        manifest = _read_manifest(file, path.name)
        _check_manifest(manifest, file, path.name, settings)
        yield Bundle(
            file, path.name, manifest["job"], manifest["schema"],
            str(manifest.get("version", "")), manifest["files"],
        )  # fmt: skip


def _check_members(file: zipfile.ZipFile, name: str, settings: LogSettings) -> None:
    members = file.infolist()
    if len(members) > settings.bundle_max_files:
        raise LogError(
            f"{name} holds more than {settings.bundle_max_files} files; do not import it."
        )
    names = [member.filename for member in members]
    if len(set(names)) != len(names):
        raise LogError(f"{name} holds two files of one name; do not import it.")
    for member in members:
        mode = member.external_attr >> 16
        is_plain = not mode or stat.S_IFMT(mode) in (0, stat.S_IFREG)
        is_simple = member.compress_type in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
        if (
            not NAMES.fullmatch(member.filename)
            or not is_plain
            or not is_simple
            or member.flag_bits & 1
        ):
            raise LogError(f"{name} is not a bundle of a job: it holds {member.filename[:60]!r}.")


def _read_manifest(file: zipfile.ZipFile, name: str) -> dict[str, Any]:
    if MANIFEST not in file.namelist():
        raise LogError(f"{name} is not a bundle of a job; name a file that `jobs export` wrote.")
    with _as_damage(name), file.open(MANIFEST) as source:
        data = source.read(MANIFEST_BYTES_MAX + 1)
    if len(data) > MANIFEST_BYTES_MAX:
        raise LogError(f"{name} holds more than it says; do not import it.")
    manifest = _parse(data, name)
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
        raise LogError(f"{name} is not a bundle of a job; name a file that `jobs export` wrote.")
    return manifest


def _check_manifest(
    manifest: dict, file: zipfile.ZipFile, name: str, settings: LogSettings
) -> None:
    schema, files, job = manifest.get("schema"), manifest.get("files"), manifest.get("job")
    if isinstance(schema, int) and schema > BUNDLE_SCHEMA:
        raise LogError(f"{name} was written by a newer rakelight; update and try again.")
    is_sound = (
        isinstance(schema, int)
        and schema >= 1
        and isinstance(job, str)
        and re.fullmatch("[0-9a-f]{32}", job)
        and isinstance(files, dict)
        and set(files) == set(file.namelist()) - {MANIFEST}
        and all(_is_sound_entry(key, entry) for key, entry in files.items())
    )
    if not is_sound:
        raise LogError(f"The list of files in {name} is damaged; ask for the bundle again.")
    if sum(entry["n_bytes"] for entry in files.values()) > settings.bundle_max_gb * 1e9:
        raise LogError(
            f"{name} unpacks to more than {settings.bundle_max_gb:g} GB; raise bundle_max_gb to import it."
        )


def _is_sound_entry(name: str, entry: Any) -> bool:
    if (
        not isinstance(entry, dict)
        or not isinstance(entry.get("n_bytes"), int)
        or entry["n_bytes"] < 0
    ):
        return False
    if not isinstance(entry.get("sha256"), str) or not re.fullmatch(
        "[0-9a-f]{64}", entry["sha256"]
    ):
        return False
    if not name.startswith("photos/"):
        return entry["n_bytes"] <= TEXT_BYTES_MAX
    stem, dot, ending = name[len("photos/") :].partition(".")
    return stem == entry["sha256"] and (not dot or dot + ending in SUFFIXES)


def _parse(data: bytes, name: str) -> Any:
    with _as_damage(name):
        return json.loads(data, parse_constant=_refuse_constant)


def _refuse_constant(word: str) -> None:
    raise ValueError(f"{word} is not JSON")


@contextmanager
def _as_damage(name: str) -> Iterator[None]:
    """Turn what a broken archive or text raises into one sentence."""
    try:
        yield
    except (zipfile.BadZipFile, zipfile.LargeZipFile, EOFError, ValueError, RecursionError,
            NotImplementedError, RuntimeError, KeyError, OverflowError, OSError) as error:  # fmt: skip
        raise LogError(f"{name} is damaged or is not a bundle; ask for it again.") from error
    except Exception as error:  # zlib.error has no public base
        if type(error).__module__ == "zlib":
            raise LogError(f"{name} is damaged or is not a bundle; ask for it again.") from error
        raise
