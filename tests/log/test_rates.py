"""The shop's own rates."""

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from rakelight.core.settings import RepairSettings
from rakelight.log.history import delete_record
from rakelight.log.rates import learn_rates, offer_settings
from rakelight.log.search import show_job
from rakelight.log.store import (
    SurveyPlace,
    add_job,
    add_repair,
    add_slab,
    save_comparison,
    save_inspection,
)


def by_name(log):
    """Return the learned rates by name."""
    return {rate.name: rate for rate in learn_rates(log)}


@pytest.fixture
def shop(files_log):
    """Return a log with a job to write repairs into."""
    add_job(files_log, "Bench")
    add_slab(files_log, "Bench", "A")
    return files_log


def test_nothing_done_nothing_learned(shop):
    """Without repairs there are no rates and nothing is offered."""
    assert () == learn_rates(shop)
    assert {} == offer_settings(learn_rates(shop))


def test_minutes_per_pit(shop):
    """Total minutes over total pits, with the spread of the jobs behind it."""
    for n_pits, minutes in ((40, 20.0), (60, 33.0), (100, 47.0)):
        add_repair(shop, "Bench", "A", "fill", n_pits=n_pits, minutes=minutes)
    rate = by_name(shop)["fill_min_per_pit"]
    assert 0.5 == rate.value
    assert 3 == rate.n
    # Jackknife by hand: leave-one-out rates 80/160, 67/140, 53/100 about their mean.
    left = np.array([80 / 160, 67 / 140, 53 / 100])
    assert math.sqrt(2 / 3 * np.sum((left - left.mean()) ** 2)) == pytest.approx(rate.sd)


def test_coat_and_film(shop):
    """Minutes per m2, and the film from grams at the paste's density."""
    add_repair(shop, "Bench", "A", "slurry_coat", area_m2=2.0, minutes=50.0, grams=975.0)
    rates = by_name(shop)
    assert 25.0 == rates["coat_min_per_m2"].value
    # 975 g over 2 m2 at 1.95 g/cm3: 500 cm3 over 20 000 cm2 is .25 mm.
    assert 0.25 == pytest.approx(rates["film_mm"].value)
    assert math.isnan(rates["film_mm"].sd)


def test_incomplete_lines_are_left_out(shop):
    """A repair without minutes or without pits teaches nothing about minutes per pit."""
    add_repair(shop, "Bench", "A", "fill", n_pits=40)
    add_repair(shop, "Bench", "A", "fill", minutes=10.0)
    add_repair(shop, "Bench", "A", "fill", n_pits=0, minutes=10.0)
    assert {} == by_name(shop)


def test_deleted_repair_teaches_nothing(shop):
    """What was put away is not learned from."""
    add_repair(shop, "Bench", "A", "fill", n_pits=40, minutes=20.0)
    uid = add_repair(shop, "Bench", "A", "fill", n_pits=40, minutes=400.0)
    delete_record(shop, "repair", uid)
    assert 0.5 == by_name(shop)["fill_min_per_pit"].value


def test_offered_only_on_enough(shop):
    """A rate is offered to the planner once enough repairs stand behind it, under the planner's name."""
    for _ in range(3):
        add_repair(shop, "Bench", "A", "fill_two_lifts", n_pits=10, minutes=8.0, grams=3.0)
    add_repair(shop, "Bench", "A", "slurry_coat", area_m2=2.0, minutes=50.0)
    offered = offer_settings(learn_rates(shop))
    assert {"fill_min_per_pit": 0.8} == offered
    assert set(offered) <= set(RepairSettings().to_mapping())


def test_refill_by_material(shop, make_inspection, make_comparison):
    """What sank or stayed open after a fill is counted for the material it was filled with."""
    place = SurveyPlace("Bench", "A", "after demold", datetime(2026, 11, 1, tzinfo=UTC))
    before = save_inspection(shop, make_inspection(1), place)
    for _ in range(2):
        add_repair(
            shop, "Bench", "A", "fill", material="rapid paste", n_pits=9, minutes=5.0,
            done_at=datetime(2026, 11, 2, tzinfo=UTC),
        )  # fmt: skip
    add_repair(
        shop, "Bench", "A", "fill", material="too late", done_at=datetime(2026, 11, 9, tzinfo=UTC)
    )
    later = replace(place, stage="after filling", taken_at=datetime(2026, 11, 5, tzinfo=UTC))
    after = save_inspection(shop, make_inspection(2), later)
    save_comparison(
        shop, make_comparison(closed=80, dished=8, open=12), before_uid=before, after_uid=after
    )
    shares = {(r.name, r.material): r for r in learn_rates(shop) if r.material}
    assert {("refill_share", "rapid paste"), ("sunk_share", "rapid paste")} == set(shares)
    assert (0.2, 100) == (
        shares["refill_share", "rapid paste"].value,
        shares["refill_share", "rapid paste"].n,
    )
    assert 0.08 == shares["sunk_share", "rapid paste"].value
    assert 0.04 == pytest.approx(shares["refill_share", "rapid paste"].sd, abs=0.002)
    assert 3 == len(show_job(shop, "Bench")["slabs"][0]["repairs"])
