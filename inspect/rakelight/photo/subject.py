"""Is it a photo of a cast face at all? Screenshots, documents, drawings and colourful scenes are told apart.

A photo of a face has grain and noise in every corner: hardly two neighbours are exactly alike. What was
drawn by a program has large areas of exactly one colour, with hard edges between them.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from ..core.records import FaceMap, FlatPhoto

_TILE_PX, _BORDER_PX = 96, 3
_LOOKED_AT_PX = 400_000  # more tells nothing more; tiles are spread over the whole face
_COLOURS_READ, _COLOURS_COUNTED = 20_000, 100_000
_CLIPPED = 5, 250
# Half the sum of both Sobel slopes in 8-bit grey: half of black to white in a pixel or two.
_HARD_EDGE = 200
_FAR_OFF = 0.3  # darker or brighter than the surroundings by this share

# Our choice, from 26 screens, 6 pages and charts, 15 other pictures and 60 made-up faces, blurred, shaken,
# burnt out and saved at JPEG quality 75 as well: largest share of one unclipped colour on a face .13, least
# on a screen .26; hard edges among what is not flat .02 on burnt-out faces, .10 and more on pages and charts;
# spread of colour 1.2 on grey faces, 10 and more in colourful scenes.
_ONE_COLOUR_MAX = 0.2
_FLAT_MAX, _HARD_MAX, _HARD_MIN = 0.15, 0.05, 0.01
_COLOUR_SPREAD_MAX = 9.0
_WRITING_CONTRAST, _WRITING_VOTES = 0.15, 3


@dataclass(frozen=True, slots=True)
class Subject:
    """What a picture is made of, each as a share of what was looked at.

    one_colour_share : pixels of the commonest colour, clipped ones left out; flat_share : pixels exactly like all
    around them; hard_share : hard edges among the pixels that are not flat; colour_spread : scatter of
    a* and b* about their mean.
    """

    one_colour_share: float = 0.0
    flat_share: float = 0.0
    hard_share: float = 0.0
    colour_spread: float = 0.0

    @property
    def is_drawn(self) -> bool:
        """Whether it is a screenshot, a page or a drawing, not a photo."""
        n_hard = self.hard_share * (
            1 - self.flat_share
        )  # of a burnt-out face next to nothing is left
        is_page = self.flat_share > _FLAT_MAX and self.hard_share > _HARD_MAX and n_hard > _HARD_MIN
        return is_page or (self.one_colour_share > _ONE_COLOUR_MAX and self.hard_share > _HARD_MIN)

    @property
    def is_colourful(self) -> bool:
        """Whether its colours spread farther than those of one cast face."""
        return self.colour_spread > _COLOUR_SPREAD_MAX


def look_at_subject(face: FaceMap) -> Subject:
    """Return what the seen face is made of, from tiles spread over it; all zero when nothing is seen.

    Errors of the answer
    --------------------
    Made to be sure when it speaks: a photo of a page or a screen passes as a photo, and so does a plain scene.

    Source
    ------
    Our choice; limits from the project's own measurements.
    """
    rgb, seen = _cut_tiles(face)
    if not seen.any():
        return Subject()
    flat = _find_flat(rgb) & seen
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    slope = cv2.add(
        *(cv2.convertScaleAbs(cv2.Sobel(grey, cv2.CV_16S, dx, 1 - dx), alpha=0.5) for dx in (0, 1))
    )
    rough = seen & ~flat
    n_rough = int(np.count_nonzero(rough))
    n_hard = int(np.count_nonzero((slope > _HARD_EDGE) & rough))
    # Red, green, blue and a full fourth byte make one number per pixel, which sorts quickly.
    codes = cv2.cvtColor(rgb, cv2.COLOR_RGB2RGBA).view(np.uint32)[..., 0][seen]
    return Subject(
        one_colour_share=_share_of_one_colour(codes),
        flat_share=float(np.count_nonzero(flat) / len(codes)),
        hard_share=n_hard / n_rough if n_rough else 0.0,
        colour_spread=_spread_of_colour(codes),
    )


def looks_written(flat: FlatPhoto, n_votes: float) -> bool:
    """Return whether much stands out sharply from its surroundings, and yet nothing looks like a lit hole.

    n_votes : spots that say where the light comes from, as `light.lamp` counts them.
    """
    if not n_votes < _WRITING_VOTES:
        return False
    seen = np.ones(flat.relief.shape, bool) if flat.seen is None else flat.seen
    relief = flat.relief[::2, ::2][seen[::2, ::2]]
    return bool(relief.size) and float((np.abs(relief) > _FAR_OFF).mean()) > _WRITING_CONTRAST


def _cut_tiles(face: FaceMap) -> tuple[np.ndarray, np.ndarray]:
    """Return tiles of the face one below the other, and where they are seen, borders left out."""
    rows, cols = face.seen.shape
    step = max(_TILE_PX, int(_TILE_PX * np.sqrt(rows * cols / _LOOKED_AT_PX)))
    side = min(_TILE_PX, rows, cols)
    starts = [
        (r, c) for r in range(0, rows - side + 1, step) for c in range(0, cols - side + 1, step)
    ]
    rgb = np.concatenate([face.rgb[r : r + side, c : c + side] for r, c in starts])
    seen = np.zeros(rgb.shape[:2], bool)
    for k, (r, c) in enumerate(starts):
        inside = slice(_BORDER_PX, side - _BORDER_PX)
        seen[k * side : (k + 1) * side][inside, inside] = face.seen[r : r + side, c : c + side][
            inside, inside
        ]
    return np.ascontiguousarray(rgb), seen


def _find_flat(rgb: np.ndarray) -> np.ndarray:
    around = np.ones((5, 5), np.uint8)
    range_of = cv2.subtract(cv2.dilate(rgb, around), cv2.erode(rgb, around))
    return cv2.inRange(range_of, (0, 0, 0), (0, 0, 0)) > 0


def _share_of_one_colour(codes: np.ndarray) -> float:
    ordered = np.sort(codes[:: max(1, len(codes) // _COLOURS_COUNTED)])
    starts = np.concatenate([[0], np.flatnonzero(np.diff(ordered)) + 1, [len(ordered)]])
    colours = ordered[starts[:-1]].view(np.uint8).reshape(-1, 4)[:, :3]
    low, high = _CLIPPED
    is_clipped = (colours.max(axis=1) <= low) | (colours.min(axis=1) >= high)
    return float(np.diff(starts)[~is_clipped].max(initial=0) / len(ordered))


def _spread_of_colour(codes: np.ndarray) -> float:
    some = np.ascontiguousarray(codes[:: max(1, len(codes) // _COLOURS_READ)])
    colours = some.view(np.uint8).reshape(1, -1, 4)[..., :3].astype(np.float32) / 255
    lab = cv2.cvtColor(colours, cv2.COLOR_RGB2LAB)[0]
    return float(np.sqrt(lab[:, 1:].var(axis=0).sum()))
