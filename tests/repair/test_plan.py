"""The plan as a finisher reads it: fields, reasons, locks, honest words, nothing invented."""

import numpy as np
import pytest

from rakelight.core.errors import SettingsError
from rakelight.core.records import (
    ACTIONS,
    PIT_ACTION_COLUMNS,
    PLAN_COLUMNS,
    GradeReport,
)
from rakelight.core.settings import RepairSettings
from rakelight.grade.agreed import parse_agreed
from rakelight.repair.plan import plan_repair, read_rates

GRADE = GradeReport((), ())
POUR_B = {"name": "B", "kind": "pour", "x_mm": 0, "y_mm": 0, "width_mm": 450, "height_mm": 600}
LIMIT = parse_agreed("smallest_mm = 2\narea_percent = 0.2")


@pytest.fixture(scope="module")
def slab(make_face, make_pits):
    """A 1200 x 600 mm top, thick with pits at the left, and one void."""
    rng = np.random.default_rng(31)
    x = np.r_[rng.uniform(5, 440, 80), rng.uniform(450, 1190, 20), 1100.0]
    y = np.r_[rng.uniform(5, 595, 100), 100.0]
    d = np.r_[np.clip(rng.lognormal(1.1, 0.4, 100), 1, 12), 22.0]
    return make_pits(x, y, d), make_face(1200, 600, mm_per_px=2.0)


def all_words(plan):
    """Everything a plan says, in one string."""
    texts = [*plan.fields["reason"], *plan.notes, plan.amounts["sentence"]]
    texts += [*plan.amounts["notes"], *(step["text"] for step in plan.order)]
    return " ".join(texts).lower()


def test_tables_have_exactly_the_declared_columns(slab):
    """Fields and pits come with all their columns, every field once, every pit once."""
    plan = plan_repair(*slab, GRADE)
    assert [c.name for c in PLAN_COLUMNS] == list(plan.fields.columns)
    assert [c.name for c in PIT_ACTION_COLUMNS] == list(plan.pits.columns)
    assert set(plan.fields["action"]) <= set(ACTIONS)
    assert list(plan.pits["pit_id"]) == list(slab[0]["pit_id"])
    assert plan.fields["field"].is_unique and plan.fields["n_pits"].sum() == len(slab[0])


def test_nothing_agreed_checks_no_limit(slab):
    """Without an agreement no limit, no gap and no verdict stands anywhere in the plan."""
    plan = plan_repair(*slab, GRADE)
    assert plan.figures["limits"] == [] and plan.figures["is_limit_expected"] is None
    assert not any(word in all_words(plan) for word in ("passed", "failed", "agreed limit holds"))
    assert "nothing was agreed" in all_words(plan)


def test_nothing_agreed_closes_every_pit_large_enough(slab):
    """Every pit from the hand-fill size on gets an action, by hand or by a coat."""
    pits, face = slab
    plan = plan_repair(pits, face, GRADE)
    large = pits["diameter_mm"].to_numpy() >= RepairSettings().hand_fill_from_mm
    assert (plan.pits["action"].to_numpy()[large] != "leave").all()


def test_agreed_limit_is_expected_to_hold(slab):
    """The worst window after the plan keeps the limit with the margin, before it did not."""
    plan = plan_repair(*slab, GRADE, agreed=LIMIT)
    one = plan.figures["limits"][0]
    assert one["after"] <= 0.9 * one["limit"] * (1 + 1e-6) < one["before"]
    assert plan.figures["is_limit_expected"] and plan.figures["has_margin"]
    assert 0 <= plan.figures["gap"] < 1 and "of the least cost" in all_words(plan)


def test_actions_follow_the_size_bands(slab):
    """Fills below 6 mm are single, from 6 mm in two lifts, above 15 mm by eye."""
    pits, face = slab
    plan = plan_repair(pits, face, GRADE, locked={"all": "no_coat"})
    d, action = pits["diameter_mm"].to_numpy(), plan.pits["action"].to_numpy()
    assert set(action[(d >= 2) & (d < 6)]) == {"fill"}
    assert set(action[(d >= 6) & (d <= 15)]) == {"fill_two_lifts"}
    assert set(action[d > 15]) == {"repair_by_eye"}


