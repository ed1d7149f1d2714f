"""Hard knocks: damaged, odd and hostile files of every kind that rakelight reads.

`KINDS` lists them: how case number k of a kind is made in a folder (the same for the same seed), and the
reader that must answer it with a result or with a RakelightError. `fuzz.py` runs thousands of them with
limits on time, memory and places written to; `tests/knocks/` runs a few of each.
"""

import contextlib
import copy
import dataclasses
import io
import json
import random
import struct
import zipfile
import zlib
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

Make = Callable[[random.Random, Path], Any]
Read = Callable[[Any], Any]

ODD_WORDS = (
    "nan", "inf", "-inf", "1e999", "-1", "0", "1e308", "-1e-320", "9" * 40, "true", "false", "null", '""', "''",
    "[]", "{}", "[[[]]]", '"\\u0000"', '"' + "a" * 5000 + '"', "1979-05-27T07:32:00Z", "07:32:00",
    "0x7fffffffffffffff",
    '"../../../x"', '"=cmd|x!A1"', '"<script>alert(1)</script>"', '"#read(\\"x\\")"', '"\u202e\u0301\U0001f4a5"',
    "\x00", "\ufeff", "\r",
    "[" * 3000, "]" * 50, '{"a":' * 2000, ",", ";", "=", "\n\n", "[a]\n", "[[zone]]\n", "[[mark]]\n", "a.b.c=1\n",
    "1_000", "+5", "5.", "'x",
)  # fmt: skip
ODD_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 10**30, -(10**18), 1e308, 5e-324, 0.5, "", "x", "nan", "A" * 3000, "\x00",
    "../..", "=1+1",
    [], {}, [None], [[1, 2], [3]], {"a": {"b": 1}}, [[[[[[]]]]]], "<script>", "2026-13-45", 3.5, [0, 0], [1e308,
    1e308],
)  # fmt: skip
ODD_NAMES = (
    "<script>alert(1)</script>", "</title><img src=x onerror=alert(1)>", "=cmd|'/C calc'!A1", "+1+1", "-2",
    "@SUM(A1)", "\t=1",
    "#read(\"/etc/passwd\")", "#import \"x.typ\"", "$ x $", "*_`\\#", "//", "/* ", "é\u0301 \u202e txt",
    "\U0001f4a5" * 20, "a" * 199,
    "[x]({})", "%s%n{0}{x}", "'; DROP TABLE job; --", "..", "con", "\u0000"[:0] + "ok", "]]>", "&amp;&#x3c;",
    "{{x}}", "\\u{41}", "@label", "<l>",
)  # fmt: skip


TYPESET_SHARE = 0.05
"""Of so many cases in print whole pages are typeset; of all of them what the pages say is gathered."""


@dataclasses.dataclass(frozen=True)
class Kind:
    """One kind of input: its name, what makes a case and what reads it."""

    name: str
    make: Make
    read: Read


def must(is_so: bool, words: Any) -> None:
    """Raise an AssertionError unless it is so."""
    if not is_so:
        raise AssertionError(words)


# --- hurting bytes and text -------------------------------------------------------------------


def hurt_bytes(rng: random.Random, data: bytes) -> bytes:
    """Return bytes that were cut, flipped, swapped, repeated or mixed."""
    data = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        size = max(len(data), 1)
        place = rng.randrange(size) if rng.random() < 0.6 else rng.randrange(min(size, 400))
        what = rng.randrange(8)
        if what == 0:
            del data[place:]
        elif what == 1 and data:
            data[min(place, len(data) - 1)] ^= 1 << rng.randrange(8)
        elif what == 2:
            data[place : place + rng.randrange(1, 64)] = rng.randbytes(rng.randrange(0, 64))
        elif what == 3:
            del data[place : place + rng.randrange(1, 1000)]
        elif what == 4:
            data[place:place] = data[: rng.randrange(1, 400)]
        elif what == 5:
            data[place : place + 4] = struct.pack(
                rng.choice("<>") + "I", rng.choice((0, 1, 2**31 - 1, 2**32 - 1, 60_000))
            )
        elif what == 6:
            data[place : place + 2] = struct.pack(
                rng.choice("<>") + "H", rng.choice((0, 1, 65535, 32768))
            )
        else:
            data += rng.randbytes(rng.randrange(1, 300))
    return bytes(data)


def hurt_text(rng: random.Random, text: str) -> str:
    """Return text with values, lines and letters exchanged for odd ones."""
    for _ in range(rng.choice((1, 1, 2, 3))):
        lines = text.split("\n")
        row = rng.randrange(len(lines))
        what = rng.randrange(7)
        if what <= 2 and "=" in lines[row]:
            lines[row] = lines[row].split("=")[0] + "= " + rng.choice(ODD_WORDS)
        elif what == 3:
            lines.insert(row, rng.choice(lines))
        elif what == 4:
            del lines[row]
        elif what == 5:
            place = rng.randrange(len(lines[row]) + 1)
            lines[row] = lines[row][:place] + rng.choice(ODD_WORDS) + lines[row][place:]
        else:
            cut = rng.randrange(len(text) + 1)
            text = text[:cut]
            continue
        text = "\n".join(lines)
    return text


