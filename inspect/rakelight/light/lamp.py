"""Where the lamp stands: what the person said, held against what the photo shows.

A wrong lamp side turns bumps into pits and pits into bumps, so it is never guessed silently:
a side that was not said stays unknown, and a side that the photo contradicts is flagged.
"""

import math
from dataclasses import replace

import numpy as np

from ..core.errors import LampError
from ..core.flags import flag_bit
from ..core.records import FaceMap, FlatPhoto, Lamp
from ..core.settings import LightSettings
from .evidence import (
    Votes,
    collect_votes,
    cut_windows,
    pick_clearest,
    read_axis,
    read_extremes,
)

_AXIS_RELIEF_SD = 3.0
_EVEN_GRAIN_MAX = 0.55
_AXIS_VOTES_MIN = 8
_OFF_SIDE_DEG, _OFF_SIDE_SD = 45.0, 4.5  # a clear side this far off the one said is another side
_SIDES = ("top", "top right", "right", "bottom right", "bottom", "bottom left", "left", "top left")


def settle_lamp(
    flat: FlatPhoto, face: FaceMap, said: Lamp, *, settings: LightSettings = LightSettings()
) -> Lamp:
    """Return the lamp as said, with what the photo shows beside it and doubts as flags and notes.

    Parameters
    ----------
    flat : FlatPhoto
        Relief of the face, lamp divided out.
    face : FaceMap
        What is seen.
    said : Lamp
        What the person or the shadow post said; an empty `Lamp()` when nothing is known.
    settings : LightSettings
        How much evidence is asked for before a doubt is raised.

    Returns
    -------
    Lamp
        `axis_deg`: light axis seen (mod 180); `side_evidence`: -1 (all pits lit from the other side)
        to 1 (all agree), against the side said, or against the guess when none was said;
        `figures`: see `light.evidence`. A side that was not said is not filled in.

    Raises
    ------
    LampError
        When the lamp said lies outside what is possible.

    Errors of the answer
    --------------------
    The axis is right to a few degrees on evenly rough or pitted faces. The side evidence is a
    count of pits against bumps: on a face with more bumps than pits it points the wrong way.

    Source
    ------
    Measured facts of the project on made-up scenes; limits are our choice.
    """
    said = check_lamp(said)
    windows = cut_windows(flat, face, settings)
    if not windows:
        return said
    votes = collect_votes(windows, flat.noise_sd, settings)
    grain_deg, grain_strength = read_axis(windows, _AXIS_RELIEF_SD * max(flat.noise_sd, 0.01))
    axis_deg, axis_strength, is_from_pits = _choose_axis(votes, grain_deg, grain_strength, settings)
    guess_deg = _mean_side(votes)
    against_deg = said.at_pit(votes.x_mm, votes.y_mm)[0] if said.is_side_known else guess_deg
    evidence, side_sd = _weigh_votes(votes, against_deg)
    figures = said.figures | {
        "axis_strength": axis_strength,
        "axis_from_pits": float(is_from_pits),
        "grain_axis_deg": grain_deg,
        "grain_axis_strength": grain_strength,
        "n_votes": float(len(votes)),
        "side_sd": side_sd,
        "side_off_deg": _mean_off(votes, against_deg),
        "guess_from_deg": guess_deg,
        "guess_share": _weigh_votes(votes, guess_deg)[0],
        "guess_sd": _weigh_votes(votes, guess_deg)[1],
        **_describe_light(flat, votes),
    }
    seen = replace(said, axis_deg=axis_deg, side_evidence=evidence, figures=figures)
    return _add_doubts(seen, flat, settings)


def build_lamp(
    from_deg: float | None = None,
    angle_deg: float | None = None,
    at_mm: tuple[float, ...] | None = None,
) -> Lamp:
    """Return the lamp as a person said it: its side and angle in degrees, or its place X, Y, H in mm.

    Whoever asks a person (commands, batch, screens) comes through here. None : not said. A side a turn
    around is taken as the same side.

    Raises
    ------
    LampError
        When both were said, or what was said is no side, angle or place.
    """
    if at_mm is not None and (from_deg is not None or angle_deg is not None):
        raise LampError("Give the lamp's place, or its side and angle, not both.")
    if at_mm is not None:
        return check_lamp(Lamp(at_mm=tuple(at_mm), basis="said"))
    if from_deg is None and angle_deg is None:
        return Lamp()
    if any(value is not None and not math.isfinite(value) for value in (from_deg, angle_deg)):
        raise LampError("The lamp's side and angle must be numbers; leave them out when they are not known.")
    if from_deg is not None and abs(from_deg) > 360:
        raise LampError("Give the lamp's side from 0 to 360: 0 top, 90 right, 180 bottom, 270 left.")
    sides = (math.nan if value is None else float(value) for value in (from_deg, angle_deg))
    return check_lamp(Lamp(*sides, basis="said"))


