"""Kept copies of photos."""

import hashlib
import os
import stat

import pytest

from rakelight.core.errors import LogError
from rakelight.log.photos import PhotoFolder, choose_suffix, hash_file


def test_copy_lies_under_its_sha256(tmp_path, photo):
    """The copy has the photo's bytes, its SHA-256 as name, and cannot be written."""
    folder = PhotoFolder(tmp_path / "photos")
    place = folder.accept(folder.copy_in(photo))
    digest = hashlib.sha256(photo.read_bytes()).hexdigest()
    assert tmp_path / "photos" / digest[:2] / f"{digest}.jpg" == place
    assert photo.read_bytes() == place.read_bytes()
    assert 0 == stat.S_IMODE(os.stat(place).st_mode) & 0o222
    assert digest == hash_file(place)
    assert [] == folder.list_passing()


def test_same_photo_twice_is_one_file(tmp_path, photo):
    """Equal bytes are kept once."""
    folder = PhotoFolder(tmp_path / "photos")
    assert folder.accept(folder.copy_in(photo)) == folder.accept(folder.copy_in(photo))
    assert 1 == len(list(folder.list_kept()))
    assert [] == folder.list_passing()


def test_nothing_is_named_before_it_is_accepted(tmp_path, photo):
    """A waiting copy is no kept photo, and can be dropped."""
    folder = PhotoFolder(tmp_path / "photos")
    waiting = folder.copy_in(photo)
    assert [] == list(folder.list_kept())
    folder.drop(waiting)
    assert [] == folder.list_passing()


def test_failed_copy_leaves_nothing(tmp_path):
    """A copy that breaks off half-way is taken away again."""

    def pieces():
        yield b"half"
        raise OSError(28, "No space left on device")

    folder = PhotoFolder(tmp_path / "photos")
    with pytest.raises(OSError, match="No space"):
        folder.write_in_pieces(pieces(), ".jpg")
    assert [] == folder.list_passing()


def test_missing_photo(tmp_path):
    """A photo that is not there is named."""
    with pytest.raises(LogError, match=r"There is no photo .*gone\.jpg"):
        PhotoFolder(tmp_path).copy_in(tmp_path / "gone.jpg")


@pytest.mark.parametrize(
    ("name", "suffix"),
    [("a.JPG", ".jpg"), ("b.heic", ".heic"), ("c.exe", ""), ("d", ""), ("e.jpg.sh", "")],
)
def test_endings(name, suffix):
    """Only endings of pictures are kept, in small letters."""
    assert suffix == choose_suffix(name)
