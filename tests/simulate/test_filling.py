"""After-repair slabs: states, what is left open, and that the slab before stays as it was."""

import numpy as np
import pytest

from rakelight.core.errors import SettingsError
from rakelight.simulate import choose_recipe, make_slab
from rakelight.simulate.filling import fill_pits


@pytest.fixture(scope="module")
def before():
    """Return a slab of 100 x 80 mm with 60 pits."""
    return make_slab(
        choose_recipe("worn", size_mm=(100.0, 80.0), mm_per_px=0.1, n_pits=60), seed=21
    )


def test_states_match_the_shares_asked_for(before):
    """All pits filled and none dished is all closed; new ones are added at the end."""
    after = fill_pits(before, fraction=1.0, dished_fraction=0.0, n_new=5, seed=1)
    assert {"closed": 60, "new": 5} == after.pits["state"].value_counts().to_dict()
    assert after.pits["truth_id"].is_unique
    none = fill_pits(before, fraction=0.0, seed=1)
    assert {"open"} == set(none.pits["state"])
    np.testing.assert_array_equal(before.height_mm, none.height_mm)


def test_filled_says_where_filler_went(before):
    """Closed and dished pits are filled, open and new ones are not."""
    pits = fill_pits(before, fraction=0.7, dished_fraction=0.4, n_new=4, seed=2).pits
    assert {"open", "closed", "dished", "new"} == set(pits["state"])
    assert (pits["filled"] == pits["state"].isin(["closed", "dished"])).all()


def test_closed_pits_are_flush(before):
    """Where all pits are closed their mouths are level with the face, and raised rims are honed off."""
    after = fill_pits(before, fraction=1.0, dished_fraction=0.0, seed=1)
    face = before.height_mm + before.pit_depth_mm
    mouths = before.pit_index > 0
    np.testing.assert_allclose(face[mouths], after.height_mm[mouths], atol=1e-5)
    assert (after.height_mm <= face + 1e-5).all()
    assert 0.0 == after.pits["volume_mm3"].sum() == after.pits["depth_mm"].max()


def test_dished_pits_keep_part_of_their_depth(before):
    """Sunk filler leaves a shallower hollow with the same mouth, and the truth says how deep."""
    after = fill_pits(before, fraction=1.0, dished_fraction=1.0, seed=1)
    assert {"dished"} == set(after.pits["state"])
    assert (after.pits["depth_mm"] < 0.6 * before.pits["depth_mm"]).all()
    assert after.pit_depth_mm.sum() * 0.01 == pytest.approx(
        after.pits["volume_mm3"].sum(), rel=1e-3
    )
    np.testing.assert_allclose(before.pits["diameter_mm"], after.pits["diameter_mm"])


def test_filler_changes_the_tone(before):
    """Filler a fifth darker makes the closed mouths darker than the face around them."""
    after = fill_pits(before, fraction=1.0, dished_fraction=0.0, tone_offset=-0.2, seed=1)
    mouths = before.pit_index > 0
    ratio = after.albedo[mouths].mean() / before.albedo[~mouths].mean()
    # Each filler differs by .6 to 1.4 of the offset.
    assert 0.8 == pytest.approx(ratio, abs=0.05)


def test_the_slab_before_is_not_changed(before):
    """Filling copies: the slab before keeps its relief and its truth."""
    height, pits = before.height_mm.copy(), before.pits.copy()
    fill_pits(before, fraction=1.0, n_new=3, seed=5)
    np.testing.assert_array_equal(height, before.height_mm)
    assert pits.equals(before.pits)


def test_same_seed_same_repair(before):
    """The repair is repeatable."""
    one, two = (fill_pits(before, fraction=0.6, n_new=3, seed=7) for _ in range(2))
    np.testing.assert_array_equal(one.height_mm, two.height_mm)
    assert one.pits.equals(two.pits)


def test_impossible_share_is_refused(before):
    """More than all pits cannot be filled."""
    with pytest.raises(SettingsError, match="fraction"):
        fill_pits(before, fraction=1.2)
