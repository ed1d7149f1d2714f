"""The matrix of shift, turn and scale, by known answers and by a second implementation."""

import numpy as np
import pytest
from skimage.transform import SimilarityTransform

from rakelight.core.similarity import fit_similarity


def test_a_quarter_turn_doubled_and_shifted_is_found():
    """(1, 0) goes to (5, 9) and the origin to (5, 7): a quarter turn, twice the size."""
    start = np.array([[0.0, 0], [1, 0], [0, 1]])
    goal = np.array([[5.0, 7], [5, 9], [3, 7]])
    expected = [[0, -2, 5], [2, 0, 7], [0, 0, 1]]
    assert expected == pytest.approx(fit_similarity(start, goal), abs=1e-12)


def test_noisy_places_agree_with_a_second_implementation():
    """Where places disagree a little, another library's estimate is near (it weighs both sides alike)."""
    rng = np.random.default_rng(4)
    start = rng.uniform(0, 100, (60, 2))
    true = SimilarityTransform(scale=1.02, rotation=0.05, translation=(3, -2))
    goal = true(start) + rng.normal(0, 0.05, start.shape)
    other = SimilarityTransform.from_estimate(start, goal)
    # Both are off by the noise over the root of the places; scales differ by the noise squared.
    assert np.asarray(other.params) == pytest.approx(fit_similarity(start, goal), abs=1e-3)
