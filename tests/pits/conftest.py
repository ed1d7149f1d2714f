"""Made-up photos shared by the tests of the pit list."""

import numpy as np
import pytest

from rakelight.core.records import FaceMap, Lamp, Scale
from rakelight.core.settings import FindSettings
from rakelight.light.background import flatten_light
from rakelight.pits.find import build_octaves, find_pits
from rakelight.pits.measure import choose_pits, measure_pits
from rakelight.pits.sort import sort_candidates
from rakelight.simulate import Lamp as SceneLamp
from rakelight.simulate import choose_recipe, simulate_photo


class Survey:
    """A made-up photo and everything the pit steps say about it."""

    def __init__(self, photo, lamp: Lamp, *, rgb=None, find: FindSettings | None = None) -> None:
        self.truth, self.mm_per_px = photo.slab.pits, photo.slab.mm_per_px
        self.rgb = photo.rgb if rgb is None else rgb
        self.lamp = lamp
        self.face = FaceMap(self.rgb, np.ones(self.rgb.shape[:2], bool), self.mm_per_px)
        self.flat = flatten_light(self.face)
        find = find or FindSettings()
        self.octaves = build_octaves(self.flat, settings=find)
        self.candidates = find_pits(self.octaves, lamp, self.mm_per_px, settings=find)
        self.entries = sort_candidates(self.octaves, self.candidates, lamp, self.mm_per_px)
        chosen = choose_pits(self.entries, self.mm_per_px, smallest_mm=find.smallest_mm, confidence_min=0.5)
        self.scale = Scale("mm_per_px", self.mm_per_px, 0.0, np.eye(3), self.face.size_mm)
        self.measured = measure_pits(chosen, self.face, self.flat, lamp, scale=self.scale)
        self.pits = self.measured.pits


def make_photo(seed=11, *, side=270.0, angle=15.0, **changes):
    """Return a small made-up photo, 1.2 MP at .15 mm/px."""
    recipe = choose_recipe("caps", size_mm=(180, 150), mm_per_px=0.15, pits_per_m2=3000, **changes)
    return simulate_photo(seed, recipe=recipe, lamp=SceneLamp(side, angle))


@pytest.fixture(scope="session")
def photo():
    """A face with some 80 round pits, stains, bumps and scratches, lit from the left at 15 degrees."""
    return make_photo()


@pytest.fixture(scope="session")
def survey(photo):
    """What the pit steps say about `photo`."""
    return Survey(photo, Lamp(270.0, 15.0, basis="said"))
