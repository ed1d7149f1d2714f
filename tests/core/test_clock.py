"""When a photo was taken, told the same to everybody."""

import datetime

import pytest

from rakelight.core.clock import read_clock, settle_moment

CAMERA = [{"exif": {"DateTimeOriginal": "2026:03:07 10:11:12"}}]


def test_the_cameras_own_clock_is_read():
    """EXIF says 7 March 2026; a clock that says year 0, 1970 or 9999 is not believed; the next photo is asked."""
    assert datetime.datetime(2026, 3, 7, 10, 11, 12) == read_clock(CAMERA)
    for wrong in (
        "0000:00:00 00:00:00",
        "1970:01:01 00:00:00",
        "9999:01:01 00:00:00",
        "",
        "yesterday",
        7,
        None,
    ):
        assert read_clock([{"exif": {"DateTimeOriginal": wrong}}]) is None
        assert read_clock([{"exif": {"DateTimeOriginal": wrong}}, *CAMERA]) is not None
    assert read_clock([]) is None
    assert read_clock([{}, {"exif": None}]) is None


@pytest.mark.parametrize(
    ("photos", "day", "expected"),
    [
        (CAMERA, None, datetime.datetime(2026, 3, 7, 10, 11, 12)),
        (CAMERA, datetime.date(2026, 3, 7), datetime.datetime(2026, 3, 7, 10, 11, 12)),
        (CAMERA, datetime.date(2026, 3, 5), datetime.datetime(2026, 3, 5, 12)),
        ([], datetime.date(2026, 3, 5), datetime.datetime(2026, 3, 5, 12)),
    ],
)
def test_a_day_that_was_said_beats_the_camera(photos, day, expected):
    """The camera's hour is kept on its own day; another day that was said stands for its noon."""
    moment = settle_moment(photos, day)
    assert expected == moment.replace(tzinfo=None)
    assert moment.tzinfo is not None


def test_nothing_known_is_nothing():
    """Neither camera nor person said anything."""
    assert settle_moment([{"exif": {}}]) is None
