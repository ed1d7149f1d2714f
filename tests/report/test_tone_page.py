"""The page on tone: drawn from the record alone, with the filled places the most different first."""

import math
from dataclasses import replace

import numpy as np
import pytest

from rakelight.colour.uniformity import measure_spread
from rakelight.core.settings import ReportSettings
from rakelight.report import client
from rakelight.report.tone_page import collect_tone_page, has_tone
from rakelight.report.words import load_words

from .test_work_sheet import needs_reader, read_pdf

SMALL = ReportSettings(map_max_side_px=900)


def patch(number, gap, **changes):
    """One patch as a record keeps it."""
    tone = {
        "L": 60.0 - (gap or 0),
        "a": 0.5,
        "b": 4.0,
        "ring_L": 60.0,
        "ring_a": 0.5,
        "ring_b": 4.0,
    }
    return {
        "patch_id": number,
        **tone,
        "dE00": gap,
        "words": "darker",
        "reads_as_spot": (gap or 0) >= 2,
    } | changes


@pytest.fixture(scope="module")
def toned(bench):
    """The bench with a tone that was read and three filled places, one of them not judged."""
    figures = measure_spread(bench.colour.table) | {
        "grid_mm": 50.0, "grey": "patch", "verdict": "uneven", "sentence": "It varies.", "lines": [],
        "blotches": [], "zones": [], "drift": [],
        "patches": [patch(3, 1.2), patch(8, 4.6), patch(9, None, words="too small to judge", reads_as_spot=False)],
    }  # fmt: skip
    return replace(bench, colour=replace(bench.colour, figures=figures))


def test_most_different_patch_stands_first(toned):
    """Number 8 at 4.6 dE00 leads, the one that was not judged is last and says why."""
    told = collect_tone_page(toned, load_words("en"))
    assert ["No. 8   4.6 dE00", "No. 3   1.2 dE00", "No. 9"] == [p["name"] for p in told["patches"]]
    assert [True, False, False] == [p["is_spot"] for p in told["patches"]]
    assert told["patches"][2]["tone"] == "too small to judge"
    assert "1 of 3" in told["count"]


def test_swatches_show_the_tones_that_were_read(toned):
    """L* 60 with little colour is about sRGB 145; the darker patch is darker in every channel."""
    first = collect_tone_page(toned, load_words("en"))["patches"][0]
    inner, outer = (
        np.array([int(code[i : i + 2], 16) for i in (1, 3, 5)])
        for code in (first["inner"], first["outer"])
    )
    assert (inner < outer).all()
    assert math.isclose(outer.mean(), 144, abs_tol=4)  # L* 60 is Y = .281, sRGB code 144


def test_record_without_tone_has_no_page(bench):
    """Nothing read: no page and no pictures."""
    assert not has_tone(bench)
    assert collect_tone_page(bench, load_words("en")) is None
    assert "tone.jpg" not in client.draw_pictures(bench, SMALL)


@needs_reader
@pytest.mark.parametrize("language", ["en", "de", "es"])
def test_page_is_printed(toned, tmp_path, language):
    """The report grows by a page that names the patches."""
    settings = replace(SMALL, language=language)
    pages = read_pdf(client.write_client_report(toned, tmp_path / "r.pdf", settings=settings))
    assert len(pages) >= 3
    assert any("4.6 dE00" in page.replace("4,6", "4.6") for page in pages[2:])
