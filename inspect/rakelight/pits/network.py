"""A small network that looks at close-ups, in plain numpy.

Three layers of small filters and two of plain sums, some 30 000 weights, trained by
`benchmarks/train_sorter.py`; the weights and the record of their training lie in
`data/sorter.npz` and `data/sorter.json`. It answers what a close-up shows, where exactly its middle is and how
far the lip is in sixteen directions. No training library is needed to run it.
"""

from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

BATCH = 512
KINDS = ("pit", "bump", "stain", "scratch", "crack", "trowel_mark", "joint", "grain", "other", "nothing")
N_RAYS = 16
N_OUTPUTS = len(KINDS) + 4 + N_RAYS  # kinds, shift along and across, log size, log doubt, lip


@dataclass(frozen=True, slots=True)
class Answer:
    """What the network says of n close-ups.

    logits : (n, kinds); shift : (n, 2) of the middle along and across the light, in candidate
    diameters; size : (n,) true over candidate diameter; size_sd : (n,) its relative standard
    uncertainty; lip : (n, 16) distance to the lip over the radius of the equal circle,
    directions counted from away-from-the-lamp toward the close-up's bottom.
    """

    logits: np.ndarray
    shift: np.ndarray
    size: np.ndarray
    size_sd: np.ndarray
    lip: np.ndarray


@cache
def load_weights(name: str = "sorter.npz") -> dict[str, np.ndarray]:
    """Return the shipped weights by name, float32."""
    with resources.as_file(resources.files("rakelight.data") / name) as path, np.load(path) as packed:
        return {key: packed[key].astype(np.float32) for key in packed.files}


def judge_patches(
    patches: np.ndarray, numbers: np.ndarray, weights: dict[str, np.ndarray] | None = None
) -> Answer:
    """Return the network's answer for close-ups (n, 3, 25, 25) and their numbers (n, 4)."""
    weights = load_weights() if weights is None else weights
    parts = [
        _run(patches[k : k + BATCH], numbers[k : k + BATCH], weights)
        for k in range(0, len(patches), BATCH)
    ]
    raw = np.concatenate(parts) if parts else np.empty((0, N_OUTPUTS), np.float32)
    return split_outputs(raw)


def glance(glances: np.ndarray, numbers: np.ndarray, weights: dict[str, np.ndarray] | None = None) -> np.ndarray:
    """Return the chances (n, 2) that a candidate is a pit, and that it is a mark worth listing.

    `glances` (n, 169) and `numbers` (n, 4) are cheap; this only decides who gets a proper look.
    """
    weights = load_weights() if weights is None else weights
    x = np.concatenate([glances, numbers], axis=1)
    x = np.maximum(x @ weights["glance1.weight"] + weights["glance1.bias"], 0)
    x = x @ weights["glance2.weight"] + weights["glance2.bias"]
    return 1 / (1 + np.exp(-np.clip(x, -40, 40)))


def split_outputs(raw: np.ndarray) -> Answer:
    """Return raw outputs (n, N_OUTPUTS) as named answers."""
    n = len(KINDS)
    rays = raw[:, n + 4 :]
    lip = np.exp(np.clip(rays, -2, 2))
    lip = lip / np.sqrt(np.mean(np.square(lip), axis=1, keepdims=True))
    return Answer(
        raw[:, :n],
        np.clip(raw[:, n : n + 2], -1, 1),
        np.exp(np.clip(raw[:, n + 2], -1.5, 1.5)),
        np.exp(np.clip(raw[:, n + 3], -5, 0.5)),
        lip,
    )


def _run(patches: np.ndarray, numbers: np.ndarray, weights: dict[str, np.ndarray]) -> np.ndarray:
    x = np.ascontiguousarray(patches.transpose(0, 2, 3, 1))
    for layer, stride in (("conv1", 2), ("conv2", 2), ("conv3", 1)):
        x = np.maximum(_filter(x, weights[f"{layer}.weight"], stride) + weights[f"{layer}.bias"], 0)
    x = np.concatenate([x.reshape(len(x), -1), numbers], axis=1)
    x = np.maximum(x @ weights["full1.weight"] + weights["full1.bias"], 0)
    return x @ weights["full2.weight"] + weights["full2.bias"]


def _filter(x: np.ndarray, weight: np.ndarray, stride: int) -> np.ndarray:
    """Valid correlation of (n, rows, cols, c) with (k, k, c, filters), as one matrix product."""
    k = weight.shape[0]
    views = np.lib.stride_tricks.sliding_window_view(x, (k, k), axis=(1, 2))[:, ::stride, ::stride]
    n, rows, cols = views.shape[:3]
    columns = views.transpose(0, 1, 2, 4, 5, 3).reshape(n * rows * cols, -1)
    return (columns @ weight.reshape(-1, weight.shape[-1])).reshape(n, rows, cols, -1)
