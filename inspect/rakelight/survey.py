"""Several overlapping photos of one face: joined into one map, read one by one, counted once.

`inspect_survey` is the table of contents; what one photo gives is worked out by the very steps of
`inspect_photo`, with the lamp of that photo. Photos of one and the same view with the lamp moved
are something else: they are layers of one photo, not neighbours.
"""

import dataclasses
import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from .core.errors import LampError, ScaleError
from .core.records import CardPose, FaceMap, Inspection, Lamp, Photo, Quality, Scale
from .core.settings import PhotoSettings, Settings
from .inspection import (
    Given,
    Placed,
    Progress,
    Reading,
    conclude,
    describe_photo,
    hide_zones,
    inspect_photo,
    list_edges,
    list_outlines,
    read_agreement,
    read_face,
)
from .light.lamp import join_post
from .light.post import read_post
from .photo.read import read_photo
from .pits.measure import MeasuredPits
from .scale.card import place_card
from .scale.join import JoinedFace, join_photos
from .scale.layout import FIDUCIALS_MM
from .scale.lens import read_lens
from .scale.marks import cover_papers
from .scale.mosaic import let_go
from .scale.seams import Finds, Part, choose_at_seams, cut_part

VERDICT_ORDER = ("good", "doubtful", "retake")
FILES_FROM_PX = 40e6  # a joined map of more pixels lies on disk: 160 MB and more
N_NAMED = 4  # photos named in one sentence
SAME_SIDE_DEG, SAME_ANGLE_DEG = 20.0, 3.0


class PhotoShelf:
    """Photos on disk, read when asked; the last one read is kept at hand."""

    def __init__(
        self, paths: Sequence[str | Path], settings: PhotoSettings, *, threads: int = 2
    ) -> None:
        self.paths = [Path(path) for path in paths]
        self.settings, self.threads = settings, threads
        self._last: tuple[int, Photo] | None = None

    def __len__(self) -> int:
        return len(self.paths)

    def __getitem__(self, k: int) -> Photo:
        if self._last is None or self._last[0] != k:
            self._last = None  # let go of the one before first: two photos need not lie in memory
            photo = read_photo(self.paths[k], settings=self.settings, threads=self.threads)
            self._last = (k, photo)
        return self._last[1]


@dataclasses.dataclass(frozen=True, slots=True)
class View:
    """What one photo of a survey gave. reading : None when it was not placed or shows nothing best."""

    entry: dict[str, Any]
    notes: tuple[str, ...] = ()
    reading: Reading | None = None


def inspect_survey(
    paths: Sequence[str | Path],
    given: Given,
    *,
    settings: Settings = Settings(),
    progress: Progress = lambda step: None,
) -> Inspection:
    """Return everything several overlapping raking-light photos say about one face, sizes in mm.

    Parameters
    ----------
    paths : sequence of str or Path
        Photos of one camera at one zoom, each sharing a quarter or more with its neighbours. One
        photo alone goes the way of `inspect_photo`.
    given : Given
        The scale comes from `marks`, from the scale card in one or more of the photos, or from
        `slab_mm` where the photos show all four edges. The lamp said holds for all photos: its side
        in the plan, or its place when it was not moved.
    settings : Settings
    progress : callable
        Told in words what is being done, photo by photo.

    Returns
    -------
    Inspection
        One map, one pit list. The verdict is that of the worst photo; the advice names photos.

    Errors of the answer
    --------------------
    Places: `scale.join.join_photos`; at seams: `scale.seams.choose_at_seams`; else as `inspect_photo`.

    Source
    ------
    The order of the steps is the project's design.
    """
    check_scale_way(given, len(paths))
    if len(paths) == 1:
        return inspect_photo(paths[0], given, settings=settings, progress=progress)
    agreed, settings = read_agreement(given, settings)
    photos = PhotoShelf(paths, settings.photo, threads=settings.find.threads)
    joined = join_face(photos, given, settings, progress)
    hide_zones(joined.face.seen, joined.face.mm_per_px, given)
    let_go(joined.face.rgb, joined.face.seen)
    edges_mm = list_edges(given, joined.scale)
    views = read_views(photos, joined, given, edges_mm, (settings, progress))
    reading = join_readings(views, joined, given)
    notes = tuple(dict.fromkeys(note for view in views for note in view.notes))
    entries = tuple(view.entry for view in views)
    placed = Placed(joined.face, joined.scale, entries, edges_mm, notes)
    progress("grading and planning")
    return conclude(placed, reading, given, agreed, settings=settings)


