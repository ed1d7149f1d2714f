"""A whole made-up photo in one call: slab, lamp and camera."""

from dataclasses import dataclass

import numpy as np

from .camera import Camera, aim_camera, photograph
from .lamp import Lamp, light_slab
from .recipes import choose_recipe
from .slab import Slab, SlabRecipe, make_slab


@dataclass(frozen=True, slots=True)
class SimulatedPhoto:
    """A made-up photo with everything that made it: `rgb` uint8, `slab` (truth), `lamp`, `camera`."""

    rgb: np.ndarray
    slab: Slab
    lamp: Lamp
    camera: Camera


def simulate_photo(
    seed: int,
    *,
    recipe: SlabRecipe | None = None,
    lamp: Lamp | None = None,
    camera: Camera | None = None,
    ambient: float = 0.1,
) -> SimulatedPhoto:
    """Return a raking-light photo of a made-up slab, with its truth.

    Parameters
    ----------
    seed : chance of the slab and of the photo.
    recipe, lamp, camera : what is looked at, how it is lit and seen; None is the plain case
        (caps, light from the left at 15 degrees, straight from above on the slab's own grid).
    ambient : share of room light.

    Returns
    -------
    SimulatedPhoto.

    Errors of the answer
    --------------------
    It is a rendering; see `lamp` and `camera` for what is computed and what is only plausible.

    Source
    ------
    Our choice.
    """
    lamp = lamp or Lamp()
    slab = make_slab(recipe or SlabRecipe(), seed=seed)
    aimed = aim_camera(slab, camera)
    radiance = light_slab(slab, lamp, ambient=ambient)
    return SimulatedPhoto(photograph(radiance, aimed, seed=seed), slab, lamp, aimed)


def draw_scene(
    seed: int, *, name: str, size_mm: tuple[float, float] = (120.0, 90.0), **changes
) -> tuple[SlabRecipe, Lamp, Camera, float]:
    """Return recipe, lamp, camera settings and room light of a photo drawn at random for training.

    Parameters
    ----------
    seed : chance; the same seed draws the same scene.
    name : a recipe's name (`recipes.RECIPES`); the held-out one is for testing only.
    size_mm : width and height of the slab.
    changes : fields of `SlabRecipe` to hold fixed.

    Returns
    -------
    tuple of SlabRecipe, Lamp, Camera (not yet aimed, straight from above) and ambient share.

    Errors of the answer
    --------------------
    The spread of the draws is wide on purpose: .12-.3 mm per pixel, lamp at any side and 7 to 28
    degrees, slopes .4 to 2 times the recipe's, blur .5 to 1.5 px, JPEG 75 to 97.

    Source
    ------
    Our choice, around what a finisher's photos are likely to be.
    """
    rng = np.random.default_rng([seed, 99])
    drawn = _draw_changes(choose_recipe(name), rng)
    recipe = choose_recipe(name, **(drawn | {"size_mm": size_mm} | changes))
    lamp = Lamp(
        from_deg=rng.uniform(0, 360), angle_deg=rng.uniform(7, 28), spread_deg=rng.uniform(0.2, 1.5)
    )
    camera = Camera(
        defocus_px=rng.uniform(0.5, 1.5),
        vignetting=rng.uniform(0.0, 0.35),
        exposure_aim=rng.uniform(0.2, 0.6),
        full_well=float(np.exp(rng.uniform(np.log(1500), np.log(30000)))),
        sharpening=rng.uniform(0.0, 0.8),
        jpeg_quality=int(rng.integers(75, 98)),
    )
    return recipe, lamp, camera, float(rng.uniform(0.03, 0.3))


def _draw_changes(base: SlabRecipe, rng: np.random.Generator) -> dict:
    """Return fields of a recipe drawn around its own values."""
    return {
        "mm_per_px": float(np.exp(rng.uniform(np.log(0.12), np.log(0.3)))),
        "slope_rms": base.slope_rms * float(np.exp(rng.uniform(np.log(0.4), np.log(2.0)))),
        "pits_per_m2": base.pits_per_m2 * rng.uniform(0.7, 4.0),
        "diameter_median_mm": base.diameter_median_mm * rng.uniform(0.7, 1.5),
        "albedo": rng.uniform(0.2, 0.5),
        "mottling": base.mottling * rng.uniform(0.5, 2.0),
        "specks": base.specks * rng.uniform(0.3, 1.8),
        "gloss": rng.uniform(0.0, 0.25),
        "bumps_per_m2": base.bumps_per_m2 * rng.uniform(0.3, 6.0),
        "stains_per_m2": base.stains_per_m2 * rng.uniform(0.3, 6.0),
        "crumbs_per_m2": base.crumbs_per_m2 * rng.uniform(0.3, 6.0),
        "scratches_per_m2": base.scratches_per_m2 * rng.uniform(0.3, 5.0),
        "n_cracks": int(rng.random() < 0.2),
        "n_trowel_arcs": int(rng.integers(0, 3)),
        "joint_share": rng.uniform(0.2, 0.8) if rng.random() < 0.15 else None,
        "grain_deg": rng.uniform(0, 180) if base.board_mm is None else base.grain_deg,
    }
