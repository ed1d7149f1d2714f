"""Cards and posts on a made-up slab."""

import numpy as np
import pytest

from rakelight.core.errors import SettingsError
from rakelight.simulate import Lamp, choose_recipe, make_slab
from rakelight.simulate.lamp import cast_shadow
from rakelight.simulate.props import lay_grey_card, lay_print, stand_post


@pytest.fixture(scope="module")
def slab():
    """Return a slab of 80 x 60 mm."""
    return make_slab(choose_recipe("caps", size_mm=(80.0, 60.0), n_pits=60), seed=2)


def test_grey_card_is_grey_where_it_lies(slab):
    """The card has its reflectance in all three colours, in its place and nowhere else."""
    with_card = lay_grey_card(slab, 10, 20, width_mm=30, height_mm=20, reflectance=0.18)
    np.testing.assert_allclose(0.18, with_card.albedo[100:200, 50:200], rtol=1e-6)
    np.testing.assert_array_equal(slab.albedo[:100], with_card.albedo[:100])
    assert (with_card.height_mm[100:200, 50:200] > slab.height_mm[100:200, 50:200]).all()


def test_pits_under_a_card_are_covered(slab):
    """Pits under the card are marked covered and their pixels are gone."""
    with_card = lay_grey_card(slab, 10, 10, width_mm=60, height_mm=40)
    covered = with_card.pits.query("state == 'covered'")
    inside = slab.pits.query("x_mm > 12 and x_mm < 68 and y_mm > 12 and y_mm < 48")
    assert set(inside["truth_id"]) <= set(covered["truth_id"])
    assert len(inside) > 5
    assert 0 == with_card.pit_index[50:250, 50:350].max()


def test_print_keeps_its_picture(slab):
    """A print of two halves, black and white, shows both halves."""
    picture = np.zeros((10, 20), np.uint8)
    picture[:, 10:] = 255
    with_print = lay_print(slab, picture, 20, 20, size_mm=(40.0, 20.0))
    assert with_print.albedo[150, 110, 0] < 0.05
    assert with_print.albedo[150, 290, 0] > 0.8


@pytest.mark.parametrize(("side", "window"), [(270, np.s_[150, 152:]), (0, np.s_[152:, 150])])
def test_post_throws_the_shadow_of_its_height(slab, side, window):
    """A post of 8 mm at 15 degrees throws 29.86 mm of shadow away from the lamp."""
    along = 90.0 if side == 270 else 0.0
    bare = make_slab(
        choose_recipe("caps", size_mm=(80.0, 80.0), n_pits=0, slope_rms=0, unevenness_mm=0), seed=2
    )
    with_post = stand_post(bare, 30.1, 30.1, height_mm=8, width_mm=6, along_deg=along)
    lit = cast_shadow(with_post.height_mm, 0.2, Lamp(side, 15, spread_deg=0))
    shaded = (1 - lit[window]).sum() * 0.2
    # One pixel at either end.
    assert 8 / np.tan(np.deg2rad(15)) == pytest.approx(shaded, abs=0.4)


def test_things_off_the_slab_are_refused(slab):
    """A card over the edge and a post beside the slab are refused in words."""
    with pytest.raises(SettingsError, match="wholly on the slab"):
        lay_grey_card(slab, 70, 10)
    with pytest.raises(SettingsError, match="stand on the slab"):
        stand_post(slab, 200, 10)
