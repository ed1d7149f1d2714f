"""Close-ups and the network: the quick way of working on many at once against the plain way, one by one."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from rakelight.pits.network import judge_patches, load_weights
from rakelight.pits.patches import (
    GLANCE_PX,
    NEAR_SPAN,
    PATCH_PX,
    RELIEF_LIMIT,
    WIDE_SPAN,
    cut_glances,
    cut_patches,
    describe_candidates,
    lamp_at_candidates,
    split_batches,
)


def sample_plainly(octave, candidates, k, toward_deg, span):
    """Return one candidate's surroundings (25, 25) in map order: across the light down, away from it right."""
    u, v = np.meshgrid(np.linspace(-1, 1, PATCH_PX), np.linspace(-1, 1, PATCH_PX))
    reach = float(candidates.diameter_px[k]) / octave.shrink * span
    angle = np.radians(float(toward_deg[k]))
    row = (
        (candidates.row[k] + 0.5) / octave.shrink
        - 0.5
        + reach * (np.cos(angle) * u - np.sin(angle) * v)
    )
    col = (
        (candidates.col[k] + 0.5) / octave.shrink
        - 0.5
        + reach * (-np.sin(angle) * u - np.cos(angle) * v)
    )
    return map_coordinates(octave.picture, [row, col], order=1, mode="grid-constant")


def add_up_plainly(patch, numbers, weights):
    """Return the raw outputs of the network for one close-up (3, 25, 25), place by place."""
    x = patch.transpose(1, 2, 0)
    for layer, stride in (("conv1", 2), ("conv2", 2), ("conv3", 1)):
        weight, bias = weights[f"{layer}.weight"], weights[f"{layer}.bias"]
        k = len(weight)
        places = range(0, len(x) - k + 1, stride)
        rows = [
            [np.tensordot(x[r : r + k, c : c + k], weight, 3) + bias for c in places]
            for r in places
        ]
        x = np.maximum(rows, 0)
    x = np.concatenate([x.ravel(), numbers])
    x = np.maximum(x @ weights["full1.weight"] + weights["full1.bias"], 0)
    return x @ weights["full2.weight"] + weights["full2.bias"]


@pytest.fixture(scope="module")
def some(survey):
    """Thirty candidates of all octaves, with the lamp's side and the angle at each."""
    chosen = survey.candidates.take(np.linspace(0, len(survey.candidates) - 1, 30).astype(int))
    return chosen, *lamp_at_candidates(chosen, survey.lamp, survey.mm_per_px)


def test_close_ups_agree_with_samples_taken_one_by_one(survey, some):
    """Close-ups are bilinear samples of the scale space (scipy, second implementation); float32 places: 2e-3."""
    candidates, toward_deg, _ = some
    patches, octaves = cut_patches(survey.octaves, candidates, toward_deg), survey.octaves
    for k in range(len(candidates)):
        index, noise = candidates.octave[k], candidates.noise[k]
        near = sample_plainly(octaves[index], candidates, k, toward_deg, NEAR_SPAN)
        wide = sample_plainly(
            octaves[min(index + 1, len(octaves) - 1)], candidates, k, toward_deg, WIDE_SPAN
        )
        plain = np.stack(
            [np.clip(near, -1, RELIEF_LIMIT), np.arcsinh(near / noise), np.arcsinh(wide / noise)]
        )
        np.testing.assert_allclose(patches[k], plain, atol=2e-3)


def test_glances_are_every_second_point_of_the_close_up(survey, some):
    """A glance is layer 1 of the close-up at every second row and column, to float32 rounding."""
    candidates, toward_deg, _ = some
    thinned = cut_patches(survey.octaves, candidates, toward_deg)[:, 1, ::2, ::2].reshape(
        -1, GLANCE_PX**2
    )
    np.testing.assert_allclose(
        cut_glances(survey.octaves, candidates, toward_deg), thinned, atol=1e-4
    )


def test_the_network_agrees_with_plain_sums(survey, some):
    """The batched network says what sums place by place say, to float32 rounding."""
    candidates, toward_deg, angle_deg = some
    patches, numbers = (
        cut_patches(survey.octaves, candidates, toward_deg),
        describe_candidates(candidates, angle_deg),
    )
    plain = np.array(
        [add_up_plainly(*pair, load_weights()) for pair in zip(patches, numbers, strict=True)]
    )
    answer = judge_patches(patches, numbers)
    np.testing.assert_allclose(answer.logits, plain[:, : answer.logits.shape[1]], atol=1e-3)
    np.testing.assert_allclose(answer.shift, np.clip(plain[:, 10:12], -1, 1), atol=1e-4)


def test_batches_hold_every_candidate_once_and_one_octave_each(survey):
    """The batches together are all candidates, each batch of a single octave."""
    batches = split_batches(survey.candidates)
    assert list(range(len(survey.candidates))) == np.sort(np.concatenate(batches)).tolist()
    assert all(len(set(survey.candidates.octave[batch])) == 1 for batch in batches)
    assert [] == split_batches(survey.candidates.take(slice(0)))
