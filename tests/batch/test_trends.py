"""Control charts of pits per square metre."""

import math

import numpy as np
import pandas as pd
import pytest

from rakelight.batch.charts import draw_trends
from rakelight.batch.trends import find_limits, find_signals, find_trends, find_usable
from rakelight.core.records import BATCH_COLUMNS, TREND_COLUMNS, make_table


def make_rows(n_weeks, per_m2, *, photos=4, seen_m2=0.5, seed=1, **values):
    """Return a summary: so many photos a week with Poisson counts around a rate per week."""
    rng = np.random.default_rng(seed)
    rates = np.broadcast_to(np.asarray(per_m2, float), n_weeks)
    weeks = np.repeat(np.arange(n_weeks), photos)
    n = len(weeks)
    days = pd.Timestamp("2026-01-05") + pd.to_timedelta(weeks * 7, unit="D")
    n_pits = rng.poisson(rates[weeks] * seen_m2)
    table = {
        "photo": [f"{k}.jpg" for k in range(n)], "day": days.strftime("%Y-%m-%d"), "state": ["measured"] * n,
        "verdict": ["good"] * n, "stage": ["after demold"] * n, "mix": ["M1"] * n, "mould": ["7"] * n,
        "n_pits": n_pits, "pits_per_m2": n_pits / seen_m2, "seen_m2": [seen_m2] * n,
        "smallest_mm": [1.0] * n, "smallest_countable_mm": [0.8] * n,
    }  # fmt: skip
    return make_table(BATCH_COLUMNS, table | {name: [value] * n for name, value in values.items()})


def test_limits_of_a_textbook_chart():
    """20 samples of 50 units with 74 faults: mean .0740, limits 0 and .1894 (Montgomery, from memory)."""
    faults = np.array([3, 4] * 6 + [4] * 8)
    centre, lower, upper = find_limits(faults, np.full(20, 50.0))
    assert 74 == faults.sum()
    assert 0.0740 == pytest.approx(centre, abs=5e-5)
    assert 0.1894 == pytest.approx(upper[0], abs=5e-5)
    assert 0.0 == lower.max()


def test_limits_agree_with_the_plain_formula():
    """A loop that follows the paper line by line gives the same limits for unequal areas."""
    rng = np.random.default_rng(3)
    seen = rng.uniform(0.5, 4, 30)
    n_pits = rng.poisson(seen * rng.gamma(8, 300 / 8, 30))
    u = [n / a for n, a in zip(n_pits, seen, strict=True)]
    mean = sum(n_pits) / sum(seen)
    z = [(ui - mean) / math.sqrt(mean / a) for ui, a in zip(u, seen, strict=True)]
    sigma_z = sum(abs(z[k] - z[k - 1]) for k in range(1, 30)) / 29 / 1.128
    expected = [mean + 3 * sigma_z * math.sqrt(mean / a) for a in seen]
    assert sigma_z > 2
    assert expected == pytest.approx(find_limits(n_pits, seen)[2], rel=1e-12)


def test_limits_scale_with_the_unit_of_area():
    """The same counts per square foot: all limits divided by the feet in a metre squared."""
    n_pits, seen = np.array([90, 110, 95, 130, 100]), np.array([1.0, 1.2, 0.9, 1.1, 1.0])
    in_m2, in_ft2 = find_limits(n_pits, seen), find_limits(n_pits, seen * 10.7639)
    for one, other in zip(in_m2, in_ft2, strict=True):
        assert np.asarray(one) == pytest.approx(np.asarray(other) * 10.7639, rel=1e-9)


@pytest.mark.parametrize("spread", [0.0, 0.15])
def test_a_steady_process_is_left_alone(spread):
    """Of 100 steady processes of 30 weeks, Poisson or varying more, hardly a week lies outside: 1 % at most."""
    rng = np.random.default_rng(11)
    seen = np.full(30, 2.0)
    n_out = 0
    for _ in range(100):
        rates = 1500 * rng.lognormal(0, spread, 30) if spread else np.full(30, 1500.0)
        n_pits = rng.poisson(rates * seen)
        centre, lower, upper = find_limits(n_pits, seen)
        n_out += sum(
            s in ("above", "below")
            for s in find_signals(n_pits / seen, centre, lower, upper, run=99)
        )
    assert n_out <= 30


def test_a_step_of_a_third_is_seen():
    """A mix that gives a third more pits from week 15 on is named, and not before."""
    summary = make_rows(24, [1200] * 14 + [1600] * 10)
    trends = find_trends(summary)
    chart = trends[trends["by"] == "all"].reset_index(drop=True)
    assert set(chart["signal"][:7]) <= {"", "below"}
    assert any(chart["signal"][14:].isin(["above", "run_above"]))


def test_eight_on_one_side_are_a_run():
    """The eighth in a row is the first that is called; one on the other side begins anew."""
    values = np.array([11.0] * 9 + [9.0] + [11.0] * 3)
    limits = np.full(13, 0.0), np.full(13, 99.0)
    assert [""] * 7 + ["run_above"] * 2 + [""] * 4 == find_signals(values, 10.0, *limits)


def test_stages_mixes_and_moulds_have_their_own_charts():
    """Two stages are never put together; every mix and mould has a chart beside the one of all."""
    summary = pd.concat(
        [
            make_rows(9, 900),
            make_rows(9, 900, seed=2, mix="M2"),
            make_rows(9, 50, seed=3, stage="after filling"),
        ],
        ignore_index=True,
    )
    trends = find_trends(summary)
    named = set(zip(trends["stage"], trends["by"], trends["group"], strict=True))
    assert ("after demold", "mix", "M2") in named and ("after filling", "all", "") in named
    assert [column.name for column in TREND_COLUMNS] == list(trends.columns)
    filled = trends[trends["stage"] == "after filling"]
    assert filled["centre"].max() < 100


def test_photos_that_cannot_count_are_left_out():
    """To retake, lit from another side than said, too coarse, failed or counted from another size: left out and said so."""
    summary = make_rows(8, 900)
    summary.loc[0, "verdict"] = "retake"
    summary.loc[1, "smallest_countable_mm"] = 1.4
    summary.loc[2, "smallest_mm"] = 2.0
    summary.loc[4, "smallest_countable_mm"] = math.nan
    summary.loc[5, "verdict"] = "lamp_side"
    assert [0, 1, 2, 4, 5] == summary.index[~find_usable(summary)].tolist()
    first = find_trends(summary).iloc[0]
    assert (1, 3) == (first["n_photos"], first["n_left_out"])


def test_too_few_weeks_have_no_limits():
    """Seven weeks: counts and mean, NaN limits, no signal."""
    trends = find_trends(make_rows(7, [900] * 6 + [9000]))
    assert trends["upper"].isna().all() and (trends["signal"] == "").all()


@pytest.mark.parametrize(
    "summary", [make_table(BATCH_COLUMNS), make_rows(5, 900, day=""), make_rows(3, 0)]
)
def test_picture_of_little(summary):
    """Nothing, no day, no pit: a table and a picture all the same."""
    trends = find_trends(summary)
    picture = draw_trends(trends)
    assert np.uint8 == picture.dtype and picture.std() > 1


def test_year_ends_in_the_right_week():
    """1 January 2027 lies in week 53 of 2026 (ISO 8601)."""
    summary = make_rows(1, 900, day="2027-01-01")
    assert {"2026-W53"} == set(find_trends(summary)["week"])
