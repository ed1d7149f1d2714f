"""Where do pits crowd? Pitting areas, streaks and honeycomb patches, each with its outline.

Catalogue: `find_zones` (all of it), `link_crowd` (pits that have many near neighbours hang together),
`draw_outline` (the polygon around such a crowd). A pitting area or streak is listed only when pits
strewn by chance at the density of the rest of the face would hardly ever crowd so; a honeycomb patch is told
by lips that nearly touch and by its open share, and is one repair, not hundreds of pits.
"""

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import pandas as pd
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ..core.flags import flag_bit, flag_names, parse_flags
from ..core.records import FaceMap
from ..core.settings import ZoneSettings
from ..core.threads import share_out
from .scatter import SEED, Ground, Scatter, judge_scatter, lay_ground, lay_side_by_side

NEIGHBOURS = 2.0  # expected within the reach on the rest of the face; our choice
CORE = 6  # a pit with so many within the reach (itself not counted) is inside a crowd: chance of that is 1.7 %
OUTLINE_SHARE = 0.5  # the outline runs this share of the reach outside the outermost pits
STREAK_STRETCH = (
    2.5  # for streaks, neighbours are sought so many times further along and nearer across
)
STREAK_TURNS = 12  # directions tried over half a turn: none is further than 7.5 degrees off
BESIDE_RATIO = (
    4.0  # pits in a streak over those in as wide a band beside it, half on each side; our choice
)
WORK_MAX = 400_000  # pits strewn in all, directions counted: faces with very many pits make do with fewer random ones
_CELLS_PER_REACH = 6
_AS_IT_IS = np.eye(2)
_MAD_TO_SD = 1.4826
TRIM_ROUNDS = 4
FOUND_KINDS = ("pitting", "streak", "honeycomb")
NEAR_CHANCE, NEAR_OPEN = 2.0, 0.15  # near the limit: chance within this factor, open share within this share of it


@dataclass(frozen=True, slots=True, eq=False)
class Crowd:
    """Pits that hang together: their rows, how many were linked, the reach, its directions, its chance.

    A streak keeps the linked pits that lie in its narrow band; `squeeze` as in `draw_outline`.
    """

    pits: np.ndarray
    n_linked: int
    reach_mm: float
    squeeze: np.ndarray
    is_streak: bool
    chance: float = 1.0


@dataclass(frozen=True, slots=True)
class Zones:
    """What crowds where.

    zones : one mapping per zone with name, kind (pitting, streak or honeycomb), outline_mm, n_pits,
    area_mm2, area_share (open), pits_per_m2, times_rest (density over that of the rest), chance,
    length_mm, width_mm, turn_deg (of the long side, clockwise from up, 0 to 180), diameter_median_mm,
    is_near_limit (told by so little that another photo or lamp angle may tell otherwise);
    member : (n,) index into `zones` per pit, -1 for none; scatter : the test of the whole face;
    n_near : places that just miss being a zone.
    """

    zones: tuple[dict[str, Any], ...]
    member: np.ndarray
    scatter: Scatter
    n_near: int = 0

    def describe_scatter(self, settings: ZoneSettings = ZoneSettings()) -> dict[str, Any]:
        """Return the test of the whole face as plain values, with how near the limit it and its zones are."""
        is_near = self.scatter.verdict != "too_few" and is_near_chance(
            self.scatter.chance, settings
        )
        return self.scatter.to_mapping() | {"is_near_limit": is_near, "n_near_zones": self.n_near}


