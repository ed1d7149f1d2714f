"""Where the photos of a batch lie: a folder, a pattern or an address that fsspec knows.

Catalogue: `list_photos`, `read_bytes`, `join_place`. Plain folders need no extra package;
an address such as `s3://bucket/2026` or `memory://bench` needs the extra `cluster`.
"""

import glob
import os
from pathlib import Path, PurePosixPath
from typing import Any

from ..core.errors import PhotoError, SettingsError

PHOTO_SUFFIXES = frozenset((
    ".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".bmp", ".gif", ".heic", ".heif",
    ".dng", ".cr2", ".cr3", ".nef", ".nrw", ".arw", ".raf", ".orf", ".rw2", ".pef", ".srw",
))  # fmt: skip
# A folder that holds one of these is a result of ours: its pictures are no photos.
MADE_HERE = frozenset(("summary.json", "trends.csv"))
_PATTERN_SIGNS = frozenset("*?[")
# What the stores behind fsspec raise when they are asked for what is not there or not allowed.
STORE_TROUBLE = (OSError, ValueError, RuntimeError, ImportError)


def is_address(place: str) -> bool:
    """Return whether a place is an address for fsspec and not a path of this computer."""
    return "://" in place or "::" in place


def list_photos(place: str) -> tuple[str, list[str]]:
    """Return the folder that names are counted from, and every photo below a place, sorted.

    Parameters
    ----------
    place : str
        Folder, pattern (`*`, `?`, `[...]`, `**`) or address of one of these.

    Pictures that an inspection or a batch wrote into a folder are left aside.

    Raises
    ------
    SettingsError
        When there is no such place or it holds no photo.
    """
    base, names = _list_store(place) if is_address(place) else _list_disk(place)
    made = {split_place(name)[0] for name in names if split_place(name)[1] in MADE_HERE}
    photos = sorted(name for name in names if _is_photo(name) and split_place(name)[0] not in made)
    if not photos:
        raise SettingsError(
            f"There is no photo in {place}; name a folder, a pattern or a manifest."
        )
    return base, photos


def read_bytes(place: str) -> bytes:
    """Return the bytes of a file; a PhotoError names it when they cannot be had."""
    try:
        if not is_address(place):
            return Path(place).read_bytes()
        store, name = open_store(place)
        return store.cat_file(name)
    except FileNotFoundError:
        raise PhotoError(f"There is no file {place}; check the name and the folder.") from None
    except IsADirectoryError:
        raise PhotoError(f"{place} is a folder; name a photo inside it.") from None
    except STORE_TROUBLE as trouble:
        raise PhotoError(
            f"{place} could not be read ({_first_line(trouble)}); try again."
        ) from None


def open_store(address: str) -> tuple[Any, str]:
    """Return the file system of an address and the name inside it."""
    try:
        from fsspec.core import url_to_fs
    except ImportError:
        raise SettingsError(
            'An address needs one more package: run pip install "rakelight[cluster]".'
        ) from None
    try:
        return url_to_fs(address)
    except STORE_TROUBLE as trouble:
        raise SettingsError(f"{address} cannot be opened ({_first_line(trouble)}).") from None


def join_place(folder: str, name: str) -> str:
    """Return a name seen from a folder; a whole path or address stays as it is."""
    if is_address(name) or os.path.isabs(name):
        return name
    if is_address(folder):
        return f"{folder.rstrip('/')}/{name}"
    return str(Path(folder) / name)


def split_place(place: str) -> tuple[str, str]:
    """Return the folder of a file and its name."""
    if is_address(place):
        folder, _, name = place.rpartition("/")
        return folder, name
    path = Path(place)
    return str(path.parent), path.name


def name_folder(place: str) -> str:
    """Return the name of a folder, also of one that was named as `.`."""
    if is_address(place):
        return split_place(place.rstrip("/"))[1]
    return Path(place).resolve().name


def name_inside(folder: str, base: str) -> str:
    """Return a folder as seen from the one it lies in, with `/` between its parts; empty for itself."""
    if is_address(folder):
        return folder[len(base) :].strip("/") if folder.startswith(base) else split_place(folder)[1]
    inner = os.path.relpath(folder, base)
    return "" if inner == "." else Path(inner).as_posix()


def _list_disk(place: str) -> tuple[str, list[str]]:
    path = Path(place).expanduser()
    if path.is_dir():
        return str(path), [str(file) for file in path.rglob("*") if file.is_file()]
    if path.is_file():
        return str(path.parent), [str(path)]
    if not _PATTERN_SIGNS & set(place):
        raise SettingsError(f"There is no folder {place}; check the name.")
    names = glob.glob(str(path), recursive=True)
    return _fixed_part(str(path), os.sep), [name for name in names if os.path.isfile(name)]


def _list_store(place: str) -> tuple[str, list[str]]:
    store, inner = open_store(place)
    try:
        if _PATTERN_SIGNS & set(inner):
            names, base = store.glob(inner), _fixed_part(inner, "/")
        else:
            names, base = store.find(inner), inner
        return store.unstrip_protocol(base), [store.unstrip_protocol(name) for name in names]
    except STORE_TROUBLE as trouble:
        raise SettingsError(f"{place} cannot be listed ({_first_line(trouble)}).") from None


def _fixed_part(pattern: str, separator: str) -> str:
    """The folders of a pattern before its first sign."""
    kept = []
    for part in pattern.split(separator)[:-1]:
        if _PATTERN_SIGNS & set(part):
            break
        kept.append(part)
    return separator.join(kept) or ("." if not pattern.startswith(separator) else separator)


def _is_photo(name: str) -> bool:
    path = PurePosixPath(name.replace("\\", "/"))
    return path.suffix.lower() in PHOTO_SUFFIXES and not path.name.startswith(".")


def _first_line(trouble: BaseException) -> str:
    return (str(trouble).splitlines() or [type(trouble).__name__])[0][:200]
