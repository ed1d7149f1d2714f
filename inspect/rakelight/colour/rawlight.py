"""A raw photo as light: linear from the sensor to the tone, without the steps of an 8-bit picture."""

from pathlib import Path

import numpy as np

from ..core.errors import PhotoError

FULL_SCALE = 65535.0


def read_raw_light(path: str | Path) -> np.ndarray:
    """Return a raw photo's linear light, sRGB primaries, daylight white balance, upright.

    Parameters
    ----------
    path : file of a camera's raw photo (DNG and what LibRaw reads); needs the extra `raw`.

    Returns
    -------
    float32 (rows, cols, 3), 0 black to 1 sensor full. Put it in the place of a photo's pixels and
    map it to the face like them: `measure_colour` takes float pixels as light.

    Raises
    ------
    PhotoError
        When the extra is missing or the file is no raw photo.

    Errors of the answer
    --------------------
    The camera's colour matrix is good to a few dE for saturated colours, better near grey. It
    is the same for all photos of one camera, so differences hardly feel it.

    Source
    ------
    LibRaw's development with its automatics off; one white balance for all photos: our choice.
    """
    try:
        import rawpy
    except ImportError:
        raise PhotoError(
            f'{Path(path).name} is a raw photo: run pip install "rakelight[raw]", or let the camera save JPEG.'
        ) from None
    try:
        with rawpy.imread(str(path)) as raw:
            pixels = raw.postprocess(
                use_camera_wb=False, use_auto_wb=False, no_auto_bright=True, gamma=(1, 1),
                output_bps=16, output_color=rawpy.ColorSpace.sRGB,
            )  # fmt: skip
    except (rawpy.LibRawError, OSError):
        raise PhotoError(f"{Path(path).name} cannot be read as a raw photo: export it again from the camera.") from None
    return pixels.astype(np.float32) / np.float32(FULL_SCALE)
