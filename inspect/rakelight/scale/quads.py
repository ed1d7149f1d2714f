"""The four-sided face a photo most likely shows, put together from its straight lines."""

import math

import numpy as np

SHARE_MIN = 0.08  # of the photo's area
SUPPORT_MIN = 0.55  # of each side's length must show an edge
N_LINES_MAX = 9  # of either direction
N_SAMPLES = 40
RIM_PX = (3, 4, 5)  # tone just inside an edge, compared with the tone further in
RIM_TONE_SPREAD = 0.12


def choose_quad(grey: np.ndarray) -> tuple[np.ndarray, float] | None:
    """Return the corners (4, 2) of the best supported face and its weakest support, or None.

    Parameters
    ----------
    grey : uint8 (rows, cols)
        A small, slightly blurred picture (about 640 px).

    Every two level and two upright lines make a face. It scores by how much of its sides show an
    edge, by its size, and by whether the tone just inside its sides is the tone of the face: the
    slab's own vertical side, seen from a tilted camera, has another tone and is left outside.
    """
    quads = _combine_lines(*_collect_lines(grey))
    quads = quads[_could_be_faces(quads, grey.shape)]
    if not len(quads):
        return None
    tone = np.sqrt(grey.astype(np.float32))
    slopes = np.stack(np.gradient(tone)[::-1], axis=-1)
    supports = _measure_supports(slopes, quads)
    share = _measure_areas(quads) / grey.size
    score = supports.prod(axis=1) ** 0.25 * share**0.35 * _compare_rims(tone, quads)
    score[supports.min(axis=1) < SUPPORT_MIN] = 0
    best = int(score.argmax())
    return (quads[best], float(supports[best].min())) if score[best] > 0 else None


def _combine_lines(level: list[np.ndarray], upright: list[np.ndarray]) -> np.ndarray:
    """Return the corners (n, 4, 2) of every face two level and two upright lines make."""
    tops, bottoms = _pair_lines(level, axis=1)
    lefts, rights = _pair_lines(upright, axis=0)
    across, down = np.meshgrid(np.arange(len(tops)), np.arange(len(lefts)), indexing="ij")
    across, down = across.ravel(), down.ravel()
    top, bottom, left, right = tops[across], bottoms[across], lefts[down], rights[down]
    pairs = ((left, top), (top, right), (right, bottom), (bottom, left))
    return np.stack([_cross_all(a, b) for a, b in pairs], axis=1)


def _pair_lines(lines: list[np.ndarray], *, axis: int) -> tuple[np.ndarray, np.ndarray]:
    """Return pairs of lines, those nearer the top (or the left) first."""
    ordered = sorted(lines, key=lambda line: line[axis])
    pairs = [
        (a, b) for i, a in enumerate(ordered) for b in ordered[i + 1 :] if b[axis] - a[axis] > 40
    ]
    if not pairs:
        return np.empty((0, 4)), np.empty((0, 4))
    first, second = zip(*pairs, strict=True)
    return np.array(first), np.array(second)


