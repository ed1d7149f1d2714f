"""The whole record of an inspection as one file, `record.zip`, from which the work goes on.

What stands in the other files of a folder is for people and for other programs: rounded, worded,
drawn. A later comparison and the job log need the record itself and the face's own pixels. The
zip holds open formats, as a bundle of the job log does for each of its inspections
(docs/job_log.md): record.json, one CSV per table, seen.png and face.jpg, the face seen squarely.
"""

import dataclasses
import re
import zipfile
from pathlib import Path

from rakelight.core import codec
from rakelight.core.errors import LogError, OutputError
from rakelight.core.records import SCHEMA, Inspection
from rakelight.core.tables import RECORD_FILE

from .exports import strip_photo

FACE_QUALITY = 90
"""JPEG quality of the face: light in the mouths is read from it again (see benchmarks/)."""
NAMES = re.compile(r"[A-Za-z0-9_.]{1,60}\.(json|csv|png|jpg)")
FILES_MAX = 40
# The same record is the same file byte by byte, whenever it is written.
EPOCH = (1980, 1, 1, 0, 0, 0)


def write_record(inspection: Inspection, folder: str | Path) -> Path:
    """Write record.zip into a folder and return its path.

    Errors of the answer: the face is kept as JPEG; one of more than `codec.FACE_PX_MAX` pixels is
    kept coarser by a whole factor; of the photo's metadata only what names no place or person is
    kept. Source: our choice.
    """
    photos = tuple(strip_photo(photo) for photo in inspection.photos)
    inspection = dataclasses.replace(inspection, photos=photos)
    sheets, face = codec.pack_inspection(inspection, face_quality=FACE_QUALITY)
    path = Path(folder) / RECORD_FILE
    with zipfile.ZipFile(path, "w") as file:
        for name, data in {**sheets, **({codec.FACE: face} if face else {})}.items():
            info = zipfile.ZipInfo(name, EPOCH)
            is_picture = name.endswith((".png", ".jpg"))
            info.compress_type = zipfile.ZIP_STORED if is_picture else zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            file.writestr(info, data)
    return path


def read_record(folder: str | Path) -> Inspection:
    """Return the inspection that a folder holds, with the face's pixels.

    Raises
    ------
    OutputError
        One sentence: no such folder, not an inspection, without record.zip (made by an older
        version), damaged, or written by a newer version.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise OutputError(f"There is no folder {folder}; name a folder that `inspect` wrote.")
    path = folder / RECORD_FILE
    if not path.is_file():
        what = (
            "was made before records were kept"
            if (folder / "summary.json").is_file()
            else "is no inspection"
        )
        raise OutputError(f"{folder} {what}: it has no {RECORD_FILE}; inspect its photo again.")
    try:
        sheets = _read_sheets(path)
        face = sheets.pop(codec.FACE, b"")
        inspection = codec.unpack_inspection(sheets, face)
    except (LogError, OSError, EOFError, ValueError, RuntimeError, NotImplementedError, KeyError,
            zipfile.BadZipFile, zipfile.LargeZipFile) as trouble:  # fmt: skip
        raise OutputError(f"{path} is damaged; inspect the photo again.") from trouble
    except Exception as trouble:
        if type(trouble).__module__ == "zlib":  # its error has no public base
            raise OutputError(f"{path} is damaged; inspect the photo again.") from trouble
        raise
    if inspection.schema > SCHEMA:
        raise OutputError(f"{folder} was written by a newer rakelight; update and try again.")
    return inspection


def _read_sheets(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as file:
        members = file.infolist()
        if len(members) > FILES_MAX or not all(NAMES.fullmatch(m.filename) for m in members):
            raise ValueError("not one of ours")
        return {member.filename: _read_capped(file, member) for member in members}


def _read_capped(file: zipfile.ZipFile, member: zipfile.ZipInfo) -> bytes:
    with file.open(member) as source:
        data = source.read(codec.SHEET_BYTES_MAX + 1)
    if len(data) > codec.SHEET_BYTES_MAX:
        raise ValueError("larger than any of ours")
    return data
