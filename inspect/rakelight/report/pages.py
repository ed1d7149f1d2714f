"""Printed pages: a template, plain data and pictures become one PDF, the same bytes each time.

Everything a person typed reaches the typesetter as data (a JSON file), never as part of the
template, so no name can act as a command. Fonts travel with the program; the machine's own
are looked at only for letters that ours lack.
"""

import json
import tempfile
from datetime import UTC, datetime
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from rakelight.core.tables import to_plain

_UNDATED = datetime(2000, 1, 1, tzinfo=UTC)
_MISSING_LETTER = "could not be displayed"
_STANDARD = "a-2a"  # kept readable for long, and tagged for screen readers


def typeset(
    template: str,
    data: dict[str, Any],
    *,
    pictures: dict[str, bytes] | None = None,
    when: datetime | None = None,
) -> bytes:
    """Return a PDF made from one of the shipped templates.

    Parameters
    ----------
    template : str
        Name of a file in `data/typst/`, without its ending.
    data : dict
        Numbers and texts of the page; unknown numbers come out as none.
    pictures : dict
        File name -> bytes of PNG or JPEG pictures the template shows.
    when : datetime
        Date of the document; undated records get a fixed one, so that pages repeat.

    Errors of the answer: the same input gives the same bytes, except for names in scripts that
    none of the shipped faces knows, which are set in what the machine has. Source: our choice.
    """
    import typst

    with tempfile.TemporaryDirectory(prefix="rakelight-page-") as folder:
        root = Path(folder)
        _copy_templates(root)
        text = json.dumps(to_plain(data), ensure_ascii=False, allow_nan=False)
        (root / "data.json").write_text(text, encoding="utf-8")
        for name, content in (pictures or {}).items():
            (root / name).write_bytes(content)
        page = {
            "input": str(root / f"{template}.typ"),
            "root": str(root),
            "format": "pdf",
            "timestamp": (when or _UNDATED).replace(tzinfo=UTC),
        }
        try:
            return typst.compile(font_paths=_fonts(False), pdf_standards=[_STANDARD], **page)
        except typst.TypstError as trouble:
            if _MISSING_LETTER not in trouble.message:
                raise
        # A name in letters our faces lack: the machine's own faces may help, and the archive
        # standard, which forbids a letter that cannot be shown, is given up.
        return typst.compile(font_paths=_fonts(True), **page)


def _copy_templates(root: Path) -> None:
    for file in resources.files("rakelight.data").joinpath("typst").iterdir():
        if file.name.endswith(".typ"):
            (root / file.name).write_bytes(file.read_bytes())


@lru_cache(maxsize=2)
def _fonts(has_system_faces: bool) -> Any:
    import typst

    folder = resources.files("rakelight.data").joinpath("fonts")
    return typst.Fonts(include_system_fonts=has_system_faces, font_paths=[str(folder)])