def hurt_plain(rng: random.Random, value: Any) -> Any:
    """Return plain JSON values with a few of them exchanged, dropped or repeated."""
    value = json.loads(json.dumps(value))
    for _ in range(rng.choice((1, 1, 2, 4))):
        value = _hurt_node(rng, value, 0)
    return value


def _hurt_node(rng: random.Random, value: Any, depth: int) -> Any:
    if not value or not isinstance(value, (dict, list)) or (depth and rng.random() < 0.15):
        return copy.deepcopy(rng.choice(ODD_VALUES))
    if isinstance(value, list):
        place = rng.randrange(len(value))
        if rng.random() < 0.15:
            return value[:place] + value[place + 1 :] + value[:place]
        value[place] = _hurt_node(rng, value[place], depth + 1)
        return value
    key = rng.choice(sorted(value))
    what = rng.random()
    if what < 0.12:
        del value[key]
    elif what < 0.2:
        value[rng.choice(("x", "", "__class__", key + " "))] = copy.deepcopy(rng.choice(ODD_VALUES))
    else:
        value[key] = _hurt_node(rng, value[key], depth + 1)
    return value


def write(folder: Path, name: str, content: str | bytes) -> Path:
    """Write a case and return its path."""
    path = folder / name
    path.write_bytes(
        content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    )
    return path


def make_text_case(name: str, texts: tuple[str, ...]) -> Make:
    """Return a maker that hurts one of these texts, in letters or in bytes."""

    def make(rng: random.Random, folder: Path) -> Path:
        text = rng.choice(texts)
        if rng.random() < 0.25:
            return write(folder, name, hurt_bytes(rng, text.encode()))
        if rng.random() < 0.03:
            return write(folder, name, rng.randbytes(rng.randrange(2000)))
        return write(folder, name, hurt_text(rng, text))

    return make


# --- photos -----------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def base_photos() -> dict[str, bytes]:
    """Return small sound photos in every format, mode and depth that a shop may hand over."""
    rng = np.random.default_rng(5)
    grey = np.clip(rng.normal(150, 18, (96, 130)), 0, 255).astype(np.uint8)
    rgb = Image.fromarray(np.dstack([grey, grey, np.clip(grey + 4, 0, 255).astype(np.uint8)]))
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "Camera"
    exif.get_ifd(0x8769)[0x9003] = "2026:03:07 10:11:12"
    exif.get_ifd(0x8825)[2] = (52.0, 30.0, 1.0)
    found = {
        "rgb.jpg": _save(rgb, "JPEG", exif=exif.tobytes()), "progressive.jpg": _save(rgb, "JPEG", progressive=True),
        "grey.jpg": _save(rgb.convert("L"), "JPEG"), "cmyk.jpg": _save(rgb.convert("CMYK"), "JPEG"),
        "rgb.png": _save(rgb, "PNG"), "alpha.png": _save(rgb.convert("RGBA"), "PNG"),
        "palette.png": _save(rgb.convert("P"), "PNG"),
        "grey16.png": _save(Image.fromarray(grey.astype(np.uint16) * 257), "PNG"),
        "one.png": _save(rgb.convert("1"), "PNG"),
        "rgb.tif": _save(rgb, "TIFF"), "lzw.tif": _save(rgb, "TIFF", compression="tiff_lzw"),
        "cmyk.tif": _save(rgb.convert("CMYK"), "TIFF"),
        "grey16.tif": _save(Image.fromarray(grey.astype(np.uint16) * 257), "TIFF"),
        "float.tif": _save(Image.fromarray(grey.astype(np.float32)), "TIFF"), "rgb.webp": _save(rgb, "WEBP"),
        "rgb.bmp": _save(rgb, "BMP"),
        "moving.gif": _save(rgb.convert("P"), "GIF", save_all=True, append_images=[rgb.convert("P")] * 3),
        "moving.png": _save(rgb, "PNG", save_all=True, append_images=[rgb] * 2),
        "icc.jpg": _save(rgb, "JPEG", icc_profile=_profile()),
        "several.jpg": _save(rgb, "MPO", save_all=True, append_images=[rgb], exif=exif.tobytes()),
    }  # fmt: skip
    try:
        import pillow_heif

        pillow_heif.register_heif_opener()
        found["rgb.heic"] = _save(rgb, "HEIF")
    except ImportError:
        pass
    return found


def _save(picture: Image.Image, kind: str, **options: Any) -> bytes:
    content = io.BytesIO()
    picture.save(content, kind, **options)
    return content.getvalue()


