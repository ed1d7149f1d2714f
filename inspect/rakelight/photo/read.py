"""From a file to a `Photo`: pixels upright in sRGB, and what the camera wrote beside them."""

import hashlib
from pathlib import Path

from ..core.errors import PhotoError
from ..core.orientation import turn_upright
from ..core.records import Photo
from ..core.settings import PhotoSettings
from .decode import ChooseShrink, decode_picture
from .metadata import is_uncalibrated
from .profile import SRGB_ASSUMED, convert_to_srgb

_DEFAULT = PhotoSettings()


def read_photo(
    path: str | Path,
    *,
    settings: PhotoSettings = _DEFAULT,
    choose_shrink: ChooseShrink = lambda shape_px: 1,
    threads: int = 2,
) -> Photo:
    """Return the photo in a file: upright, sRGB, uint8 (rows, cols, 3).

    Parameters
    ----------
    path : str or Path
        JPEG, PNG, TIFF, WebP, BMP or GIF; HEIC and raw with the extras `heif` and `raw`.
    settings : PhotoSettings
        Smallest side in px and largest size in megapixels; both are checked on the header,
        before anything is unpacked.
    choose_shrink : callable
        Told the photo's (rows, cols), says how many of its pixels may go into one, each way: 1, 2 or 4.
    threads : int
        For bringing colours to sRGB.

    Returns
    -------
    Photo
        `exif` holds plain names (see `metadata.EXIF_NAMES`), never a position or serial number;
        its Orientation is the one written by the camera, already applied. `notes` say what was
        changed on reading.

    Raises
    ------
    PhotoError
        One sentence saying what is wrong with the file and what to do.

    Errors of the answer
    --------------------
    16-bit pictures lose their lower 8 bits. A JPEG damaged in its middle may still be read.

    Source
    ------
    Orientation: Exif standard, values 1 to 8, from memory. The rest is our choice.
    """
    path = Path(path)
    data = _read_bytes(path)
    decoded = decode_picture(data, path.name, settings, choose_shrink=choose_shrink, path=path)
    pixels, profile, colour_notes = convert_to_srgb(decoded.pixels, decoded.icc, threads=threads)
    notes = [*decoded.notes, *colour_notes]
    if profile == SRGB_ASSUMED and is_uncalibrated(decoded.exif):
        profile = "uncalibrated, sRGB assumed"
        notes.append(
            "The camera says its colours are not sRGB but not which: judge no colour by it."
        )
    if decoded.orientation != 1:
        notes.append(f"Turned upright (EXIF orientation {decoded.orientation}).")
    return Photo(
        rgb=turn_upright(pixels, decoded.orientation),
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        exif=decoded.exif,
        notes=tuple(notes),
        profile=profile,
        shrink=decoded.shrink,
    )


def _read_bytes(path: Path) -> bytes:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise PhotoError(f"There is no file {path}; check the name and the folder.") from None
    except IsADirectoryError:
        raise PhotoError(f"{path} is a folder; name a photo inside it.") from None
    except PermissionError:
        raise PhotoError(
            f"{path} may not be opened; it is a folder or you need the right to read it."
        ) from None
    except (OSError, ValueError) as trouble:
        raise PhotoError(f"{path} could not be read ({trouble}); copy it and try again.") from None
    if not data:
        raise PhotoError(f"{path.name} is empty (0 bytes); copy it from the camera again.")
    return data
