"""Surveys on their way: photos kept, what was said about them, how far the measuring is.

A draft lives as one folder on the disk from the first photo on, so that a reload, a dropped
connection or a restart of the program loses nothing. The browser knows a draft by its id only;
every path is made here from ids and checksums, never from a name that somebody sent.

    <desk>/<id>/draft.json      what was said
    <desk>/<id>/progress.json   how far the measuring is
    <desk>/<id>/photos/         the photos, under their SHA-256
    <desk>/<id>/papers/         the files of the inspection
"""

import hashlib
import json
import math
import os
import re
import secrets
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from rakelight.core.errors import PhotoError, SettingsError

ENVIRONMENT = "RAKELIGHT_DESK"
PHOTO_SUFFIXES = (
    "jpg", "jpeg", "png", "tif", "tiff", "heic", "heif", "dng", "nef", "cr2", "cr3", "arw",
)  # fmt: skip
STATES = ("open", "waiting", "measuring", "done", "failed", "stopped")
_UID = re.compile(r"[0-9a-f]{32}")
_SHA = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class KeptPhoto:
    """One photo of a draft: its checksum, how it was called, and its light (raking or soft)."""

    sha256: str
    suffix: str
    name: str
    n_bytes: int
    kind: str = "raking"


@dataclass(frozen=True, slots=True)
class Draft:
    """What a person has said about a survey so far; everything may still be missing.

    scale_way : corners, mm_per_px or card. corners_px : four (x, y) of the photo, from the plan's
    back left corner clockwise. lamp_from_deg, lamp_angle_deg : None while not known.
    """

    uid: str
    made_at: float
    job: str = ""
    slab: str = ""
    stage: str = ""
    photos: tuple[KeptPhoto, ...] = ()
    scale_way: str = "corners"
    corners_px: tuple[tuple[float, float], ...] = ()
    slab_size: str = ""
    mm_per_px: float | None = None
    lamp_from_deg: float | None = None
    lamp_angle_deg: float | None = None
    smallest_mm: float = 1.0
    units: str = "mm"

    def find_photo(self, kind: str) -> KeptPhoto | None:
        """Return the latest photo of a kind of light, or None."""
        return next((photo for photo in reversed(self.photos) if photo.kind == kind), None)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a draft is. state : one of STATES; step, sentence : words for the person."""

    state: str = "open"
    step: str = ""
    share: float = 0.0
    sentence: str = ""
    started_at: float = math.nan
    ended_at: float = math.nan


def desk_folder() -> Path:
    """Return the folder of all drafts: $RAKELIGHT_DESK, else beside the job log."""
    if os.environ.get(ENVIRONMENT):
        return Path(os.environ[ENVIRONMENT]).expanduser()
    from rakelight.log.connection import default_folder

    return default_folder() / "desk"


def make_draft(**said: Any) -> Draft:
    """Return a new draft, kept on the disk."""
    draft = Draft(uid=secrets.token_hex(16), made_at=time.time(), **said)
    save_draft(draft)
    return draft


def find_folder(uid: str) -> Path:
    """Return the folder of a draft; an id that is not one of ours is a SettingsError."""
    if not _UID.fullmatch(uid):
        raise SettingsError("This address is not one of a survey; start again from the first page.")
    return desk_folder() / uid


def load_draft(uid: str) -> Draft:
    """Return a draft as it was last kept.

    Raises
    ------
    SettingsError
        When there is none of this id on this machine, or its file is damaged.
    """
    try:
        plain = json.loads((find_folder(uid) / "draft.json").read_text(encoding="utf-8"))
        photos = tuple(KeptPhoto(**photo) for photo in plain.pop("photos"))
        corners = tuple(tuple(corner) for corner in plain.pop("corners_px"))
        return Draft(photos=photos, corners_px=corners, **plain)
    except (OSError, ValueError, TypeError, KeyError):
        raise SettingsError(
            "This survey is not on this machine any more; start a new one."
        ) from None


def save_draft(draft: Draft) -> None:
    """Keep a draft whole: a crash leaves the old file or the new one."""
    _write_whole(find_folder(draft.uid) / "draft.json", asdict(draft))


def change_draft(uid: str, **said: Any) -> Draft:
    """Return the draft with some things said anew, kept when anything differs."""
    draft = load_draft(uid)
    changed = replace(draft, **said)
    if changed != draft:
        save_draft(changed)
    return changed


def keep_photo(uid: str, name: str, pieces: Iterable[bytes], *, kind: str = "raking") -> KeptPhoto:
    """Return a photo that now lies in the draft; it takes the place of the one of its kind.

    Parameters
    ----------
    name : str
        As the person's device called it; only its ending is used, and only a known one.
    pieces : iterable of bytes
        The file, piece by piece, so that a big one is never in memory whole.
    """
    suffix = name.rpartition(".")[2].lower()
    if suffix not in PHOTO_SUFFIXES:
        raise PhotoError(
            f"{name[-60:]} is not a photo that can be read; take a JPEG, PNG, TIFF, HEIC or raw file."
        )
    folder = find_folder(uid) / "photos"
    folder.mkdir(parents=True, exist_ok=True)
    passing, digest, n_bytes = folder / f".{secrets.token_hex(8)}.part", hashlib.sha256(), 0
    try:
        with passing.open("wb") as file:
            for piece in pieces:
                file.write(piece)
                digest.update(piece)
                n_bytes += len(piece)
        photo = KeptPhoto(digest.hexdigest(), suffix, name[-120:], n_bytes, kind)
        os.replace(passing, place_photo(uid, photo))
    finally:
        passing.unlink(missing_ok=True)
    others = tuple(p for p in load_draft(uid).photos if p.kind != kind)
    change_draft(uid, photos=(*others, photo))
    return photo


def place_photo(uid: str, photo: KeptPhoto) -> Path:
    """Return where a photo of a draft lies."""
    if not _SHA.fullmatch(photo.sha256) or photo.suffix not in PHOTO_SUFFIXES:
        raise SettingsError("This photo's entry is damaged; choose the photo again.")
    return find_folder(uid) / "photos" / f"{photo.sha256}.{photo.suffix}"


def papers_folder(uid: str) -> Path:
    """Return the folder of a draft's results."""
    return find_folder(uid) / "papers"


def read_progress(uid: str) -> Progress:
    """Return how far a draft is; one that was never started is `open`."""
    try:
        plain = json.loads((find_folder(uid) / "progress.json").read_text(encoding="utf-8"))
        return Progress(**{k: math.nan if v is None else v for k, v in plain.items()})
    except (OSError, ValueError, TypeError):
        return Progress()


def write_progress(uid: str, progress: Progress) -> None:
    """Keep how far a draft is."""
    plain = {k: None if v != v else v for k, v in asdict(progress).items()}
    _write_whole(find_folder(uid) / "progress.json", plain)


def _write_whole(path: Path, plain: dict[str, Any]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    passing = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    passing.write_text(json.dumps(plain, indent=1), encoding="utf-8")
    os.replace(passing, path)