def _profile() -> bytes:
    from PIL import ImageCms

    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def make_png(
    width: int, height: int, *, bits: int = 8, colour: int = 2, rows: bytes | None = None
) -> bytes:
    """Return a PNG whose header says a size and whose body may be far smaller (or a well packed nothing)."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    head = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    body = zlib.compress(rows if rows is not None else b"\0" * 1000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def pack_zeros(n_bytes: int) -> bytes:
    """Return so many zero bytes, packed by deflate without holding them all."""
    packer, out = zlib.compressobj(9), io.BytesIO()
    block = bytes(1 << 20)
    for _ in range(n_bytes >> 20):
        out.write(packer.compress(block))
    out.write(packer.compress(bytes(n_bytes & ((1 << 20) - 1))) + packer.flush())
    return out.getvalue()


def make_bomb(rng: random.Random) -> bytes:
    """Return a small PNG that really unpacks to 60,000 px wide or to hundreds of megapixels."""
    width, height = rng.choice(
        ((60_000, 70), (60_000, 9_000), (24_000, 24_000), (16_000, 12_000), (30_000, 30_000))
    )
    png = make_png(width, height, colour=rng.choice((0, 2)))
    colours = 3 if png[25] == 2 else 1
    body = pack_zeros((width * colours + 1) * height)
    place = png.index(b"IDAT")
    end = png[-12:]
    return (
        png[: place - 4]
        + struct.pack(">I", len(body))
        + b"IDAT"
        + body
        + struct.pack(">I", zlib.crc32(b"IDAT" + body))
        + end
    )


def make_photo(rng: random.Random, folder: Path) -> Path:
    """Return a photo that is damaged, odd, wrongly named or hostile."""
    bases = base_photos()
    name = rng.choice(sorted(bases))
    data, what = bases[name], rng.random()
    suffix = name.rpartition(".")[2]
    if what < 0.62:
        data = hurt_bytes(rng, data)
    elif what < 0.72:
        suffix = rng.choice(
            ("jpg", "png", "tif", "gif", "bmp", "heic", "dng", "nef", "cr2", "txt", "webp", "")
        )
        data = data if rng.random() < 0.5 else hurt_bytes(rng, data)
    elif what < 0.76:
        data = b"" if rng.random() < 0.3 else rng.randbytes(rng.randrange(3000))
    elif what < 0.86:
        size = rng.choice(
            (
                (60_000, 70),
                (70, 60_000),
                (2**31 - 1, 2**31 - 1),
                (0, 0),
                (1, 1),
                (63, 64),
                (64, 64),
                (60_000, 60_000),
            )
        )
        data, suffix = (
            make_png(*size, bits=rng.choice((1, 8, 16, 7)), colour=rng.choice((0, 2, 3, 4, 6, 5))),
            "png",
        )
    elif what < 0.94:
        data, suffix = _with_exif(rng, bases["rgb.jpg"]), "jpg"
    elif what < 0.9402:
        data, suffix = make_bomb(rng), "png"
    else:
        one, other = bases[name], bases[rng.choice(sorted(bases))]
        data = one[: rng.randrange(len(one))] + other[rng.randrange(len(other)) :]
    stem = rng.choice(("photo", "é ü 写真", "a" * 120, "x;y", "-rf", "..photo", "\u202egpj"))
    return write(folder, f"{stem}.{suffix}" if suffix else stem, data)


def _with_exif(rng: random.Random, jpeg: bytes) -> bytes:
    """The JPEG with EXIF blocks that are huge, circular, hurt or repeated."""
    body = jpeg[2:]
    blocks = b""
    for _ in range(rng.choice((1, 2, 40))):
        data = b"Exif\0\0" + rng.choice((
            hurt_bytes(rng, jpeg[30:300]), rng.randbytes(rng.choice((0, 10, 65_000))),
            b"II*\0\x08\0\0\0" + struct.pack("<HHHII", 1, 0x8769, 4, 1, 8) + struct.pack("<I", 8),  # points at itself
            b"MM\0*\0\0\0\x08" + struct.pack(">H", 65535) + rng.randbytes(2000),
        ))  # fmt: skip
        blocks += b"\xff\xe1" + struct.pack(">H", min(len(data) + 2, 65535)) + data[:65533]
    return b"\xff\xd8" + blocks + body


def read_photo_file(path: Path) -> Any:
    """Read a photo as every command does."""
    from rakelight.photo.read import read_photo

    photo = read_photo(path)
    must(photo.rgb.dtype == np.uint8 and photo.rgb.ndim == 3, "wrong pixels")
    must(not [name for name in photo.exif if "gps" in name.lower()], "a position was kept")
    return photo.shape_px


def read_soft_light(path: Path) -> Any:
    """Read a soft-light photo, its finer colours and how its file rounds them, as the tone of a face does."""
    from rakelight.colour.jpegcodes import read_jpeg_codes
    from rakelight.colour.rounding import read_rounding
    from rakelight.photo.read import read_photo

    photo = read_photo(path)
    codes = read_jpeg_codes(path.read_bytes(), photo)
    must(codes is None or codes.shape == photo.rgb.shape, "the finer colours are laid otherwise")
    must(read_rounding(path, shrink=photo.shrink).square_px >= 1, "no square")
    return codes is None


ODD_CORNERS = (
    ((0, 0), (9, 0), (9, 9), (0, 9)),
    ((0, 0),) * 4,
    ((5, 5), (60, 5), (5, 60), (60, 60)),
    ((0, 0), (63, 2), (60, 63), (1, 60)),
)
ODD_ZONES = (
    ({"name": "A", "kind": "pour", "outline_mm": [[0, 0], [5, 0], [5, 5]]},),
    ({"name": "o", "kind": "opening", "outline_mm": [[-9, -9], [999, -9], [999, 999], [-9, 999]]},),
    ({"name": "s", "kind": "slab", "outline_mm": [[1, 1], [8, 2], [7, 9], [2, 8]]},),
)


def make_face(rng: random.Random, folder: Path) -> dict[str, Any]:
    """Return a readable but odd photo and odd words about it."""
    pixels = np.random.default_rng(rng.randrange(2**32))
    rows, cols = rng.choice(((64, 64), (64, 900), (900, 64), (200, 260), (120, 120)))
    base = rng.choice((0, 1, 128, 254, 255))
    rgb = np.full((rows, cols, 3), base, np.uint8)
    what = rng.randrange(5)
    if what == 1:
        rgb = pixels.integers(0, 256, (rows, cols, 3)).astype(np.uint8)
    elif what == 2:
        rgb[:] = (np.indices((rows, cols)).sum(axis=0) % 2 * 255)[..., None]
    elif what == 3:
        rgb[:] = np.linspace(0, 255, cols).astype(np.uint8)[None, :, None]
    elif what == 4:
        rgb = (
            np.clip(pixels.normal(140, 25, (rows, cols, 1)), 0, 255)
            .astype(np.uint8)
            .repeat(3, axis=2)
        )
    path = write(folder, "face.png", _save(Image.fromarray(rgb), "PNG"))
    words = {
        "mm_per_px": rng.choice((0.15, 0.15, 0.15, 0.3, 0.02, 3.0, 1e-9, 1e9, 0.0, float("nan"))),
        "corners_px": rng.choice((None, None, None, None, *ODD_CORNERS)),
        "lamp": rng.choice((None, (270.0, 15.0), (0.0, 90.0), (float("nan"), 15.0), (10.0, -3.0), (1e9, 1e9))),
        "zones": rng.choice(((), *ODD_ZONES)),
    }  # fmt: skip
    return {"path": path, **words}


def inspect_face(case: dict[str, Any]) -> Any:
    """Run the whole path on an odd face."""
    from rakelight.core.records import Lamp
    from rakelight.inspection import Given, inspect_photo

    lamp = Lamp(*case["lamp"], basis="said") if case["lamp"] else Lamp()
    scale = {"mm_per_px": case["mm_per_px"]}
    if case["corners_px"]:
        scale = {"corners_px": case["corners_px"], "slab_mm": (30.0, 20.0)}
    return len(inspect_photo(case["path"], Given(**scale, lamp=lamp, zones=case["zones"])).pits)


# --- hand-written files -----------------------------------------------------------------------

AGREED = (
    'smallest_mm = 1.5\nscheme = "aci_svr"\nclass = "SVR3"\narea_percent = 0.6\nper_ft2 = 5\nlargest_mm = 6.0\n'
    "window_mm = [600, 600]\n"
    'viewing_distance_mm = 600\nsample = "trial 3"\nsigned_on = 2026-03-02\n\n[[faces]]\nname = "top"\n'
    "counts = true\nper_m2 = 40\n\n"
    '[[zones]]\nname = "front"\nfrom_left_mm = 0\nfrom_front_mm = 0\nwidth_mm = 600\ndepth_mm = 100\n'
    "character = true\n",
    "smallest_mm = 2\nper_m2 = 30\n[[zones]]\nname='x'\noutline_mm = [[0,0],[10,0],[10,10]]\nper_ft2 = 1\n",
)
MARKS = (
    'slab = "600x450"\nprinted_rule_mm = 99.5\nheight_mm = 0\n[[mark]]\nid = 4\nx_mm = 50\ny_mm = 60\n'
    "side_mm = 40\nangle_deg = 90\n"
    "[[mark]]\nid = 5\ncorners_mm = [[500, 10], [540, 10], [540, 50], [500, 50]]\n",
)
RATES = (
    'fill_min_per_pit = 0.7\ncoat_min_per_m2 = 20\nmoney_per_hour = 55\nn_passes = 3\nfiller = "rapid_paste"\n',
)
LENS = (
    "k1 = -0.08\nk2 = 0.01\ncentre_px = [2010.0, 1490.5]\nunit_px = 2500.0\nphoto_px = [4000, 3000]\n",
)
ZONES = (
    'slab = "3200x1000"\n[[opening]]\nname = "sink"\nx_mm = 1200\ny_mm = 250\nwidth_mm = 520\nheight_mm = 400\n'
    '[[opening]]\nname = "tap"\n'
    'x_mm = 1460\ny_mm = 180\ndiameter_mm = 35\n[[zone]]\nname = "A"\nkind = "pour"\nmix = "grey 1"\n'
    "outline_mm = [[0, 0], [1600, 0], [1600, 1000]]\n",
)
GEOJSON = {
    "type": "FeatureCollection",
    "features": [
        {"type": "Feature", "properties": {"role": "slab"}, "geometry": {"type": "Polygon", "coordinates": [[[0,
        0], [100, 0], [100, 80], [0, 0]]]}},
        {"type": "Feature", "properties": {"role": "zone", "name": "A", "kind": "pour", "mix": "m"},
         "geometry": {"type": "Polygon", "coordinates": [[[0, 0], [50, 0], [50, 80], [0, 0]], [[9, 9], [12, 9],
         [12, 12]]]}},
    ],
}  # fmt: skip
SCHEMES = (
    '[words]\nx = "y"\n[schemes.own]\ntitle = "Own"\nkind = "area_ratio"\nlabels = "rise"\n'
    'window_mm = [500, 500]\ncounted_mm = [2, 15]\nsource = "shop"\nshown = true\nnotes = ["n"]\n'
    '[[schemes.own.classes]]\nname = "1"\nlimit = 0.3\nmark = "ours"\n'
    '[[schemes.own.classes]]\nname = "2"\nlimit = 0.6\nmark = "ours"\n',
)
MANIFEST = (
    "photo,job,slab,stage,scale,lamp,mix,mould,day,soft_light\n"
    "a.jpg,Bench,A,after demold,0.165,270 15,M1,7,2026-11-25,s.jpg\n"
    '"b,c.jpg",Bench,B,,"366,434 2937,299 3312,2227 195,2391 600x450","at 10,20,300",,,,\nd.jpg,,,,card,,,,,\n'
    "e.jpg,,,,marks m.toml,90,,,,\n",
    "photo;scale\nx.jpg;0,2\n",
)
SAMPLES = (
    '[[photo]]\nfile = "before_raking.jpg"\nslab_name = "A"\nstage = "x"\nmm_per_px = 0.2\nlamp_from_deg = 270\n'
    "lamp_angle_deg = 15\n"
    '[[photo]]\nfile = "s.jpg"\ngrey_card_mm = [1, 2, 3, 4]\ngrey_card_reflectance = 0.18\n',
)


def make_zones(rng: random.Random, folder: Path) -> Path:
    """Return a zones file, TOML or GeoJSON."""
    if rng.random() < 0.5:
        text = json.dumps(hurt_plain(rng, GEOJSON))
        return write(folder, "zones.geojson", text if rng.random() < 0.8 else hurt_text(rng, text))
    return make_text_case("zones.toml", ZONES)(rng, folder)


def read_lens_file(path: Path) -> Any:
    """Read a lens for a photo of its own shape and of another."""
    from rakelight.scale.lens import read_lens

    return read_lens(path, (3000, 4000))


def read_agreed_file(path: Path) -> Any:
    """Read what was agreed and state its limits."""
    from rakelight.grade.agreed import list_limits, read_agreed

    agreed = read_agreed(path)
    return [list_limits(terms, agreed) for terms in (agreed, *agreed.zones)]


def read_manifest_file(path: Path) -> Any:
    """Read a manifest; rows with a sentence are fine, rows without one must be usable."""
    from rakelight.batch.manifest import parse_day, parse_lamp, parse_scale, read_manifest

    for item in read_manifest(str(path)):
        if not item.trouble:
            parse_scale(item.scale), parse_lamp(item.lamp), parse_day(item.day)


def read_samples_file(path: Path) -> Any:
    """Read the notes beside the sample photos."""
    from rakelight.demo import given_for, read_samples

    return given_for(read_samples(path.parent), path.parent, "before_raking.jpg", "s.jpg")


# --- saved records ----------------------------------------------------------------------------


@lru_cache(maxsize=1)
def base_inspection() -> Any:
    """Return a small whole inspection of a made-up face."""
    import tempfile

    from rakelight.core.records import Lamp
    from rakelight.inspection import Given, inspect_photo
    from rakelight.simulate import Lamp as SceneLamp
    from rakelight.simulate import choose_recipe, simulate_photo

    recipe = choose_recipe("worn", size_mm=(45, 36), mm_per_px=0.15, pits_per_m2=4000)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "face.jpg"
        Image.fromarray(simulate_photo(3, recipe=recipe, lamp=SceneLamp(270.0, 15.0)).rgb).save(
            path, quality=92
        )
        given = Given(
            mm_per_px=0.15, lamp=Lamp(270.0, 15.0, basis="said"), job={"job": "Bench", "slab": "A"}
        )
        return inspect_photo(path, given)


@lru_cache(maxsize=1)
def base_sheets() -> dict[str, bytes]:
    """Return the sheets of that inspection, its face among them."""
    from rakelight.core import codec

    sheets, face = codec.pack_inspection(base_inspection())
    return {**sheets, "face.jpg": face}


def make_sheets_case(rng: random.Random, folder: Path) -> dict[str, bytes]:
    """Return sheets of a record of which one is hurt or missing."""
    sheets = dict(base_sheets())
    name = rng.choice(sorted(sheets))
    if rng.random() < 0.5 and name.endswith(".json"):
        sheets[name] = json.dumps(hurt_plain(rng, json.loads(sheets[name]))).encode()
    elif rng.random() < 0.1:
        del sheets[name]
    elif name.endswith(".csv") and rng.random() < 0.7:
        sheets[name] = hurt_text(rng, sheets[name].decode()).encode("utf-8", "surrogatepass")
    else:
        sheets[name] = hurt_bytes(rng, sheets[name])
    return sheets


def read_sheets(sheets: dict[str, bytes]) -> Any:
    """Bring a record back from its sheets."""
    from rakelight.core import codec

    rest = dict(sheets)
    return codec.unpack_inspection(rest, rest.pop("face.jpg", b""))


@lru_cache(maxsize=1)
def base_folder_files() -> dict[str, bytes]:
    """Return the files for other programs of that inspection's folder."""
    import tempfile

    from rakelight.report import exports, record

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        exports.write_summary(base_inspection(), folder / "summary.json")
        exports.write_tables(base_inspection(), folder)
        record.write_record(base_inspection(), folder)
        return {file.name: file.read_bytes() for file in folder.iterdir()}


