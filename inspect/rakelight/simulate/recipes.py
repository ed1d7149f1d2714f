"""Named recipes: six different makers of slabs, five to learn from and one held out for testing.

| name | pits | face |
|---|---|---|
| caps | spherical caps | isotropic noise |
| worn | undercut, ragged, chipped, rimmed, merged | trowelled, with arcs and sheen |
| dishes | flat floors, shallow bowls, sloped, elongated | brushed one way |
| cast_wall | conical and power-law, in clusters | rough, form-board ridges |
| honed | small cut-open pinholes, few large | flat, sand shows, low slope |
| bubbles | **held out**: true bubbles cut by the face | **held out**: fractal + sand cells |
"""

from dataclasses import fields, replace

from ..core.checks import check_choice
from .slab import SlabRecipe

HELD_OUT = "bubbles"
"""The generator no sorter may be trained on."""

RECIPES: dict[str, SlabRecipe] = {
    "caps": SlabRecipe(),
    "worn": SlabRecipe(
        name="worn",
        shapes=(
            ("undercut", 3.0),
            ("ragged", 3.0),
            ("chipped", 2.0),
            ("rimmed", 1.0),
            ("merged", 1.5),
        ),
        depth_ratio=(0.2, 0.7),
        slope_rms=0.03,
        waves=((1.2, 0.4), (4.0, 0.4), (15.0, 0.2)),
        grain_stretch=3.0,
        grain_deg=20.0,
        gloss=0.15,
        n_trowel_arcs=6,
        mottling=0.06,
    ),
    "dishes": SlabRecipe(
        name="dishes",
        shapes=(("flat", 2.0), ("dish", 2.0), ("sloped", 2.0), ("elongated", 2.0)),
        depth_ratio=(0.08, 0.3),
        diameter_median_mm=2.6,
        slope_rms=0.02,
        waves=((0.7, 0.6), (3.0, 0.4)),
        grain_stretch=10.0,
        grain_deg=5.0,
        gloss=0.06,
        scratches_per_m2=150.0,
    ),
    "cast_wall": SlabRecipe(
        name="cast_wall",
        shapes=(("cone", 1.0), ("graded", 3.0)),
        depth_ratio=(0.15, 0.6),
        diameter_median_mm=2.2,
        cluster_share=0.5,
        slope_rms=0.045,
        waves=((1.5, 0.5), (5.0, 0.3), (20.0, 0.2)),
        grain_stretch=4.0,
        grain_deg=90.0,
        board_mm=95.0,
        gloss=0.0,
        mottling=0.07,
        specks=0.02,
    ),
    "honed": SlabRecipe(
        name="honed",
        shapes=(("undercut", 3.0), ("cap", 2.0), ("flat", 1.0)),
        pits_per_m2=2500.0,
        diameter_median_mm=1.2,
        diameter_spread=0.6,
        depth_ratio=(0.25, 0.8),
        slope_rms=0.012,
        waves=((0.6, 0.6), (2.0, 0.4)),
        unevenness_mm=0.05,
        specks=0.22,
        grains_per_m2=6000.0,
        grain_mm=(0.5, 3.5),
        bumps_per_m2=20.0,
        scratches_per_m2=120.0,
        gloss=0.1,
    ),
    "bubbles": SlabRecipe(
        name="bubbles",
        generator="bubbles",
        shapes=(),
        slope_rms=0.03,
        diameter_median_mm=1.9,
        diameter_spread=0.7,
        specks=0.12,
        gloss=0.05,
    ),
}


def choose_recipe(name: str, /, **changes) -> SlabRecipe:
    """Return the named recipe with any of its fields changed.

    Parameters
    ----------
    name : "caps", "worn", "dishes", "cast_wall", "honed" or the held-out "bubbles".
    changes : fields of `SlabRecipe`; an unknown field is an error.

    Errors of the answer: none. Source: our choice.
    """
    check_choice(name, "recipe", RECIPES)
    for field_name in changes:
        check_choice(field_name, "recipe field", [one.name for one in fields(SlabRecipe)])
    return replace(RECIPES[name], **changes)