def test_a_coat_covers_whole_zones(slab):
    """A zone is coated up to its edges or not at all, never in part."""
    plan = plan_repair(*slab, GRADE, zones=[POUR_B])
    coated = plan.fields["action"] == "slurry_coat"
    assert set(plan.fields.loc[coated, "zone"]) == {"B"}
    assert (plan.fields.loc[plan.fields["zone"] == "B", "action"] == "slurry_coat").all()
    assert plan.figures["coated_m2"] == pytest.approx(0.27, abs=0.003)  # 450 x 600 mm, 2 mm cells


def test_without_a_pour_line_the_whole_face_is_one_zone(slab):
    """With no line to end at, a coat fixed for one field covers the whole face."""
    plan = plan_repair(*slab, GRADE, locked={"A1": "slurry_coat"})
    assert set(plan.fields["action"]) == {"slurry_coat"}


def test_a_field_across_a_pour_line_is_two_rows(slab):
    """The field the line crosses is listed once per zone, with its zone in the name."""
    plan = plan_repair(*slab, GRADE, zones=[POUR_B])
    names = set(plan.fields["field"])
    assert {"A1", "A2", "A2-B", "B2-B"} <= names


def test_locks_are_kept_and_named(slab):
    """A fixed choice stays, is marked, and keeps its zone from being coated."""
    plan = plan_repair(*slab, GRADE, zones=[POUR_B], locked={"A1": "leave", "zone B": "no_coat"})
    row = plan.fields.set_index("field").loc["A1"]
    assert (row["action"], bool(row["locked"]), row["minutes"]) == ("leave", True, 0.0)
    assert row["reason"].startswith("You fixed this choice.")
    assert not (plan.fields["action"] == "slurry_coat").any()


@pytest.mark.parametrize(
    ("locked", "word"),
    [
        ({"Q9": "leave"}, "no field"),
        ({"A1": "sand"}, "can be fixed"),
        ({"zone X": "no_coat"}, "no zone"),
        ({"A1": "leave", "B1": "slurry_coat"}, "both"),
    ],
)
def test_impossible_locks_are_one_sentence(slab, locked, word):
    """A lock that names nothing or contradicts another is told at once."""
    with pytest.raises(SettingsError, match=word):
        plan_repair(*slab, GRADE, locked=locked)


def test_a_lock_that_breaks_the_agreement_is_said(slab):
    """Leaving the worst corner as it is makes the limit unreachable, and the plan says so."""
    locked = {name: "leave" for name in ("A1", "A2", "B1", "B2")}
    plan = plan_repair(*slab, GRADE, agreed=LIMIT, locked=locked)
    assert plan.figures["is_limit_expected"] is False
    assert "no plan can keep what was agreed" in all_words(plan)


def test_character_pits_stay_open(slab):
    """A pit the person left as character is never filled nor coated."""
    pits, face = slab
    kept = pits.assign(flags=["character" if i < 5 else "" for i in range(len(pits))])
    plan = plan_repair(kept, face, GRADE)
    assert set(plan.pits["action"][:5]) == {"leave"}


def test_test_patch_comes_first(slab):
    """The first note and the first step are the test patch."""
    plan = plan_repair(*slab, GRADE)
    assert plan.notes[0].startswith("Test patch first")
    assert plan.order[0]["key"] == "test_patch"


def test_assumed_times_are_named_until_replaced(slab):
    """Default times are marked as assumptions; the shop's own leave the list and change the cost."""
    plain = plan_repair(*slab, GRADE)
    own = plan_repair(*slab, GRADE, rates={"fill_min_per_pit": 2.0, "money_per_hour": 60.0})
    assert "fill_min_per_pit" in plain.figures["assumptions"]
    assert "fill_min_per_pit" not in own.figures["assumptions"]
    assert plain.fields["cost"].isna().all() and own.fields["cost"].notna().all()
    expected = own.fields["minutes"].sum() + 15.0 * len(own.figures["coated_zones"])
    assert expected == pytest.approx(own.figures["minutes"])
    assert own.figures["money"] == pytest.approx(own.figures["minutes"])  # 60 an hour


