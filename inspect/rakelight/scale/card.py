"""The scale card: its geometry, its printed page, and the photo's scale when it lies on the slab.

Card places are mm to the right and down from the card's top-left corner, as printed at 100 %.
"""

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np

from ..core.checks import check_choice, check_number, say_write_trouble
from ..core.errors import OutputError, ScaleError, SettingsError
from ..core.flags import flag_bit
from ..core.records import CardPose, Lens, Photo, Scale
from .alignment import MarkPlace, align_marks
from .corners import check_corners, check_size, face_corners
from .fiducials import Fiducial, find_fiducials
from .layout import (
    BOARD_CORNERS,
    BOARD_SQUARE_MM,
    CARD_SIDE_MM,
    CARD_TOP_MM,
    FIDUCIAL_SIDE_MM,
    FIDUCIALS_MM,
    FIELD_MM,
    FIELD_RADIUS_MM,
    FIRST_MARK_ID,
    GREY_LEVEL,
    GREY_PATCH_MM,
    MARK_CUT_MM,
    MARK_SIDE_MM,
    N_DICTIONARY,
    PAPERS_MM,
    POST_CORNER_MM,
    POST_FLAP_MM,
    POST_WALL_MM,
    RULE_AT_MM,
    RULE_MM,
)
from .marks import check_misfits, find_face_limits, list_corners, scale_from_alignment
from .plane import apply_plane, place_on_slab, straighten_points

PRINT_SD_MM = 0.03  # how true a printer places one square against another; our guess
RULE_READING_SD_MM = 0.2  # reading a ruler by eye
OFF_FACE_SHARE = 0.01

WORDS = {
    "up": "This side to the top of the plan",
    "rule": "This rule must measure 100 mm. If it does not, pass what you measure: --printed-rule MM",
    "name": "rakelight scale card",
    "field": "Keep this white field clean and empty: the post's shadow is read on it.",
    "post": "Shadow post, 12 mm high; the second is a spare. Cut solid lines, fold broken lines.",
    "steps": [
        "Print at 100 % (actual size) on white matt paper and check the rule with a ruler.",
        "Cut out the card and one post; fold the post to a right angle with both flaps inward, and"
        " stick the flaps down so that its walls stand upright on the corner printed in the white"
        " field.",
        "Tape the card flat on the face where the raking light reaches it and nothing shades it,"
        " with the arrow to the top of the plan, and keep all of it in the photo.",
    ],
}
BOARD_WORDS = (
    "Glue it to something flat. Take six photos or more with the camera and zoom used for the slab:"
    " the board fills the photo, sharp to its corners, each time tilted another way."
)
MARK_STEPS = [
    "Cut along the frame and tape the square flat on the face, arrow to the top of the plan.",
    "Measure from the plan's left and top edge to its middle, where the ticks on the frame point,"
    " and write the numbers into marks.toml as below.",
    "Or push the square into a corner of the slab, flush with both edges, and write"
    ' at_corner = "top-left" instead of x_mm and y_mm.',
]


def make_card(
    path: str | Path, *, paper: str = "a4", n_marks: int = 0, has_card: bool = True
) -> Path:
    """Return the path of the written PDF: the scale card in true size, and larger marks after it.

    Parameters
    ----------
    path : str or Path
        File to write; its folder must be there.
    paper : {"a4", "us-letter"}
        Paper size.
    n_marks : int, 0 to 46
        How many larger marks (80 mm, ids from 4) to add, two on a page, for tops that do not
        fit in one photo.
    has_card : bool
        False leaves the card's own page out.

    Errors of the answer: a printer may scale by a per cent or two; the 100 mm rule shows it.
    """
    check_choice(paper, "paper", PAPERS_MM)
    n_marks = int(check_number(n_marks, "marks", low=0, high=N_DICTIONARY - FIRST_MARK_ID))
    if not has_card and not n_marks:
        raise SettingsError("Ask for the card, for marks, or for both.")
    data = {
        "title": "rakelight scale card",
        "lang": "en",
        "page": PAPERS_MM[paper],
        "mark_pages": _lay_out_marks(paper, n_marks),
    }
    if has_card:
        data["card"] = _lay_out_card(paper)
    return _write_pdf(data, Path(path))


