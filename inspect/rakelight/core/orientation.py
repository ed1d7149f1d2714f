"""Which way up a photo is: the turn that its camera wrote beside it, and the turning.

Catalogue: `read_orientation` and `turn_upright`.
"""

from typing import Any

import cv2
import numpy as np

_ORIENTATIONS = range(1, 9)


def read_orientation(exif: dict[str, Any]) -> int:
    """Return the EXIF orientation, 1 to 8; anything else counts as 1 (already upright)."""
    orientation = exif.get("Orientation", 1)
    return orientation if orientation in _ORIENTATIONS else 1


def turn_upright(pixels: np.ndarray, orientation: int) -> np.ndarray:
    """Return the picture turned as its EXIF orientation (1 to 8) asks; 1 comes back as it is.

    Source
    ------
    Exif standard: where the stored first row and first column belong, from memory; checked
    against Pillow for all eight values.
    """
    match orientation:
        case 2:
            return cv2.flip(pixels, 1)
        case 3:
            return cv2.rotate(pixels, cv2.ROTATE_180)
        case 4:
            return cv2.flip(pixels, 0)
        case 5:
            return cv2.transpose(pixels)
        case 6:
            return cv2.rotate(pixels, cv2.ROTATE_90_CLOCKWISE)
        case 7:
            return cv2.rotate(cv2.transpose(pixels), cv2.ROTATE_180)
        case 8:
            return cv2.rotate(pixels, cv2.ROTATE_90_COUNTERCLOCKWISE)
    return pixels
