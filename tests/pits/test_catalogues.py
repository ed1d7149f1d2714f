"""The pit list beside catalogues that others made: a source extractor on the same photo, craters drawn by hand."""

import importlib.util
import sys
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from rakelight.core.records import FaceMap, Lamp
from rakelight.core.settings import FindSettings
from rakelight.light.background import flatten_light
from rakelight.pits.find import build_octaves, find_pits
from rakelight.pits.sort import sort_candidates

sys.path.append(str(Path(__file__).parents[2] / "benchmarks"))
from scoring import match


def test_what_a_source_extractor_finds_of_the_pits_is_listed(survey):
    """Of the true pits that sep finds as dark sources, at least 98 % are listed; sep finds no more of them."""
    sep = pytest.importorskip("sep")
    picture = np.ascontiguousarray(np.clip(-survey.flat.relief, -1, 1), np.float32)
    background = sep.Background(picture)
    found = sep.extract(picture - background, 6, err=background.globalrms, minarea=8)
    sources = pd.DataFrame(
        {
            "x_mm": (found["x"] + 0.5) * survey.mm_per_px,
            "y_mm": (found["y"] + 0.5) * survey.mm_per_px,
            "diameter_mm": 2 * np.sqrt(found["npix"] / np.pi) * survey.mm_per_px,
        }
    )
    truth = survey.truth[survey.truth.diameter_mm >= 1.2].reset_index(drop=True)
    theirs, ours = set(match(sources, truth)) - {-1}, set(match(survey.pits, truth)) - {-1}
    assert 50 < len(theirs)
    assert 0.98 <= len(theirs & ours) / len(theirs)
    assert len(theirs) <= len(ours)


@pytest.mark.slow
def test_craters_of_a_hand_made_catalogue_are_found():
    """A photo of craters from a package of craters: most of those of 20 px and more are listed, sizes alike.

    Hand-made catalogues of one photo differ by up to 45 %, so no more is asked than two thirds.
    """
    package = importlib.util.find_spec("pycda")
    if package is None:
        pytest.skip("the package pycda, whose photo and catalogue are read, is not installed")
    folder = Path(package.submodule_search_locations[0]) / "sample_imgs"
    grey = cv2.imread(str(folder / "holdout_tile.pgm"), cv2.IMREAD_GRAYSCALE)
    drawn = pd.read_csv(folder / "holdout_tile_labels.csv")
    mm_per_px = 0.3  # any will do: nothing here knows its size
    craters = pd.DataFrame(
        {
            "x_mm": (drawn["long"] + 0.5) * mm_per_px,
            "y_mm": (drawn["lat"] + 0.5) * mm_per_px,
            "diameter_mm": drawn["diameter"] * mm_per_px,
        }
    )
    lamp, find = Lamp(300.0, 20.0, basis="said"), FindSettings(smallest_mm=6 * mm_per_px)  # shadows fall that way
    flat = flatten_light(FaceMap(np.repeat(grey[:, :, None], 3, axis=2), np.ones(grey.shape, bool), mm_per_px))
    octaves = build_octaves(flat, settings=find)
    entries = sort_candidates(octaves, find_pits(octaves, lamp, mm_per_px, settings=find), lamp, mm_per_px)
    listed = entries.take(entries.confidence >= 0.5).candidates
    places = {"x_mm": (listed.col + 0.5) * mm_per_px, "y_mm": (listed.row + 0.5) * mm_per_px}
    table = pd.DataFrame({**places, "diameter_mm": listed.diameter_px * mm_per_px})
    pair = match(table, craters)
    large = np.flatnonzero(craters.diameter_mm >= 20 * mm_per_px)
    assert 0.65 <= np.isin(large, pair).mean()
    assert 0.55 <= (pair >= 0).mean()
    ratio = table.diameter_mm.to_numpy()[pair >= 0] / craters.diameter_mm.to_numpy()[pair[pair >= 0]]
    assert 0.9 == pytest.approx(np.median(ratio), abs=0.15)
