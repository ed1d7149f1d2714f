"""Light and cast shadow on made-up slabs against geometry and a slow second way."""

import json
from pathlib import Path

import numpy as np
import pytest

from rakelight.core.errors import LampError
from rakelight.simulate import Lamp, choose_recipe, make_slab
from rakelight.simulate.lamp import cast_shadow, light_slab, measure_openness, soft_light
from rakelight.simulate.pits import build_pit
from rakelight.simulate.slab import SlabRecipe

CASES = json.loads((Path(__file__).parents[1] / "data" / "simulate.json").read_text())
SHADOWS = [case for case in CASES if case["id"].startswith("cap_shadow")]
LEAST = [case for case in CASES if case["id"].startswith("min_depth_ratio")]


def bare_recipe(size_mm=(20.0, 16.0), mm_per_px=0.02):
    """Return the recipe of a flat, even face without marks."""
    return SlabRecipe(
        size_mm=size_mm,
        mm_per_px=mm_per_px,
        n_pits=0,
        slope_rms=0,
        unevenness_mm=0,
        mottling=0,
        specks=0,
        gloss=0,
        bumps_per_m2=0,
        stains_per_m2=0,
        grains_per_m2=0,
        crumbs_per_m2=0,
        scratches_per_m2=0,
    )


def cap_slab(diameter, depth, mm_per_px=0.02):
    """Return a bare slab of 20 x 16 mm with one cap in the middle."""
    pit = build_pit("cap", 10, 8, diameter_mm=diameter, depth_ratio=depth / diameter)
    return make_slab(bare_recipe(mm_per_px=mm_per_px), seed=1, pits=[pit])


@pytest.mark.parametrize("side", [0, 90, 180, 270])
@pytest.mark.parametrize("case", SHADOWS, ids=lambda case: case["id"])
def test_shadow_of_a_cap_is_as_long_as_geometry_says(case, side):
    """On the centre line the shadow is 2 (a cos e - h sin e) cos e long, or not there at all."""
    given = case["inputs"]
    slab = cap_slab(given["diameter_mm"], given["depth_mm"])
    lit = cast_shadow(
        slab.height_mm, slab.mm_per_px, Lamp(side, given["elevation_deg"], spread_deg=0)
    )
    line = lit[400] if side in (90, 270) else lit[:, 500]
    # The lip falls between two pixels and the centre line next to one: two pixels of .02 mm.
    assert case["expected"]["shadow_mm"] == pytest.approx((1 - line).sum() * 0.02, abs=0.04)


@pytest.mark.parametrize("case", LEAST, ids=lambda case: case["id"])
def test_least_depth_that_casts_a_shadow(case):
    """A cap 3 % shallower than the published ratio casts none, one 3 % deeper does."""
    lamp = Lamp(270, case["inputs"]["elevation_deg"], spread_deg=0)
    for factor, is_shaded in ((0.97, False), (1.03, True)):
        slab = cap_slab(10, 10 * case["expected"] * factor)
        shaded = (cast_shadow(slab.height_mm, slab.mm_per_px, lamp) < 0.5).any()
        assert is_shaded == shaded


def test_dark_side_is_the_side_nearest_the_lamp():
    """With the lamp at the left the left half of a pit is dark and its far wall brighter than the face."""
    slab = cap_slab(10, 2)
    light = light_slab(slab, Lamp(270, 15), ambient=0.1)[400, :, 1]
    face = light[20]
    assert light[300:450].max() < 0.4 * face
    assert light[680:740].max() > 1.5 * face


def test_bump_is_bright_first_and_shades_the_far_side():
    """A dome is bright on the lamp's side and casts its shadow away from it."""
    slab = cap_slab(10, 2)
    upside_down = -slab.height_mm
    lit = cast_shadow(upside_down, 0.02, Lamp(270, 15))
    assert 1 == pytest.approx(lit[400, 260:400].min())
    assert 0 == pytest.approx(lit[400, 740])


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turning_slab_and_lamp_turns_the_picture(turns):
    """A quarter turn of slab and lamp together gives the turned picture."""
    recipe = choose_recipe("worn", size_mm=(30.0, 24.0), pits_per_m2=20000)
    slab = make_slab(recipe, seed=4)
    plain = cast_shadow(slab.height_mm, 0.2, Lamp(300, 14))
    turned = cast_shadow(np.rot90(slab.height_mm, -turns).copy(), 0.2, Lamp(300 + 90 * turns, 14))
    back = np.rot90(turned, turns)
    # 300 degrees resamples the height on two different grids: edges may differ, areas not.
    assert (1 - plain).mean() == pytest.approx((1 - back).mean(), rel=0.02)
    assert np.mean(np.abs(plain - back)) < 0.01
    square = cast_shadow(slab.height_mm, 0.2, Lamp(270, 14))
    square_turned = cast_shadow(
        np.rot90(slab.height_mm, -turns).copy(), 0.2, Lamp(270 + 90 * turns, 14)
    )
    # Quarter turns are exact.
    np.testing.assert_allclose(square, np.rot90(square_turned, turns), atol=1e-6)


def test_running_horizon_agrees_with_a_march_along_each_ray():
    """Lit and hidden pixels are those that a plain march towards the lamp finds."""
    slab = make_slab(choose_recipe("caps", size_mm=(24.0, 6.0), pits_per_m2=30000), seed=2)
    height, rise = slab.height_mm.astype(float), 0.2 * np.tan(np.deg2rad(12))
    expected = np.ones(height.shape, bool)
    for back in range(1, height.shape[1]):
        blocked = height[:, :-back] > height[:, back:] + back * rise + 1e-9
        expected[:, back:] &= ~blocked
    lit = cast_shadow(slab.height_mm, 0.2, Lamp(270, 12, spread_deg=0))
    assert (lit < 0.5).sum() > 50
    # float32 heights may flip a pixel that is exactly grazed.
    assert np.mean((lit >= 0.5) != expected) < 0.001


