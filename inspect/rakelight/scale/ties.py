"""Places that two photos of one face both show: features found, matched and checked."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..core.records import Lens, Photo
from .plane import straighten_points

LOOK_PX = 1440  # features are looked for in a picture of this longest side
N_FEATURES = 3000
N_QUICK = 600  # strongest features, enough to see whether two photos overlap
RATIO_MAX = 0.8  # best match against second best, Lowe 2004 (from memory)
N_TIES_MIN = 16
N_TIES_MAX = 160  # kept of one pair, spread over the overlap
NEAR_SHARE = 0.0025  # of the longest side: how far off its plane a match may lie
N_QUICK_MIN = 8
N_GUESS_PAIRS = 6
BENDS = (-0.12, -0.1, -0.08, -0.06, -0.05, -0.04, -0.03, -0.02, -0.01, 0.0, 0.01, 0.02, 0.03, 0.05)
SIZE_CHANGE_MAX = 2.5


@dataclass(frozen=True, slots=True)
class Features:
    """Features of one photo: places (n, 2) in photo pixels, strongest first, and descriptors.

    place_sd_px : how well a place is known, in photo pixels.
    """

    at_px: np.ndarray
    descriptors: np.ndarray
    shape_px: tuple[int, int]
    place_sd_px: float


@dataclass(frozen=True, slots=True)
class Ties:
    """The same places of the face in two photos, (n, 2) photo pixels each.

    to_second : plane from the first photo's straight-line pixels to the second's.
    """

    first: int
    second: int
    first_px: np.ndarray
    second_px: np.ndarray
    to_second: np.ndarray


@dataclass(frozen=True, slots=True)
class _Pair:
    """Likely matches of two photos: feature a[k] of the first with feature b[k] of the second."""

    first: int
    second: int
    a: np.ndarray
    b: np.ndarray


def find_features(photo: Photo) -> Features:
    """Return the features of a photo, strongest first; papers and floor included.

    Errors of the answer: a place is good to about a third of a pixel of the picture looked at,
    which is up to 1440 px long.

    Source: scale-invariant features, Lowe, Distinctive image features from scale-invariant
    keypoints, 2004 (from memory), by OpenCV.
    """
    import cv2

    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    shrink = max(1.0, max(grey.shape) / LOOK_PX)
    size_px = tuple(round(n / shrink) for n in grey.shape[::-1])
    small = cv2.resize(grey, size_px, interpolation=cv2.INTER_AREA).astype(np.float32)
    # The lamp's fall-off differs from photo to photo; the grain and the pits do not.
    level = cv2.GaussianBlur(small, (0, 0), 24)
    flat = np.clip(128 * small / np.maximum(level, 1), 0, 255).astype(np.uint8)
    found, descriptors = cv2.SIFT_create(
        nfeatures=N_FEATURES, contrastThreshold=0.02
    ).detectAndCompute(flat, None)
    if not found:
        return Features(np.empty((0, 2)), np.empty((0, 128), np.uint8), photo.shape_px, shrink / 3)
    order = np.argsort([-point.response for point in found], kind="stable")
    at = (np.array([found[k].pt for k in order]) + 0.5) * shrink - 0.5
    # Square roots make a few large entries count less; eight bits are enough for that.
    rooted = np.sqrt(
        descriptors[order] / np.maximum(descriptors[order].sum(axis=1, keepdims=True), 1)
    )
    return Features(at, np.rint(255 * rooted).astype(np.uint8), photo.shape_px, shrink / 3)


def match_photos(
    features: Sequence[Features], lens: Lens | None = None, *, seed: int = 0
) -> tuple[list[Ties], Lens]:
    """Return the ties of every pair of photos that show a common part of the face, and the lens.

    Parameters
    ----------
    features : per photo, all photos of one size.
    lens : a lens calibrated before; when None a first guess is made: the bend under which most
        pairs are planes of each other.
    seed : of the random search for planes.

    Errors of the answer: some ties are wrong; the joint adjustment leaves them out. The guessed
    lens is good to about 0.005 of k1.
    """
    pairs = _pair_up(features)
    lens = lens or _guess_lens(features, pairs, seed)
    ties = [_tie(features, pair, lens, seed) for pair in pairs]
    return [pair for pair in ties if pair is not None], lens


def _pair_up(features: Sequence[Features]) -> list[_Pair]:
    """Return the pairs of photos with likely matches."""
    pairs = []
    for first in range(len(features)):
        for second in range(first + 1, len(features)):
            if not _could_overlap(features[first], features[second]):
                continue
            a, b = _match(features[first], features[second], N_FEATURES)
            if len(a) >= N_TIES_MIN:
                pairs.append(_Pair(first, second, a, b))
    return pairs


def _could_overlap(one: Features, other: Features) -> bool:
    """Return whether the strongest features of two photos already hint at a common plane."""
    import cv2

    a, b = _match(one, other, N_QUICK)
    if len(a) < N_QUICK_MIN:
        return False
    # The reach is wide because the lens is not known yet.
    far_px = 4 * NEAR_SHARE * max(other.shape_px)
    cv2.setRNGSeed(0)
    _, mask = cv2.findHomography(one.at_px[a], other.at_px[b], cv2.RANSAC, far_px, maxIters=500)
    return mask is not None and np.count_nonzero(mask) >= N_QUICK_MIN


def _guess_lens(features: Sequence[Features], pairs: Sequence[_Pair], seed: int) -> Lens:
    """Return the lens of the bend that lets most matches of the best pairs lie on a plane."""
    rows, cols = features[0].shape_px
    centre_px = ((cols - 1) / 2, (rows - 1) / 2)
    best = sorted(pairs, key=lambda pair: -len(pair.a))[:N_GUESS_PAIRS]
    lenses = [Lens(k1, 0.0, centre_px, math.hypot(*centre_px), basis="marks") for k1 in BENDS]
    if not best:
        return lenses[BENDS.index(0.0)]
    counts = []
    for lens in lenses:
        planes = [_find_plane(features, pair, lens, seed) for pair in best]
        counts.append(sum(np.count_nonzero(keep) for _, keep in planes))
    top = int(np.argmax(counts))
    # A bend is believed only when it clearly explains more than a straight lens does.
    if counts[top] < 1.03 * counts[BENDS.index(0.0)]:
        top = BENDS.index(0.0)
    return lenses[top]


def _find_plane(
    features: Sequence[Features], pair: _Pair, lens: Lens, seed: int
) -> tuple[np.ndarray | None, np.ndarray]:
    """Return the plane between two photos' straight places and which matches lie on it."""
    import cv2

    one, other = features[pair.first], features[pair.second]
    from_px = straighten_points(lens, one.at_px[pair.a])
    to_px = straighten_points(lens, other.at_px[pair.b])
    cv2.setRNGSeed(seed)
    near_px = NEAR_SHARE * max(other.shape_px)
    plane, mask = cv2.findHomography(from_px, to_px, cv2.USAC_MAGSAC, near_px, maxIters=2000)
    if plane is None:
        return None, np.zeros(len(pair.a), bool)
    return plane, np.ravel(mask).astype(bool)


