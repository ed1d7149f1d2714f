"""Sentences of a record in inches: worked by hand, and nothing of mm left over on a page."""

import re

import pytest

from rakelight.core.settings import ReportSettings
from rakelight.report import client, work_sheet
from rakelight.report.units import say_in


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # 300 / 25.4 = 11.81 = 11 13/16; 500 / 25.4 = 19.685 = 19 11/16; 6 / 25.4 = 0.236.
        ("hone a 300 mm test strip", 'hone a 11 13/16" test strip'),
        ("pits of 2 to 15 mm", 'pits of 0.08" to 0.59"'),
        ("a 500 x 500 mm field", 'a 19 11/16" x 19 11/16" field'),
        ("Lifts of at most 3 mm.", 'Lifts of at most 0.12".'),
        ("One pixel is 0.165 mm", 'One pixel is 0.0065"'),
        ("Ein Pixel ist 0,165 mm", 'Ein Pixel ist 0,0065"'),
        # 1485 x 0.09290304 = 138; 50 x 0.0929 = 4.6; 0.27 / 0.0929 = 2.91.
        ("1485 pits per m2, above 50 per m2", "138 pits per ft², above 4.6 per ft²"),
        ("25 min per m2", "2.3 min per ft²"),
        ("0.27 m2 seen", "2.91 ft² seen"),
        ("photo IMG_300 mm2 left alone", "photo IMG_300 mm² left alone"),
        ("2 per ft2", "2 per ft²"),
    ],
)
def test_sentences_in_inches(text, expected):
    """Expected: rounded by hand as the comments say."""
    assert expected == say_in(text, "in")


@pytest.mark.parametrize("text", ["hone a 300 mm test strip", "pits of 2 to 15 mm"])
def test_mm_stay_as_they_are(text):
    """Nothing is turned when mm were chosen."""
    assert text == say_in(text, "mm")


def test_no_length_in_mm_is_left_on_a_page_in_inches(bench):
    """Every text of sheet and report, searched for a number with mm; the table's own mm columns stay."""
    settings = ReportSettings(units="in")
    told = {
        "sheet": work_sheet.collect_work_sheet(bench, settings),
        "report": client.collect_client_report(bench, settings),
    }
    left = [line for line in _walk(told) if re.search(r"\d\s?mm\b", line)]
    assert left == []


def _walk(value):
    if isinstance(value, dict):
        for key, entry in value.items():
            if key not in ("words", "change_words", "choice_words"):
                yield from _walk(entry)
    elif isinstance(value, (list, tuple)):
        for entry in value:
            yield from _walk(entry)
    elif isinstance(value, str):
        yield value
