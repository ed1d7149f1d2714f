"""Life lines over many surveys."""

import dataclasses

import numpy as np
import pytest

from rakelight.compare.life import trace_life_lines
from rakelight.core.errors import CompareError
from rakelight.core.records import LIFE_COLUMNS, make_table

RNG = np.random.default_rng(2)
X, Y, SIZE = RNG.uniform(10, 1190, 40), RNG.uniform(10, 590, 40), RNG.uniform(2, 6, 40)


def visit(make_survey, make_pits, keep, stage, seed, **changes):
    """Return a survey at a stage that lists the chosen of forty fixed pits, in mixed order."""
    rng = np.random.default_rng(seed)
    keep = rng.permutation(keep)
    pits = make_pits(
        X[keep] + rng.normal(0, 0.2, len(keep)), Y[keep] + rng.normal(0, 0.2, len(keep)), SIZE[keep]
    )
    survey = make_survey(pits, **changes)
    return dataclasses.replace(survey, job={"stage": stage}), keep


def lives(make_survey, make_pits):
    """Return four surveys: as cast, honed, filled, two years later."""
    plan = [
        (np.arange(30), "after demold"),
        (np.arange(36), "after honing"),
        (np.arange(12), "after filling"),
        (np.r_[np.arange(12), 20, 33], "call-back"),
    ]
    return [visit(make_survey, make_pits, keep, stage, n) for n, (keep, stage) in enumerate(plan)]


def test_each_pit_keeps_its_line(make_survey, make_pits):
    """Open, new, closed and reopened pits are followed through four surveys."""
    visits = lives(make_survey, make_pits)
    table = trace_life_lines([survey for survey, _ in visits])
    assert 30 * 4 + 6 * 3 == len(table)
    first_keep = visits[0][1].tolist()
    for pit, expected in (
        (5, ["open", "open", "open", "open"]),
        (15, ["open", "open", "closed", "closed"]),
        (20, ["open", "open", "closed", "open"]),
    ):
        line = table[table["line_id"] == first_keep.index(pit) + 1]
        assert expected == line["state"].tolist()
        assert [1, 2, 3, 4] == line["survey"].tolist()
    reopened = table[table["is_reopened"]]
    assert {"call-back"} == set(reopened["stage"])
    assert 2 == len(reopened)


def test_opened_by_honing_then_filled(make_survey, make_pits):
    """Six pinholes opened by honing begin their lines as new at the second survey."""
    table = trace_life_lines([survey for survey, _ in lives(make_survey, make_pits)])
    begun = table.groupby("line_id").first()
    assert 6 == (begun["state"] == "new").sum()
    assert {2} == set(begun.loc[begun["state"] == "new", "survey"])


def test_columns(make_survey, make_pits):
    """The table has the declared columns, also when nothing was ever found."""
    table = trace_life_lines([survey for survey, _ in lives(make_survey, make_pits)])
    assert make_table(LIFE_COLUMNS).dtypes.to_dict() == table.dtypes.to_dict()
    empty = make_survey(make_pits([], [], []))
    nothing = trace_life_lines([empty, empty, empty])
    assert [c.name for c in LIFE_COLUMNS] == list(nothing.columns)
    assert 0 == len(nothing)


def test_unseen_in_between_is_not_reopened(make_survey, make_pits):
    """A pit that one photo could not show, open before and after it, never counts as reopened."""
    a, _ = visit(make_survey, make_pits, np.arange(40), "a", 1)
    b, _ = visit(make_survey, make_pits, np.flatnonzero(SIZE > 4), "b", 2, smallest_mm=4.0)
    c, _ = visit(make_survey, make_pits, np.arange(40), "c", 3)
    table = trace_life_lines([a, b, c])
    assert not table["is_reopened"].any()
    assert 40 == table["line_id"].nunique()


def test_one_survey_is_not_enough(make_survey, make_pits):
    """A life line needs two surveys."""
    with pytest.raises(CompareError, match="at least two"):
        trace_life_lines([make_survey(make_pits([], [], []))])