def find_zones(
    pits: pd.DataFrame,
    face: FaceMap,
    *,
    settings: ZoneSettings = ZoneSettings(),
    threads: int = 2,
) -> Zones:
    """Return pitting areas, streaks and honeycomb patches, with the test of the whole face.

    Parameters
    ----------
    pits : pandas.DataFrame
        Columns of `PIT_COLUMNS`; places and diameters are read.
    face : FaceMap
        What was seen: outside it no pit could be found.
    settings : ZoneSettings
    threads : int
        Tests done at once.

    Returns
    -------
    Zones
        No zones, and the verdict `too_few`, when there are hardly any pits.

    Errors of the answer
    --------------------
    `chance` is that of the largest crowd among as many faces strewn at random as `n_random`, so
    small zones beside a large one are judged no more kindly. Zones of fewer than `crowd_pits` pits, and
    streaks whose pits stand further apart than chance spaces the rest, are not seen; of made-up streaks of 25
    pits among ordinary ones some eight in ten are, and one in fifteen round crowds is called a
    streak. A face pitted evenly all over
    has no zone.

    Source
    ------
    Density-based clusters: Ester, Kriegel, Sander and Xu 1996 (from memory), with the reach set by
    the density of the rest of the face; the test by random faces and the rule for honeycomb are our choice.
    """
    xy_mm, diameter_mm = pits[["x_mm", "y_mm"]].to_numpy(float), pits["diameter_mm"].to_numpy(float)
    ground = lay_ground(face)
    member = np.full(len(pits), -1)
    patches = link_honeycomb(xy_mm, diameter_mm, settings)
    found: list[dict[str, Any]] = []
    n_near = 0
    for number in range(patches.max(initial=-1) + 1):
        reach_mm = (
            1.2 * (1 + settings.honeycomb_gap) * float(np.median(diameter_mm[patches == number]))
        )
        outline = draw_outline(xy_mm[patches == number], reach_mm, face)
        inside = ((patches == number) | is_within(xy_mm, outline)) & (member < 0)
        if not inside.any():  # an earlier patch's outline has taken them all
            continue
        zone = _describe(pits[inside], face, "honeycomb", reach_mm)
        is_near = bool(abs(zone["area_share"] / settings.honeycomb_open - 1) <= NEAR_OPEN)
        if zone["area_share"] >= settings.honeycomb_open:
            member[inside] = len(found)
            found.append(zone | {"is_near_limit": is_near})
        else:
            n_near += is_near
    loose = np.flatnonzero(
        member < 0
    )  # a honeycomb patch is one thing: it must not make all else look even
    scatter, crowds = _test_loose(
        xy_mm[loose], diameter_mm[loose], ground, settings=settings, threads=threads
    )
    if scatter.verdict != "too_few":
        for crowd in crowds:
            if crowd.chance > settings.chance_max:
                n_near += 1
                continue
            inside = loose[crowd.pits]
            kind = "streak" if crowd.is_streak else "pitting"
            member[inside] = len(found)
            found.append(
                _describe(pits.iloc[inside], face, kind, crowd.reach_mm, crowd.squeeze)
                | {"chance": crowd.chance, "is_near_limit": is_near_chance(crowd.chance, settings)}
            )
    return Zones(_name_zones(found, member, ground), member, scatter, n_near)


def _test_loose(
    xy_mm: np.ndarray, diameter_mm: np.ndarray, ground: Ground, *, settings: ZoneSettings, threads: int
) -> tuple[Scatter, list[Crowd]]:
    """Return how the pits that are no honeycomb are strewn, and their crowds, none when there are hardly any pits."""
    tests = (
        lambda: judge_scatter(xy_mm, ground, diameter_mm=diameter_mm, settings=settings),
        lambda: find_crowds(xy_mm, ground, settings=settings),
    )
    is_enough = len(xy_mm) >= settings.fewest_pits and ground.area_mm2 > 0
    scatter, *crowds = share_out(lambda test: test(), tests[: 1 + is_enough], threads=threads)
    return scatter, crowds[0] if crowds else []


def is_near_chance(chance: float, settings: ZoneSettings) -> bool:
    """Return whether a chance lies so near the limit that a photo a little different may tell otherwise."""
    return bool(settings.chance_max / NEAR_CHANCE < chance <= settings.chance_max * NEAR_CHANCE)