def make_inspection_folder(rng: random.Random, folder: Path) -> Path:
    """Return an inspection folder of which one file is hurt."""
    files = dict(base_folder_files())
    name = rng.choice(sorted(files))
    if name.endswith(".json") and rng.random() < 0.5:
        files[name] = json.dumps(hurt_plain(rng, json.loads(files[name]))).encode()
    elif name.endswith(".csv") and rng.random() < 0.7:
        files[name] = hurt_text(rng, files[name].decode()).encode("utf-8", "surrogatepass")
    else:
        files[name] = hurt_bytes(rng, files[name])
    for file, data in files.items():
        write(folder, file, data)
    return folder


def read_inspection_folder(folder: Path) -> Any:
    """Read tables and record of a folder, as comparisons and the log do."""
    from rakelight.core.errors import RakelightError
    from rakelight.core.tables import read_inspection_tables
    from rakelight.report.record import read_record

    with contextlib.suppress(RakelightError):
        read_record(folder)
    return read_inspection_tables(folder)


def make_settings_case(rng: random.Random, folder: Path) -> Any:
    """Return settings with odd values and names."""
    from rakelight.core.settings import Settings

    return hurt_plain(rng, Settings().to_mapping())


def read_settings_case(values: Any) -> Any:
    """Make settings of a mapping, as a saved record's are."""
    from rakelight.core.settings import Settings

    return Settings.from_mapping(values) if isinstance(values, dict) else None


