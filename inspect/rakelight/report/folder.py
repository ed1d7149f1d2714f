"""One inspection as a folder: written beside its place, then moved there whole.

How the move works. All files are written into a hidden folder next to the wanted one and
flushed to the disk. Then:

- nothing is there yet: one rename;
- an older inspection is there and the system can exchange two folders in one step (Linux,
  macOS): one exchange, after which the hidden name holds the old result and is removed;
- elsewhere (Windows, network file systems): the old folder is renamed to a hidden name, the
  new one is renamed into place, the old one is removed. Between the two renames the wanted
  name is missing for an instant; a run killed exactly there is mended by the next run, which
  puts the old result back first.

Whatever kills a run, the folder holds the old result or the new one, never a mixture, and the
next run removes hidden folders that dead runs left behind.
"""

import contextlib
import errno
import os
import secrets
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from rakelight.core.checks import say_write_trouble
from rakelight.core.errors import OutputError
from rakelight.core.records import Inspection
from rakelight.core.settings import ReportSettings
from rakelight.core.tables import INSPECTION_FILES, RECORD_FILE

from . import exports, figures
from .client import write_client_report
from .exchange import exchange_folders, hold_folder, is_folder_held
from .record import write_record
from .work_sheet import write_work_sheet

_LEFT_BY_DESKTOPS = (".DS_Store", "Thumbs.db", "desktop.ini")
_PNG_LEVEL = 2  # quick; the map is made for a screen, not for an archive
_STALE_AFTER_S = 24 * 3600.0
_TRIES = 5


@dataclass(frozen=True, slots=True)
class FolderKind:
    """What a folder of ours holds: its files in order; the first of them marks it as ours.

    also : files that may lie there besides and are replaced with it.
    """

    files: tuple[str, ...]
    also: frozenset[str] = frozenset()


INSPECTION_FOLDER = FolderKind(
    (*INSPECTION_FILES, RECORD_FILE), frozenset({"change.csv", "change.png", "report.html"})
)


def write_inspection(
    inspection: Inspection, out_dir: str | Path, *, settings: ReportSettings | None = None
) -> list[Path]:
    """Write the ten files of one inspection and its whole record; return their paths.

    Parameters
    ----------
    inspection : Inspection
        The record; nothing in it is changed.
    out_dir : path
        Folder to make or, when it is an older inspection, to replace whole.
    settings : ReportSettings
        Units, paper, language; the files for other programs are in mm whatever is chosen.

    Raises
    ------
    OutputError
        When the place is a file, holds anything that is not ours, cannot be written or is
        full. Nothing half-written is left then, nor when the run is interrupted.

    Source: our choice; see the head of this module.
    """
    settings = settings or ReportSettings()
    return write_folder(
        out_dir, INSPECTION_FOLDER, lambda folder: _write_files(inspection, folder, settings)
    )


def check_place(out_dir: str | Path, kind: FolderKind = INSPECTION_FOLDER) -> None:
    """Raise an OutputError when `write_folder` could not write there now; nothing is left behind."""
    target = _resolve(out_dir)
    with _plain_errors(target):
        _check_target(target, kind)
        nearest = next(parent for parent in target.parents if os.path.lexists(parent))
        with tempfile.TemporaryDirectory(prefix=f".{target.name}.rakelight-", dir=nearest):
            pass


def write_folder(
    out_dir: str | Path, kind: FolderKind, write: Callable[[Path], None]
) -> list[Path]:
    """Let `write` fill a hidden folder, move it into place whole and return the files' paths."""
    target = _resolve(out_dir)
    with _plain_errors(target):
        _check_target(target, kind)
        with _parents(target), _hidden_folder(target) as fresh:
            _check_target(target, kind)
            write(fresh)
            for name in kind.files:
                _flush_to_disk(fresh / name)
            _flush_to_disk(fresh)
            _put_in_place(fresh, target)
    return [target / name for name in kind.files]


def recover_folder(target: str | Path) -> None:
    """Put back a result that a killed run left under a hidden name, and remove dead leftovers."""
    target = Path(target)
    for old in _list_hidden(target, "old"):
        if target.exists():
            _remove_hidden(old, target)
        else:
            os.rename(old, target)
    for leftover in [*_list_hidden(target, "new"), *_list_hidden(target, "gone")]:
        if _is_stale(leftover):
            shutil.rmtree(leftover, ignore_errors=True)


def _write_files(inspection: Inspection, folder: Path, settings: ReportSettings) -> None:
    exports.write_summary(inspection, folder / "summary.json")
    exports.write_tables(inspection, folder)
    exports.write_zones(inspection, folder / "zones.geojson")
    write_png(figures.draw_map(inspection, settings=settings), folder / "map.png")
    write_png(figures.draw_heat(inspection, settings=settings), folder / "heat.png")
    write_work_sheet(inspection, folder / "work_sheet.pdf", settings=settings)
    write_client_report(inspection, folder / "report.pdf", settings=settings)
    write_record(inspection, folder)