def check_scale_way(given: Given, n_photos: int) -> None:
    """Raise an error when a scale, or lamps, were given that hold for one photo only."""
    if n_photos > 1 and given.other_lamps:
        raise LampError(
            "Photos of the same view under other lamps go with one photo of the whole face, not with"
            " several overlapping ones."
        )
    single = [given.mm_per_px, given.corners_px, given.length_px]
    if n_photos > 1 and any(way is not None for way in single):
        raise ScaleError(
            "Several photos of one face are placed by --marks, by the scale card in them or by --slab with"
            " its edges in them; corners, mm per pixel and a known length hold for one photo only."
        )


def join_face(
    photos: PhotoShelf, given: Given, settings: Settings, progress: Progress
) -> JoinedFace:
    """Return all photos joined into one map of the face."""
    words = {
        "looking": "reading photo {done} of {total} and looking for marks",
        "matching": "laying the photos beside each other",
        "edges": "looking for the slab's edges",
        "map": "drawing photo {done} of {total} into the map",
    }

    def tell(step: str, done: int, total: int) -> None:
        if step in words:
            progress(words[step].format(done=done, total=total))

    slabs = list_outlines(given, "slab")
    size_mm = given.slab_mm or (
        tuple(slabs[0].max(axis=0).tolist()) if slabs and given.marks else None
    )
    lens = None if given.lens is None else read_lens(given.lens, photos[0].shape_px)
    threads = settings.find.threads
    return join_photos(
        photos, given.marks, size_mm=size_mm, lens=lens,
        files_from_px=FILES_FROM_PX, threads=threads, tell=tell,
    )  # fmt: skip


def read_views(
    photos: PhotoShelf,
    joined: JoinedFace,
    given: Given,
    edges_mm: Sequence[np.ndarray],
    how: tuple[Settings, Progress],
) -> list[View]:
    """Return what every photo gives by itself, each under its own lamp."""
    settings, progress = how
    lamps = list(say_lamps(photos, joined, given))
    views = []
    for k, scale in enumerate(joined.views):
        photo, step = photos[k], f"photo {k + 1} of {len(photos)}"
        entry = describe_photo(photo, "raking") | {"is_placed": scale is not None}
        part = (
            None
            if scale is None
            else cut_part(photo, scale, joined.shown, k, threads=settings.find.threads)
        )
        if part is None:
            views.append(View(entry, photo.notes))
            continue
        hide_part(part, joined, given)
        local = lay_locally(part, joined.scale, edges_mm)
        said = move_lamp(lamps[k], part.start_mm, sign=-1)
        reading = read_face(
            local, said, photo.exif, settings=settings,
            progress=lambda words, step=step: progress(f"{step}: {words}"),
        )  # fmt: skip
        reading = lay_on_slab(reading, part.start_mm)
        views.append(View(entry | describe_reading(reading), photo.notes, reading))
    return views


def say_lamps(photos: PhotoShelf, joined: JoinedFace, given: Given) -> Iterator[Lamp]:
    """Yield for every photo the lamp as said, held against the post's shadow where the card is in it.

    When no side was said, the side that a post shows holds for the photos without the card too (the
    lamp is taken to have kept its side); its angle does not, because the lamp is farther or nearer.
    """
    posts = {}
    for k, scale in enumerate(joined.views):
        card = None
        if scale is not None and any(f.mark_id in FIDUCIALS_MM for f in joined.fiducials[k]):
            rule_mm, seen = given.printed_rule_mm, joined.fiducials[k]
            _, card = place_card(photos[k], scale, printed_rule_mm=rule_mm, seen=seen)
        if card is not None:
            posts[k] = read_post(*cut_card(photos[k], scale, card))
    shown = next((post for post in posts.values() if post.is_side_known), None)
    for k in range(len(photos)):
        if k in posts:
            yield join_post(given.lamp, posts[k])
        elif shown is not None and not given.lamp.is_side_known:
            note = "The lamp's side is the one that the post's shadow shows in another photo."
            yield dataclasses.replace(
                given.lamp, from_deg=shown.from_deg, basis="post", notes=(note,)
            )
        else:
            yield given.lamp


