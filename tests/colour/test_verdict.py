"""The colour figures in one word and one sentence."""

import math

import pytest

from rakelight.colour.verdict import describe_evenness, judge_evenness

EVEN = {
    "n_cells": 100, "spread_dE00": {"p95": 0.9, "max": 1.4}, "grey_scale": {"half_grade": "4-5"},
    "drift": [], "zones": [], "blotches": [], "lines": [],
}  # fmt: skip
DRIFT = {
    "from": "left", "to": "right", "dE00": 2.1, "low": 1.6, "high": 2.6, "words": "lighter",
    "verdict": "drift", "is_separated": True,
}  # fmt: skip


def test_nothing_stands_out():
    """An even face is even, with its figures and the grade named as a reading aid."""
    assert "even" == judge_evenness(EVEN)
    sentence = describe_evenness(EVEN)
    assert "0.9 dE00" in sentence and "4-5, a reading aid" in sentence and "nothing stands out" in sentence


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"spread_dE00": {"p95": 2.4, "max": 5.0}}, "2.4 dE00"),
        ({"blotches": [{}]}, "1 blotch"),
        ({"blotches": [{}, {}]}, "2 blotches"),
        ({"lines": [{"kind": "joint", "dE00": 1.6}]}, "steps by 1.6"),
        ({"lines": [{"kind": "pitch", "pitch_mm": 150.0}]}, "every 150 mm"),
        ({"drift": [DRIFT]}, "lighter from left to right by 2.1 dE00 (1.6 to 2.6)"),
        (
            {"zones": [{"zones": ("A", "B"), "words": "darker", "dE00": 1.8, "verdict": "drift"}]},
            "zone B is darker than zone A by 1.8",
        ),
    ],
)
def test_what_stands_out_makes_it_uneven(change, words):
    """Each kind of unevenness gives the verdict and its own words."""
    assert "uneven" == judge_evenness(EVEN | change)
    assert words in describe_evenness(EVEN | change)


def test_a_coarse_file_widens_the_limit():
    """A spread of 2.2 dE00 is uneven in a fine photo, and may be rounding in one known to 0.6 dE00 only."""
    spread = EVEN | {"spread_dE00": {"p95": 2.2, "max": 2.6}}
    assert "uneven" == judge_evenness(spread | {"noise_dE00": 0.2})
    assert "even" == judge_evenness(spread | {"noise_dE00": 0.6})


def test_a_hidden_drift_is_said():
    """One photo: not even, not uneven; the sentence says what is hidden."""
    figures = EVEN | {"drift": [DRIFT | {"verdict": "cannot_tell", "is_separated": False}]}
    assert "cannot_tell" == judge_evenness(figures)
    assert "from left to right cannot be told from the lamp" in describe_evenness(figures)
    unclear = EVEN | {"drift": [DRIFT | {"verdict": "cannot_tell"}]}
    assert "is not clear (up to 2.6 dE00)" in describe_evenness(unclear)


def test_one_photo_never_calls_a_face_even():
    """The lamp was read from the face itself: even where the face is too small for a drift to be fitted."""
    alone = EVEN | {"light": "model"}
    assert "cannot_tell" == judge_evenness(alone)
    assert "a slow drift of tone cannot be told from the lamp" in describe_evenness(alone)
    assert "even" == judge_evenness(EVEN | {"light": "flat"})
    assert "uneven" == judge_evenness(alone | {"blotches": [{}]})


def test_no_clean_face_is_no_answer():
    """Without a cell nothing is known."""
    empty = EVEN | {"n_cells": 0, "spread_dE00": {"p95": math.nan, "max": math.nan}}
    assert "cannot_tell" == judge_evenness(empty)
    assert "not known" in describe_evenness(empty)


def test_words_describe_and_never_judge():
    """No word of passing, failing, accepting or of a cause."""
    text = describe_evenness(EVEN | {"drift": [DRIFT], "blotches": [{}]}).lower()
    assert not any(word in text for word in ("pass", "fail", "accept", "reject", "because", "due to"))