def write_png(rgb: np.ndarray, path: Path) -> Path:
    """Write a picture as PNG and return its path."""
    options = [cv2.IMWRITE_PNG_COMPRESSION, _PNG_LEVEL]
    _, content = cv2.imencode(".png", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), options)
    path.write_bytes(content.tobytes())
    return path


@contextlib.contextmanager
def _parents(target: Path) -> Iterator[None]:
    """Make the folders above the target; take them away again when nothing came of it."""
    missing = [parent for parent in target.parents if not parent.exists()]
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        recover_folder(target)
        yield
    except BaseException:
        for parent in missing:
            with contextlib.suppress(OSError):
                parent.rmdir()
        raise


@contextlib.contextmanager
def _hidden_folder(target: Path) -> Iterator[Path]:
    """Make a hidden folder beside the target, held by a lock that dies with this process."""
    fresh = _name_hidden(target, "new")
    fresh.mkdir()
    handle = hold_folder(fresh)
    try:
        yield fresh
    finally:
        if handle is not None:
            os.close(handle)
        shutil.rmtree(fresh, ignore_errors=True)


def _resolve(out_dir: str | Path) -> Path:
    if not str(out_dir).strip():
        raise OutputError("Name a folder for the results.")
    # Through a link the folder it points to is replaced, not the link.
    return Path(os.path.realpath(out_dir))


def _check_target(target: Path, kind: FolderKind) -> None:
    if not os.path.lexists(target):
        return
    if not target.is_dir():
        raise OutputError(f"{target} is a file; name a folder for the results.")
    names = sorted(entry.name for entry in target.iterdir())
    if not names:
        return
    foreign = [name for name in names if name not in {*kind.files, *kind.also, *_LEFT_BY_DESKTOPS}]
    if foreign or kind.files[0] not in names:
        example = (foreign or names)[0]
        raise OutputError(
            f"{target} holds {example!r}, which is not a result of this kind; name another folder."
        )


def _put_in_place(fresh: Path, target: Path) -> None:
    for _ in range(_TRIES):
        if not target.exists() or not any(target.iterdir()):
            with contextlib.suppress(FileExistsError):
                _rename_over_nothing(fresh, target)
                _flush_to_disk(target.parent)
                return
        elif exchange_folders(fresh, target):
            _flush_to_disk(target.parent)
            return
        else:
            _step_aside(target)
    raise OutputError(f"{target} is being written by another run; wait for it or name another.")


def _rename_over_nothing(fresh: Path, target: Path) -> None:
    try:
        if target.exists() and os.name == "nt":
            target.rmdir()
        os.rename(fresh, target)
    except OSError as trouble:
        if trouble.errno in (errno.ENOTEMPTY, errno.EEXIST):
            raise FileExistsError(str(target)) from None
        raise
    finally:
        for old in _list_hidden(target, "old"):
            if target.exists():
                _remove_hidden(old, target)


def _step_aside(target: Path) -> None:
    """Give the old result a hidden name, from which the next run restores it if need be."""
    os.rename(target, _name_hidden(target, "old"))


def _remove_hidden(old: Path, target: Path) -> None:
    """Remove an old result under a name that is never restored, so that no half comes back."""
    gone = _name_hidden(target, "gone")
    with contextlib.suppress(OSError):
        os.rename(old, gone)
        shutil.rmtree(gone, ignore_errors=True)


def _name_hidden(target: Path, role: str) -> Path:
    return target.parent / f".{target.name}.rakelight-{role}-{secrets.token_hex(6)}"


def _list_hidden(target: Path, role: str) -> list[Path]:
    if not target.parent.is_dir():
        return []
    start = f".{target.name}.rakelight-{role}-"
    return sorted(entry for entry in target.parent.iterdir() if entry.name.startswith(start))


def _is_stale(folder: Path) -> bool:
    """Whether no living run holds a hidden folder, or it is so old that none can."""
    is_held = is_folder_held(folder)
    if is_held is not None:
        return not is_held
    with contextlib.suppress(OSError):
        return time.time() - folder.stat().st_mtime > _STALE_AFTER_S
    return False


def _flush_to_disk(path: Path) -> None:
    """Ask the system to put a file or a folder's names on the disk, where it can be asked."""
    if path.is_dir() and os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    except OSError as trouble:
        # Some network file systems cannot flush; a full disk shows here and must be told.
        if trouble.errno in (errno.ENOSPC, errno.EIO, errno.EDQUOT):
            raise
    finally:
        os.close(handle)


@contextlib.contextmanager
def _plain_errors(target: Path) -> Iterator[None]:
    """Turn what the system says into one sentence a person can act on."""
    try:
        yield
    except OSError as trouble:
        raise OutputError(say_write_trouble(trouble, target)) from None
