"""What was agreed: clear errors, limits with the agreed smallest size, verdicts only then."""

import math

import numpy as np
import pytest

from rakelight.core.errors import SettingsError
from rakelight.grade.agreed import list_limits, narrow_to_face, parse_agreed, read_agreed
from rakelight.grade.regions import describe_agreed, judge_agreed

WHOLE = """
smallest_mm = 2.0
area_percent = 0.6
viewing_distance_mm = 600
sample = "tile 3"
signed_on = 2026-03-02
"""
ZONES = """
[[zones]]
name = "back"
from_left_mm = 0
from_front_mm = 500
width_mm = 1000
depth_mm = 200
character = true
[[zones]]
name = "bar"
outline_mm = [[600, 200], [900, 200], [900, 600], [600, 600]]
area_percent = 0.1
"""


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("area_percent = 1", "'smallest_mm' is missing"),
        ("smalest_mm = 2", "'smalest_mm'"),
        ('smallest_mm = "2"', "must be a number, not text"),
        ("smallest_mm = -1\narea_percent = 1", "above 0"),
        ("smallest_mm = 2", "states no limit"),
        ('smallest_mm = 2\nscheme = "dbv_p"', "scheme and class together"),
        ('smallest_mm = 2\nscheme = "dbv_p"\nclass = "P9"', "it has P4, P3, P2, P1"),
        ('smallest_mm = 2\nscheme = "abc"\nclass = "P1"', "no scheme 'abc'"),
        ('smallest_mm = 2\nscheme = "wallonia_1999"\nclass = "not refused"', "depths"),
        ("smallest_mm = 2\narea_percent = 1\nschema = 2", "schema"),
        ("smallest_mm = 2\narea_percent = 120", "area_percent"),
        ('smallest_mm = 2\narea_percent = 1\n[[zones]]\nname = "a"', "from_left_mm"),
        ("smallest_mm = 2\n[[", "TOML"),
    ],
)
def test_wrong_files_are_told_in_one_sentence(text, word):
    """Every mistake names the entry and what would be right."""
    with pytest.raises(SettingsError) as caught:
        parse_agreed(text)
    message = str(caught.value)
    assert word in message and message.startswith("agreed.toml") and "\n" not in message


def test_character_and_limit_exclude_each_other():
    """A zone cannot be left as character and have a limit."""
    text = WHOLE + ZONES.replace("character = true", "character = true\nlargest_mm = 5")
    with pytest.raises(SettingsError, match="character"):
        parse_agreed(text)


def test_a_missing_file_is_told(tmp_path):
    """A file that is not there is one sentence."""
    with pytest.raises(SettingsError, match="There is no file"):
        read_agreed(tmp_path / "agreed.toml")


def test_limits_count_from_the_agreed_smallest():
    """The agreed smallest size replaces the scheme's own lower end."""
    text = (
        'smallest_mm = 3\nscheme = "dbv_p"\nclass = "P2"\nper_ft2 = 2\nper_m2 = 20\nlargest_mm = 9'
    )
    agreed = parse_agreed(text)
    limits = list_limits(agreed, agreed)
    found = [(one.kind, one.limit, one.counted_mm, one.window_mm) for one in limits]
    assert found == [
        ("area_ratio", 0.9, (3.0, 15.0), (500.0, 500.0)),
        ("pit_rate", 2.0, (3.0, math.inf), (304.8, 304.8)),
        ("pit_rate", 20.0, (3.0, math.inf), (1000.0, 1000.0)),
        ("largest_void", 9.0, (3.0, math.inf), (0.0, 0.0)),
    ]


def test_faces_replace_the_terms_or_do_not_count():
    """A face's own limit wins, a face that does not count gives nothing, others are errors."""
    faces = """
    [[faces]]
    name = "top"
    largest_mm = 6
    [[faces]]
    name = "underside"
    counts = false
    """
    agreed = parse_agreed(WHOLE + faces)
    top = narrow_to_face(agreed, "top")
    assert [one.kind for one in list_limits(top, top)] == ["largest_void"]
    assert narrow_to_face(agreed) == narrow_to_face(agreed, "Top") == top
    assert narrow_to_face(agreed, "underside") is None
    with pytest.raises(SettingsError, match="top, underside"):
        narrow_to_face(agreed, "edge")


def test_verdicts_follow_the_whole_range(make_face, spread_pits):
    """Clearly under is met, clearly over is not, and near the limit the photo cannot tell."""
    face, agreed = make_face(500, 500), parse_agreed(WHOLE)
    verdicts = []
    for n in (10, 34, 60):
        pits = spread_pits([(7.0, n)], (500, 500)).assign(diameter_sd_mm=0.5)
        entry = judge_agreed(agreed, pits, face, smallest_countable_mm=1.0)[0]
        verdicts.append(entry["is_met"])
    assert verdicts == [True, None, False]


def test_a_coarse_photo_cannot_call_a_count_met(make_face, make_pits):
    """A photo that starts at 4 mm cannot say that fewer than two pits of 2 mm are there."""
    face = make_face(700, 700)
    agreed = parse_agreed("smallest_mm = 2\nper_ft2 = 2")
    pits = make_pits([100], [100], 5.0)
    fine = judge_agreed(agreed, pits, face, smallest_countable_mm=1.5)[0]
    coarse = judge_agreed(agreed, pits, face, smallest_countable_mm=4.0)[0]
    assert (fine["is_met"], coarse["is_met"]) == (True, None)


def test_zones_have_their_own_limits_and_character_is_left(make_face, make_pits):
    """Pits at the back are left as character; the same pits in the bar break its own limit."""
    agreed = parse_agreed(WHOLE + ZONES)
    face = make_face(1000, 700)
    i = np.arange(20)
    at_back = make_pits(100 + 40 * i, 60 + 3 * (i % 5), 8.0)
    entries = judge_agreed(agreed, at_back, face, smallest_countable_mm=1.0)
    assert [e["zone"] for e in entries] == ["back", "bar", ""]
    assert entries[0]["kind"] == "character" and entries[0]["is_met"] is None
    assert entries[1]["value"] == entries[2]["value"] == 0.0
    in_bar = make_pits(610 + 14 * i, 400 + 3 * (i % 5), 8.0)
    bar = judge_agreed(agreed, in_bar, face, smallest_countable_mm=1.0)[1]
    assert bar["is_met"] is False
    # Less than half a window fits into the zone, so all of it is the test area.
    assert bar["value"] == pytest.approx(100 * 20 * math.pi * 16 / (300 * 400), rel=1e-6)


def test_description_holds_what_pages_print(make_face, spread_pits):
    """The mapping for pages holds terms, sample and date, and one verdict over all limits."""
    agreed = parse_agreed(WHOLE)
    entries = judge_agreed(
        agreed, spread_pits([(9.0, 80)], (500, 500)), make_face(500, 500), smallest_countable_mm=1
    )
    told = describe_agreed(agreed, entries)
    assert (told["sample"], told["signed_on"], told["is_met"]) == ("tile 3", "2026-03-02", False)
    assert "over what was agreed" in told["sentence"]
