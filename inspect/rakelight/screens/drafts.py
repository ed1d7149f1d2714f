"""Surveys on their way: their photos, kept on the disk from the first one on, and what was said.

A reload, a dropped connection or a restart of the program loses nothing.
"""

import hashlib
import os
import re
import secrets
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from rakelight.core.errors import PhotoError, SettingsError

from . import desk

PHOTO_SUFFIXES = (
    "jpg", "jpeg", "png", "tif", "tiff", "heic", "heif", "dng", "nef", "cr2", "cr3", "arw",
)  # fmt: skip
PHOTO_KINDS = ("raking", "soft")
MAX_PHOTO_BYTES = 2 << 30
SCALE_WAYS = ("corners", "card", "mm_per_px")
_SHA = re.compile(r"[0-9a-f]{64}")

Point = tuple[float, float]


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

    scale_way : one of SCALE_WAYS. corners_px : four (x, y) of the photo: back left, back right,
    front right, front left of the slab. soft_corners_px : the same in the soft-light photo.
    lamp_photo_deg : side of the light as seen in the photo, clockwise from its top; None while
    not known. lamp_angle_deg : height of the light above the face. checked : checksum of the
    photo whose card or corners, as found by the program, were taken over already. grey_card_mm :
    grey card on the slab: its left edge from the left, its front edge from the front, width, depth.
    """

    uid: str
    made_at: float
    job: str = ""
    slab: str = ""
    stage: str = ""
    photos: tuple[KeptPhoto, ...] = ()
    scale_way: str = "corners"
    corners_px: tuple[Point, ...] = ()
    soft_corners_px: tuple[Point, ...] = ()
    slab_size: str = ""
    mm_per_px: float | None = None
    lamp_photo_deg: float | None = None
    lamp_angle_deg: float | None = None
    smallest_mm: float = 1.0
    checked: str = ""
    grey_card_mm: tuple[float, ...] = ()

    def find_photo(self, kind: str) -> KeptPhoto | None:
        """Return the photo of a kind of light, or None."""
        return next((photo for photo in self.photos if photo.kind == kind), None)

    @property
    def is_scale_known(self) -> bool:
        """Whether enough was said for pits to be sized in mm."""
        if self.scale_way == "mm_per_px":
            return bool(self.mm_per_px)
        return self.scale_way == "card" or bool(self.corners_px and self.slab_size)


def make_draft(**said: Any) -> Draft:
    """Return a new draft, kept on the disk."""
    draft = Draft(uid=desk.make_uid(), made_at=time.time(), **said)
    save_draft(draft)
    return draft


def load_draft(uid: str) -> Draft:
    """Return a draft as it was last kept; one that is not here is a SettingsError."""
    plain = desk.read_plain(desk.find_folder("drafts", uid) / "draft.json")
    try:
        photos = tuple(KeptPhoto(**photo) for photo in plain.pop("photos"))
        points = {
            name: tuple((float(x), float(y)) for x, y in plain.pop(name))
            for name in ("corners_px", "soft_corners_px")
        }
        grey = tuple(float(value) for value in plain.pop("grey_card_mm", ()))
        return Draft(photos=photos, grey_card_mm=grey, **points, **plain)
    except (ValueError, TypeError, KeyError):
        raise SettingsError(
            "This survey is not on this machine any more; start a new one."
        ) from None


def save_draft(draft: Draft) -> None:
    """Keep a draft whole: a crash leaves the old file or the new one."""
    desk.write_plain(desk.find_folder("drafts", draft.uid) / "draft.json", asdict(draft))


def change_draft(uid: str, **said: Any) -> Draft:
    """Return the draft with some things said anew, kept when anything differs."""
    draft = load_draft(uid)
    changed = replace(draft, **said)
    if changed != draft:
        save_draft(changed)
    return changed


def take_over_check(draft: Draft) -> Draft:
    """Return the draft with the card or the corners that were found in its photo, once per photo.

    What a person said before is never overwritten.
    """
    found, photo = read_check(draft), draft.find_photo("raking")
    if not found or photo is None or draft.checked == photo.sha256:
        return draft
    said: dict[str, Any] = {"checked": photo.sha256}
    if found.get("has_card"):
        said["scale_way"] = "card"
    elif found.get("corners_px") and not draft.corners_px:
        said["corners_px"] = tuple((float(x), float(y)) for x, y in found["corners_px"])
    return change_draft(draft.uid, **said)


def read_check(draft: Draft) -> dict[str, Any]:
    """Return what was seen at once in the raking photo: verdict, card, corners; empty until then."""
    checked = desk.read_plain(desk.find_folder("drafts", draft.uid) / "checked.json")
    photo = draft.find_photo("raking")
    return checked if photo and checked.get("sha256") == photo.sha256 else {}


def list_drafts() -> list[Draft]:
    """Return all drafts of this machine, the latest first; damaged ones are left out."""
    found = []
    for path in (desk.desk_folder() / "drafts").glob("*/draft.json"):
        try:
            found.append(load_draft(path.parent.name))
        except SettingsError:
            continue
    return sorted(found, key=lambda draft: draft.made_at, reverse=True)


class Intake:
    """A photo on its way to the disk, piece by piece, so that a big one is never in memory whole.

    Use as a context; what is not kept by its end is removed.
    """

    def __init__(self, uid: str, name: str, kind: str = "raking") -> None:
        self.suffix = name.rpartition(".")[2].lower()
        if self.suffix not in PHOTO_SUFFIXES:
            raise PhotoError(
                f"{name[-60:]} is not a photo that can be read; take a JPEG, PNG, TIFF, HEIC or raw file."
            )
        if kind not in PHOTO_KINDS:
            raise PhotoError("A photo is taken in raking or in soft light; say which.")
        load_draft(uid)
        self.uid, self.name, self.kind = uid, name[-120:], kind
        folder = desk.find_folder("drafts", uid) / "photos"
        folder.mkdir(parents=True, exist_ok=True)
        self._path = folder / f".{secrets.token_hex(8)}.part"
        self._digest, self._n_bytes = hashlib.sha256(), 0

    def __enter__(self) -> "Intake":
        self._file = self._path.open("wb")
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()
        self._path.unlink(missing_ok=True)

    def write(self, piece: bytes) -> None:
        """Take one piece; more than 2 GB in all is a PhotoError."""
        self._n_bytes += len(piece)
        if self._n_bytes > MAX_PHOTO_BYTES:
            raise PhotoError("This file is larger than 2 GB; give a smaller photo.")
        self._file.write(piece)
        self._digest.update(piece)

    def keep(self) -> KeptPhoto:
        """Return the photo, now in its draft in the place of the one of its kind."""
        if not self._n_bytes:
            raise PhotoError("This file is empty; choose the photo again.")
        self._file.close()
        photo = KeptPhoto(
            self._digest.hexdigest(), self.suffix, self.name, self._n_bytes, self.kind
        )
        os.replace(self._path, place_photo(self.uid, photo))
        others = tuple(p for p in load_draft(self.uid).photos if p.kind != self.kind)
        corners = "corners_px" if self.kind == "raking" else "soft_corners_px"
        change_draft(self.uid, photos=(*others, photo), **{corners: ()})
        return photo


def keep_photo(uid: str, name: str, pieces: Iterable[bytes], *, kind: str = "raking") -> KeptPhoto:
    """Return a photo that now lies in the draft; only the ending of its name is used."""
    with Intake(uid, name, kind) as intake:
        for piece in pieces:
            intake.write(piece)
        return intake.keep()


def place_photo(uid: str, photo: KeptPhoto) -> Path:
    """Return where a photo of a draft lies."""
    if not _SHA.fullmatch(photo.sha256) or photo.suffix not in PHOTO_SUFFIXES:
        raise SettingsError("This photo's entry is damaged; choose the photo again.")
    return desk.find_folder("drafts", uid) / "photos" / f"{photo.sha256}.{photo.suffix}"
