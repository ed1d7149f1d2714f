"""Reads raking-light photos of a demolded concrete top: pits in mm, a plan and a work sheet.

The public names are loaded when first used, so that `import rakelight` stays quick.
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "inspect_photo": "rakelight.inspection",
    "inspect_survey": "rakelight.survey",
    "Given": "rakelight.inspection",
    "Inspection": "rakelight.core.records",
    "Lamp": "rakelight.core.records",
    "Settings": "rakelight.core.settings",
    "RakelightError": "rakelight.core.errors",
    "compare_surveys": "rakelight.compare.change",
    "write_inspection": "rakelight.report.folder",
}

__all__ = [*_HOMES, "__version__"]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'rakelight' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
