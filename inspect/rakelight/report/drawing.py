"""The plan as a DXF drawing in millimetres: for templates, plotters and the precast shop's CAD.

One layer per action, so that each can be shown or plotted alone; y runs upward from the
front left corner, as CAD programs expect.
"""

from pathlib import Path
from typing import Any

import numpy as np

from rakelight.core.errors import OutputError
from rakelight.core.outlines import box_outline
from rakelight.core.records import ACTIONS, Inspection

from . import facts
from .exports import pit_outlines
from .fields import place_fields, zone_outline
from .worklist import choose_actions

SLAB_LAYER, OPENING_LAYER, FIELD_LAYER = "SLAB", "OPENING", "FIELDS"
_COLOUR_INDEX = {
    "leave": 8, "fill": 2, "fill_two_lifts": 30, "slurry_coat": 5, "hone_test_strip": 3,
    "repair_by_eye": 1,
}  # fmt: skip
_NUMBER_HEIGHT_MM = 4.0
_MILLIMETRES = 4  # code of the drawing unit in the DXF header, from memory


def write_drawing(inspection: Inspection, path: str | Path) -> Path:
    """Write a DXF drawing and return its path.

    Parameters
    ----------
    inspection : Inspection
        The record; pits are drawn as outlined, or as circles of their diameter.
    path : path
        File to write.

    Raises
    ------
    OutputError
        When the extra for DXF is not installed.

    Errors of the answer: coordinates as recorded; nothing is rounded.
    Source: our choice of layers.
    """
    drawing = _new_drawing()
    space = drawing.modelspace()
    height_mm = facts.slab_size_mm(inspection)[1]
    _draw_slab(space, inspection, height_mm)
    actions = choose_actions(inspection)
    outlines = pit_outlines(inspection)
    for pit, outline, action in zip(inspection.pits.itertuples(), outlines, actions, strict=True):
        layer = {"layer": action.upper()}
        space.add_lwpolyline(_turn_up(outline, height_mm), close=True, dxfattribs=layer)
        at = (pit.x_mm + np.nan_to_num(pit.diameter_mm) / 2 + 1.0, height_mm - pit.y_mm)
        text = space.add_text(str(pit.pit_id), height=_NUMBER_HEIGHT_MM, dxfattribs=layer)
        text.set_placement(at)
    path = Path(path)
    drawing.saveas(path)
    return path


def _new_drawing() -> Any:
    try:
        import ezdxf
    except ImportError:
        raise OutputError(
            'DXF needs an extra: install it with pip install "rakelight[dxf]".'
        ) from None
    drawing = ezdxf.new("R2010")
    drawing.header["$INSUNITS"] = _MILLIMETRES
    for name in (SLAB_LAYER, OPENING_LAYER, FIELD_LAYER):
        drawing.layers.add(name, color=7)
    for action in ACTIONS:
        drawing.layers.add(action.upper(), color=_COLOUR_INDEX[action])
    return drawing


def _draw_slab(space: Any, inspection: Inspection, height_mm: float) -> None:
    width_mm = facts.slab_size_mm(inspection)[0]
    corners = [(0.0, 0.0), (width_mm, 0.0), (width_mm, height_mm), (0.0, height_mm)]
    space.add_lwpolyline(corners, close=True, dxfattribs={"layer": SLAB_LAYER})
    for zone in inspection.zones:
        outline = zone_outline(zone)
        if outline is not None:
            layer = OPENING_LAYER if zone.get("kind") == "opening" else FIELD_LAYER
            points = _turn_up(outline, height_mm)
            space.add_lwpolyline(points, close=True, dxfattribs={"layer": layer})
    for field in place_fields(inspection).itertuples():
        box = box_outline(field.x_mm, field.y_mm, field.width_mm, field.height_mm)
        points = _turn_up(box, height_mm)
        space.add_lwpolyline(points, close=True, dxfattribs={"layer": FIELD_LAYER})


def _turn_up(points: np.ndarray, height_mm: float) -> list[tuple[float, float]]:
    return [(float(x), float(height_mm - y)) for x, y in points]
