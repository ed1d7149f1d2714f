"""Photos on their way to the disk, and what was said about them."""

import numpy as np
import pytest

from rakelight.core.errors import PhotoError, SettingsError
from rakelight.screens import desk, drafts, errands


def test_a_photo_lies_under_its_checksum(home):
    """The name that a device gave is kept as words only; the file is named by its content."""
    draft = drafts.make_draft()
    photo = drafts.keep_photo(draft.uid, "../../evil.JPG", [b"abc", b"def"])
    path = drafts.place_photo(draft.uid, photo)
    assert b"abcdef" == path.read_bytes()
    assert path.parent == desk.find_folder("drafts", draft.uid) / "photos"
    assert f"{photo.sha256}.jpg" == path.name


def test_a_new_photo_takes_the_place_of_the_old(home):
    """Of each kind of light there is one photo; its corners are forgotten with it."""
    draft = drafts.make_draft(corners_px=((0, 0), (9, 0), (9, 9), (0, 9)))
    drafts.keep_photo(draft.uid, "a.jpg", [b"one"])
    drafts.change_draft(draft.uid, corners_px=((0, 0), (9, 0), (9, 9), (0, 9)))
    drafts.keep_photo(draft.uid, "s.jpg", [b"soft"], kind="soft")
    assert 4 == len(drafts.load_draft(draft.uid).corners_px)
    drafts.keep_photo(draft.uid, "b.jpg", [b"two"])
    kept = drafts.load_draft(draft.uid)
    assert {"b.jpg", "s.jpg"} == {photo.name for photo in kept.photos}
    assert () == kept.corners_px


@pytest.mark.parametrize(
    ("name", "pieces", "words"),
    [("a.txt", [b"x"], "not a photo"), ("a", [b"x"], "not a photo"), ("a.jpg", [], "empty")],
)
def test_what_is_no_photo_is_refused(home, name, pieces, words):
    """The sentence says what to do, and nothing is left on the disk."""
    draft = drafts.make_draft()
    with pytest.raises(PhotoError, match=words):
        drafts.keep_photo(draft.uid, name, pieces)
    left = list(desk.find_folder("drafts", draft.uid).rglob("*.part"))
    assert [] == left


def test_too_large_a_file_is_refused_on_the_way(home, monkeypatch):
    """A file beyond the limit ends while it is coming, not after it filled the disk."""
    monkeypatch.setattr(drafts, "MAX_PHOTO_BYTES", 10)
    draft = drafts.make_draft()
    with pytest.raises(PhotoError, match="larger than 2 GB"):
        drafts.keep_photo(draft.uid, "a.jpg", (b"12345" for _ in range(100)))
    assert [] == list(desk.find_folder("drafts", draft.uid).rglob("*.part"))


def test_a_damaged_draft_is_told(home):
    """A draft whose file is no longer whole is one sentence."""
    draft = drafts.make_draft()
    (desk.find_folder("drafts", draft.uid) / "draft.json").write_text("{", encoding="utf-8")
    with pytest.raises(SettingsError, match="start a new one"):
        drafts.load_draft(draft.uid)
    assert [] == drafts.list_drafts()


def test_found_corners_never_overwrite_tapped_ones(home):
    """What the edge finder offers is taken over once, and only where nothing was tapped."""
    tapped = ((1.0, 1.0), (8.0, 1.0), (8.0, 8.0), (1.0, 8.0))
    draft = drafts.make_draft()
    photo = drafts.keep_photo(draft.uid, "a.jpg", [b"one"])
    found = {"sha256": photo.sha256, "corners_px": [[0, 0], [9, 0], [9, 9], [0, 9]]}
    desk.write_plain(desk.find_folder("drafts", draft.uid) / "checked.json", found)
    draft = drafts.change_draft(draft.uid, corners_px=tapped)
    draft = drafts.take_over_check(draft)
    assert tapped == draft.corners_px
    draft = drafts.change_draft(draft.uid, corners_px=(), checked="")
    assert (0.0, 0.0) == drafts.take_over_check(draft).corners_px[0]


@pytest.mark.parametrize(
    ("corners", "lamp_photo_deg", "from_deg"),
    [
        (((0, 0), (9, 0), (9, 6), (0, 6)), 270.0, 270.0),
        # The photo was taken from the right end: the slab's back edge lies at the photo's left.
        (((0, 6), (0, 0), (9, 0), (9, 6)), 270.0, 0.0),
        (((9, 6), (0, 6), (0, 0), (9, 0)), 270.0, 90.0),
    ],
)
def test_lamp_side_turns_with_the_slab(home, corners, lamp_photo_deg, from_deg):
    """The lamp is put where it stands in the photo and told as a side of the slab."""
    draft = drafts.make_draft(corners_px=corners, lamp_photo_deg=lamp_photo_deg)
    assert from_deg == pytest.approx(errands.describe_lamp(draft).from_deg % 360)


def test_grey_card_counts_from_the_front(home):
    """A card 388 mm from the front of a 450 mm slab, 44 mm deep, begins 18 mm from the back."""
    draft = drafts.make_draft(slab_size="600 x 450", grey_card_mm=(18.0, 388.0, 64.0, 44.0))
    assert (18.0, 18.0, 64.0, 44.0) == errands.place_grey_card(draft)


def test_a_soft_photo_with_corners_of_its_own_goes_the_way_of_the_command(home):
    """The corners shown in it are given as `--soft-corners` gives them; without a soft-light photo there are none."""
    corners = ((10.0, 10.0), (110.0, 12.0), (108.0, 90.0), (9.0, 88.0))
    draft = drafts.make_draft(scale_way="mm_per_px", mm_per_px=0.2, soft_corners_px=corners)
    assert errands.describe_given(draft)[0].soft_corners_px is None
    drafts.keep_photo(draft.uid, "soft.jpg", [b"soft"], kind="soft")
    given, _ = errands.describe_given(drafts.change_draft(draft.uid, soft_corners_px=corners))
    assert np.array_equal(corners, given.soft_corners_px)
    assert given.soft_light is not None
