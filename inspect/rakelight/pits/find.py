"""Where could there be a pit? Candidates from a scale space that knows where the lamp stands.

Walking away from the lamp, a pit is first dark (the near wall lies in shade) and then bright
(the far wall looks at the lamp); a bump is the other way round. At every size that may
occur, the flattened photo is smoothed to that size and the light on the far side of each place is
compared with the light on its near side. The answer, in units of the grain's own noise
at that size, is the candidate's `strength`: positive like a pit, negative like a bump.

This step must miss nothing; telling pits from what only looks like one is `pits.sort`.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..core.errors import ScaleError
from ..core.records import FlatPhoto, Lamp
from ..core.settings import FindSettings
from ..core.threads import ROOMS, Room, share_out
from .neighbours import keep_strongest, near_pairs

BLUR_PER_DIAMETER = 0.20  # blur (sigma) that suits a pit of diameter 1; our choice on made-up slabs
REACH_PER_DIAMETER = 0.30  # from a pit's middle to where its two sides are read; our choice
FINEST_PX = 5.0  # a pit needs no more pixels than this to be found; finer photos are shrunk first
SEARCH_PX = (
    4.0  # and these are enough to notice it: its place and size are refined on the finer picture
)
BLOCK_PX = (384, 4096)  # rows, columns worked on at once
SAMPLE_STEP = 6  # the noise is read from every so many rows and columns at most
SIDE_MIN_PX = 16  # smaller pictures of the scale space hold nothing to compare
MIN_SAMPLE = 40  # places that the noise of a block must be read from
_MAD_TO_SD = 1.4826


@dataclass(frozen=True, slots=True)
class Octave:
    """One size class of the scale space: the picture, how much it was shrunk, the sizes tried.

    picture : float32 (rows, cols); shrink : map pixels per picture pixel; diameters_px : sizes
    tried, in pixels of `picture`; seen : bool (rows, cols), None when all of the face is seen;
    top : map row of the picture's first row, when it is a strip; core : map rows (from, to) of a strip in which
    candidates are looked for, None for all; photo_px : photo pixels per map pixel, above 1 when the photo was read
    at reduced size.
    """

    picture: np.ndarray
    shrink: float
    diameters_px: tuple[float, ...]
    seen: np.ndarray | None = None
    top: int = 0
    core: tuple[int, int] | None = None
    photo_px: int = 1


@dataclass(frozen=True, slots=True)
class Candidates:
    """Places that may be pits, as arrays of equal length.

    row, col : centre in map pixels; diameter_px : in map pixels; strength : signed, in noise levels;
    noise : that noise level, as light relative to the face; octave : index into the scale space.
    """

    row: np.ndarray
    col: np.ndarray
    diameter_px: np.ndarray
    strength: np.ndarray
    noise: np.ndarray
    octave: np.ndarray

    def __len__(self) -> int:
        return len(self.row)

    def take(self, index: np.ndarray) -> "Candidates":
        """Return the candidates at `index` (whole numbers or a mask)."""
        return Candidates(*(getattr(self, name)[index] for name in self.__slots__))


def build_octaves(flat: FlatPhoto, *, settings: FindSettings = FindSettings()) -> list[Octave]:
    """Return the scale space: the relief shrunk by area averaging, one octave of sizes each.

    The first picture is shrunk so far that the smallest pit still spans `FINEST_PX` pixels;
    every next one is half as large. The last covers `settings.largest_mm`. Of a photo read at reduced size
    the pictures are as large as if it had been read in full, so that all is judged alike.
    """
    sizes = list_sizes(flat.relief.shape, flat.mm_per_px, settings=settings, photo_px=flat.shrink)
    octaves = stack_octaves(shrink_picture(flat.relief, sizes[0][0]), flat.seen, sizes)
    return [replace(octave, photo_px=flat.shrink) for octave in octaves]


def stack_octaves(
    picture: np.ndarray, seen: np.ndarray | None, sizes: list[tuple[float, tuple[float, ...]]]
) -> list[Octave]:
    """Return octaves of these sizes (`list_sizes`), the first with this picture, every next one half as large."""
    octaves: list[Octave] = []
    for shrink, diameters_px in sizes:
        picture = shrink_picture(picture, 2) if octaves else picture
        octaves.append(Octave(picture, shrink, diameters_px, _shrink_seen(seen, picture.shape)))
    return octaves


def list_sizes(
    shape_px: tuple[int, int],
    mm_per_px: float,
    *,
    settings: FindSettings = FindSettings(),
    photo_px: int = 1,
) -> list[tuple[float, tuple[float, ...]]]:
    """Return for every octave of a map of this shape its shrink and the sizes tried, in px of its picture."""
    smallest_px = max(settings.smallest_mm / mm_per_px, settings.smallest_px)
    shrink = max(photo_px, int(photo_px * smallest_px / FINEST_PX))
    shrink = shrink / photo_px if shrink % photo_px else shrink // photo_px
    steps = 2 ** (np.arange(settings.scales_per_octave) / settings.scales_per_octave)
    diameters_px = tuple(float(step) for step in smallest_px / shrink * steps)
    side_px, sizes = int(min(shape_px) / shrink), []
    while side_px >= SIDE_MIN_PX:
        sizes.append((shrink, diameters_px))
        if diameters_px[-1] * shrink >= settings.largest_mm / mm_per_px:
            break
        side_px, shrink = side_px // 2, shrink * 2
    if not sizes:
        raise ScaleError(
            "The face is too small in this photo for pits of the size asked for; check the scale or the smallest size."
        )
    return sizes


def find_pits(
    octaves: list[Octave], lamp: Lamp, mm_per_px: float, *, settings: FindSettings = FindSettings()
) -> Candidates:
    """Return candidate pits (strength > 0) and bumps (strength < 0), strongest first.

    Parameters
    ----------
    octaves : list of Octave
        From `build_octaves`.
    lamp : Lamp
        Side the light comes from; a lamp of known place gives every block its own direction. When
        only the axis is known the sign of the strength means nothing.
    mm_per_px : float
        Size of a map pixel.
    settings : FindSettings

    Returns
    -------
    Candidates
        Centres in map pixels (centres at integers); empty arrays when nothing stands out.

    Errors of the answer
    --------------------
    Centres are good to about a quarter of the diameter and sizes to about a factor of 1.5;
    `pits.sort` refines both. Pits closer together than 0.35 of their diameter come as one.

    Source
    ------
    Scale space with area-averaged octaves (Lindeberg 1998 gives the idea of scale-normalised
    extrema); the two-sided comparison along the light is our choice.
    """
    return settle_candidates(
        search_octaves(octaves, range(len(octaves)), lamp, mm_per_px, settings=settings)
    )


def search_octaves(
    octaves: list[Octave],
    chosen: range,
    lamp: Lamp,
    mm_per_px: float,
    *,
    settings: FindSettings = FindSettings(),
) -> Candidates:
    """Return what stands out in the chosen octaves, repeats and all."""
    coarse = {k: _coarsen(octaves, k) for k in chosen}
    blocks = [(k, *span) for k in chosen for span in _spans(octaves[k], coarse[k])]
    asked = (lamp, mm_per_px, settings.threshold_noise)

    def work(block: tuple[int, int, int, int, int]) -> Candidates:
        index = block[0]
        return _search_block(octaves[index].shrink, coarse[index], block, asked, ROOMS.room)

    return join_candidates(share_out(work, blocks, threads=settings.threads))


def settle_candidates(found: Candidates) -> Candidates:
    """Return what was found without repeats, strongest first; in one order whatever it was found in."""
    order = np.lexsort((found.row, -np.abs(found.strength)))
    return drop_repeats(found.take(order))


def join_candidates(parts: list[Candidates]) -> Candidates:
    """Return several sets of candidates as one (empty when there are none)."""
    empty = Candidates(*(np.empty(0, np.float32) for _ in range(5)), np.empty(0, np.intp))
    parts = [part for part in parts if len(part)] or [empty]
    return Candidates(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in Candidates.__slots__)
    )


def drop_repeats(
    candidates: Candidates, *, near: float = 0.35, ratio: float = 1.9, keep_sign: bool = True
) -> Candidates:
    """Return the candidates without weaker ones that sit on a stronger one of similar size.

    `candidates` come strongest first. Two are the same when their centres are within `near` of
    the larger diameter, their diameters within `ratio` and (with `keep_sign`) their signs agree.
    """
    return candidates.take(keep_first(candidates, near=near, ratio=ratio, keep_sign=keep_sign))


def keep_first(
    candidates: Candidates, *, near: float, ratio: float, keep_sign: bool = False
) -> np.ndarray:
    """Return which candidates have none before them, itself kept, that is the same: see `drop_repeats`."""
    places = np.column_stack([candidates.row, candidates.col])
    size, sign = candidates.diameter_px, np.sign(candidates.strength)
    first, second = near_pairs(places, size, near, ratio=ratio).T
    same = np.maximum(size[first], size[second]) <= ratio * np.minimum(size[first], size[second])
    if keep_sign:
        same &= sign[first] == sign[second]
    return keep_strongest(len(candidates), first[same], second[same])


def shrink_picture(picture: np.ndarray, factor: float) -> np.ndarray:
    """Return the picture averaged over factor x factor pixels; what is over at the far borders is left out.

    `factor` may have halves and quarters; pixels are cut then, and weighted by their parts.
    """
    if factor == 1:
        return picture
    over, under = float(factor).as_integer_ratio()
    rows, cols = (n // over * under for n in picture.shape)
    whole = picture[: rows * over // under, : cols * over // under]
    return cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA)


def as_photographed(octaves: list[Octave], candidates: Candidates) -> Candidates:
    """Return the candidates with their diameters in pixels of the photo, whatever size it was read at."""
    if octaves[0].photo_px == 1:
        return candidates
    return replace(candidates, diameter_px=candidates.diameter_px * octaves[0].photo_px)


def _shrink_seen(seen: np.ndarray | None, shape: tuple[int, int]) -> np.ndarray | None:
    if seen is None or seen.shape == shape:
        return seen
    small = cv2.resize(seen.view(np.uint8), shape[::-1], interpolation=cv2.INTER_AREA)
    return small > 0


def _coarsen(octaves: list[Octave], index: int) -> Octave:
    """The octave at half its size where its pits still span `SEARCH_PX` then: a quarter of the work."""
    octave = octaves[index]
    if octave.diameters_px[0] < 2 * SEARCH_PX:
        return octave
    diameters_px = tuple(diameter / 2 for diameter in octave.diameters_px)
    if index + 1 < len(octaves):
        return replace(octaves[index + 1], diameters_px=diameters_px)
    picture = shrink_picture(octave.picture, 2)
    seen = _shrink_seen(octave.seen, picture.shape)
    return replace(
        octave, picture=picture, shrink=octave.shrink * 2, diameters_px=diameters_px, seen=seen
    )


def _spans(octave: Octave, coarse: Octave) -> Iterator[tuple[int, int, int, int]]:
    rows, cols = coarse.picture.shape
    first = 0
    if coarse.core is not None:
        first, last = (int((row - coarse.top) / coarse.shrink) for row in coarse.core)
        rows = min(last, rows)
    high, wide = (int(size * octave.shrink / coarse.shrink) for size in BLOCK_PX)
    for top in range(first, rows, high):
        for left in range(0, cols, wide):
            yield top, min(top + high, rows), left, min(left + wide, cols)


def _search_block(
    shrink: int,
    octave: Octave,
    block: tuple[int, int, int, int, int],
    asked: tuple[Lamp, float, float],
    room: Room,
) -> Candidates:
    """Candidates of one block of `octave`, which is that of `shrink` or half its size."""
    index, top, bottom, left, right = block
    lamp, mm_per_px, threshold_noise = asked
    middle = octave.top / octave.shrink + (top + bottom) / 2
    away = _away_from_lamp(lamp, octave.shrink * mm_per_px, middle, (left + right) / 2)
    blurred = _box_variance(octave.shrink / shrink)
    parts = []
    for diameter in octave.diameters_px:
        crop, inner = _crop_with_halo(octave.picture, (top, bottom, left, right), diameter)
        far, near = compare_sides(crop, diameter, away, blurred=blurred, room=room)
        seen = None if octave.seen is None else octave.seen[top:bottom, left:right]
        row, col, strength, noise = _peaks(far, near, inner, (seen, threshold_noise), room)
        row, col = row + (top - inner[0]) + octave.top / octave.shrink, col + (left - inner[2])
        parts.append(_as_candidates(row, col, strength, noise, (index, octave.shrink, diameter)))
    return join_candidates(parts)


def _box_variance(shrink: float) -> float:
    """How far averaging over `shrink` pixels each way blurs, as a variance in px^2 of the shrunk picture."""
    return (1 - shrink**-2) / 12


def _crop_with_halo(
    picture: np.ndarray, box: tuple[int, int, int, int], diameter_px: float
) -> tuple[np.ndarray, tuple[int, int, int, int]]:
    """The block with as much around it as one size needs, and where the block lies in that."""
    top, bottom, left, right = box
    halo = int(np.ceil(diameter_px * (3 * BLUR_PER_DIAMETER + REACH_PER_DIAMETER))) + 2
    rows, cols = picture.shape
    y0, x0 = max(top - halo, 0), max(left - halo, 0)
    crop = picture[y0 : min(bottom + halo, rows), x0 : min(right + halo, cols)]
    return crop, (top - y0, bottom - y0, left - x0, right - x0)


def compare_sides(
    picture: np.ndarray,
    diameter_px: float,
    away: tuple[float, float],
    *,
    blurred: float = 0.0,
    room: Room | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the smoothed light on the far and on the near side of every place, for one size.

    `away` is the unit step (rows, cols) that leads away from the lamp. Far minus near is positive
    for a pit. Borders are replicated. `blurred` is the variance (px^2) of a blur that the picture has had.
    """
    room = Room() if room is None else room
    rows, cols = picture.shape
    sigma = math.sqrt((BLUR_PER_DIAMETER * diameter_px) ** 2 - blurred)
    taps = 2 * math.ceil(3 * sigma) + 1
    reach = REACH_PER_DIAMETER * diameter_px
    dy, dx = round(away[0] * reach), round(away[1] * reach)
    pad = max(abs(dy), abs(dx))
    wide = room.take("wide", (rows + 2 * pad, cols + 2 * pad))
    smooth = wide[pad : pad + rows, pad : pad + cols]
    cv2.GaussianBlur(picture, (taps, taps), sigma, dst=smooth, borderType=cv2.BORDER_REPLICATE)
    for k in range(pad):  # replicated all around
        wide[k, pad : pad + cols], wide[-1 - k, pad : pad + cols] = smooth[0], smooth[-1]
    wide[:, :pad], wide[:, pad + cols :] = wide[:, pad, None], wide[:, pad + cols - 1, None]
    far = wide[pad + dy : pad + dy + rows, pad + dx : pad + dx + cols]
    near = wide[pad - dy : pad - dy + rows, pad - dx : pad - dx + cols]
    return far, near


