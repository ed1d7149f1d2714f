"""Numbers from outside and made-up photos shared by the colour tests."""

import json
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from rakelight.colour.balance import Shoot
from rakelight.colour.uniformity import measure_colour

from .scenes import GREY_MM, Scene

DATA = Path(__file__).resolve().parents[1] / "data"


def read_values(prefix: str) -> list[dict]:
    """Return the published or computed values whose id starts with a prefix."""
    values = json.loads((DATA / "colour.json").read_text(encoding="utf-8"))["values"]
    return [value for value in values if value["id"].startswith(prefix)]


def read_pairs() -> np.ndarray:
    """Return the 34 published pairs (34, 7): two L*a*b* and their dE00."""
    return np.loadtxt(DATA / "ciede2000_pairs.csv", delimiter=",", skiprows=4)


SMALL = {"size_mm": (1200.0, 500.0)}


@lru_cache(maxsize=16)
def measure_scene(scene: Scene, way: str = "turned", has_grey: bool = True):
    """Return the colour report of a scene, with the lamp told from the slab in one of three ways."""
    shoot = {
        "model": lambda: Shoot(),
        "turned": lambda: Shoot(turned=scene.take(is_turned=True)),
        "flat": lambda: Shoot(flat=scene.take_white_sheet()),
    }[way]()
    return measure_colour(scene.take(), grey=GREY_MM if has_grey else None, shoot=shoot)


@pytest.fixture(scope="session")
def even_scene() -> Scene:
    """An evenly mottled slab under a lamp that falls off."""
    return Scene(seed=11, **SMALL)
