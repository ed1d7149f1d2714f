"""Where a photo was taken, blanked in a copy of its bytes: same length, same pixels, no position.

The job log keeps copies of photos, and a bundle hands them on; neither needs to know the place. Blanked are the
GPS block of every EXIF block (JPEG, TIFF, DNG, WebP, PNG, HEIC) and the GPS words of XMP. What a camera's
maker hides in blocks of its own is not known and not touched.
"""

import re
import struct
import zlib

_TIFF_HEADS = re.compile(rb"II\*\x00|MM\x00\*")
_XMP_GPS = re.compile(rb'(exif:GPS\w+(?:\s*=\s*"|\s*=\s*\'|>))([^"\'<]+)')
_PNG_HEAD = b"\x89PNG\r\n\x1a\n"
_GPS_POINTER = 0x8825  # Exif standard (CIPA DC-008), from memory, checked against Pillow's list
_BYTES_BY_TYPE = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_POINTER_TYPES = (4, 13)
_ENTRIES_MAX = 512
_ENTRY_BYTES = 12


def blank_position(data: bytes) -> bytes:
    """Return the bytes of a photo without its position; the very same object when it holds none.

    Errors of the answer
    --------------------
    A position that a maker keeps in its own block, or that is packed (a compressed text of a PNG), stays.

    Source
    ------
    Layout of TIFF 6.0 and of the Exif standard, from memory; checked by reading with Pillow.
    """
    places = [found.start() for found in _TIFF_HEADS.finditer(data)]
    blocks = [(start, gps) for start in places if (gps := _find_gps(data, start)) is not None]
    words = list(_XMP_GPS.finditer(data))
    if not blocks and not words:
        return data
    blanked = bytearray(data)
    for start, gps in blocks:
        _blank_block(blanked, data, start, gps)
    for found in words:
        blanked[found.start(2) : found.end(2)] = b" " * len(found[2])
    if data.startswith(_PNG_HEAD):
        _renew_checks(blanked)
    return bytes(blanked)


def _find_gps(data: bytes, start: int) -> int | None:
    """The place of the GPS block of the TIFF structure that begins at `start`; None when it has none."""
    order = "<" if data[start : start + 2] == b"II" else ">"
    for entry in _list_entries(data, start, order, _read(data, start + 4, order + "I")):
        tag, kind, count, value = entry[1:]
        if tag == _GPS_POINTER and kind in _POINTER_TYPES and count == 1:
            n_entries = _read(data, start + value, order + "H")
            return start + value if n_entries else None
    return None


def _blank_block(blanked: bytearray, data: bytes, start: int, gps: int) -> None:
    order = "<" if data[start : start + 2] == b"II" else ">"
    for place, _, kind, count, value in _list_entries(data, start, order, gps - start):
        n_bytes = _BYTES_BY_TYPE.get(kind, 1) * count
        if n_bytes > 4 and start + value + n_bytes <= len(data):
            blanked[start + value : start + value + n_bytes] = bytes(n_bytes)
        blanked[place : place + _ENTRY_BYTES] = bytes(_ENTRY_BYTES)
    blanked[gps : gps + 2] = bytes(2)  # no entries any more


def _list_entries(
    data: bytes, start: int, order: str, offset: int | None
) -> list[tuple[int, int, int, int, int]]:
    """Place, tag, type, count and value of each entry of a directory; none when it is no directory."""
    n_entries = _read(data, start + offset, order + "H") if offset is not None else None
    if not n_entries or n_entries > _ENTRIES_MAX:
        return []
    first = start + offset + 2
    last = min(first + n_entries * _ENTRY_BYTES, len(data) - _ENTRY_BYTES + 1)
    places = range(first, last, _ENTRY_BYTES)
    return [(place, *struct.unpack_from(order + "HHII", data, place)) for place in places]


def _read(data: bytes, place: int, form: str) -> int | None:
    if place < 0 or place + struct.calcsize(form) > len(data):
        return None
    return struct.unpack_from(form, data, place)[0]


def _renew_checks(png: bytearray) -> None:
    """Write the check sums of a PNG's blocks anew."""
    place = len(_PNG_HEAD)
    while place + 12 <= len(png):
        length = struct.unpack_from(">I", png, place)[0]
        end = place + 8 + length
        if end + 4 > len(png):
            return
        struct.pack_into(">I", png, end, zlib.crc32(png[place + 4 : end]))
        place = end + 4