def mark_pits(pits: pd.DataFrame, zones: Zones) -> pd.DataFrame:
    """Return the pit table with the column `zone` filled and pits of honeycomb patches flagged.

    A pit that has the name of a pour zone keeps it, since mixes and dates go with that; the others take the
    name of the pitting area, streak or patch they lie in.
    """
    pits = pits.copy()
    found = np.array([*(zone["name"] for zone in zones.zones), ""], object)[zones.member]
    given = pits["zone"].to_numpy(object)
    pits["zone"] = pd.Series(
        np.where(given == "", found, given), index=pits.index, dtype=pits["zone"].dtype
    )
    is_honeycomb = np.array([*(zone["kind"] == "honeycomb" for zone in zones.zones), False])[
        zones.member
    ]
    flags = [
        flag_names(parse_flags(have) | flag_bit("in_honeycomb")) if inside else have
        for have, inside in zip(pits["flags"], is_honeycomb, strict=True)
    ]
    pits["flags"] = pd.Series(flags, index=pits.index, dtype=pits["flags"].dtype)
    return pits


def link_honeycomb(
    xy_mm: np.ndarray, diameter_mm: np.ndarray, settings: ZoneSettings
) -> np.ndarray:
    """Return the patch each pit belongs to (from 0), -1 for none: lips that nearly touch, many of them."""
    n = len(xy_mm)
    if n < settings.honeycomb_pits:
        return np.full(n, -1)
    longest_mm = float(diameter_mm.max()) * (1 + settings.honeycomb_gap)
    pairs = cKDTree(xy_mm).query_pairs(longest_mm, output_type="ndarray")
    size = diameter_mm[pairs].mean(axis=1)
    gap = np.hypot(*(xy_mm[pairs[:, 0]] - xy_mm[pairs[:, 1]]).T) - size
    pairs = pairs[gap <= settings.honeycomb_gap * size]
    # One touching neighbour is common anywhere; a pit with two or more carries the patch on.
    degree = np.bincount(pairs.ravel(), minlength=n)
    return _join(n, pairs, degree >= 2, settings.honeycomb_pits)


def link_crowd(
    xy_mm: np.ndarray, reach_mm: float, fewest: int, *, face_of: np.ndarray | None = None
) -> np.ndarray:
    """Return the crowd each pit belongs to (from 0), -1 for none: pits with many neighbours in reach.

    `face_of` is the number of each pit's face, when there are several: crowds do not reach over.
    """
    face_of = np.zeros(len(xy_mm), int) if face_of is None else face_of
    tree = lay_side_by_side(xy_mm, face_of, reach_mm)
    pairs = tree.query_pairs(reach_mm, output_type="ndarray")
    degree = np.bincount(pairs.ravel(), minlength=len(xy_mm))
    return _join(len(xy_mm), pairs, degree >= CORE, fewest)


def measure_rest(xy_mm: np.ndarray, ground: Ground) -> float:
    """Return the density of pits per mm2 on the ordinary part of the face, crowds left out.

    Errors of the answer: reads the whole face's density when pits lie by chance, within 10 % from 100 pits on.
    Source: share of empty cells under chance, exp(-density x cell), which a few full cells cannot move.
    """
    side_mm = np.sqrt(ground.area_mm2 / len(xy_mm))
    cells = np.maximum(
        1, np.round(np.array(ground.seen.shape[::-1]) * ground.cell_mm / side_mm)
    ).astype(int)
    limit = np.array(ground.seen.shape[::-1]) * ground.cell_mm
    key = np.clip((xy_mm / limit * cells).astype(int), 0, cells - 1)
    count = np.bincount(key[:, 1] * cells[0] + key[:, 0], minlength=int(cells.prod()))
    rows, cols = np.indices(ground.seen.shape)
    home = (rows * cells[1] // ground.seen.shape[0]) * cells[0] + cols * cells[
        0
    ] // ground.seen.shape[1]
    seen_mm2 = np.bincount(home.ravel(), ground.seen.ravel(), minlength=int(cells.prod()))
    seen_mm2 *= ground.cell_mm[0] * ground.cell_mm[1]
    used = seen_mm2 > 0.5 * seen_mm2.max()
    empty = np.clip(np.mean(count[used] == 0), 1 / (2 * used.sum()), 1 - 1 / (2 * used.sum()))
    return float(-np.log(empty) / seen_mm2[used].mean())