def check_lamp(said: Lamp) -> Lamp:
    """Return the lamp with its side brought to 0-360 degrees; LampError when it is impossible."""
    if said.at_mm is not None:
        if not all(math.isfinite(v) for v in said.at_mm) or said.at_mm[2] <= 0:
            raise LampError("Give the lamp's place as X,Y,H in mm with a height above 0.")
        return replace(said, basis=_name_basis(said))
    if math.isinf(said.from_deg) or math.isinf(said.angle_deg):
        raise LampError("Give the lamp's side and angle as plain degrees.")
    if not math.isnan(said.angle_deg) and not 0 < said.angle_deg <= 90:
        raise LampError(
            f"The lamp's angle above the face must lie between 0 and 90 degrees, not {said.angle_deg:g}."
        )
    return replace(said, from_deg=said.from_deg % 360, basis=_name_basis(said))


def join_post(said: Lamp, post: Lamp, *, settings: LightSettings = LightSettings()) -> Lamp:
    """Return the lamp to work with when both the person and the shadow post speak.

    A place that was said is kept, because it holds for every pit; otherwise the post's side and angle
    are taken, being measured. When the two disagree, a flag and a note say so.

    Errors of the answer: none of its own. Source: our choice.
    """
    said = check_lamp(said)
    if not post.is_side_known:
        return replace(said, notes=(*said.notes, *post.notes), figures=said.figures | post.figures)
    tip_mm = [np.float64(post.figures.get(f"post_tip_{axis}_mm", 0.0)) for axis in "xy"]
    said_deg = float(said.at_pit(*tip_mm)[0])
    chosen = replace(
        post,
        at_mm=said.at_mm,
        angle_deg=said.angle_deg if math.isnan(post.angle_deg) else post.angle_deg,
        basis="post" if said.at_mm is None else "said",
    )
    off_deg = abs((said_deg - post.from_deg + 180) % 360 - 180)
    if said.is_side_known and off_deg > settings.axis_error_max_deg:
        note = (
            f"The post's shadow shows a lamp at the {name_side(post.from_deg)} "
            f"({post.from_deg:.0f} degrees), not where it was said to be: check which one is right."
        )
        return replace(
            chosen,
            flags=post.flags | flag_bit("lamp_side_contradicted"),
            notes=(*post.notes, note),
        )
    return chosen


def name_side(from_deg: float) -> str:
    """Return the side in words, such as ``bottom left`` for 225 degrees."""
    return _SIDES[round(from_deg % 360 / 45) % 8]


def read_side(said: str) -> float | None:
    """Return the degrees of a side as people say it ("left", "top right"), None when it names none."""
    name = " ".join(said.casefold().split())
    return 45.0 * _SIDES.index(name) if name in _SIDES else None


def _name_basis(said: Lamp) -> str:
    return "said" if said.is_side_known and said.basis == "unknown" else said.basis


def _mean_side(votes: Votes) -> float:
    if len(votes) == 0:
        return math.nan
    turn = np.radians(votes.from_deg)
    x, y = np.sum(votes.weight * np.sin(turn)), np.sum(votes.weight * np.cos(turn))
    return float(np.degrees(np.arctan2(x, y)) % 360)


def _mean_off(votes: Votes, against_deg: np.ndarray | float) -> float:
    """Return by how many degrees (0 to 180) the votes as a whole lie off a side; NaN without any."""
    if len(votes) == 0:
        return math.nan
    off = np.radians(votes.from_deg - against_deg)
    x, y = np.sum(votes.weight * np.sin(off)), np.sum(votes.weight * np.cos(off))
    return float(np.degrees(np.arctan2(abs(x), y)))


def _weigh_votes(votes: Votes, against_deg: np.ndarray | float) -> tuple[float, float]:
    """Return the balance of votes (-1 to 1) for a side, and the same in standard deviations."""
    if len(votes) == 0:
        return math.nan, math.nan
    agree = votes.weight * np.cos(np.radians(votes.from_deg - against_deg))
    spread = float(np.sqrt(np.sum(votes.weight**2) / 2)) or 1.0  # sd of the sum for random sides
    return float(agree.sum() / max(votes.weight.sum(), 1e-9)), float(agree.sum() / spread)


def _balance(from_deg: np.ndarray) -> float:
    """Return how far directions agree: 1 all the same, 0 from all around; NaN without any."""
    if len(from_deg) == 0:
        return math.nan
    turn = np.radians(from_deg)
    return float(np.hypot(np.sin(turn).mean(), np.cos(turn).mean()))


