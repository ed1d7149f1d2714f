"""Photos on disk shared by the tests of the whole path."""

from pathlib import Path

import pytest
from PIL import Image

from rakelight.simulate import Lamp, choose_recipe, simulate_photo


@pytest.fixture(scope="session")
def made_up():
    """A small made-up photo with its truth: 120 x 90 mm at .15 mm/px, lit from the left at 15 degrees."""
    recipe = choose_recipe("worn", size_mm=(120, 90), mm_per_px=0.15, pits_per_m2=3500)
    return simulate_photo(31, recipe=recipe, lamp=Lamp(270.0, 15.0))


@pytest.fixture(scope="session")
def photo_file(made_up, tmp_path_factory) -> Path:
    """The same photo as a JPEG file."""
    path = tmp_path_factory.mktemp("photos") / "bench é.jpg"
    Image.fromarray(made_up.rgb).save(path, quality=93)
    return path
