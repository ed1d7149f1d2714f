"""Change of tone over weeks: what was photographed, with its range, and nothing more."""

import numpy as np
import pytest

from rakelight.colour.balance import Shoot
from rakelight.colour.trend import READING_SD, fit_trend, make_reading

from .conftest import SMALL, measure_scene
from .scenes import Scene


def make_readings(days, lightness, **changes):
    """Return readings that may all be compared, unless changed."""
    common = {"moisture": "dry", "a": 0.5, "b": 4.0, "has_grey": True, "profile": "sRGB", "exif": {"WhiteBalance": 1}}
    return [common | {"age_days": float(d), "L": float(v)} | changes for d, v in zip(days, lightness, strict=True)]


def test_a_steady_change_is_found_with_its_range():
    """A face that grows lighter by 1 L* a week over four weeks."""
    answer = fit_trend(make_readings([7, 14, 21, 28, 35], [60, 61, 62, 63, 64]))
    assert 1.0 == pytest.approx(answer["L"]["per_week"])
    reach = 1.96 * READING_SD[0] / np.sqrt(10)  # weeks -2..2 have a sum of squares of 10
    assert (1 - reach, 1 + reach) == pytest.approx((answer["L"]["low"], answer["L"]["high"]), abs=1e-3)
    assert answer["is_clear"] and (7, 35) == (answer["from_day"], answer["to_day"])
    assert "grew lighter" in answer["sentence"]


def test_the_answer_is_no_promise_and_no_cause():
    """The sentence speaks of what was photographed only."""
    sentence = fit_trend(make_readings([7, 28], [60, 64]))["sentence"]
    assert "not what will come, and not why" in sentence
    assert not any(word in sentence for word in ("will be", "because", "due to"))


def test_two_equal_readings_are_no_change():
    """Two readings .4 L* apart after a week lie within the range of one reading."""
    answer = fit_trend(make_readings([7, 14], [60.0, 60.4]))
    assert not answer["is_clear"]
    assert answer["sentence"].startswith("No clear change")


def test_a_range_covers_at_its_rate():
    """The 95 % range of the change per week holds the truth in at least 88 of 100 draws."""
    rng, held = np.random.default_rng(9), 0
    for _ in range(100):
        days = np.array([3, 7, 12, 20, 30])
        line = fit_trend(make_readings(days, 62 + 0.1 * days + rng.normal(0, READING_SD[0], 5)))["L"]
        held += line["low"] <= 0.7 <= line["high"]
    assert held >= 88


def test_readings_that_scatter_more_widen_the_range():
    """Four readings that jump by 3 L* give no clear trend."""
    assert not fit_trend(make_readings([7, 14, 21, 28], [60, 63, 60, 63]))["is_clear"]


def test_only_like_readings_are_joined():
    """A wet one, one without profile, one of another white balance, one without card or age is named."""
    readings = make_readings([7, 14, 28], [60, 61, 63])
    readings += make_readings([10], [50], moisture="wet") + make_readings([11], [50], profile="sRGB assumed")
    readings += make_readings([12], [50], exif={"WhiteBalance": 0}) + make_readings([13], [50], has_grey=False)
    readings += make_readings([np.nan], [50]) + make_readings([15], [50], moisture="")
    answer = fit_trend(readings)
    assert 3 == answer["n"]
    assert 1.0 == pytest.approx(answer["L"]["per_week"])
    reasons = " | ".join(answer["left_out"])
    for word in ("wet", "profile", "white balance", "grey", "without the age", "moisture was not said"):
        assert word in reasons
    assert 6 == len(answer["left_out"])


@pytest.mark.parametrize("days", [[], [7], [7, 7]])
def test_one_day_is_no_trend(days):
    """None, one, or two of the same day: NaN, and what it takes."""
    answer = fit_trend(make_readings(days, [60.0] * len(days)))
    assert np.isnan(answer["L"]["per_week"]) and not answer["is_clear"]
    assert "two photos" in answer["sentence"]


def test_a_reading_keeps_age_and_moisture():
    """What a report gives to the row of readings: tone, age, moisture, and the terms of the photo."""
    report = measure_scene(Scene(seed=91, **SMALL))
    reading = make_reading(report, Shoot(exif={"WhiteBalance": 1}, profile="sRGB", age_days=14, moisture="dry"))
    assert (14.0, "dry", True, "sRGB", {"WhiteBalance": 1}) == tuple(
        reading[name] for name in ("age_days", "moisture", "has_grey", "profile", "exif")
    )
    assert report.figures["median"]["L"] == reading["L"]
