"""A photo read no larger than its smallest pit asks for.

A pit needs about six pixels to be found, told apart and sized (`pits.find` shrinks finer photos to that). A photo in
which the smallest pit to be counted spans twelve or more is read at half its size, a quarter from twenty-four on: a
JPEG unpacks to that size in less than half the time. Whether it may be is known beforehand from a typed mm per
pixel, a length or corners; otherwise a guess is read, the scale found in it, and the photo read again when the guess
was wrong. Places stay in the photo's own pixels throughout.
"""

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from .core.errors import RakelightError
from .core.records import CardPose, Photo, Scale
from .core.settings import Settings
from .core.threads import share_out
from .photo.read import read_photo
from .scale.fiducials import KNOWN_SIDE_PX, Fiducial, find_fiducials
from .scale.layout import FIDUCIAL_SIDE_MM

SHRINKS = (4, 2)
LONG_SIDE_MIN_PX = 1500  # maps and printed sheets show the photo as it was read; our choice
FACE_SIDE_MM = 500.0  # a photo of unknown scale is taken to show this much or more along its long side; our choice

LOOK_SHRINK = 4  # at a quarter of its size a photo shows whether the scale card is in it at all
JPEG_SUFFIXES = (".jpg", ".jpeg")

Settle = Callable[..., tuple[Scale, CardPose | None]]
Opened = tuple[Photo, Scale, CardPose | None]


def open_photo(path: str | Path, given: Any, settings: Settings, settle: Settle) -> Opened:
    """Return a photo read no larger than needed, its scale, and the card's place when it lies on the face.

    Parameters
    ----------
    path : str or Path
    given : inspection.Given
        What the person says about the scale.
    settings : Settings
        `find.smallest_mm`, the smallest pit to be counted; `photo.enough_px`, the pixels it shall still span.
    settle : callable
        Finds the scale of a photo from what was given; `seen`, its fiducials when they are known already.

    Returns
    -------
    Photo, Scale, CardPose or None
        `photo.shrink` says at what size it was read, and one of its notes says so in words.

    Errors of the answer
    --------------------
    Against the photo in full, pits of 12.5 px and more and 3 % clear of the smallest size: at most 2 in 100 more, 3 in
    100 fewer; nine sizes in ten within 3 %, nine places in ten within 1 photo pixel, half of them within 0.3. That is
    asserted (`tests/test_opening.py`); measured there on one made-up face: none more, none fewer of 240 and of 217,
    nine sizes in ten within 1.4 %, nine places in ten within 0.42 px, half within 0.13.

    Source
    ------
    Our choice.
    """
    threads = settings.find.threads
    wanted_px = settings.photo.enough_px
    smallest_mm = settings.find.smallest_mm

    def guess(shape_px: tuple[int, int]) -> int:
        return pick_shrink(shape_px, smallest_mm, guess_mm_per_px(given, shape_px), wanted_px)

    def read() -> Photo:
        return read_photo(path, settings=settings.photo, choose_shrink=guess, threads=threads)

    # While the photo is unpacked, which takes one processor core, the other looks for the card.
    photo, seen = share_out(
        lambda task: task(),
        (read, lambda: look_ahead(Path(path), given, settings)),
        threads=threads,
    )
    while photo.shrink > 1:
        try:
            scale, card = settle(photo, given, seen=seen)
        except RakelightError:  # what is wrong is told by the photo in full
            fitting = 1
        else:
            coarsest = np.nanmax([scale.mm_per_px, *scale.spread_mm_per_px])
            fitting = pick_shrink(photo.shape_px, smallest_mm, float(coarsest), wanted_px)
        if fitting >= photo.shrink:
            return _tell_size(photo, smallest_mm / scale.mm_per_px), scale, card
        photo = read_photo(
            path,
            settings=settings.photo,
            choose_shrink=lambda shape_px, most=fitting: most,
            threads=threads,
        )
    return photo, *settle(photo, given, seen=seen)


def look_ahead(path: Path, given: Any, settings: Settings) -> tuple[Fiducial, ...] | None:
    """Return an empty list when a small reading of the photo shows that no scale card is in it, None when unknown.

    Where the scale is typed in, the card only tells more of the lamp, and mostly there is none: a quarter of the
    size is enough to see that, as long as the card's squares are as large in it as they are looked for anyway.
    """
    is_typed = given.mm_per_px is not None or given.length_mm is not None
    if not is_typed or settings.find.threads < 2 or path.suffix.lower() not in JPEG_SUFFIXES:
        return None
    mm_per_px = guess_mm_per_px(given, (1, 1))
    is_read_small = settings.find.smallest_mm >= min(SHRINKS) * settings.photo.enough_px * mm_per_px
    side_px = FIDUCIAL_SIDE_MM / mm_per_px
    if is_read_small or side_px < LOOK_SHRINK * KNOWN_SIDE_PX:
        return None
    try:
        small = read_photo(
            path, settings=settings.photo, choose_shrink=lambda shape_px: LOOK_SHRINK
        )
    except RakelightError:  # the proper reading says it better
        return None
    if small.shrink < LOOK_SHRINK:
        return None
    return None if find_fiducials(small, side_px=side_px) else ()


def pick_shrink(
    shape_px: tuple[int, int], smallest_mm: float, mm_per_px: float, wanted_px: float
) -> int:
    """Return how many photo pixels may go into one, each way, so that the smallest pit spans `wanted_px` still."""
    for shrink in SHRINKS:
        is_enough = smallest_mm >= wanted_px * shrink * mm_per_px * (1 - 1e-9)
        if is_enough and max(shape_px) >= LONG_SIDE_MIN_PX * shrink:
            return shrink
    return 1


def guess_mm_per_px(given: Any, shape_px: tuple[int, int]) -> float:
    """Return about how large the photo's coarsest pixel is on the face, before it is read; inf for nonsense."""
    try:
        guess = _guess_mm_per_px(given, shape_px)
    except (TypeError, ValueError, ZeroDivisionError):  # told by whoever checks what was given
        return np.inf
    return guess if guess > 0 else np.inf


def _guess_mm_per_px(given: Any, shape_px: tuple[int, int]) -> float:
    if given.mm_per_px is not None:
        return float(given.mm_per_px)
    if given.length_px is not None and given.length_mm is not None:
        one, other = np.asarray(given.length_px, float)
        return float(given.length_mm) / max(float(np.hypot(*(other - one))), 1e-9)
    if given.corners_px is not None and given.slab_mm is not None:
        corners = np.asarray(given.corners_px, float)
        sides_px = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
        sides_mm = np.array([*given.slab_mm, *given.slab_mm], float)
        return float((sides_mm / np.maximum(sides_px, 1e-9)).max())
    if given.slab_mm is not None and given.marks is None:
        return max(float(side) for side in given.slab_mm) / max(shape_px)
    return FACE_SIDE_MM / max(shape_px)


def _tell_size(photo: Photo, across_px: float) -> Photo:
    rows, cols = photo.rgb.shape[:2]
    size = {2: "half", 4: "a quarter of"}[photo.shrink]
    note = (
        f"Read at {size} its size ({cols} x {rows} pixels): the smallest pit to count spans {across_px:.0f} pixels"
        f" in the photo and {across_px / photo.shrink:.0f} as read; ask for a smaller one to have it read finer."
    )
    return dataclasses.replace(photo, notes=(*photo.notes, note))