# --- the job log and its bundles --------------------------------------------------------------


@lru_cache(maxsize=1)
def base_bundle() -> bytes:
    """Return a bundle of a job with a slab, a survey, a photo and an inspection."""
    import tempfile

    from rakelight.log.bundle import export_job
    from rakelight.log.connection import open_log
    from rakelight.log.store import (
        SurveyPlace,
        add_note,
        add_pour_zone,
        add_repair,
        save_inspection,
    )

    with tempfile.TemporaryDirectory() as name, open_log(Path(name) / "log") as log:
        save_inspection(
            log,
            dataclasses.replace(base_inspection(), photos=()),
            SurveyPlace("Bench", "A", "after demold"),
        )
        add_pour_zone(log, "Bench", "A", "A", mix="M1")
        add_repair(log, "Bench", "A", "fill", n_pits=3, minutes=4.0)
        add_note(log, "Bench", "a note")
        return Path(export_job(log, "Bench", Path(name) / "b.zip")).read_bytes()


def make_bundle(rng: random.Random, folder: Path) -> Path:
    """Return a bundle that is damaged, or sound as an archive and hostile inside."""
    import hashlib

    data = base_bundle()
    if rng.random() < 0.35:
        return write(folder, "job.zip", hurt_bytes(rng, data))
    with zipfile.ZipFile(io.BytesIO(data)) as file:
        files = {name: file.read(name) for name in file.namelist()}
    manifest = json.loads(files.pop("bundle.json"))
    name = rng.choice(sorted(files))
    what = rng.random()
    if what < 0.55:
        records = [n for n in sorted(files) if n.startswith("records/")]
        name = rng.choice(records) if rng.random() < 0.7 else name
        if name.endswith(".json"):
            files[name] = json.dumps(hurt_plain(rng, json.loads(files[name]))).encode()
        else:
            files[name] = hurt_bytes(rng, files[name])
    elif what < 0.7:
        manifest = hurt_plain(rng, manifest)
    elif what < 0.8:
        other = rng.choice(
            (
                "../../evil.txt",
                "/evil.txt",
                "photos/../../x.jpg",
                "C:\\x",
                "records/job.json/x",
                "photos/" + "0" * 64 + ".jpg",
            )
        )
        files[other] = files.pop(name)
    elif what < 0.86:
        files["photos/" + "0" * 64 + ".jpg"] = bytes(20_000_000)
    is_honest = rng.random() < 0.8
    if is_honest and isinstance(manifest, dict) and isinstance(manifest.get("files"), dict):
        manifest["files"] = {
            n: {"n_bytes": len(d), "sha256": hashlib.sha256(d).hexdigest()}
            for n, d in files.items()
        }
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as file:
        for member, body in {"bundle.json": json.dumps(manifest).encode(), **files}.items():
            info = zipfile.ZipInfo(member)
            info.compress_type = zipfile.ZIP_DEFLATED
            if rng.random() < 0.01:
                info.external_attr = 0o120777 << 16  # a link
            file.writestr(info, body)
    return write(folder, "job.zip", content.getvalue())