def test_slanted_lamp_shades_as_much_as_a_straight_one():
    """The shaded area of a round pit does not depend on the side the light comes from."""
    slab = cap_slab(10, 2, mm_per_px=0.05)
    areas = [
        (1 - cast_shadow(slab.height_mm, 0.05, Lamp(side, 15, spread_deg=0))).sum()
        for side in (270, 300, 333, 20)
    ]
    # One bilinear resampling of the height: 2 %.
    assert areas[1:] == pytest.approx([areas[0]] * 3, rel=0.02)


@pytest.mark.parametrize(("x_mm", "y_mm"), [(-2990.0, 8.0), (10.0, 3008.0), (2131.3, -2113.3)])
def test_near_lamp_far_away_is_a_far_lamp(x_mm, y_mm):
    """A lamp at a known place 3 m away at 15 degrees shades the same centre line as a far lamp."""
    slab = cap_slab(10, 2, mm_per_px=0.05)
    height = 3000 * np.tan(np.deg2rad(15))
    lamp = Lamp(x_mm=x_mm, y_mm=y_mm, height_mm=height, spread_deg=0)
    shaded = (1 - cast_shadow(slab.height_mm, 0.05, lamp)).sum() * 0.05**2
    far = (1 - cast_shadow(slab.height_mm, 0.05, Lamp(270, 15, spread_deg=0))).sum() * 0.05**2
    assert far == pytest.approx(shaded, rel=0.02)


def test_near_lamp_shadow_grows_with_distance():
    """A 2 mm step 600 mm from a lamp 150 mm high throws a shadow of 2 / ((150 - 2) / 600) mm."""
    height = np.zeros((40, 1400), np.float32)
    height[:, :1200] = 2.0
    lit = cast_shadow(height, 0.5, Lamp(x_mm=0.0, y_mm=10.0, height_mm=150.0, spread_deg=0))
    # The last raised pixel's centre is at 599.75 mm; one pixel of .5 mm of tolerance.
    assert 2 * 599.75 / 148 == pytest.approx((1 - lit[20]).sum() * 0.5, abs=0.5)


def test_soft_edge_widens_with_the_lamp():
    """A lamp that fills more of the view makes a wider half-shadow behind the same post."""
    height = np.zeros((4, 400), np.float32)
    height[:, 50] = 10.0
    widths = []
    for spread in (0.0, 1.0, 3.0):
        lit = cast_shadow(height, 0.2, Lamp(270, 15, spread_deg=spread))
        widths.append(np.sum((lit[0] > 0.02) & (lit[0] < 0.98)))
    assert widths[0] <= 2
    assert widths[0] < widths[1] < widths[2]


def test_post_shadow_is_height_over_tangent():
    """A wall of 10 mm at 15 degrees throws 37.32 mm of shadow."""
    height = np.zeros((4, 400), np.float32)
    height[:, 50] = 10.0
    lit = cast_shadow(height, 0.2, Lamp(270, 15, spread_deg=0))
    assert 10 / np.tan(np.deg2rad(15)) == pytest.approx((1 - lit[1]).sum() * 0.2, abs=0.2)


def test_flat_face_is_lit_alike_at_every_angle():
    """A flat face sends back its albedo, whatever the side and angle of a far lamp."""
    slab = make_slab(bare_recipe(mm_per_px=0.2), seed=1)
    for side, angle in ((270, 8), (45, 15), (180, 30)):
        light = light_slab(slab, Lamp(side, angle), ambient=0.2)
        np.testing.assert_allclose(light, slab.albedo, rtol=1e-5)


def test_openness_is_one_on_a_flat_face_and_less_in_a_pit():
    """Room light reaches a flat face whole and the bottom of a pit in part."""
    slab = cap_slab(10, 4, mm_per_px=0.1)
    openness = measure_openness(slab.height_mm, 0.1)
    assert 1.0 == pytest.approx(openness[2, 2], abs=0.01)
    assert 0.2 < openness[80, 100] < 0.8


def test_soft_light_shows_tone_and_hides_side():
    """In soft light a round pit is as dark on its left as on its right, to a tenth."""
    slab = cap_slab(10, 2, mm_per_px=0.1)
    light = soft_light(slab, gradient=(0, 0))[80, :, 1]
    assert light[75] == pytest.approx(light[124], rel=0.1)


def test_soft_light_carries_gradient_and_cast():
    """The light changes by the asked share from edge to edge, and the cast tints it."""
    slab = make_slab(bare_recipe(mm_per_px=0.2), seed=1)
    light = soft_light(slab, gradient=(0.2, 0.0), colour_cast=(1.1, 1.0, 0.9)) / slab.albedo
    assert 1.2 / 1.0 == pytest.approx(1 + light[40, -1, 1] - light[40, 0, 1], abs=0.01)
    assert 1.1 / 0.9 == pytest.approx(light[40, 50, 0] / light[40, 50, 2], rel=1e-4)


def test_lamp_says_what_is_wrong():
    """A lamp below the face or half a place is refused in words."""
    with pytest.raises(LampError, match="lamp angle"):
        Lamp(270, 0)
    with pytest.raises(LampError, match="together"):
        Lamp(x_mm=3.0)