def make_chessboard(path: str | Path, *, paper: str = "a4") -> Path:
    """Return the path of the written PDF: a chessboard to photograph for the lens.

    Parameters
    ----------
    path : str or Path
        File to write; its folder must be there.
    paper : {"a4", "us-letter"}
        Paper size, lying on its side.
    """
    check_choice(paper, "paper", PAPERS_MM)
    page_mm = PAPERS_MM[paper][::-1]
    columns, rows = BOARD_CORNERS[0] + 1, BOARD_CORNERS[1] + 1
    data = {
        "title": "rakelight chessboard",
        "lang": "en",
        "page": page_mm,
        "mark_pages": [],
        "board": {
            "columns": columns,
            "rows": rows,
            "square": BOARD_SQUARE_MM,
            "at": [
                (page_mm[0] - columns * BOARD_SQUARE_MM) / 2,
                (page_mm[1] - rows * BOARD_SQUARE_MM) / 2 - 3,
            ],
            "words": BOARD_WORDS,
        },
    }
    return _write_pdf(data, Path(path))


def draw_cells(mark_id: int) -> np.ndarray:
    """Return the 6x6 cells of a 4x4_50 fiducial, its black rim included; True is white."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    return cv2.aruco.generateImageMarker(dictionary, int(mark_id), 6, borderBits=1) > 127


def _lay_out_card(paper: str) -> dict:
    left_mm = (PAPERS_MM[paper][0] - CARD_SIDE_MM) / 2
    return {
        "at": (left_mm, CARD_TOP_MM),
        "side": CARD_SIDE_MM,
        "fiducials": [
            {
                "x": x_mm,
                "y": y_mm,
                "side": FIDUCIAL_SIDE_MM,
                "cells": draw_cells(mark_id).tolist(),
                "label": str(mark_id),
            }
            for mark_id, (x_mm, y_mm) in FIDUCIALS_MM.items()
        ],
        "grey": GREY_PATCH_MM,
        "grey_level": GREY_LEVEL,
        "rule": {"x": RULE_AT_MM[0], "y": RULE_AT_MM[1], "length": RULE_MM},
        "post": {"corner": POST_CORNER_MM, "wall": POST_WALL_MM, "flap": POST_FLAP_MM},
        "words": WORDS,
    }


def _lay_out_marks(paper: str, n_marks: int) -> list[list[dict]]:
    top_mm = (PAPERS_MM[paper][1] - 2 * MARK_CUT_MM - 15) / 2
    marks = [
        {
            "at": (15.0, top_mm + (index % 2) * (MARK_CUT_MM + 15)),
            "side": MARK_SIDE_MM,
            "cut": MARK_CUT_MM,
            "cells": draw_cells(FIRST_MARK_ID + index).tolist(),
            "label": f"id {FIRST_MARK_ID + index}",
            "size": f"side {MARK_SIDE_MM:g} mm",
            "steps": MARK_STEPS,
            "entry": [
                "[[mark]]",
                f"id = {FIRST_MARK_ID + index}",
                f"side_mm = {MARK_SIDE_MM:g}",
                "x_mm = ______________",
                "y_mm = ______________",
            ],
        }
        for index in range(n_marks)
    ]
    return [marks[start : start + 2] for start in range(0, n_marks, 2)]


def _write_pdf(data: dict, path: Path) -> Path:
    import typst

    source = files("rakelight.data").joinpath("typst/scale_card.typ").read_bytes()
    pdf = typst.compile(
        source,
        font_paths=[str(files("rakelight.data").joinpath("fonts"))],
        ignore_system_fonts=True,
        sys_inputs={"data": json.dumps(data)},
    )
    partial = path.with_name(path.name + ".part")
    try:
        partial.write_bytes(pdf)
        partial.replace(path)
    except OSError as trouble:
        partial.unlink(missing_ok=True)
        raise OutputError(say_write_trouble(trouble, path)) from None
    return path


def scale_from_card(
    photo: Photo,
    *,
    printed_rule_mm: float = RULE_MM,
    corners_px: Sequence[Sequence[float]] | None = None,
    lens: Lens | None = None,
    height_mm: float = 0.0,
) -> tuple[Scale, CardPose]:
    """Return the scale of a photo in which the card lies on the face, and where it lies.

    Parameters
    ----------
    photo : Photo
        With the card flat, sharp and not covered; three of its four squares are enough.
    printed_rule_mm : float, mm, 80 to 120
        What the card's 100 mm rule really measures.
    corners_px : four (x, y), optional
        The slab's corners in photo pixels from the plan's top-left, clockwise: the card then
        measures the slab, and the plan is laid along its edges. Without them the plan's up is the
        card's up, and all that the photo shows is the face.
    lens : Lens, optional
        A lens calibrated before; when None it is estimated where the card allows.
    height_mm : float, mm
        How far the card lies above the face (below: less than 0).

    Errors of the answer: on made-up photos 0.01-0.2 mm rms over 600 x 400 mm around the card,
    0.1-0.4 mm when the lens bends; `mm_per_px_sd` holds 0.2 mm for reading the rule.
    """
    printed_rule_mm = check_number(
        printed_rule_mm, "printed rule", low=80, high=120, error=ScaleError
    )
    seen = _see_card(find_fiducials(photo))
    factor = printed_rule_mm / RULE_MM
    fit = align_marks(seen, list_card_places(factor), photo.shape_px, lens=lens)
    check_misfits(fit)
    to_face, size_mm = _lay_face(fit, seen, photo.shape_px, corners_px)
    rule_sd = RULE_READING_SD_MM / RULE_MM
    fit = replace(
        fit, to_slab=to_face @ fit.to_slab, relative_sd=math.hypot(fit.relative_sd, rule_sd)
    )
    scale = scale_from_alignment("card", fit, size_mm, photo, height_mm=height_mm)
    return scale, _build_pose(to_face, factor)


def place_card(
    photo: Photo,
    scale: Scale,
    *,
    printed_rule_mm: float = RULE_MM,
    seen: Sequence[Fiducial] | None = None,
) -> tuple[Scale, CardPose | None]:
    """Return where the card lies on a face whose scale is known otherwise; None when not seen.

    `seen` are the photo's fiducials when they were looked for before.

    The scale comes back with the flag `scale_off_face` and a note when the card's size by this
    scale is more than 1 % off: the card, or what gave the scale, lies above or below the face.
    """
    try:
        side_px = FIDUCIAL_SIDE_MM / scale.mm_per_px
        seen = _see_card(find_fiducials(photo, side_px=side_px) if seen is None else seen)
    except ScaleError:
        return scale, None
    factor = printed_rule_mm / RULE_MM
    by_id = {place.mark_id: place for place in list_card_places(factor)}
    card_mm = np.vstack([by_id[fiducial.mark_id].corners_mm() for fiducial in seen])
    face_mm = place_on_slab(scale, np.vstack([fiducial.corners_px for fiducial in seen]))
    to_face, size_ratio = _fit_turn(card_mm, face_mm)
    if abs(size_ratio - 1) > OFF_FACE_SHARE:
        note = (
            f"The scale card measures {100 * (size_ratio - 1):+.1f} % by this scale; check the"
            " slab's size, the printed rule, the lens, and that both lie in one plane."
        )
        scale = replace(
            scale, flags=scale.flags | flag_bit("scale_off_face"), notes=(*scale.notes, note)
        )
    return scale, _build_pose(to_face, factor)


def _see_card(looked: Sequence[Fiducial]) -> list[Fiducial]:
    seen = [fiducial for fiducial in looked if fiducial.mark_id in FIDUCIALS_MM]
    if not seen:
        raise ScaleError(
            "No scale card was found in the photo; lay it flat and uncovered in the light, or give"
            " the slab's corners and size, or mm per pixel."
        )
    if len(seen) < 3:
        raise ScaleError(
            f"Only {len(seen)} of the card's 4 squares can be read; keep all of it sharp, lit and"
            " uncovered."
        )
    return seen


def list_card_places(factor: float) -> list[MarkPlace]:
    """Return where the card's squares lie, in card mm, for a printer that scales by `factor`."""
    half = FIDUCIAL_SIDE_MM / 2
    return [
        MarkPlace(
            mark_id,
            ((x_mm + half) * factor, (y_mm + half) * factor),
            FIDUCIAL_SIDE_MM * factor,
            turn_deg=0.0,
            place_sd_mm=PRINT_SD_MM,
        )
        for mark_id, (x_mm, y_mm) in FIDUCIALS_MM.items()
    ]


