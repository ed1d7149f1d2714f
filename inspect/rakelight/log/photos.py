"""Photos kept beside the log: copies without a position, under the SHA-256 of their bytes.

Two photos with the same bytes are one file. A file appears whole or not at all: it is written
under a passing name, flushed to the disk and only then given its name.
"""

import hashlib
import os
import uuid
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from ..core.errors import LogError
from ..core.position import blank_position

PASSING = "passing"
CHUNK_BYTES = 1 << 20
SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".dng", ".bmp")


@dataclass(frozen=True, slots=True)
class Waiting:
    """A photo copied but not yet given its name: path, its SHA-256, its length and its suffix.

    source_sha256 : of the file it was copied from, which differs when that held a position.
    """

    path: Path
    sha256: str
    n_bytes: int
    suffix: str
    source_sha256: str = ""


@dataclass(frozen=True, slots=True)
class PhotoFolder:
    """The folder of kept photos: two hex digits, then the SHA-256 as name."""

    root: Path

    def place(self, sha256: str, suffix: str) -> Path:
        """Return where the photo with this SHA-256 lies, whether or not it is there."""
        return self.root / sha256[:2] / f"{sha256}{suffix}"

    def copy_in(self, source: Path) -> Waiting:
        """Return a copy of a file that waits for its name; nothing else has changed yet.

        The copy is the file byte for byte, but for where it was taken: that is blanked.
        """
        try:
            data = source.read_bytes()
        except FileNotFoundError:
            raise LogError(
                f"There is no photo {source}; name the file that was inspected."
            ) from None
        waiting = self._write([blank_position(data)], choose_suffix(source))
        return replace(waiting, source_sha256=hashlib.sha256(data).hexdigest())

    def write_in(self, data: bytes, suffix: str) -> Waiting:
        """Return bytes written to the disk that wait for their name."""
        return self._write([data], suffix)

    def write_in_pieces(self, pieces: Iterable[bytes], suffix: str) -> Waiting:
        """Return a file written piece by piece that waits for its name."""
        return self._write(pieces, suffix)

    def accept(self, waiting: Waiting) -> Path:
        """Give a waiting photo its name. Call inside a writing transaction of the log."""
        place = self.place(waiting.sha256, waiting.suffix)
        if place.exists():
            waiting.path.unlink(missing_ok=True)
            return place
        place.parent.mkdir(parents=True, exist_ok=True)
        os.replace(waiting.path, place)
        flush_folder(place.parent)
        return place

    def drop(self, waiting: Waiting) -> None:
        """Forget a waiting photo."""
        waiting.path.unlink(missing_ok=True)

    def list_kept(self) -> Iterator[Path]:
        """Yield every kept file."""
        for folder in sorted(self.root.glob("[0-9a-f][0-9a-f]")):
            yield from sorted(path for path in folder.iterdir() if path.is_file())

    def list_passing(self) -> list[Path]:
        """Return files that a killed run left without a name."""
        folder = self.root / PASSING
        return sorted(folder.iterdir()) if folder.is_dir() else []

    def _write(self, chunks: Iterable[bytes], suffix: str) -> Waiting:
        folder = self.root / PASSING
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / uuid.uuid4().hex
        digest, n_bytes = hashlib.sha256(), 0
        try:
            with open(path, "xb") as file:
                for chunk in chunks:
                    digest.update(chunk)
                    n_bytes += len(chunk)
                    file.write(chunk)
                file.flush()
                os.fsync(file.fileno())
            path.chmod(0o444)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return Waiting(path, digest.hexdigest(), n_bytes, suffix)


def choose_suffix(name: str | Path) -> str:
    """Return the file ending to keep a photo under: lower case, of a known kind, or none."""
    suffix = Path(name).suffix.lower()
    return suffix if suffix in SUFFIXES else ""


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes as hex."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def flush_folder(folder: Path) -> None:
    """Make sure that the names in a folder survive a power cut, where the system can."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows does not open folders
        return
    try:
        os.fsync(handle)
    except OSError:  # nor do some network drives flush them
        return
    finally:
        os.close(handle)