_LOGS: dict[str, Any] = {}


def import_bundle(path: Path) -> Any:
    """Import a bundle into a log; a new log after every hundred."""
    import tempfile

    from rakelight.log.connection import open_log
    from rakelight.log.merge import import_job

    if _LOGS.get("n", 0) % 100 == 0:
        if "log" in _LOGS:
            _LOGS["log"].close()
            _LOGS["folder"].cleanup()
        _LOGS["folder"] = tempfile.TemporaryDirectory()
        _LOGS["log"] = open_log(Path(_LOGS["folder"].name) / "log")
    _LOGS["n"] = _LOGS.get("n", 0) + 1
    return import_job(_LOGS["log"], path)


@lru_cache(maxsize=1)
def base_log_file() -> bytes:
    """Return the SQLite file of a log with one job."""
    import tempfile

    from rakelight.log.connection import open_log
    from rakelight.log.store import SurveyPlace, save_inspection

    with tempfile.TemporaryDirectory() as name:
        with open_log(Path(name) / "log") as log:
            save_inspection(
                log, dataclasses.replace(base_inspection(), photos=()), SurveyPlace("Bench", "A")
            )
        return (Path(name) / "log" / "log.sqlite").read_bytes()


def make_log_file(rng: random.Random, folder: Path) -> Path:
    """Return a log whose file is hurt."""
    return write(folder, "log.sqlite", hurt_bytes(rng, base_log_file()))