def _lay_face(fit, seen, shape_px, corners_px) -> tuple[np.ndarray, tuple[float, float]]:
    """Return card mm -> face mm (3, 3) and the face's size."""
    if corners_px is None:
        left, top, right, bottom = find_face_limits(
            fit.to_slab, list_corners(seen), shape_px, fit.lens
        )
        shift = np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1.0]])
        return shift, check_size((right - left, bottom - top))
    corners_px = check_corners(corners_px, shape_px)
    corners_mm = apply_plane(fit.to_slab, straighten_points(fit.lens, corners_px))
    sides = np.hypot(*(np.roll(corners_mm, -1, axis=0) - corners_mm).T)
    size_mm = check_size((float(sides[0] + sides[2]) / 2, float(sides[1] + sides[3]) / 2))
    to_face, _ = _fit_turn(corners_mm, face_corners(size_mm))
    return to_face, size_mm


def _fit_turn(xy_mm: np.ndarray, onto_mm: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the turn and shift (3, 3) that lays points onto others, and their ratio of size."""
    a = (xy_mm - xy_mm.mean(axis=0)) @ [1, 1j]
    b = (onto_mm - onto_mm.mean(axis=0)) @ [1, 1j]
    factor = np.vdot(a, b) / np.vdot(a, a)
    turn = factor / abs(factor)
    shift = onto_mm.mean(axis=0) @ [1, 1j] - turn * (xy_mm.mean(axis=0) @ [1, 1j])
    matrix = [[turn.real, -turn.imag, shift.real], [turn.imag, turn.real, shift.imag], [0, 0, 1]]
    return np.array(matrix), float(abs(factor))


def _build_pose(to_face: np.ndarray, factor: float) -> CardPose:
    """Return the card's parts in face mm; `to_face` takes true card mm (as printed) to the face."""

    def lay(points) -> np.ndarray:
        return apply_plane(to_face, np.array(points, float) * factor)

    x_mm, y_mm, width_mm, height_mm = GREY_PATCH_MM
    grey_mm = np.add(face_corners((width_mm, height_mm)), (x_mm, y_mm))
    walls_mm = np.add([[POST_WALL_MM, 0], [0, 0], [0, POST_WALL_MM]], POST_CORNER_MM)
    middle = lay([FIELD_MM])[0]
    return CardPose(
        outline_mm=lay(face_corners((CARD_SIDE_MM, CARD_SIDE_MM))),
        grey_patch_mm=lay(grey_mm),
        field_mm=(float(middle[0]), float(middle[1])),
        field_radius_mm=FIELD_RADIUS_MM * factor,
        post_foot_mm=lay(walls_mm),
        post_height_mm=POST_WALL_MM * factor,
        turn_deg=math.degrees(math.atan2(to_face[1, 0], to_face[0, 0])),
    )
