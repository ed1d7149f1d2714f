"""The soft-light photo made ready for reading tone: lamp divided out, grey brought to its reflectance.

Catalogue: `EvenFace` and `even_face`, the one door through which grid, patches and trials go.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..core.records import FaceMap
from ..core.settings import ColourSettings
from .balance import Blocks, GreyReading, Shoot, leave_out_rect, read_grey, reduce_face
from .falloff import Falloff, find_falloff
from .rounding import Rounding, find_rounding
from .sidelight import SideLight, refuse_side_light


@dataclass(frozen=True, slots=True)
class EvenFace:
    """A soft-light photo ready for reading tone.

    face : the photo; blocks : its light in small blocks; falloff : the lamp; reading : the grey
    patch or None; side_light : signs of side light; rounding : how the photo's file rounds colour.
    """

    face: FaceMap
    blocks: Blocks
    falloff: Falloff
    reading: GreyReading | None
    side_light: SideLight
    rounding: Rounding

    @property
    def factors(self) -> np.ndarray:
        """Return what the photo's light is multiplied by (rows, cols, 3), on the grid of the blocks.

        Without a grey reference exposure and white balance stay as the camera made them.
        """
        return (self._find_scale() / self.falloff.light).astype(np.float32)

    def read_factor(self, x_mm: float, y_mm: float) -> np.ndarray:
        """Return the factors (3,) at one place of the face; outside it those of the nearest edge."""
        return self._find_scale() / self._read_light(x_mm, y_mm)

    def _find_scale(self) -> np.ndarray:
        if self.reading is None:
            return np.ones(3, np.float32)
        if self.reading.place_mm is None:
            return self.reading.gains
        return self.reading.gains * self._read_light(*self.reading.place_mm)

    def _read_light(self, x_mm: float, y_mm: float) -> np.ndarray:
        rows, cols = self.blocks.clean.shape
        row, col = int(y_mm / self.blocks.block_mm), int(x_mm / self.blocks.block_mm)
        return self.falloff.light[min(max(row, 0), rows - 1), min(max(col, 0), cols - 1)]

    @property
    def tone(self) -> np.ndarray:
        """Return the linear tone of the blocks (rows, cols, 3), 1 = a perfect white."""
        return self.blocks.linear * self.factors


def even_face(
    soft_face: FaceMap,
    *,
    grey: Sequence[float] | GreyReading | None = None,
    leave_out: Iterable[Any] = (),
    set_apart: Iterable[tuple[float, ...]] = (),
    shoot: Shoot | None = None,
    settings: ColourSettings | None = None,
    threads: int = 2,
) -> EvenFace:
    """Return a soft-light photo ready for reading tone; a raking photo is a ColourError.

    Arguments as `measure_colour`; `set_apart` are rectangles (x_mm, y_mm, width_mm, height_mm) of
    trials: they are read, but the lamp is not modelled on them, as their tone differs on purpose.

    Errors of the answer: those of `read_grey` and `find_falloff`. Source: definition.
    """
    settings, shoot = settings or ColourSettings(), shoot or Shoot()
    leave_out = list(leave_out)
    reading = grey if isinstance(grey, GreyReading) else None
    if grey is not None and reading is None:
        reading = read_grey(soft_face, tuple(grey), settings=settings)
        leave_out.append(tuple(grey))
    leave_out.extend(tuple(paper) for paper in shoot.papers)
    blocks = reduce_face(soft_face, leave_out=leave_out, settings=settings, threads=threads)
    plain = blocks.clean.copy()
    for rect in set_apart:
        leave_out_rect(plain, rect, blocks.block_mm)
    lamp_blocks = replace(blocks, clean=plain)
    falloff = find_falloff(lamp_blocks, shoot, face=soft_face, settings=settings, threads=threads)
    side_light = refuse_side_light(soft_face, blocks, falloff, shoot, threads=threads)
    rounding = find_rounding(soft_face.rgb.dtype, shoot.rounding)
    return EvenFace(soft_face, blocks, falloff, reading, side_light, rounding)
