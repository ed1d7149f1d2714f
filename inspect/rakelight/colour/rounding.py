"""How coarsely a photo's file rounds colour: its JPEG's first step and the squares it is kept in.

Catalogue: `Rounding`, `read_rounding` and `find_rounding`. Finer steps and smaller squares are better.
"""

import math
import warnings
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..core.errors import DAMAGED

BLOCK = 8
"""A JPEG transforms squares of 8 by 8 samples (ITU-T T.81)."""
ONCE, LOST = 1.3, 0.9
"""Rounding of a patch against its ring counts so many times, and on a small one the second times the
square of side over diameter (made-up photos)."""
WHOLE_CODES = 0.5
"""A usual decoder rounds chroma to whole codes; noise hides half of that (made-up photos)."""
L_PER_CODE, AB_PER_CODE = 0.4, 1.6
"""L*, and a* or b*, of one code of luma or chroma of a grey of 55 to 78 L* (sRGB)."""
WITHOUT_LOSS = (b"\x89PNG", b"II*\0", b"MM\0*", b"BM")
"""First bytes of PNG, TIFF and BMP."""
MOST_CODES = 1.6
"""Colour that a JPEG swallowed whole was hardly stronger than this (our choice: fills are grey)."""


@dataclass(frozen=True, slots=True)
class Rounding:
    """Steps of the means of luma and chroma in codes of 255, and the side of a chroma square in pixels.

    The default is a usual phone's JPEG (quality 92, colour at half size).
    """

    luma_step: float = 0.375
    chroma_step: float = 0.375
    square_px: float = 16.0

    @property
    def lab_sd(self) -> tuple[float, float, float]:
        """Standard uncertainty of L*, a* and b* of one place from the file's rounding alone.

        Errors of the answer: a third of itself; it goes with the place's lightness.
        Source: uniform rounding; codes of a mid grey in L*a*b*.
        """
        luma_sd, chroma_sd = self.luma_step / math.sqrt(12), self.chroma_step / math.sqrt(12)
        return L_PER_CODE * luma_sd, AB_PER_CODE * chroma_sd, AB_PER_CODE * chroma_sd

    def find_step_sd(self, diameter_px: float) -> np.ndarray:
        """Return the standard uncertainty (3,) of a patch's step of luma and the two chromas, in codes.

        Errors of the answer: a third of itself; where the squares happen to lie is not known.
        Source: uniform rounding; its growth on small patches fitted to made-up photos.
        """
        codes = np.array([self.luma_step, self.chroma_step, self.chroma_step]) / math.sqrt(12)
        squares = np.array([BLOCK, self.square_px, self.square_px])
        sd = codes * np.hypot(ONCE, LOST * np.square(squares / diameter_px))
        return np.minimum(sd, MOST_CODES)


NO_ROUNDING = Rounding(0.0, 0.0, float(BLOCK))
"""Raw photos and files without loss."""


def find_rounding(dtype: np.dtype, file: Rounding) -> Rounding:
    """Return the rounding of pixels: none in linear light, the file's in fine codes, more in whole codes.

    Errors of the answer: as `Rounding`. Source: made-up photos.
    """
    if np.issubdtype(dtype, np.floating):
        return NO_ROUNDING
    if dtype == np.uint16 or file.chroma_step == 0:
        return file
    return replace(file, chroma_step=math.hypot(file.chroma_step, WHOLE_CODES))


def read_rounding(path: str | Path, *, shrink: int = 1) -> Rounding:
    """Return how a photo's file rounds colour, from its tables; the default when they are not known.

    `shrink` : pixels of the file per pixel that is measured.

    Errors of the answer: a JPEG saved twice keeps the coarser rounding of the first time unseen.
    Source: ITU-T T.81; the tables are the file's own.
    """
    from PIL.JpegImagePlugin import JpegImageFile

    try:
        with open(path, "rb") as file, warnings.catch_warnings():
            if file.read(4).startswith(WITHOUT_LOSS):
                return NO_ROUNDING
            file.seek(0)
            # A damaged block beside the tables is no reason to alarm anyone.
            warnings.simplefilter("ignore")
            # By kind and not by Image.open: of a file of several pictures the first, and none is too large.
            head = JpegImageFile(file)
            if len(head.layer) < 3:
                return Rounding()
            (_, wide, high, luma), (_, c_wide, c_high, chroma) = head.layer[:2]
            steps = [head.quantization[table][0] / BLOCK for table in (luma, chroma)]
    except DAMAGED:
        return Rounding()
    square_px = BLOCK * max(wide / c_wide, high / c_high)
    found = Rounding(*map(float, steps), square_px)
    return replace(found, square_px=max(square_px / shrink, 1.0))