def read_log_file(path: Path) -> Any:
    """Open a hurt log, look at its jobs and check it."""
    from rakelight.log.check import check_log
    from rakelight.log.connection import open_log
    from rakelight.log.search import Question, list_jobs, search_log, show_job

    with open_log(path) as log:
        check_log(log)
        for job in list_jobs(log)["job"]:
            show_job(log, job)
        return search_log(log, Question(min_size_mm=1.0))


# --- words that reach pages and tables --------------------------------------------------------


def make_names(rng: random.Random, folder: Path) -> dict[str, Any]:
    """Return an inspection whose names and notes are written by somebody with bad intent."""
    job = {
        title: rng.choice(ODD_NAMES) for title in ("job", "slab", "stage", "client", "site", "mix")
    }
    photos = tuple({**photo, "name": rng.choice(ODD_NAMES)} for photo in base_inspection().photos)
    zones = (
        {
            "name": rng.choice(ODD_NAMES),
            "kind": "pour",
            "outline_mm": [[0, 0], [20, 0], [20, 36], [0, 36]],
        },
    )
    warnings = (rng.choice(ODD_NAMES),)
    pits = base_inspection().pits.copy()
    pits["zone"] = rng.choice(ODD_NAMES)
    changed = dataclasses.replace(
        base_inspection(), job=job, photos=photos, zones=zones, warnings=warnings, pits=pits
    )
    return {
        "inspection": changed,
        "folder": folder,
        "words": {*job.values(), *(z["name"] for z in zones), *warnings},
        "is_typeset": rng.random() < TYPESET_SHARE,
    }


@lru_cache(maxsize=1)
def small_pictures() -> Any:
    """Return settings of small pictures: the words are what is tried, not the pixels."""
    from rakelight.core.settings import ReportSettings

    return ReportSettings(map_max_side_px=400)


def write_pages(case: dict[str, Any]) -> Any:
    """Write tables, HTML page and geojson; nothing a person typed may become code in them."""
    import csv
    from html.parser import HTMLParser

    from rakelight.report import exports
    from rakelight.report.html import write_html_report

    folder = case["folder"]
    exports.write_summary(case["inspection"], folder / "summary.json")
    exports.write_tables(case["inspection"], folder)
    exports.write_zones(case["inspection"], folder / "zones.geojson")
    json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    for table in folder.glob("*.csv"):
        with table.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                must(not [cell for cell in row if _is_risky(cell)], row)
    found = set()

    class Tags(HTMLParser):
        def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
            found.add(tag)
            must(not [name for name, _ in attributes if name.startswith("on")], "code in a tag")

    page = write_html_report(
        case["inspection"], folder / "report.html", settings=small_pictures()
    ).read_text(encoding="utf-8")
    Tags().feed(page)
    must(not found & {"script", "iframe", "object", "link", "base", "form"}, found)


def _is_risky(cell: str) -> bool:
    """Whether a spreadsheet would run a cell as a formula."""
    if cell[:1] not in ("+", "-"):
        return cell[:1] in ("=", "@", "\t", "\r")
    try:
        float(cell)
    except ValueError:
        return True
    return False


def write_printed_pages(case: dict[str, Any]) -> Any:
    """Gather all that the printed pages say; of one case in twenty, chosen by its number, print them too."""
    from rakelight.core.tables import to_plain
    from rakelight.report.client import collect_client_report, write_client_report
    from rakelight.report.work_sheet import collect_work_sheet, write_work_sheet

    folder, settings = case["folder"], small_pictures()
    if not case["is_typeset"]:
        said = [
            collect(case["inspection"], settings)
            for collect in (collect_work_sheet, collect_client_report)
        ]
        return json.dumps(to_plain(said), ensure_ascii=False, allow_nan=False)
    write_work_sheet(case["inspection"], folder / "work_sheet.pdf", settings=settings)
    return write_client_report(case["inspection"], folder / "report.pdf", settings=settings)