def test_rates_file(tmp_path):
    """The shop's file is read; an unknown name and a wrong value are one sentence."""
    path = tmp_path / "rates.toml"
    path.write_text("coat_min_per_m2 = 18.0\nmoney_per_hour = 40\n", encoding="utf-8")
    assert read_rates(path) == {"coat_min_per_m2": 18.0, "money_per_hour": 40}
    for text in ("coat_min = 3", "coat_min_per_m2 = -1", "coat_min_per_m2"):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(SettingsError):
            read_rates(path)


def test_alternatives_stand_side_by_side(slab):
    """A costs no more than B and C, B coats nothing, C coats everything."""
    a, b, c = plan_repair(*slab, GRADE, zones=[POUR_B]).figures["alternatives"]
    assert [one["name"] for one in (a, b, c)] == ["A", "B", "C"]
    assert b["coated_m2"] == 0 and c["coated_m2"] == pytest.approx(0.72, abs=0.005)
    assert a["cost"] <= min(b["cost"], c["cost"]) + 1e-9


def test_crossing_curve_crosses_where_it_says(slab):
    """Both lines of the curve meet at the crossing point."""
    crossing = plan_repair(*slab, GRADE).figures["crossing"]
    at = [p for p in crossing["curve"] if p["holes_per_m2"] == crossing["holes_per_m2"]]
    assert at and at[0]["fill_min_per_m2"] == at[0]["coat_min_per_m2"]


def test_largest_first_list(slab):
    """The list of pits to work on starts with the void and falls in size."""
    pits, face = slab
    plan = plan_repair(pits, face, GRADE)
    d = pits.set_index("pit_id")["diameter_mm"].loc[plan.figures["largest_first"]].to_numpy()
    assert d[0] == 22.0 and (np.diff(d) <= 0).all()


def test_shallow_pits_ask_for_a_test_strip(make_face, make_pits):
    """Where most pits throw no shadow, one field is honed as a strip first; unknown lamps ask nothing."""
    rng = np.random.default_rng(3)
    x, y = rng.uniform(5, 595, 40), rng.uniform(5, 595, 40)
    flags = ["depth_unknown" if xi < 300 and yi > 300 else "" for xi, yi in zip(x, y, strict=True)]
    pits, face = make_pits(x, y, 3.0, flags=flags), make_face(600, 600)
    plan = plan_repair(pits, face, GRADE, locked={"all": "no_coat"})
    assert plan.figures["test_strip"] == "A1"
    assert plan.fields.set_index("field").loc["A1", "action"] == "hone_test_strip"
    everywhere = pits.assign(flags="depth_unknown")
    assert plan_repair(everywhere, face, GRADE).figures["test_strip"] == ""


def test_empty_and_unseen_faces(make_face, make_pits):
    """No pits: everything is left. Nothing seen: the reason says that nothing can be said."""
    empty = make_pits([], [], [])
    plan = plan_repair(empty, make_face(600, 600), GRADE)
    assert set(plan.fields["action"]) == {"leave"} and plan.figures["hints"] == []
    hidden = plan_repair(empty, make_face(600, 600, unseen=[(0, 0, 600, 600)]), GRADE)
    assert hidden.fields["reason"].str.contains("No photo shows").all()
    assert hidden.fields["pits_per_m2"].isna().all()


def test_inputs_stay_as_they_are(slab):
    """Planning changes neither the pits nor the map."""
    pits, face = slab
    before = pits.copy()
    plan_repair(pits, face, GRADE, agreed=LIMIT, zones=[POUR_B])
    assert pits.equals(before)


def test_a_honeycomb_patch_is_one_repair(slab):
    """Flagging a field's pits as honeycomb makes all of them one repair by eye, not one each."""
    pits, face = slab
    marked = pits.assign(flags="in_honeycomb")
    plan = plan_repair(marked, face, GRADE)
    n_fields = int((plan.fields["n_pits"] > 0).sum())
    assert (plan.pits["action"] == "repair_by_eye").all()
    assert 15.0 * n_fields == pytest.approx(plan.fields["minutes"].sum())
