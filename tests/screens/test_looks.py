"""Looks: choices over a measured record, which itself never changes."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from rakelight.log.store import add_decision, load_inspection
from rakelight.screens import desk, frame, looks, shelf


@pytest.fixture
def inspection(look):
    """The measured inspection."""
    return load_inspection(frame.open_shelf(), look)


def test_pin_depth_gives_the_volume_of_a_cap(inspection):
    """A pin depth of half the diameter is half a sphere: pi d^3 / 12."""
    pit = inspection.pits.iloc[0]
    half = float(pit["diameter_mm"]) / 2
    settled = looks.settle_pits(
        inspection, looks.Choices(pins={str(pit["pit_id"]): half})
    ).pits.iloc[0]
    assert "pin" == settled["depth_basis"]
    assert np.pi * (2 * half) ** 3 / 12 == pytest.approx(settled["volume_mm3"])
    assert "pin" != inspection.pits.iloc[0]["depth_basis"]
    assert "depth_unknown" not in settled["flags"]


def test_pin_depth_leaves_the_other_pits_as_measured(inspection):
    """Only the pit that a pin reached changes: depth, basis, volume and flags of all others stay."""
    first = str(inspection.pits["pit_id"].iloc[0])
    settled = looks.settle_pits(inspection, looks.Choices(pins={first: 2.0})).pits
    assert_frame_equal(inspection.pits.iloc[1:], settled.iloc[1:])


def test_no_choice_gives_the_measured_plan(inspection):
    """Graded and planned again with nothing decided, the answer is the one that was measured."""
    settled = looks.settle_plan(inspection, looks.Choices())
    columns = ["field", "n_pits", "action", "reason", "minutes"]
    assert inspection.plan.fields[columns].equals(settled.plan.fields[columns])
    assert [g.class_name for g in inspection.grade.grades] == [
        g.class_name for g in settled.grade.grades
    ]


def test_agreement_is_held_against_the_face(inspection):
    """With a limit agreed the record says whether it is met; without one it never does."""
    agreed = looks.settle_plan(inspection, looks.Choices(), "smallest_mm = 2\nper_m2 = 1.0\n")
    assert agreed.settings["agreed"]["is_met"] is False
    assert "agreed" not in looks.settle_plan(inspection, looks.Choices()).settings


def test_an_edge_is_settled_by_its_own_terms(inspection):
    """An inspection of the edge stays under the edge's terms when pits are overruled."""
    text = 'smallest_mm = 1\nlargest_mm = 900\n[[faces]]\nname = "edge"\nlargest_mm = 0.5\n'
    edge = replace(inspection, job={**inspection.job, "face": "edge"})
    settled = [looks.settle_plan(one, looks.Choices(), text) for one in (inspection, edge)]
    assert [True, False] == [one.settings["agreed"]["is_met"] for one in settled]


def test_settings_of_the_record_are_used(inspection):
    """What the record was measured with holds for the new plan, not today's defaults."""
    assert (
        inspection.settings["find"]["smallest_mm"]
        == looks.read_settings(inspection).find.smallest_mm
    )


def test_papers_know_when_they_are_out_of_date(look):
    """A decision, a choice and another language each make the papers old."""
    log, shop = frame.open_shelf(), desk.Shop()

    def mark(shop=shop):
        return looks.fingerprint(look, shelf.read_decisions(log, look), shop)

    first = mark()
    assert looks.is_up_to_date(look, first)
    assert first != mark(desk.Shop(language="de"))
    looks.change_choices(look, locked={"A1": "leave"})
    second = mark()
    assert first != second
    add_decision(log, look, "delete", pit_id=1)
    assert second != mark()
    assert not looks.is_up_to_date(look, mark())


def test_everything_is_packed(look):
    """The zip holds the ten files, and is made anew when one of them is newer."""
    import os
    import zipfile

    from rakelight.core.tables import INSPECTION_FILES

    packed = looks.pack_papers(look)
    with zipfile.ZipFile(packed) as archive:
        assert list(INSPECTION_FILES) == archive.namelist()
    first = packed.stat().st_mtime_ns
    assert first == looks.pack_papers(look).stat().st_mtime_ns
    later = packed.stat().st_mtime + 5
    os.utime(looks.papers_folder(look) / "pits.csv", (later, later))
    assert first != looks.pack_papers(look).stat().st_mtime_ns


def test_toml_reads_back_as_written():
    """What was agreed survives the way through TOML, with quotes, days and tables."""
    import datetime
    import tomllib

    values = {
        "smallest_mm": 2.5, "sample": 'tile "3" \\ é\n', "signed_on": "2026-11-01",
        "window_mm": [500.0, 400.0], "zones": [{"name": "back", "character": True}],
    }  # fmt: skip
    read = tomllib.loads(shelf.write_toml(values))
    assert values | {"signed_on": datetime.date(2026, 11, 1)} == read


def test_zones_follow_the_pits_that_people_took_off_or_added(inspection):
    """A crowd that is added becomes a zone with its pits named; taken off again, nothing of it stays."""
    assert list(inspection.zones) == list(looks.settle_zones(inspection).zones)
    pits = inspection.pits
    crowd = pd.concat([pits.iloc[:1]] * 60, ignore_index=True)
    rng = np.random.default_rng(3)
    crowd["x_mm"], crowd["y_mm"] = rng.normal((40.0, 30.0), 1.2, (60, 2)).T
    crowd["diameter_mm"], crowd["area_mm2"] = 1.0, np.pi / 4
    crowd["pit_id"] = np.arange(9001, 9061)
    added = looks.settle_zones(replace(inspection, pits=pd.concat([pits, crowd], ignore_index=True)))
    assert len(added.zones) > len(inspection.zones)
    named = added.pits.loc[added.pits["pit_id"] > 9000, "zone"]
    assert (named != "").mean() > 0.8
    kept = added.pits[added.pits["pit_id"] < 9000].reset_index(drop=True)
    back = looks.settle_zones(replace(added, pits=kept))
    assert list(inspection.zones) == list(back.zones)
    assert_frame_equal(pits.reset_index(drop=True), back.pits)