def _peaks(
    far: np.ndarray,
    near: np.ndarray,
    inner: tuple[int, int, int, int],
    limits: tuple[np.ndarray | None, float],
    room: Room,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Places of greatest contrast among their eight neighbours that stand out of the seen face's noise."""
    top, bottom, left, right = inner
    seen, threshold = limits
    step = max(1, min(SAMPLE_STEP, min(bottom - top, right - left) // 32))
    some = slice(top, bottom, step), slice(left, right, step)
    sample = (far[some] - near[some]).ravel()
    if seen is not None:
        sample = sample[seen[::step, ::step].ravel()]
    if sample.size < MIN_SAMPLE:
        return np.empty(0, np.intp), np.empty(0, np.intp), np.empty(0, np.float32), 1.0
    noise = max(_MAD_TO_SD * _middle(np.abs(sample - np.float32(_middle(sample)))), 1e-4)
    size = cv2.absdiff(far, near, dst=room.take("size", far.shape))
    highest = cv2.dilate(size, np.ones((3, 3), np.uint8), dst=room.take("highest", far.shape))
    is_peak = cv2.compare(size[top:bottom, left:right], highest[top:bottom, left:right], cv2.CMP_EQ)
    is_peak &= cv2.compare(size[top:bottom, left:right], threshold * noise, cv2.CMP_GT)
    if seen is not None:
        is_peak[~seen] = 0
    # On flat indices the search takes a tenth of the time that it takes on rows and columns.
    row, col = np.divmod(np.flatnonzero(is_peak > 0), right - left)
    row, col = row + top, col + left
    inside = (row > 0) & (row < size.shape[0] - 1) & (col > 0) & (col < size.shape[1] - 1)
    row, col = row[inside], col[inside]
    here = size[row, col]
    for dy, dx in (
        (-1, 0),
        (0, -1),
        (-1, -1),
        (-1, 1),
    ):  # of several equal ones the first is the peak
        keep = here > size[row + dy, col + dx]
        row, col, here = row[keep], col[keep], here[keep]
    return row, col, (far[row, col] - near[row, col]) / noise, noise


def _middle(values: np.ndarray) -> float:
    """The median, as NumPy gives it; on some thousand numbers that takes half as long again."""
    low, high = (len(values) - 1) // 2, len(values) // 2
    ordered = np.partition(values, (low, high) if low < high else low)
    return float((ordered[low] + ordered[high]) / 2)


def _as_candidates(
    row: np.ndarray,
    col: np.ndarray,
    strength: np.ndarray,
    noise: float,
    size: tuple[int, int, float],
) -> Candidates:
    index, shrink, diameter = size
    shape = row.shape
    return Candidates(
        ((row + 0.5) * shrink - 0.5).astype(np.float32),
        ((col + 0.5) * shrink - 0.5).astype(np.float32),
        np.full(shape, diameter * shrink, np.float32),
        strength.astype(np.float32),
        np.full(shape, noise, np.float32),
        np.full(shape, index, np.intp),
    )


def _away_from_lamp(lamp: Lamp, pixel_mm: float, row: float, col: float) -> tuple[float, float]:
    """Unit step (rows, cols) away from the lamp; along the grain's axis when no side is known."""
    from_deg = float(
        lamp.at_pit(np.array((col + 0.5) * pixel_mm), np.array((row + 0.5) * pixel_mm))[0]
    )
    if not np.isfinite(from_deg):
        from_deg = lamp.axis_deg if np.isfinite(lamp.axis_deg) else 270.0
    angle = np.deg2rad(from_deg)
    return float(np.cos(angle)), float(-np.sin(angle))