def make_logo(rng: random.Random, folder: Path) -> Path:
    """Return a picture for the page's head, mostly hurt."""
    return make_photo(rng, folder)


def read_logo_file(path: Path) -> Any:
    """Read the shop's logo."""
    from rakelight.report.logo import read_logo

    return len(read_logo(str(path)))


def make_note(rng: random.Random, folder: Path) -> Path:
    """Return a folder of a batch with a hurt note of what is done."""
    text = json.dumps(
        {
            "key": "k" * 64,
            "figures": {
                "n_pits": 3,
                "verdict": "good",
                "pits_per_m2": 3.0,
                "camera_day": "2026-01-01",
            },
        }
    )
    place = folder / "done" / "kk"
    place.mkdir(parents=True, exist_ok=True)
    value = json.dumps(hurt_plain(rng, json.loads(text)))
    write(
        place, "k" * 64 + ".json", value if rng.random() < 0.6 else hurt_bytes(rng, text.encode())
    )
    return folder


def read_note(folder: Path) -> Any:
    """Read a note and sum it up, as a batch that goes on does."""
    from rakelight.batch.ledger import find_done
    from rakelight.batch.manifest import BatchItem
    from rakelight.batch.run import Row
    from rakelight.batch.summary import make_summary
    from rakelight.batch.trends import find_trends

    figures = find_done(folder, "k" * 64)
    if figures is not None:
        return find_trends(make_summary([Row(BatchItem("x"), "measured", figures)]))
    return None


def make_words(rng: random.Random, folder: Path) -> str:
    """Return what somebody may type as a length, size, place, lamp, scale or day."""
    pieces = (
        "1",
        "0.5",
        "2400",
        "x",
        "×",
        "ft",
        "in",
        "mm",
        '"',
        "'",
        " ",
        ",",
        ".",
        "1/2",
        "-",
        "e9",
        "nan",
        "٣",
        "½",
        "at ",
        "9" * 30,
        "\x00",
        "2026",
        "-13",
    )
    return "".join(rng.choice(pieces) for _ in range(rng.randrange(8)))


def read_words(words: str) -> Any:
    """Read the words in every way there is."""
    from rakelight.batch.manifest import parse_day, parse_lamp, parse_scale
    from rakelight.cli_given import parse_corners
    from rakelight.core.errors import RakelightError
    from rakelight.core.units import parse_length_mm, parse_size_mm

    for read in (parse_length_mm, parse_size_mm, parse_corners, parse_scale, parse_lamp, parse_day):
        with contextlib.suppress(RakelightError):
            read(words)


def _of(module: str, name: str) -> Read:
    """The reader of this name, imported when it is used."""

    def read(path: Any) -> Any:
        from importlib import import_module

        return getattr(import_module(module), name)(path)

    return read


BASES = {
    "agreed.toml": AGREED,
    "marks.toml": MARKS,
    "rates.toml": RATES,
    "lens.toml": LENS,
    "zones": ZONES,
    "schemes.toml": SCHEMES,
    "manifest.csv": MANIFEST,
    "samples.toml": SAMPLES,
}
"""The sound texts that are hurt, by kind; a test sees that each is read."""

KINDS = (
    Kind("photo", make_photo, read_photo_file),
    Kind("face", make_face, inspect_face),
    Kind("agreed.toml", make_text_case("agreed.toml", AGREED), read_agreed_file),
    Kind("marks.toml", make_text_case("marks.toml", MARKS), _of("rakelight.scale.marks", "read_marks")),
    Kind("rates.toml", make_text_case("rates.toml", RATES), _of("rakelight.repair.plan", "read_rates")),
    Kind("lens.toml", make_text_case("lens.toml", LENS), read_lens_file),
    Kind("zones", make_zones, _of("rakelight.scale.zones", "read_zones")),
    Kind("schemes.toml", make_text_case("schemes.toml", SCHEMES), _of("rakelight.grade.schemes", "read_schemes")),
    Kind("manifest.csv", make_text_case("manifest.csv", MANIFEST), read_manifest_file),
    Kind("samples.toml", make_text_case("samples.toml", SAMPLES), read_samples_file),
    Kind("settings", make_settings_case, read_settings_case),
    Kind("record", make_sheets_case, read_sheets),
    Kind("inspection folder", make_inspection_folder, read_inspection_folder),
    Kind("bundle.zip", make_bundle, import_bundle),
    Kind("log.sqlite", make_log_file, read_log_file),
    Kind("batch note", make_note, read_note),
    Kind("logo", make_logo, read_logo_file),
    Kind("typed words", make_words, read_words),
    Kind("names on pages", make_names, write_pages),
    Kind("names in print", make_names, write_printed_pages),
    Kind("soft light", make_photo, read_soft_light),
)  # fmt: skip
