"""Grams, batches, waits and the crossing point against the trade's worked figures."""

import math

import numpy as np
import pytest

from rakelight.core.settings import RepairSettings
from rakelight.repair.amounts import read_fillers, scale_wait
from rakelight.repair.options import crossing_holes_per_m2, film_g, hemisphere_mm3
from rakelight.repair.plan import plan_repair


def amounts_of(pits, face, **settings):
    """The amounts of a plan with nothing agreed."""
    return plan_repair(pits, face, EMPTY, settings=RepairSettings(**settings)).amounts


@pytest.fixture(autouse=True)
def _empty_grade():
    from rakelight.core.records import GradeReport

    global EMPTY
    EMPTY = GradeReport((), ())


def test_half_balls(grade_values):
    """Volumes of half balls are those of the trade notes, to the digits printed there."""
    entry = grade_values["hemisphere_mm3"]
    found = hemisphere_mm3(np.array(entry["inputs"]["diameter_mm"], float))
    assert entry["expected"] == pytest.approx(list(found), abs=entry["tolerance"])


def test_film(grade_values):
    """A film of 0.1, 0.25 and 0.5 mm takes 0.20, 0.49 and 0.98 kg per m2."""
    entry = grade_values["film_kg_per_m2"]
    found = [film_g(1.0, RepairSettings(film_mm=f)) / 1000 for f in entry["inputs"]["film_mm"]]
    assert entry["expected"] == pytest.approx(found, abs=entry["tolerance"])


def test_crossing_point(grade_values):
    """25 min per m2 against half a minute per hole cross at 50 per m2, about 5 per square foot."""
    expected = grade_values["crossing_holes"]["expected"]
    crossing = crossing_holes_per_m2(RepairSettings())
    assert expected["per_m2"] == crossing
    assert expected["per_ft2"] == pytest.approx(crossing * 0.3048**2, abs=0.5)


def test_waits_follow_the_temperature(grade_values):
    """21 to 10 C nearly doubles a wait, 21 to 32 C more than halves it, 21 C keeps it."""
    entry = grade_values["setting_time_ratio"]
    found = [scale_wait(1.0, celsius) for celsius in entry["inputs"]["celsius"]]
    assert entry["expected"] == pytest.approx(found, abs=entry["tolerance"])
    assert scale_wait(60.0, 21.0) == pytest.approx(60.0)


def test_thousand_pits_take_fourteen_grams(grade_values, make_face, make_pits):
    """1000 half balls of 3 mm hold 14 g; film and pots are counted apart from them."""
    i = np.arange(1000)
    pits = make_pits(15 + 30 * (i % 40), 15 + 30 * (i // 40), 3.0)
    amounts = amounts_of(pits, make_face(1220, 780))
    entry = grade_values["thousand_holes_g"]
    assert entry["expected"] == pytest.approx(amounts["holes_g"], abs=entry["tolerance"])
    together = sum(amounts[f"{name}_g"] for name in ("holes", "film", "again", "remainder"))
    assert together == pytest.approx(amounts["paste_g"])


def test_batches_fit_the_working_time(make_face, make_pits):
    """No batch takes longer to place than its pot stays workable, and together they hold all."""
    i = np.arange(400)
    pits = make_pits(15 + 40 * (i % 20), 15 + 40 * (i // 20), 4.0)
    for filler in ("ordinary_paste", "rapid_paste"):
        amounts = amounts_of(pits, make_face(830, 830), filler=filler, coat_min_per_m2=1e4)
        working = read_fillers().filler[filler].working_min
        for batch in amounts["batches"]:
            assert batch["placing_min"] / batch["n"] <= working + 1e-9
        held = sum(batch["n"] * batch["g_each"] for batch in amounts["batches"])
        assert held >= amounts["paste_g"] - 1e-9
    by_hand = [batch["n"] for batch in amounts["batches"] if batch["stage"] == "pits by hand"]
    assert [math.ceil(400 * 0.5 * 0.5 / 8.0)] == by_hand


def test_every_lift_the_test_patch_and_the_refill_are_batches_of_their_own(make_face, make_pits):
    """Two lifts are mixed on two days, half the holes each; the patch comes first, a tenth of it all last."""
    pits = make_pits([100, 200, 300], [100, 200, 300], [10.0, 12.0, 3.0])
    amounts = amounts_of(pits, make_face(600, 600), patch_g=25.0)
    stages = [batch["stage"] for batch in amounts["batches"]]
    lifts = ["large pits, first lift", "large pits, second lift"]
    assert ["test patch", *lifts, "pits by hand", "refill"] == stages
    assert amounts["again_g"] == pytest.approx(25.0 + 0.1 * amounts["holes_g"])
    first, second = (batch["g_each"] for batch in amounts["batches"][1:3])
    assert first == second
    single = amounts_of(pits, make_face(600, 600), n_passes=1)
    assert "refill" not in [batch["stage"] for batch in single["batches"]]


def test_measured_depth_replaces_the_half_ball(make_face, make_pits):
    """A typed volume is used as it is, an unknown one is a half ball; the range holds both."""
    face = make_face(600, 600)
    known = amounts_of(make_pits([300], [300], 10.0, volume_mm3=[1000.0]), face)
    guessed = amounts_of(make_pits([300], [300], 10.0), face)
    assert known["holes_g"] == pytest.approx(1.95)
    assert guessed["holes_g"] == pytest.approx(0.2618 * 1.95, rel=1e-3)
    assert known["holes_g_low"] == pytest.approx(guessed["holes_g"])


def test_no_pits_no_paste(make_face, make_pits):
    """Without pits nothing is mixed and the sentence says so."""
    amounts = amounts_of(make_pits([], [], []), make_face(600, 600))
    assert (amounts["paste_g"], amounts["n_batches"]) == (0.0, 0)
    assert amounts["sentence"] == "No paste is needed."


def test_fillers_name_no_brand_and_carry_their_mark():
    """Every filler class has a wait, a lift and a mark that says where its numbers come from."""
    for filler in read_fillers().filler.values():
        assert 0 < filler.set_min[0] <= filler.set_min[1]
        assert {filler.set_mark, filler.working_mark, filler.lift_mark} <= {
            "read",
            "memory",
            "practice",
            "assumption",
        }
