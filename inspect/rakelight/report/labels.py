"""Where a number fits beside its pit without lying on another pit or number."""

import numpy as np
from PIL import ImageFont

# Places tried around a sign, best first: (x, y) as shares of the room a label needs.
_PLACES = ((1, -0.6), (1, 0.6), (-1, -0.6), (-1, 0.6), (0, -1), (0, 1), (1, 0), (-1, 0))
NEAR = (0.0, 0.5)
FAR = (0.0, 0.5, 1.1, 1.8, 2.7, 3.8)
_CELL_PX = 4
_GAP_EM = 0.14  # free at both sides of a number, so that two never read as one


def place_labels(
    names: list[str],
    signs: np.ndarray,
    order: np.ndarray,
    font: ImageFont.FreeTypeFont,
    box: tuple[float, float, float, float],
    steps: tuple[float, ...] = NEAR,
) -> dict[int, tuple[float, float]]:
    """Return for each label that fits the (x, y) px of its middle.

    Parameters
    ----------
    names : list of str
        Labels, most important first.
    signs : ndarray
        (N, 3) x, y and reach in px of every sign on the picture; no label may cover one.
    order : ndarray
        For each label the row of its sign.
    font : FreeTypeFont
        The face the labels are written in.
    box : tuple
        Left, top, right, bottom in px that labels must stay in.
    steps : tuple of float
        Extra distances tried one after the other, in heights of the face.

    Returns
    -------
    dict
        Place in `names` -> (x, y). A label without room is missing.

    Errors of the answer: none; room is kept in cells of 4 px. Source: our choice.
    """
    left, top, right, bottom = box
    taken = np.zeros(
        (int((bottom - top) // _CELL_PX) + 1, int((right - left) // _CELL_PX) + 1), bool
    )
    for x, y, reach in signs:
        taken[_cells(x - left, y - top, reach, reach)] = True
    placed: dict[int, tuple[float, float]] = {}
    half_height = font.size * 0.42
    for i, name in enumerate(names):
        half_width = font.getlength(name) / 2 + _GAP_EM * font.size
        x, y, reach = signs[order[i]]
        for at in _list_places(
            (x, y), (reach + half_width + 2, reach + half_height + 1), steps, font
        ):
            if _fits(at, half_width, half_height, box, taken):
                taken[_cells(at[0] - left, at[1] - top, half_width, half_height)] = True
                placed[i] = at
                break
    return placed


def _list_places(centre, room, steps, font):
    for step in steps:
        extra = step * font.size
        for across, down in _PLACES:
            yield centre[0] + across * (room[0] + extra), centre[1] + down * (room[1] + extra)


def _fits(at, half_width: float, half_height: float, box, taken: np.ndarray) -> bool:
    left, top, right, bottom = box
    x, y = at
    if x - half_width < left or x + half_width > right:
        return False
    if y - half_height < top or y + half_height > bottom:
        return False
    return not taken[_cells(x - left, y - top, half_width, half_height)].any()


def _cells(x: float, y: float, half_width: float, half_height: float) -> tuple[slice, slice]:
    rows = slice(max(int((y - half_height) // _CELL_PX), 0), int((y + half_height) // _CELL_PX) + 1)
    cols = slice(max(int((x - half_width) // _CELL_PX), 0), int((x + half_width) // _CELL_PX) + 1)
    return rows, cols
