"""The tone of a face from its soft-light photos: which photo, laid on the slab how, held against what.

`read_tone` is the table of contents. How a photo is laid on the slab it gets told (`Place`), so
that soft-light and raking photos go through one and the same door.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pandas as pd

from .colour.balance import Shoot
from .colour.evenface import even_face
from .colour.jpegcodes import read_jpeg_codes
from .colour.patches import measure_patches
from .colour.rawlight import read_raw_light
from .colour.rounding import read_rounding
from .colour.uniformity import measure_colour
from .core.errors import ColourError, ScaleError
from .core.records import CardPose, ColourReport, FaceMap, Photo, Scale
from .core.settings import Settings
from .core.tables import to_plain
from .photo.read import read_photo

_RAW_NOTE = "Raw was developed"
_SAME_ASPECT = 0.005
_PLACE_COLUMNS = ("x_mm", "y_mm", "diameter_mm")
STILL_OPEN = "a pit is still open here"
SMALLER_NOTE = (
    "The soft-light photo is {ratio:.2f} times the raking one's size: it is taken to show the same "
    "piece of the slab."
)


class Place(Protocol):
    """Lays a photo on the slab: with its own marks, card or corners, or with a scale that is known."""

    def __call__(
        self,
        photo: Photo,
        changes: Mapping[str, Any],
        light: np.ndarray | None,
        scale: Scale | None,
    ) -> tuple[FaceMap, Scale, CardPose | None]:
        """Return the face, its scale and the card's place; `light` stands for the photo's pixels."""


@dataclass(frozen=True, slots=True)
class SoftPhotos:
    """What a person gave for the tone.

    soft_light : the photo; corners_px : the slab's corners in it when it is framed otherwise than
    the raking one. flat_field : a white sheet, or turned : the slab turned by 180 degrees, in the
    same light from the same place. patches : pits.csv of the survey before the filling.
    grey : place of the grey reference in slab mm.
    """

    soft_light: str | Path
    corners_px: Sequence[Sequence[float]] | None = None
    flat_field: str | Path | None = None
    turned: str | Path | None = None
    patches: str | Path | None = None
    grey: tuple[float, ...] | None = None

    @classmethod
    def of(cls, given: Any) -> "SoftPhotos":
        """Return what `inspection.Given` says about the tone."""
        return cls(
            given.soft_light,
            given.soft_corners_px,
            given.flat_field,
            given.turned,
            given.patches,
            given.grey_card,
        )


@dataclass(frozen=True, slots=True)
class RakingFrame:
    """How the raking photo was laid on the slab: its shape (None for joined ones) and what gave the scale."""

    shape_px: tuple[int, int] | None
    slab_mm: tuple[float, float]
    mm_per_px: float | None = None
    corners_px: Sequence[Sequence[float]] | None = None
    length_px: Sequence[Sequence[float]] | None = None

    @classmethod
    def of(
        cls, given: Any, photos: Sequence[Mapping[str, Any]], size_mm: tuple[float, float]
    ) -> "RakingFrame":
        """Return the frame of the raking photos of a record, from `inspection.Given`."""
        # Photos under other lamps come from the first one's place; only joined photos say if they were placed.
        is_joined = any("is_placed" in photo for photo in photos)
        shape_px = None if is_joined else (photos[0]["rows_px"], photos[0]["cols_px"])
        slab_mm = given.slab_mm or size_mm
        return cls(shape_px, slab_mm, given.mm_per_px, given.corners_px, given.length_px)


def read_tone(
    taken: SoftPhotos,
    place: Place,
    frame: RakingFrame,
    *,
    leave_out: Sequence[Any],
    zones: Iterable[dict[str, Any]],
    settings: Settings,
) -> ColourReport:
    """Return the tone of the face, with the patches of an earlier filling when they were named.

    `leave_out` : the pits of this survey first, then other tables and masks.

    Raises
    ------
    ColourError
        A raking photo, or photos that do not belong together.
    ScaleError
        The soft-light photo has another frame than the raking one and its corners were not given.

    Errors of the answer: as `colour.uniformity.measure_colour`; a photo placed with the raking
    photo's scale must come from the same stand. Source: our choice.
    """
    if taken.flat_field is not None and taken.turned is not None:
        raise ColourError(
            "Give the photo of the white sheet or the one of the turned slab, not both."
        )
    photo, light = read_light(taken.soft_light, settings)
    changes, notes = follow_frame(photo.shape_px, frame, taken.corners_px)
    face, scale, card = place(photo, changes, light, None)
    shoot = Shoot(
        exif=photo.exif,
        profile=photo.profile,
        flat=_place_sheet(taken, place, (photo, scale), settings),
        turned=_place_turned(taken, place, (photo, scale, changes, frame), settings),
        rounding=read_rounding(taken.soft_light, shrink=photo.shrink),
    )
    grey = taken.grey or grey_of(card)
    reads = {"grey": grey, "shoot": shoot, "settings": settings.colour, "threads": settings.find.threads}
    report = measure_colour(face, leave_out=leave_out, zones=zones, **reads)
    figures = dict(report.figures)
    if taken.patches is not None:
        even = even_face(face, leave_out=leave_out[1:], **reads)
        reads = {"pits": leave_out[0], "settings": settings.colour}
        table = measure_patches(even, read_patches(taken.patches), **reads)
        figures["patches"] = to_plain(set_open_apart(table, leave_out[0]).to_dict("records"))
    return replace(report, figures=figures, notes=(*report.notes, *notes))


def read_light(path: str | Path, settings: Settings) -> tuple[Photo, np.ndarray | None]:
    """Return a photo and what stands in the place of its pixels: a raw one's light, a JPEG's fine codes."""
    photo = read_photo(path, settings=settings.photo, threads=settings.find.threads)
    if not any(_RAW_NOTE in note for note in photo.notes):
        return photo, read_jpeg_codes(Path(path).read_bytes(), photo)
    light = read_raw_light(path)
    return photo, light if light.shape == photo.rgb.shape else None


def follow_frame(
    shape_px: tuple[int, int], frame: RakingFrame, corners_px: Sequence[Sequence[float]] | None
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Return what is different in the way this photo gets its scale, and a note when it was guessed.

    A photo of the raking one's shape is laid on the slab as that; one of the same proportions as
    its smaller or larger copy; any other needs its own corners.

    Errors of the answer: two photos of one shape from different stands are not told apart here.
    Source: our choice.
    """
    if corners_px is not None:
        other_ways = dict.fromkeys(("mm_per_px", "length_px", "length_mm", "marks"))
        return other_ways | {"corners_px": corners_px, "slab_mm": frame.slab_mm}, ()
    by_pixels = (frame.mm_per_px, frame.corners_px, frame.length_px)
    if frame.shape_px in (None, shape_px) or all(way is None for way in by_pixels):
        return {}, ()
    ratios = [own / raking for own, raking in zip(shape_px, frame.shape_px, strict=True)]
    if abs(ratios[0] / ratios[1] - 1) > _SAME_ASPECT:
        raise ScaleError(
            "The soft-light photo is framed otherwise than the raking one: give the slab's corners in it "
            "with --soft-corners, or take both from one stand."
        )
    ratio = math.sqrt(ratios[0] * ratios[1])
    return _resize_ways(frame, ratio), (SMALLER_NOTE.format(ratio=ratio),)


