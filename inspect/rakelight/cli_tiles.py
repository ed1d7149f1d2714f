"""The whole map as tiles (`--map-tiles`): its place checked beforehand, the photo read whole, the tiles cut."""

import os
from pathlib import Path
from typing import TYPE_CHECKING

from .core.errors import OutputError

if TYPE_CHECKING:
    from .core.records import Inspection
    from .core.settings import Settings
    from .report.folder import FolderKind

READ_WHOLE_PX = 10_000.0
"""No pit spans so many pixels: a photo that must leave its smallest pit as many is read whole."""


def prepare_tiles(map_tiles: Path | None, out: Path, settings: "Settings") -> "Settings":
    """Return the settings for a run that cuts tiles: the photo is read whole; checks the tiles' place first.

    Without `map_tiles` the settings come back as they are. Nothing is measured or written yet: an OutputError
    says that the place cannot be used, or that it and the results' folder `out` lie in each other, where the
    next run would find one a stranger in the other.
    """
    from .inspection import change_settings
    from .report.folder import check_place

    if map_tiles is None:
        return settings
    tiles, results = (Path(os.path.realpath(place)) for place in (map_tiles, out))
    if tiles.is_relative_to(results) or results.is_relative_to(tiles):
        raise OutputError(
            f"--map-tiles {map_tiles} and --out {out} lie in each other; name a folder for the tiles beside it."
        )
    check_place(map_tiles, _name_kind())
    return change_settings(settings, photo={"enough_px": READ_WHOLE_PX})


def write_tiles(inspection: "Inspection", folder: Path) -> Path:
    """Return the path of the map's `map.dzi`, its tiles beside it; the folder is replaced whole."""
    from .report.folder import write_folder
    from .scale.tiles import cut_deep_zoom

    return write_folder(folder, _name_kind(), lambda fresh: cut_deep_zoom(inspection.face, fresh))[
        0
    ]


def _name_kind() -> "FolderKind":
    from .report.folder import FolderKind

    return FolderKind(("map.dzi",), frozenset({"map_files"}))
