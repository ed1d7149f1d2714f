"""Which of many places lie near each other, each as far as its own size reaches, and which of them stay.

Cells as wide as the reach, in the order of their numbers: what is near lies in three short runs of that order. For
some ten thousand places this takes half the time of a tree, and no other thread.
"""

from collections.abc import Iterator

import numpy as np

SIZE_CLASSES = 3  # classes of size per octave; speed only
AT_ONCE = 20_000  # places whose neighbours are held in memory at a time
_SLACK = 1 + 1e-9  # of a cell over the reach: rounding must not put two neighbours two cells apart


def near_pairs(
    places: np.ndarray, size: np.ndarray, near: float, *, ratio: float = np.inf
) -> np.ndarray:
    """Return index pairs (n, 2), each once, whose centres lie within `near` x the larger size.

    Pairs whose sizes differ by more than `ratio` may be left out. Classes of similar size are searched
    one against all smaller ones, so that a few large candidates do not make every search wide.
    """
    size, n = np.asarray(size, float), len(size)
    if n < 2:
        return np.empty((0, 2), np.intp)
    classes = np.floor(SIZE_CLASSES * np.log2(np.maximum(size, 1e-6))).astype(np.int32)
    order = np.argsort(classes, kind="stable")
    starts = np.flatnonzero(np.diff(classes[order], prepend=classes.min() - 1))
    size, (y, x) = size[order], np.asarray(places, float)[order].T
    y, x = y - y.min(), x - x.min()
    largest, least = np.maximum.reduceat(size, starts), np.minimum.reduceat(size, starts)
    keys = []
    for k, (start, end) in enumerate(zip(starts, [*starts[1:], n], strict=True)):
        first = starts[np.argmax(least[k] <= ratio * largest)]  # of the smallest class looked at
        part = slice(first, end)
        for one, other in _pair_up(y[part], x[part], near * largest[k] * _SLACK, start - first):
            one, other = one + first, other + first
            dy, dx, reach = (
                y[one] - y[other],
                x[one] - x[other],
                near * np.maximum(size[one], size[other]),
            )
            is_near = (dy * dy + dx * dx <= reach * reach) & ((other < start) | (one < other))
            one, other = order[one[is_near]], order[other[is_near]]
            keys.append(np.minimum(one, other) * n + np.maximum(one, other))
    return np.column_stack(np.divmod(np.sort(np.concatenate(keys)), n)).astype(np.intp)


def _pair_up(
    y: np.ndarray, x: np.ndarray, cell: float, n_small: int
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Places from `n_small` on, each with every place in its own cell and the eight around it, itself too."""
    n_wide = int(x.max() / cell) + 3
    number = (y / cell).astype(np.int64) * n_wide + (x / cell).astype(np.int64)
    if number.max() < np.iinfo(np.int32).max - 2 * n_wide:
        number = number.astype(np.int32)  # sorted in half the time
    order = np.argsort(number)
    number = number[order]
    all_large, rows = np.flatnonzero(order >= n_small), (-n_wide, 0, n_wide)
    for k in range(0, len(all_large), AT_ONCE):
        large = all_large[k : k + AT_ONCE]
        own = number[large]
        low = np.concatenate([np.searchsorted(number, own + (row - 1)) for row in rows])
        high = np.concatenate([np.searchsorted(number, own + (row + 2)) for row in rows])
        count = high - low
        ends = np.cumsum(count)
        found = np.arange(ends[-1]) + np.repeat(low - (ends - count), count)
        yield order[np.repeat(np.concatenate([large] * 3), count)], order[found]


def keep_strongest(n: int, first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Greedy choice, pairs (stronger, weaker): a candidate stays unless a stronger one of its pairs does.

    All whose fate is clear are settled in one round; the strongest of a group always is, so a few rounds do.
    """
    dropped = np.zeros(n, bool)
    while len(first):
        is_open = np.ones(n, bool)
        is_open[second] = False  # nothing stronger is left beside these: they stay
        hit = is_open[first]
        dropped[second[hit]] = True
        # Pairs with one that is dropped, or that stays and has been heard, say no more.
        left = ~hit & ~dropped[first] & ~dropped[second]
        first, second = first[left], second[left]
    return ~dropped
