"""Random scenes for training."""

import numpy as np

from rakelight.simulate import simulate_photo
from rakelight.simulate.recipes import RECIPES
from rakelight.simulate.scene import draw_scene


def test_every_recipe_gives_a_photo_from_a_drawn_scene():
    """A scene of each name can be photographed and holds pits at the fixed scale."""
    for number, name in enumerate(RECIPES):
        recipe, lamp, camera, ambient = draw_scene(
            number, name=name, size_mm=(60.0, 40.0), mm_per_px=0.2, n_pits=12
        )
        photo = simulate_photo(number, recipe=recipe, lamp=lamp, camera=camera, ambient=ambient)
        assert (200, 300, 3) == photo.rgb.shape
        assert 10 <= len(photo.slab.pits) <= 12
        assert photo.rgb.std() > 3


def test_scenes_differ_by_seed_and_repeat():
    """The same seed draws the same scene; lamp sides spread all around."""
    assert draw_scene(4, name="worn") == draw_scene(4, name="worn")
    sides = [draw_scene(seed, name="caps")[1].from_deg for seed in range(40)]
    assert {0, 1, 2, 3} == set((np.array(sides) // 90).astype(int))