def _cross_all(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    between = other[:, :2] - one[:, :2]
    turn = one[:, 2] * other[:, 3] - one[:, 3] * other[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = (between[:, 0] * other[:, 3] - between[:, 1] * other[:, 2]) / turn
    return one[:, :2] + one[:, 2:] * reach[:, None]


def _could_be_faces(quads: np.ndarray, shape_px: tuple[int, int]) -> np.ndarray:
    rows, cols = shape_px
    inside = ((quads > -2) & (quads < (cols + 1, rows + 1))).all(axis=(1, 2))
    ahead = np.roll(quads, -1, axis=1) - quads
    after = np.roll(ahead, -1, axis=1)
    turns = ahead[..., 0] * after[..., 1] - ahead[..., 1] * after[..., 0]
    with np.errstate(invalid="ignore"):
        large = _measure_areas(quads) > SHARE_MIN * rows * cols
    return inside & (turns > 0).all(axis=1) & large


def _measure_areas(quads: np.ndarray) -> np.ndarray:
    x, y = quads[..., 0], quads[..., 1]
    return 0.5 * np.sum(x * np.roll(y, -1, axis=1) - y * np.roll(x, -1, axis=1), axis=1)


def _sample_sides(
    quads: np.ndarray, offsets_px: tuple[float, ...], shape_px: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return rows, columns (n, 4, samples, offsets) beside the sides and what points inward."""
    ahead = np.roll(quads, -1, axis=1) - quads
    along = ahead / np.hypot(ahead[..., 0], ahead[..., 1])[..., None]
    inward = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    share = np.linspace(0.05, 0.95, N_SAMPLES)
    at = quads[:, :, None, :] + share[:, None] * ahead[:, :, None, :]
    at = at[:, :, :, None, :] + np.array(offsets_px)[:, None] * inward[:, :, None, None, :]
    cols = np.clip(np.rint(at[..., 0]).astype(int), 0, shape_px[1] - 1)
    rows = np.clip(np.rint(at[..., 1]).astype(int), 0, shape_px[0] - 1)
    return rows, cols, inward


def _measure_supports(slopes: np.ndarray, quads: np.ndarray) -> np.ndarray:
    """Return per side (n, 4) the share of its length where the tone changes across it, one way."""
    rows, cols, inward = _sample_sides(quads, (-2, -1, 0, 1, 2), slopes.shape[:2])
    change = np.einsum("qsnok,qsk->qsno", slopes[rows, cols], inward.astype(np.float32))
    limit = 3 * float(np.median(np.abs(slopes)))
    rising, falling = change.max(axis=3) > limit, change.min(axis=3) < -limit
    return np.maximum(rising.mean(axis=2), falling.mean(axis=2))


def _compare_rims(tone: np.ndarray, quads: np.ndarray) -> np.ndarray:
    """Return 0 to 1 per face (n,): 1 when the rim inside every side has the tone further in."""
    rows, cols, _ = _sample_sides(quads, RIM_PX, tone.shape)
    rim = np.median(tone[rows, cols], axis=(2, 3))
    rows, cols, _ = _sample_sides(quads, (20, 28, 36), tone.shape)
    further_in = np.median(tone[rows, cols], axis=(2, 3))
    away = np.abs(np.log(np.maximum(rim, 0.5) / np.maximum(further_in, 0.5)))
    return np.exp(-((away.max(axis=1) / RIM_TONE_SPREAD) ** 2) / 2)


def _collect_lines(grey: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Return the longest level and upright lines (x, y, dx, dy), segments in one line joined."""
    import cv2

    found = cv2.createLineSegmentDetector().detect(grey)[0]
    if found is None:
        return [], []
    ends = found.reshape(-1, 4).astype(float)
    lengths = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    ends = ends[lengths > 0.04 * max(grey.shape)]
    groups: list[list[np.ndarray]] = []
    for segment in ends[np.argsort(-np.hypot(*(ends[:, 2:] - ends[:, :2]).T))]:
        for group in groups:
            if _lies_in_line(group[0], segment):
                group.append(segment)
                break
        else:
            groups.append([segment])
    groups.sort(key=lambda g: -sum(math.hypot(s[2] - s[0], s[3] - s[1]) for s in g))
    lines = [_join_segments(group) for group in groups]
    level = [line for line in lines if abs(line[2]) >= abs(line[3])][:N_LINES_MAX]
    upright = [line for line in lines if abs(line[2]) < abs(line[3])][:N_LINES_MAX]
    return level, upright


def _lies_in_line(one: np.ndarray, other: np.ndarray) -> bool:
    along = (one[2:] - one[:2]) / math.hypot(*(one[2:] - one[:2]))
    across = np.array([-along[1], along[0]])
    turn = (other[2:] - other[:2]) / math.hypot(*(other[2:] - other[:2]))
    away = np.abs((other.reshape(2, 2) - one[:2]) @ across)
    return bool(abs(turn @ across) < 0.06 and away.max() < 3.0)


def _join_segments(group: list[np.ndarray]) -> np.ndarray:
    ends = np.concatenate([segment.reshape(2, 2) for segment in group])
    middle = ends.mean(axis=0)
    _, _, axes = np.linalg.svd(ends - middle, full_matrices=False)
    return np.array([*middle, *axes[0]])
