"""A small network that looks at close-ups, in plain numpy.

Three layers of small filters and two of plain sums, some 30 000 weights, trained by
`benchmarks/train_sorter.py`; the weights and the record of their training lie in
`data/sorter.npz` and `data/sorter.json`. It answers what a close-up shows, where exactly its middle is and how
far the lip is in sixteen directions. No training library is needed to run it.
"""

import math
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from ..core.threads import Room

BATCH = 128  # close-ups worked on at once: their sums stay in the processor's own memory
COLUMNS_HELD = (
    100_000  # numbers laid out for products at a time: they stay in the processor's own memory
)
SMALL_PRODUCT = 500_000  # multiplications; OpenBLAS shares out larger products among threads (its source, 2 x 262144)
KINDS = (
    "pit",
    "bump",
    "stain",
    "scratch",
    "crack",
    "trowel_mark",
    "joint",
    "grain",
    "other",
    "nothing",
)
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

    def take(self, index: np.ndarray) -> "Answer":
        """Return the answers at `index` (whole numbers or a mask)."""
        return Answer(*(getattr(self, name)[index] for name in self.__slots__))


@cache
def load_weights(name: str = "sorter.npz") -> dict[str, np.ndarray]:
    """Return the shipped weights by name, float32."""
    with (
        resources.as_file(resources.files("rakelight.data") / name) as path,
        np.load(path) as packed,
    ):
        return {key: packed[key].astype(np.float32) for key in packed.files}


def judge_patches(
    patches: np.ndarray, numbers: np.ndarray, weights: dict[str, np.ndarray] | None = None
) -> Answer:
    """Return the network's answer for close-ups (n, 3, 25, 25) and their numbers (n, 4)."""
    parts = [
        run_network(
            np.ascontiguousarray(patches[k : k + BATCH].transpose(2, 3, 1, 0)),
            numbers[k : k + BATCH],
            weights,
        )
        for k in range(0, len(patches), BATCH)
    ]
    return split_outputs(np.concatenate(parts) if parts else np.empty((0, N_OUTPUTS), np.float32))


def glance(
    glances: np.ndarray, numbers: np.ndarray, weights: dict[str, np.ndarray] | None = None
) -> np.ndarray:
    """Return the chances (n, 2) that a candidate is a pit, and that it is a mark worth listing.

    `glances` (n, 169) and `numbers` (n, 4) are cheap; this only decides who gets a proper look.
    """
    weights = load_weights() if weights is None else weights
    x = np.concatenate([glances.T, numbers.T])
    x = _add_up(x, weights["glance1.weight"], weights["glance1.bias"])
    x = _add_up(np.maximum(x, 0, out=x), weights["glance2.weight"], weights["glance2.bias"])
    return (1 / (1 + np.exp(-np.clip(x, -40, 40)))).T


def run_network(
    patches: np.ndarray,
    numbers: np.ndarray,
    weights: dict[str, np.ndarray] | None = None,
    *,
    room: Room | None = None,
) -> np.ndarray:
    """Return the raw outputs (n, N_OUTPUTS) for close-ups (25, 25, 3, n), as `patches.cut_batch` gives them."""
    weights = load_weights() if weights is None else weights
    room = Room() if room is None else room
    x = patches
    for layer, stride in (("conv1", 2), ("conv2", 2), ("conv3", 1)):
        x = _filter(x, weights[f"{layer}.weight"], stride, room)
        x += weights[f"{layer}.bias"][:, None]
        np.maximum(x, 0, out=x)
    x = np.concatenate([x.reshape(-1, x.shape[-1]), numbers.T])
    x = _add_up(x, weights["full1.weight"], weights["full1.bias"])
    return _add_up(np.maximum(x, 0, out=x), weights["full2.weight"], weights["full2.bias"]).T


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


def _filter(x: np.ndarray, weight: np.ndarray, stride: int, room: Room) -> np.ndarray:
    """Valid correlation of (rows, cols, c, n) with (k, k, c, filters): one small matrix product per place."""
    k, n_filters = weight.shape[0], weight.shape[-1]
    views = np.lib.stride_tricks.sliding_window_view(x, (k, k), axis=(0, 1))[::stride, ::stride]
    views = views.transpose(0, 1, 4, 5, 2, 3)
    n_down, n_right, n = views.shape[0], views.shape[1], views.shape[-1]
    answer = room.take(f"sums{n_down}", (n_down, n_right, n_filters, n))
    step = max(1, COLUMNS_HELD // math.prod(views.shape[1:]))
    for top in range(0, n_down, step):
        part = views[top : top + step]
        columns = room.take("columns", part.shape)
        np.copyto(columns, part)
        _multiply(
            weight.reshape(-1, n_filters),
            columns.reshape(len(part), n_right, -1, n),
            answer[top : top + step],
        )
    return answer


def _add_up(x: np.ndarray, weight: np.ndarray, bias: np.ndarray) -> np.ndarray:
    """Sums of (inputs, n) weighted with (inputs, outputs), as (outputs, n)."""
    answer = _multiply(weight, x, np.empty((weight.shape[1], x.shape[1]), np.float32))
    answer += bias[:, None]
    return answer


def _multiply(weight: np.ndarray, x: np.ndarray, answer: np.ndarray) -> np.ndarray:
    """weight.T @ x for x (..., inputs, n), in pieces that the library does not share out among threads.

    Waking its threads for such small products takes several times as long as the products, and
    the close-ups are shared out among threads already.
    """
    turned = np.ascontiguousarray(weight.T)
    width = max(8, int(SMALL_PRODUCT / turned.size) // 8 * 8)
    for k in range(0, x.shape[-1], width):
        np.matmul(turned, x[..., k : k + width], out=answer[..., k : k + width])
    return answer
