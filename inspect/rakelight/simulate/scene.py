"""A whole made-up photo in one call: slab, lamp and camera."""

from dataclasses import dataclass

import numpy as np

from .camera import Camera, aim_camera, photograph
from .lamp import Lamp, light_slab
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
