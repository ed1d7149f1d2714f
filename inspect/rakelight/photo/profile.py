"""Which colours the numbers of a photo mean: everything is brought to sRGB once, on reading."""

import io
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from PIL import Image, ImageCms

_STRIP_ROWS = 256  # lets two threads share the work and keeps the copies small
_DAMAGED = (ImageCms.PyCMSError, OSError, ValueError, TypeError)

SRGB = "sRGB"
SRGB_ASSUMED = "sRGB assumed"


def convert_to_srgb(
    pixels: np.ndarray, icc: bytes | None, *, threads: int = 2
) -> tuple[np.ndarray, str, list[str]]:
    """Return the pixels in sRGB, the name of the profile they came with, and notes in words.

    Parameters
    ----------
    pixels : uint8 (rows, cols, 3)
        As decoded. Changed in place when it can be written to and a conversion is needed.
    icc : bytes or None
        The ICC profile found in the file.
    threads : int
        Strips converted at once.

    Errors of the answer
    --------------------
    Colours outside sRGB are cut to its border (relative colorimetric); 8-bit rounding of one level.

    Source
    ------
    ICC profiles by LittleCMS through Pillow; converting wide-gamut phone pictures on reading
    is our choice.
    """
    if not icc:
        return pixels, SRGB_ASSUMED, []
    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
        name = ImageCms.getProfileDescription(profile).strip() or "unnamed profile"
        if "srgb" in name.lower():
            return pixels, SRGB, []
        converted = _apply_profile(pixels, profile, threads)
        return converted, name, [f"Colours were converted from {name} to sRGB."]
    except _DAMAGED:
        return pixels, SRGB_ASSUMED, ["The colour profile could not be used; sRGB was assumed."]


def convert_print_colours(picture: Image.Image, icc: bytes | None) -> Image.Image:
    """Return a CMYK picture as RGB, by its own profile when there is a sound one."""
    try:
        if icc:
            profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
            converted = ImageCms.profileToProfile(
                picture, profile, ImageCms.createProfile(SRGB), outputMode="RGB"
            )
            if converted is not None:
                return converted
    except _DAMAGED:
        pass  # without a sound profile the plain rule of Pillow has to do
    return picture.convert("RGB")


def _apply_profile(
    pixels: np.ndarray, profile: ImageCms.ImageCmsProfile, threads: int
) -> np.ndarray:
    is_grey = profile.profile.xcolor_space.strip() == "GRAY"
    transform = ImageCms.buildTransform(
        profile,
        ImageCms.createProfile(SRGB),
        "L" if is_grey else "RGB",
        "RGB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    converted = pixels if pixels.flags.writeable else pixels.copy()

    def convert_strip(first_row: int) -> None:
        strip = converted[first_row : first_row + _STRIP_ROWS]
        picture = Image.fromarray(np.ascontiguousarray(strip[..., 0]) if is_grey else strip)
        strip[...] = np.asarray(ImageCms.applyTransform(picture, transform))

    first_rows = range(0, len(converted), _STRIP_ROWS)
    if threads < 2:
        for first_row in first_rows:
            convert_strip(first_row)
        return converted
    # A pool of its own: photos are read in a thread of the shared one, which would do all of it alone.
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(convert_strip, first_rows))
    return converted