def draw_outline(
    xy_mm: np.ndarray, reach_mm: float, face: FaceMap, squeeze: np.ndarray = _AS_IT_IS
) -> np.ndarray:
    """Return the outline (corners, 2) in mm around places that hang together, within the face.

    `squeeze` (2, 2) says in which directions the reach is longer: it is measured after xy @ squeeze.
    Errors of the answer: to a sixth of the reach. Source: discs around the pits, joined and closed; our choice.
    """
    places = xy_mm @ squeeze
    cell_mm = reach_mm / _CELLS_PER_REACH
    origin = places.min(axis=0) - 2 * reach_mm
    size = np.ceil((places.max(axis=0) + 2 * reach_mm - origin) / cell_mm).astype(int) + 1
    grid = np.ones(size[::-1], np.uint8)
    col, row = np.round((places - origin) / cell_mm).astype(int).T
    grid[row, col] = 0
    away = cv2.distanceTransform(grid, cv2.DIST_L2, 5)
    wide = (away > 0.8 * _CELLS_PER_REACH).astype(
        np.uint8
    )  # closing: out by .8, back by .3 of the reach
    back = (0.8 - OUTLINE_SHARE) * _CELLS_PER_REACH
    shape = (cv2.distanceTransform(1 - wide, cv2.DIST_L2, 5) > back).astype(np.uint8)
    contours = cv2.findContours(shape, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    corners = cv2.approxPolyDP(max(contours, key=cv2.contourArea), 0.75, closed=True).reshape(-1, 2)
    return np.clip((corners * cell_mm + origin) @ np.linalg.inv(squeeze), 0, face.size_mm)


def is_within(xy_mm: np.ndarray, outline_mm: np.ndarray) -> np.ndarray:
    """Return which places (n, 2) lie inside or on an outline, bool (n,)."""
    corners = np.asarray(outline_mm, np.float32)
    return np.array(
        [cv2.pointPolygonTest(corners, (float(x), float(y)), False) >= 0 for x, y in xy_mm], bool
    )


def find_crowds(
    xy_mm: np.ndarray, ground: Ground, *, settings: ZoneSettings = ZoneSettings()
) -> list[Crowd]:
    """Return the crowds that pits strewn by chance would hardly make, round ones first, then streaks.

    Behind them stand those that just miss the limit: their chance is above `chance_max`, by a factor of two at most.
    """
    rest_per_mm2 = measure_rest(xy_mm, ground)
    reach_mm = float(min(np.sqrt(NEIGHBOURS / (np.pi * rest_per_mm2)), settings.crowd_reach_mm))
    n_rest = round(rest_per_mm2 * ground.area_mm2)
    (round_ones,) = _pick_crowds(xy_mm, reach_mm, (_AS_IT_IS,), settings)
    squeezes = tuple(_squeeze(turn) for turn in np.arange(STREAK_TURNS) * 180 / STREAK_TURNS)
    turned = _pick_crowds(xy_mm, reach_mm, squeezes, settings)
    long_ones = [crowd for crowds in turned for crowd in crowds if crowd.is_streak]
    if not round_ones and not long_ones:  # nothing that needs to be held against chance
        return []
    by_chance = _largest_by_chance(ground, n_rest, reach_mm, (_AS_IT_IS,), settings)
    kept = [replace(crowd, chance=_chance(crowd, by_chance)) for crowd in round_ones]
    limit = settings.chance_max
    missed = [crowd for crowd in kept if limit < crowd.chance <= NEAR_CHANCE * limit]
    kept = [crowd for crowd in kept if crowd.chance <= limit]
    streaks = [crowd for crowd in long_ones if _chance(crowd, by_chance) <= limit]
    if streaks:  # twelve directions are looked at, so chance gets twelve tries as well
        by_chance = _largest_by_chance(ground, n_rest, reach_mm, squeezes, settings)
        streaks = [replace(crowd, chance=_chance(crowd, by_chance)) for crowd in streaks]
        missed += [crowd for crowd in streaks if limit < crowd.chance <= NEAR_CHANCE * limit]
        streaks = [crowd for crowd in streaks if crowd.chance <= limit]
    found = _settle(kept, sorted(streaks, key=lambda crowd: -len(crowd.pits)))
    return found + _pick_apart(missed, found)


def _pick_apart(crowds: list[Crowd], others: list[Crowd]) -> list[Crowd]:
    """Those of the crowds, largest first, that share no pit with the others or with one another."""
    apart: list[Crowd] = []
    for crowd in sorted(crowds, key=lambda crowd: -len(crowd.pits)):
        if not any(np.isin(crowd.pits, other.pits).any() for other in (*others, *apart)):
            apart.append(crowd)
    return apart


def _settle(round_ones: list[Crowd], streaks: list[Crowd]) -> list[Crowd]:
    """Crowds that share no pit: a streak that explains most of a round crowd replaces it, else it yields."""
    kept = list(round_ones)
    for streak in streaks:
        rivals = [crowd for crowd in kept if np.isin(crowd.pits, streak.pits).any()]
        if any(
            crowd.is_streak or np.isin(crowd.pits, streak.pits).mean() <= 0.5 for crowd in rivals
        ):
            continue
        kept = [crowd for crowd in kept if crowd not in rivals] + [streak]
    return kept


def _pick_crowds(
    xy_mm: np.ndarray, reach_mm: float, squeezes: tuple[np.ndarray, ...], settings: ZoneSettings
) -> list[list[Crowd]]:
    """The crowds for every squeeze, largest first; all are linked at once, like faces side by side."""
    squeezed = np.concatenate([xy_mm @ squeeze for squeeze in squeezes])
    face_of = np.repeat(np.arange(len(squeezes)), len(xy_mm))
    label = link_crowd(squeezed, reach_mm, settings.crowd_pits, face_of=face_of)
    found: list[list[Crowd]] = []
    for squeeze, own in zip(squeezes, label.reshape(len(squeezes), -1), strict=True):
        crowds = []
        for number in np.unique(own[own >= 0]):
            pits = np.flatnonzero(own == number)
            core = None if squeeze is _AS_IT_IS else _narrow_to_streak(xy_mm, pits, settings)
            chosen = pits if core is None else core
            crowds.append(Crowd(chosen, len(pits), reach_mm, squeeze, core is not None))
        found.append(sorted(crowds, key=lambda crowd: -len(crowd.pits)))
    return found


def _narrow_to_streak(
    xy_mm: np.ndarray, pits: np.ndarray, settings: ZoneSettings
) -> np.ndarray | None:
    """The pits of a crowd's narrow core band when far fewer lie beside it, else None (a blob, or a row of blobs)."""
    core = pits
    for _ in range(TRIM_ROUNDS):
        spread2, axes = np.linalg.eigh(np.cov(xy_mm[core].T))
        across, along = ((xy_mm - np.median(xy_mm[core], axis=0)) @ axes).T
        across_mm = max(float(_MAD_TO_SD * np.median(np.abs(across[core]))), 0.5)
        narrower = pits[np.abs(across[pits]) <= 2 * across_mm]
        if len(narrower) < settings.crowd_pits:
            return None
        core = narrower
    along_mm = float(np.sqrt(spread2[1]))
    if along_mm < settings.streak_ratio * across_mm or 4 * across_mm > settings.streak_width_mm:
        return None
    abreast = np.abs(along - along[core].mean()) <= 1.7 * along_mm
    away = np.abs(across) / (2 * across_mm)
    within, beside = abreast & (away <= 1), abreast & (away > 1.25) & (away <= 2.25)
    return core if within.sum() >= BESIDE_RATIO * beside.sum() else None


def _squeeze(turn_deg: float) -> np.ndarray:
    """What shortens distances along a direction (clockwise from up) and stretches them across it."""
    along = np.array([np.sin(np.radians(turn_deg)), -np.cos(np.radians(turn_deg))])
    onto = np.outer(along, along)
    return onto / STREAK_STRETCH + (np.eye(2) - onto) * STREAK_STRETCH


def _chance(crowd: Crowd, by_chance: np.ndarray) -> float:
    return float((1 + np.count_nonzero(by_chance >= crowd.n_linked)) / (1 + len(by_chance)))


def _largest_by_chance(
    ground: Ground,
    n: int,
    reach_mm: float,
    squeezes: tuple[np.ndarray, ...],
    settings: ZoneSettings,
) -> np.ndarray:
    """Pits of the largest crowd on each of many faces strewn at random, over all directions tried."""
    n_faces = int(np.clip(WORK_MAX // (max(n, 1) * len(squeezes)), 19, settings.n_random))
    largest = np.zeros(n_faces, int)
    if n < 2:
        return largest
    faces = ground.strew(n_faces, n, np.random.default_rng(SEED + 1)).reshape(-1, 2)
    face_of = np.repeat(np.arange(n_faces), n)
    for squeeze in squeezes:
        crowd = link_crowd(faces @ squeeze, reach_mm, 1, face_of=face_of)
        inside = crowd >= 0
        sizes = np.bincount(crowd[inside], minlength=1)
        home = np.zeros(len(sizes), int)
        home[crowd[inside]] = face_of[inside]
        np.maximum.at(largest, home, sizes)
    return largest


def _join(n: int, pairs: np.ndarray, is_core: np.ndarray, fewest: int) -> np.ndarray:
    """Groups of core places linked to each other, with the places at their border; small groups are none."""
    label = np.full(n, -1)
    both = is_core[pairs].all(axis=1)
    inner = pairs[both]
    group = connected_components(
        coo_matrix((np.ones(len(inner)), inner.T), shape=(n, n)), directed=False
    )[1]
    label[is_core] = group[is_core]
    for near, far in ((0, 1), (1, 0)):
        border = pairs[is_core[pairs[:, near]] & ~is_core[pairs[:, far]]]
        label[border[:, far]] = group[border[:, near]]
    counts = np.bincount(label + 1)
    keep = counts >= max(fewest, 1)
    keep[0] = False
    return np.where(keep, np.cumsum(keep) - 1, -1)[label + 1]


def _describe(
    pits: pd.DataFrame, face: FaceMap, kind: str, reach_mm: float, squeeze: np.ndarray = _AS_IT_IS
) -> dict[str, Any]:
    xy_mm = pits[["x_mm", "y_mm"]].to_numpy(float)
    outline = draw_outline(xy_mm, reach_mm, face, squeeze)
    if kind == "streak":
        outline = cv2.convexHull(outline.astype(np.float32)).reshape(-1, 2).astype(float)
    area_mm2 = float(cv2.contourArea(outline.astype(np.float32)))
    middle, (wide, high), turn = cv2.minAreaRect(outline.astype(np.float32))
    long_deg = turn + 90 if wide >= high else turn
    return {
        "name": "",
        "kind": kind,
        "outline_mm": outline.round(2).tolist(),
        "n_pits": len(pits),
        "area_mm2": area_mm2,
        "area_share": float(pits["area_mm2"].sum()) / area_mm2,
        "pits_per_m2": len(pits) / area_mm2 * 1e6,
        "length_mm": float(max(wide, high)),
        "width_mm": float(min(wide, high)),
        "turn_deg": float(long_deg % 180),
        "x_mm": float(middle[0]),
        "y_mm": float(middle[1]),
        "diameter_median_mm": float(pits["diameter_mm"].median()),
    }


def _name_zones(
    found: list[dict[str, Any]], member: np.ndarray, ground: Ground
) -> tuple[dict[str, Any], ...]:
    rest_mm2 = max(ground.area_mm2 - sum(zone["area_mm2"] for zone in found), 1.0)
    rest_per_m2 = int((member < 0).sum()) / rest_mm2 * 1e6
    numbers = dict.fromkeys(FOUND_KINDS, 0)
    named = []
    for zone in found:
        numbers[zone["kind"]] += 1
        times = zone["pits_per_m2"] / rest_per_m2 if rest_per_m2 > 0 else float("inf")
        named.append(
            zone | {"name": f"{zone['kind']} {numbers[zone['kind']]}", "times_rest": times}
        )
    return tuple(named)