def _resize_ways(frame: RakingFrame, ratio: float) -> dict[str, Any]:
    changes: dict[str, Any] = {}
    if frame.mm_per_px is not None:
        changes["mm_per_px"] = frame.mm_per_px / ratio
    for name in ("corners_px", "length_px"):
        points = getattr(frame, name)
        if points is not None:
            changes[name] = tuple(tuple(ratio * float(v) for v in point) for point in points)
    return changes


def _place_sheet(
    taken, place: Place, soft: tuple[Photo, Scale], settings: Settings
) -> FaceMap | None:
    if taken.flat_field is None:
        return None
    photo, light = read_light(taken.flat_field, settings)
    if photo.shape_px != soft[0].shape_px:
        raise ColourError(
            "The photo of the white sheet has another shape than the soft-light photo: take both from one stand."
        )
    return place(photo, {}, light, soft[1])[0]


def _place_turned(taken, place: Place, soft: tuple[Any, ...], settings: Settings) -> FaceMap | None:
    """Return the turned slab on its own plan: by its marks or card, else as it lies turned in the frame."""
    if taken.turned is None:
        return None
    first, scale, changes, frame = soft
    photo, light = read_light(taken.turned, settings)
    if photo.shape_px != first.shape_px:
        raise ColourError(
            "The photo of the turned slab has another shape than the soft-light photo: take both from one stand."
        )
    corners_px = changes.get("corners_px") or frame.corners_px
    if corners_px is not None:
        corners_px = (*corners_px[2:], *corners_px[:2])
        return place(photo, {**changes, "corners_px": corners_px}, light, None)[0]
    if frame.mm_per_px is None and frame.length_px is None:
        return place(photo, changes, light, None)[0]
    photo = replace(photo, rgb=np.ascontiguousarray(photo.rgb[::-1, ::-1]))
    light = None if light is None else np.ascontiguousarray(light[::-1, ::-1])
    return place(photo, changes, light, scale)[0]


def grey_of(card: CardPose | None) -> tuple[float, float, float, float] | None:
    """Return the card's own grey patch as x, y, width, height in slab mm."""
    if card is None:
        return None
    patch = np.asarray(card.grey_patch_mm, float)
    low, high = patch.min(axis=0), patch.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])


def set_open_apart(patches: pd.DataFrame, pits: pd.DataFrame) -> pd.DataFrame:
    """Return the patches with those that an open pit of this survey touches not judged: a hole is no patch.

    Errors of the answer: both surveys must be laid on the slab alike. Source: our choice.
    """
    gaps = np.hypot(
        patches["x_mm"].to_numpy()[:, None] - pits["x_mm"].to_numpy(),
        patches["y_mm"].to_numpy()[:, None] - pits["y_mm"].to_numpy(),
    )
    reach = (patches["diameter_mm"].to_numpy()[:, None] + pits["diameter_mm"].to_numpy()) / 2
    is_open = (gaps < reach).any(axis=1)
    apart = {"dE00": np.nan, "dE00_sd": np.nan, "words": STILL_OPEN, "reads_as_spot": False}
    told = patches.copy()
    for name, value in apart.items():
        told[name] = told[name].mask(is_open, value)
    return told


def read_patches(path: str | Path) -> pd.DataFrame:
    """Return the places of filled pits from the pits.csv of an earlier inspection, or from its folder."""
    path = Path(path)
    path = path / "pits.csv" if path.is_dir() else path
    try:
        table = pd.read_csv(path)
        numbers = table[[*_PLACE_COLUMNS]].apply(pd.to_numeric, errors="coerce")
    except (OSError, ValueError, KeyError):
        raise ColourError(
            f"{path.name} is no list of patches: give the pits.csv of the survey before the filling, "
            "with x_mm, y_mm and diameter_mm."
        ) from None
    names = table["pit_id"] if "pit_id" in table else np.arange(1, len(table) + 1)
    return numbers.assign(pit_id=np.asarray(names))