def cut_card(photo: Photo, scale: Scale, card: CardPose) -> tuple[FaceMap, CardPose]:
    """Return the map of the card alone from one photo, and the card's pose on that map."""
    from .scale.rectify import warp_block

    low = np.maximum(np.floor(card.outline_mm.min(axis=0) / scale.mm_per_px).astype(int), 0)
    high = np.ceil(card.outline_mm.max(axis=0) / scale.mm_per_px).astype(int) + 1
    shape = tuple(int(n) for n in (high - low)[::-1])
    rgb, seen = np.empty((*shape, 3), np.uint8), np.empty(shape, bool)
    box = (slice(low[1], high[1]), slice(low[0], high[0]))
    warp_block(photo.rgb, scale, box, rgb_out=rgb, seen_out=seen)
    start_mm = low * scale.mm_per_px
    moved = dataclasses.replace(
        card,
        outline_mm=card.outline_mm - start_mm,
        grey_patch_mm=card.grey_patch_mm - start_mm,
        field_mm=tuple((np.array(card.field_mm) - start_mm).tolist()),
        post_foot_mm=card.post_foot_mm - start_mm,
    )
    return FaceMap(rgb, seen, scale.mm_per_px), moved


def hide_part(part: Part, joined: JoinedFace, given: Given) -> None:
    """Take papers, openings and what lies outside the slab out of a part, in place."""
    seen, size = part.face.seen, part.face.mm_per_px
    cover_papers(seen, [outline - part.start_mm for outline in joined.papers_mm], size)
    moved = tuple(
        {"kind": kind, "outline_mm": outline - part.start_mm}
        for kind in ("opening", "slab")
        for outline in list_outlines(given, kind)
    )
    hide_zones(seen, size, dataclasses.replace(given, zones=moved))


def lay_locally(part: Part, scale: Scale, edges_mm: Sequence[np.ndarray]) -> Placed:
    """Return a part as a face of its own, with the edges in its frame."""
    return Placed(part.face, scale, (), tuple(outline - part.start_mm for outline in edges_mm))


def move_lamp(lamp: Lamp, by_mm: tuple[float, float], *, sign: int = 1) -> Lamp:
    """Return a lamp of known place as seen from a frame moved by (x, y) mm."""
    if lamp.at_mm is None:
        return lamp
    x_mm, y_mm, height_mm = lamp.at_mm
    return dataclasses.replace(
        lamp, at_mm=(x_mm + sign * by_mm[0], y_mm + sign * by_mm[1], height_mm)
    )


def lay_on_slab(reading: Reading, start_mm: tuple[float, float]) -> Reading:
    """Return a part's reading with its places on the slab."""
    x_mm, y_mm = start_mm
    measured, marks = reading.measured, reading.marks
    pits = measured.pits.assign(x_mm=measured.pits.x_mm + x_mm, y_mm=measured.pits.y_mm + y_mm)
    outlines = tuple(outline + np.array(start_mm) for outline in measured.outlines_mm)
    return Reading(
        move_lamp(reading.lamp, start_mm),
        reading.quality,
        MeasuredPits(pits, outlines, measured.evidence),
        marks.assign(x_mm=marks.x_mm + x_mm, y_mm=marks.y_mm + y_mm),
    )


def describe_reading(reading: Reading) -> dict[str, Any]:
    """Return what the record keeps of one photo's verdict and lamp."""
    lamp, quality = reading.lamp, reading.quality
    return {
        "verdict": quality.verdict,
        "advice": list(quality.advice),
        "smallest_countable_mm": quality.smallest_countable_mm,
        "lamp": {
            name: getattr(lamp, name)
            for name in ("from_deg", "angle_deg", "basis", "side_evidence")
        },
    }


def join_readings(views: Sequence[View], joined: JoinedFace, given: Given) -> Reading:
    """Return one reading of the whole face: every pit and mark once, the worst verdict, one lamp."""
    used = [(k, view) for k, view in enumerate(views) if view.reading is not None]
    readings = {k: view.reading for k, view in used}
    names = [view.entry["name"] for _, view in used]
    size, n = joined.face.mm_per_px, len(views)
    keep_pits = choose_at_seams(
        [_list_finds(readings.get(k), "pits") for k in range(n)], joined.shown, size
    )
    keep_marks = choose_at_seams(
        [_list_finds(readings.get(k), "marks") for k in range(n)], joined.shown, size
    )
    pits, evidence, outlines, marks = [], [], [], []
    for k, reading in readings.items():
        rows, measured = np.flatnonzero(keep_pits[k]), reading.measured
        pits.append(measured.pits.iloc[rows])
        evidence.append(measured.evidence.iloc[rows])
        outlines += [measured.outlines_mm[row] for row in rows]
        marks.append(reading.marks[keep_marks[k]])
    table = pd.concat(marks, ignore_index=True)
    table["mark_id"] = np.arange(1, len(table) + 1)
    return Reading(
        join_lamps([reading.lamp for reading in readings.values()], names, given.lamp),
        join_qualities([reading.quality for reading in readings.values()], names),
        MeasuredPits(
            pd.concat(pits, ignore_index=True),
            tuple(outlines),
            pd.concat(evidence, ignore_index=True),
        ),
        table,
    )