def _choose_axis(
    votes: Votes, grain_deg: float, grain_strength: float, settings: LightSettings
) -> tuple[float, float, bool]:
    """Return the axis, its strength and whether pits show it; the grain's when pits are too few."""
    if len(votes) >= _AXIS_VOTES_MIN:
        turn = np.radians(2 * votes.from_deg)
        x, y = np.sum(votes.weight * np.sin(turn)), np.sum(votes.weight * np.cos(turn))
        strength = float(np.hypot(x, y) / max(votes.weight.sum(), 1e-9))
        if strength * math.sqrt(len(votes) / 2) > settings.side_sd_min:
            return float(np.degrees(np.arctan2(x, y)) / 2 % 180), strength, True
    # Grain without a direction of its own cannot be more one-sided than 1/2 under one lamp;
    # more is a brushed or board-marked face, whose axis says nothing about the lamp.
    is_usable = settings.axis_strength_min <= grain_strength <= _EVEN_GRAIN_MAX
    return grain_deg if is_usable else math.nan, grain_strength, False


def _describe_light(flat: FlatPhoto, votes: Votes) -> dict[str, float]:
    shadow_level, wall_light = read_extremes(flat, votes)
    return {
        "shadow_level": shadow_level,
        "wall_light": wall_light,
        "clear_share": _balance(votes.from_deg[pick_clearest(votes)]),
        "bright_share": float(np.median(votes.bright_share)) if len(votes) else math.nan,
    }


def _add_doubts(lamp: Lamp, flat: FlatPhoto, settings: LightSettings) -> Lamp:
    notes, flags = list(lamp.notes), lamp.flags
    if lamp.at_mm is None and math.isnan(lamp.angle_deg):
        flags |= flag_bit("lamp_angle_unknown")
    guess_deg = lamp.figures["guess_from_deg"]
    if not lamp.is_side_known:
        is_clear = _is_clear(lamp, settings)
        notes.append(_describe_guess(guess_deg, lamp.side_evidence) if is_clear else _NO_SIDE)
    elif _is_clear(lamp, settings) and lamp.side_evidence < 0:
        flags |= flag_bit("lamp_side_contradicted")
        notes.append(
            f"The pits look lit from the {name_side(guess_deg)} ({guess_deg:.0f} degrees): check the "
            "lamp side, because with the wrong side bumps are counted as pits."
        )
    elif _is_off(lamp, settings) or _axis_error(lamp, flat) > settings.axis_error_max_deg:
        flags |= flag_bit("lamp_side_contradicted")
        notes.append(
            f"The pits look lit from the {name_side(guess_deg)} ({guess_deg:.0f} degrees), not from "
            "the side said: check the lamp side, and that only one lamp is on."
        )
    return replace(lamp, flags=flags, notes=tuple(notes))


def _is_clear(lamp: Lamp, settings: LightSettings) -> bool:
    """Return whether enough votes speak for or against a side."""
    return (
        lamp.figures["n_votes"] >= settings.side_votes_min
        and abs(lamp.figures["side_sd"]) >= settings.side_sd_min
        and abs(lamp.side_evidence) >= settings.side_share_min
    )


def _is_off(lamp: Lamp, settings: LightSettings) -> bool:
    """Return whether the votes clearly agree on another side than the one said."""
    return (
        lamp.figures["n_votes"] >= settings.side_votes_min
        and lamp.figures["guess_sd"] >= _OFF_SIDE_SD
        and lamp.figures["side_off_deg"] > _OFF_SIDE_DEG
    )


_NO_SIDE = (
    "The lamp side was not said and the photo does not show it: pits and bumps are told apart "
    "less surely."
)


def _describe_guess(guess_deg: float, evidence: float) -> str:
    doubt = (1 - evidence) / 2
    return (
        f"The lamp side was not said; the photo looks lit from the {name_side(guess_deg)} "
        f"({guess_deg:.0f} degrees, about {doubt:.0%} of the spots speak against it): say it to be sure."
    )


def _axis_error(lamp: Lamp, flat: FlatPhoto) -> float:
    """Return the angle between the axis seen and the side said, 0 to 90 degrees; 0 when unknown.

    Only the axis of pits counts: that of the grain may be the way a face was brushed.
    """
    if not lamp.figures["axis_from_pits"]:
        return 0.0
    rows, cols = flat.relief.shape
    middle_mm = cols * flat.mm_per_px / 2, rows * flat.mm_per_px / 2
    from_deg = float(lamp.at_pit(np.float64(middle_mm[0]), np.float64(middle_mm[1]))[0])
    return abs((from_deg - lamp.axis_deg + 90) % 180 - 90)