def _tie(features: Sequence[Features], pair: _Pair, lens: Lens, seed: int) -> Ties | None:
    plane, keep = _find_plane(features, pair, lens, seed)
    one, other = features[pair.first], features[pair.second]
    if plane is None or not _is_sane(plane, one.shape_px):
        return None
    if np.count_nonzero(keep) < max(N_TIES_MIN, 0.2 * len(keep)):
        return None
    a, b = pair.a[keep], pair.b[keep]
    spread = _spread_out(one.at_px[a], one.shape_px, N_TIES_MAX)
    return Ties(pair.first, pair.second, one.at_px[a[spread]], other.at_px[b[spread]], plane)


def _match(one: Features, other: Features, n_max: int) -> tuple[np.ndarray, np.ndarray]:
    """Return indices of features that are each other's best and clearly better than the next."""
    a = one.descriptors[:n_max].astype(np.float32)
    b = other.descriptors[:n_max].astype(np.float32)
    if len(a) < 3 or len(b) < 3:
        return np.empty(0, int), np.empty(0, int)
    a /= np.linalg.norm(a, axis=1, keepdims=True) + 1e-6
    b /= np.linalg.norm(b, axis=1, keepdims=True) + 1e-6
    alike = a @ b.T
    rows = np.arange(len(a))
    best, best_back = alike.argmax(axis=1), alike.argmax(axis=0)
    first = alike[rows, best]
    alike[rows, best] = -1
    # Squared distances of unit vectors are 2 - 2 cosines.
    clear = 1 - first < RATIO_MAX**2 * (1 - alike.max(axis=1))
    mutual = best_back[best] == rows
    chosen = np.flatnonzero(clear & mutual)
    return chosen, best[chosen]


def _is_sane(plane: np.ndarray, shape_px: tuple[int, int]) -> bool:
    """Return whether a plane between photos neither mirrors nor shrinks or stretches too much."""
    rows, cols = shape_px
    middle = np.array([cols / 2, rows / 2, 1.0])
    depth = plane[2] @ middle
    place = (plane[:2] @ middle) / depth
    slope = (plane[:2, :2] - np.outer(place, plane[2, :2])) / depth
    growth = np.linalg.det(slope)
    return bool(np.isfinite(growth) and 1 / SIZE_CHANGE_MAX**2 < growth < SIZE_CHANGE_MAX**2)


def _spread_out(at_px: np.ndarray, shape_px: tuple[int, int], n_max: int) -> np.ndarray:
    """Return indices of at most `n_max` places, taken in turn from the cells of a grid."""
    if len(at_px) <= n_max:
        return np.arange(len(at_px))
    cells = np.floor(at_px / (max(shape_px) / 16)).astype(int)
    key = cells[:, 0] * 1000 + cells[:, 1]
    turn = np.zeros(len(key), int)
    seen: dict[int, int] = {}
    for k, cell in enumerate(key):
        turn[k] = seen.get(cell, 0)
        seen[cell] = turn[k] + 1
    return np.sort(np.argsort(turn, kind="stable")[:n_max])