def _list_finds(reading: Reading | None, what: str) -> Finds:
    if reading is None:
        return Finds(np.empty((0, 2)), np.empty(0))
    table = reading.marks if what == "marks" else reading.measured.pits
    return Finds(table[["x_mm", "y_mm"]].to_numpy(float), table["diameter_mm"].to_numpy(float))


def join_qualities(qualities: Sequence[Quality], names: Sequence[str]) -> Quality:
    """Return the verdict on a survey: that of its worst photo, with advice that names photos."""
    rank = [
        (VERDICT_ORDER.index(q.verdict), np.nan_to_num(q.smallest_countable_mm, nan=np.inf))
        for q in qualities
    ]
    worst = qualities[max(range(len(rank)), key=rank.__getitem__)]
    complaints: dict[str, float] = {}
    for quality in qualities:
        for name, value in quality.checks.items():
            if name.startswith("complaint_"):
                complaints[name] = max(value, complaints.get(name, 0.0))
    sizes = [quality.smallest_countable_mm for quality in qualities]
    return dataclasses.replace(
        worst,
        advice=gather_words([quality.advice for quality in qualities], names),
        smallest_countable_mm=math.nan if np.isnan(sizes).any() else float(max(sizes)),
        checks=worst.checks | complaints,
    )


def join_lamps(lamps: Sequence[Lamp], names: Sequence[str], said: Lamp) -> Lamp:
    """Return the lamp of a survey: what all photos agree on, unknown where they do not."""
    flags = 0
    for lamp in lamps:
        flags |= lamp.flags
    sides = np.array([lamp.from_deg for lamp in lamps])
    angles = np.array([lamp.angle_deg for lamp in lamps])
    turn = np.exp(1j * np.radians(sides))
    middle_deg = float(np.degrees(np.angle(turn.mean())) % 360)
    off_deg = np.abs((sides - middle_deg + 180) % 360 - 180)
    votes = np.array([lamp.figures.get("n_votes", 0.0) for lamp in lamps])
    evidence = np.array([lamp.side_evidence for lamp in lamps])
    is_weighed = np.isfinite(evidence) & (votes > 0)
    axes = np.exp(
        2j * np.radians([lamp.axis_deg for lamp in lamps if math.isfinite(lamp.axis_deg)])
    )
    return Lamp(
        from_deg=middle_deg if np.isfinite(sides).all() and off_deg.max() < SAME_SIDE_DEG else math.nan,
        angle_deg=float(np.median(angles)) if np.ptp(angles) < SAME_ANGLE_DEG else math.nan,
        at_mm=said.at_mm,
        basis=lamps[0].basis if len({lamp.basis for lamp in lamps}) == 1 else "post",
        axis_deg=float(np.degrees(np.angle(axes.mean())) / 2 % 180) if len(axes) else math.nan,
        side_evidence=_average(evidence[is_weighed], votes[is_weighed]),
        flags=flags,
        notes=gather_words([lamp.notes for lamp in lamps], names),
        figures={"n_votes": float(votes.sum())},
    )  # fmt: skip


def _average(values: np.ndarray, weights: np.ndarray) -> float:
    return float(np.average(values, weights=weights)) if len(values) else math.nan


def gather_words(said: Sequence[Sequence[str]], names: Sequence[str]) -> tuple[str, ...]:
    """Return sentences said about several photos, each once, with the names of the photos.

    Sentences that differ in their numbers only are one; the first photo's numbers stand in it.
    """
    first: dict[str, str] = {}
    about: dict[str, list[str]] = {}
    for sentences, name in zip(said, names, strict=True):
        for sentence in sentences:
            key = re.sub(r"\d+(\.\d+)?", "#", sentence)
            first.setdefault(key, sentence)
            about.setdefault(key, []).append(name)
    return tuple(
        f"{_list_names(about[key], len(names))}: {sentence}" for key, sentence in first.items()
    )


def _list_names(names: Sequence[str], n_photos: int) -> str:
    if len(names) == n_photos:
        return "All photos"
    more = f" and {len(names) - N_NAMED} more" if len(names) > N_NAMED else ""
    return ", ".join(names[:N_NAMED]) + more
