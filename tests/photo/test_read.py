"""Reading a photo: kinds of file, turning once, colours, EXIF, and what is refused."""

import hashlib
import io
import os
import sys
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from rakelight.core.errors import PhotoError
from rakelight.core.settings import PhotoSettings
from rakelight.photo.metadata import EXIF_NAMES
from rakelight.photo.read import read_photo

RED, GREEN, BLUE, GREY = (200, 30, 30), (30, 180, 30), (30, 30, 200), (128, 128, 128)

# How the upright picture was stored, per EXIF orientation: the inverse of the turn asked for.
STORED_BY = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


def make_corners(rows: int = 96, cols: int = 128) -> np.ndarray:
    """Return a grey picture with a red, a green and a blue corner: it shows every turn and flip."""
    picture = np.full((rows, cols, 3), GREY, np.uint8)
    picture[:32, :32], picture[:32, -32:], picture[-32:, :32] = RED, GREEN, BLUE
    return picture


def make_exif(**tags: object) -> Image.Exif:
    """Return an EXIF block; names as in Pillow's list of tags."""
    from PIL import ExifTags

    exif = Image.Exif()
    shot = exif.get_ifd(ExifTags.IFD.Exif)
    for name, value in tags.items():
        base = ExifTags.Base[name]
        (exif if name in {"Orientation", "Make", "Model"} else shot)[base] = value
    return exif


def corner_colours(rgb: np.ndarray) -> list[tuple[int, ...]]:
    """Return the colours 12 pixels inside the top-left, top-right and bottom-left corners."""
    return [tuple(int(v) for v in rgb[p]) for p in ((12, 12), (12, -13), (-13, 12))]


def assert_upright(rgb: np.ndarray, tolerance: int) -> None:
    assert rgb.shape == (96, 128, 3)
    for expected, found in zip((RED, GREEN, BLUE), corner_colours(rgb), strict=True):
        np.testing.assert_allclose(found, expected, atol=tolerance)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize(
    ("suffix", "options"),
    [
        (".jpg", {"quality": 95}),
        (".png", {}),
        (".tif", {}),
        (".tiff", {"compression": "tiff_lzw"}),
        (".webp", {"quality": 95}),
    ],
)
def test_every_orientation_is_turned_exactly_once(tmp_path, orientation, suffix, options):
    """All eight EXIF orientations come out upright from every common kind of file."""
    stored = Image.fromarray(make_corners())
    if STORED_BY[orientation] is not None:
        stored = stored.transpose(STORED_BY[orientation])
    path = tmp_path / f"turned{suffix}"
    stored.save(path, exif=make_exif(Orientation=orientation), **options)
    photo = read_photo(path)
    assert_upright(photo.rgb, tolerance=12)  # JPEG and WebP change flat colours by a few levels
    assert photo.exif["Orientation"] == orientation


@pytest.mark.parametrize("suffix", [".jpg", ".png"])
@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("shrink", [2, 4])
def test_smaller_reading_is_the_photo_averaged(tmp_path, orientation, suffix, shrink):
    """Read at half or a quarter, turned or not, every pixel is the mean of the pixels it stands for."""
    fine = np.random.default_rng(orientation).normal(0, 30, (320, 480, 3))
    smooth = np.clip(cv2.GaussianBlur(fine, (0, 0), 3) * 4 + 128, 0, 255).astype(np.uint8)
    path = tmp_path / f"photo{suffix}"
    Image.fromarray(smooth).save(path, exif=make_exif(Orientation=orientation), quality=98)
    asked = []
    small = read_photo(path, choose_shrink=lambda shape_px: asked.append(shape_px) or shrink)
    whole = read_photo(path)
    assert set(asked) == {whole.shape_px}
    assert (small.shrink, small.shape_px) == (shrink, whole.shape_px)
    rows, cols = (n // shrink for n in whole.shape_px)
    mean = whole.rgb.reshape(rows, shrink, cols, shrink, 3).mean(axis=(1, 3))
    # The decoder averages before it rounds and unpacks colour at its own size: a level or two.
    assert np.abs(small.rgb - mean).mean() < 1.0
    assert np.abs(small.rgb - mean).max() < 12


def test_sides_that_do_not_divide_are_read_less_small(tmp_path):
    """A photo whose sides are no multiple of four is read at half, an odd one in full."""
    for shape, shrink in (((322, 482), 2), ((321, 480), 1)):
        path = tmp_path / f"{shape[0]}.jpg"
        Image.fromarray(np.full((*shape, 3), 90, np.uint8)).save(path)
        photo = read_photo(path, choose_shrink=lambda shape_px: 4)
        assert (photo.shrink, photo.shape_px) == (shrink, shape)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_turning_agrees_with_pillow(tmp_path, orientation):
    """A second implementation, Pillow's exif_transpose, gives the same pixels."""
    path = tmp_path / "turned.png"
    noise = np.random.default_rng(orientation).integers(0, 256, (70, 90, 3), np.uint8)
    Image.fromarray(noise).save(path, exif=make_exif(Orientation=orientation))
    with Image.open(path) as picture:
        expected = np.asarray(ImageOps.exif_transpose(picture))
    np.testing.assert_array_equal(read_photo(path).rgb, expected)


def test_heic_is_not_turned_again(tmp_path):
    """HEIC comes out of its own library upright: reading it turns nothing."""
    pillow_heif = pytest.importorskip("pillow_heif")
    stored = Image.fromarray(make_corners()).transpose(STORED_BY[6])
    path = tmp_path / "phone.heic"
    heif = pillow_heif.from_pillow(stored)
    heif.save(path, quality=95, exif=make_exif(Orientation=6, ISOSpeedRatings=64).tobytes())
    photo = read_photo(path)
    assert_upright(photo.rgb, tolerance=25)  # lossy, with halved colour resolution
    assert photo.exif["ISO"] == 64


def test_plain_jpeg_equals_pillow(tmp_path):
    """Pixels of a plain JPEG are red, green, blue in that order, as Pillow decodes them."""
    path = tmp_path / "plain.jpg"
    Image.fromarray(make_corners()).save(path, quality=90, subsampling=0)
    with Image.open(path) as picture:
        expected = np.asarray(picture, dtype=int)
    np.testing.assert_allclose(read_photo(path).rgb, expected, atol=2)  # two JPEG decoders


def test_photo_carries_name_and_hash(tmp_path):
    """The SHA-256 is that of the file's bytes and the name that of the file."""
    path = tmp_path / "top left.jpg"
    Image.fromarray(make_corners()).save(path)
    photo = read_photo(path)
    assert photo.name == "top left.jpg"
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.profile == "sRGB assumed"
    assert photo.notes == ()


def save_and_read(tmp_path, picture: Image.Image, name: str, **options):
    path = tmp_path / name
    picture.save(path, **options)
    return read_photo(path)


def test_grey_becomes_three_equal_channels(tmp_path):
    """A grey JPEG is read as three equal channels."""
    ramp = np.tile(np.arange(128, dtype=np.uint8), (80, 1))
    photo = save_and_read(tmp_path, Image.fromarray(ramp), "grey.jpg", quality=100)
    assert photo.rgb.shape == (80, 128, 3)
    np.testing.assert_allclose(photo.rgb[..., 0], ramp, atol=2)  # JPEG rounding
    assert np.ptp(photo.rgb, axis=2).max() == 0


@pytest.mark.parametrize("name", ["deep.png", "deep.tif"])
def test_sixteen_bit_grey_is_scaled(tmp_path, name):
    """16-bit grey is scaled to 8 bits (257 levels to one), not cut off."""
    ramp = (np.tile(np.arange(128, dtype=np.uint16) * 2, (80, 1)) * 257).astype(np.uint16)
    photo = save_and_read(tmp_path, Image.fromarray(ramp), name)
    np.testing.assert_array_equal(photo.rgb[..., 1], ramp // 257)
    assert "16-bit" in photo.notes[0]


def test_sixteen_bit_colour_tiff(tmp_path):
    """A 16-bit RGB TIFF is read as its upper 8 bits."""
    tifffile = pytest.importorskip("tifffile")
    path = tmp_path / "deep.tif"
    tifffile.imwrite(path, make_corners().astype(np.uint16) * 257, photometric="rgb")
    np.testing.assert_array_equal(read_photo(path).rgb, make_corners())


def test_transparent_parts_lie_on_white(tmp_path):
    """Transparent pixels come out white, half transparent ones halfway to white."""
    rgba = np.zeros((80, 80, 4), np.uint8)
    rgba[:40, :, 3], rgba[40:, :, 3] = 0, 128
    photo = save_and_read(tmp_path, Image.fromarray(rgba), "cut_out.png")
    assert photo.rgb[10, 10].tolist() == [255, 255, 255]
    np.testing.assert_allclose(photo.rgb[70, 10], 127, atol=1)  # 255 * (1 - 128/255)
    assert "white" in photo.notes[0]


def test_palette_picture(tmp_path):
    """A palette PNG is read by its colours, not by its numbers."""
    palette = Image.fromarray(make_corners()).quantize(8)
    assert_upright(save_and_read(tmp_path, palette, "palette.png").rgb, tolerance=8)


def test_print_colours(tmp_path):
    """A CMYK JPEG is converted and says so."""
    cmyk = Image.fromarray(make_corners()).convert("CMYK")
    photo = save_and_read(tmp_path, cmyk, "print.jpg", quality=95)
    assert_upright(photo.rgb, tolerance=25)  # JPEG of inverted inks
    assert "CMYK" in photo.notes[0]


@pytest.mark.parametrize("name", ["moving.gif", "moving.webp", "pages.tif"])
def test_first_of_several_pictures_is_read(tmp_path, name):
    """Of an animated file or one of many pages the first picture is read, with a note."""
    first = Image.fromarray(make_corners()).quantize(8).convert("RGB")
    other = Image.new("RGB", first.size, (0, 0, 0))
    photo = save_and_read(
        tmp_path,
        first,
        name,
        save_all=True,
        append_images=[other],
        **({"lossless": True} if name.endswith("webp") else {}),
    )
    assert_upright(photo.rgb, tolerance=8)
    assert "only the first" in " ".join(photo.notes)


def test_wide_gamut_is_converted_once(tmp_path):
    """With a profile that swaps nothing but gamma, middle grey moves as the profile says."""
    linear = make_gamma_profile(1.0)
    picture = Image.new("RGB", (96, 96), (55, 55, 55))
    photo = save_and_read(tmp_path, picture, "linear.jpg", icc_profile=linear, quality=98)
    # IEC 61966-2-1: linear 55/255 = 0.2157 is coded as 1.055 * 0.2157**(1/2.4) - 0.055 = 0.5018.
    np.testing.assert_allclose(photo.rgb[40, 40], 0.5018 * 255, atol=2)
    assert "converted" in " ".join(photo.notes)
    assert photo.profile != "sRGB assumed"


def test_srgb_profile_changes_nothing(tmp_path):
    """A photo that carries an sRGB profile keeps its numbers."""
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    photo = save_and_read(tmp_path, Image.fromarray(make_corners()), "s.png", icc_profile=icc)
    np.testing.assert_array_equal(photo.rgb, make_corners())
    assert photo.profile == "sRGB"


def test_damaged_profile_is_a_note(tmp_path):
    """A colour profile of nonsense does not stop the reading."""
    photo = save_and_read(
        tmp_path, Image.fromarray(make_corners()), "odd.png", icc_profile=b"nonsense" * 40
    )
    np.testing.assert_array_equal(photo.rgb, make_corners())
    assert "profile could not be used" in photo.notes[0]


@pytest.mark.parametrize(("threads", "opens"), [(1, False), (2, True)])
def test_colours_are_converted_by_as_many_threads_as_asked(tmp_path, monkeypatch, threads, opens):
    """With one thread no other is started, and the pixels are those that two make of it."""
    path = tmp_path / "tall.jpg"
    picture = Image.fromarray(np.random.default_rng(1).integers(0, 255, (600, 80, 3), np.uint8))
    picture.save(path, icc_profile=make_gamma_profile(1.0))
    expected = read_photo(path).rgb
    handed, submit = [], ThreadPoolExecutor.submit

    def watch(pool, work, *arguments, **names):
        handed.append(work)
        return submit(pool, work, *arguments, **names)

    monkeypatch.setattr(ThreadPoolExecutor, "submit", watch)
    np.testing.assert_array_equal(expected, read_photo(path, threads=threads).rgb)
    assert opens == bool(handed)


def make_gamma_profile(gamma: float) -> bytes:
    """Return an ICC v2 matrix profile with sRGB's primaries and one power law."""
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).profile
    places = [srgb.red_colorant[0], srgb.green_colorant[0], srgb.blue_colorant[0]]

    def fixed(number: float) -> bytes:
        return round(number * 65536).to_bytes(4, "big", signed=True)

    def place(xyz) -> bytes:
        return b"XYZ \0\0\0\0" + b"".join(fixed(v) for v in xyz)

    curve = b"curv\0\0\0\0\0\0\0\x01" + round(gamma * 256).to_bytes(2, "big") + b"\0\0"
    words = b"flat light\0"
    text = b"desc\0\0\0\0" + len(words).to_bytes(4, "big") + words + b"\0" * 78
    text += b"\0" * (-len(text) % 4)
    tags = {b"desc": text, b"wtpt": place((0.9642, 1.0, 0.8249))}
    tags |= {n: place(p) for n, p in zip((b"rXYZ", b"gXYZ", b"bXYZ"), places, strict=True)}
    tags |= {n: curve for n in (b"rTRC", b"gTRC", b"bTRC")}
    table, body, start = b"", b"", 128 + 4 + 12 * len(tags)
    for name, content in tags.items():
        table += name + (start + len(body)).to_bytes(4, "big") + len(content).to_bytes(4, "big")
        body += content
    size = start + len(body)
    head = size.to_bytes(4, "big") + b"\0" * 4 + b"\x02\x10\0\0mntrRGB XYZ " + b"\0" * 12
    head += b"acsp" + b"\0" * 28 + fixed(0.9642) + fixed(1.0) + fixed(0.8249)
    return head.ljust(128, b"\0") + len(tags).to_bytes(4, "big") + table + body


def test_exif_in_plain_names(tmp_path):
    """EXIF numbers come out as plain numbers under plain names."""
    exif = make_exif(
        Orientation=1,
        Make="Maker ",
        Model="Box\x00",
        ExposureTime=0.02,
        FNumber=2.8,
        ISOSpeedRatings=400,
        FocalLength=4.2,
        FocalLengthIn35mmFilm=26,
        DigitalZoomRatio=1.5,
        Flash=25,
        WhiteBalance=1,
        ColorSpace=1,
        CustomRendered=2,
        DateTimeOriginal="2024:05:06 07:08:09",
        LensModel="wide",
    )
    photo = save_and_read(tmp_path, Image.fromarray(make_corners()), "camera.jpg", exif=exif)
    assert photo.exif == pytest.approx(
        {
            "Orientation": 1,
            "Make": "Maker",
            "Model": "Box",
            "ExposureTime": 0.02,
            "FNumber": 2.8,
            "ISO": 400,
            "FocalLength": 4.2,
            "FocalLengthIn35mm": 26,
            "DigitalZoomRatio": 1.5,
            "Flash": 25,
            "WhiteBalance": 1,
            "ColorSpace": 1,
            "CustomRendered": 2,
            "DateTimeOriginal": "2024:05:06 07:08:09",
            "LensModel": "wide",
        }
    )


def test_no_place_and_no_serial_number(tmp_path):
    """Where the photo was taken and which camera body took it stay in the file."""
    exif = make_exif(BodySerialNumber="SN-12345", LensSerialNumber="L-1", CameraOwnerName="N. N.")
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
    photo = save_and_read(tmp_path, Image.fromarray(make_corners()), "camera.jpg", exif=exif)
    assert set(photo.exif) <= set(EXIF_NAMES)
    assert "SN-12345" not in str(photo) and "51.0" not in str(photo.exif)


def test_uncalibrated_colours_are_noted(tmp_path):
    """ColorSpace 65535 without a profile is read, with a warning for colour work."""
    photo = save_and_read(
        tmp_path, Image.fromarray(make_corners()), "c.jpg", exif=make_exif(ColorSpace=65535)
    )
    assert photo.profile == "uncalibrated, sRGB assumed"
    assert "judge no colour" in photo.notes[0]


def test_damaged_exif_does_not_stop_the_reading(tmp_path):
    """A photo whose EXIF block is garbage is read without it."""
    path = tmp_path / "odd.jpg"
    Image.fromarray(make_corners()).save(path, exif=b"Exif\0\0II*\0\xff\xff\xff\xff garbage")
    photo = read_photo(path)
    assert photo.exif == {}
    assert photo.shape_px == (96, 128)


def refuse(path, *words: str, **options) -> str:
    """Check that reading ends in one sentence holding all words, and return it."""
    with pytest.raises(PhotoError) as caught:
        read_photo(path, **options)
    sentence = str(caught.value)
    for word in words:
        assert word in sentence
    assert "\n" not in sentence and sentence.endswith(".") and sentence.count(". ") == 0
    return sentence


def test_missing_file_is_one_sentence(tmp_path):
    """A missing file says that there is no such file."""
    refuse(tmp_path / "nowhere.jpg", "There is no file", "nowhere.jpg")


def test_folder_is_one_sentence(tmp_path):
    """A folder is not a photo."""
    refuse(tmp_path, "folder")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="rights do not bind here")
def test_unreadable_file_is_one_sentence(tmp_path):
    """A file that may not be opened says so."""
    path = tmp_path / "locked.jpg"
    path.write_bytes(b"\xff\xd8\xff")
    path.chmod(0)
    refuse(path, "right to read")


def test_text_named_jpg_is_one_sentence(tmp_path):
    """A text file named .jpg is not a picture."""
    path = tmp_path / "list.jpg"
    path.write_text("two bags of cement\n" * 40)
    refuse(path, "list.jpg", "not a picture")


def test_empty_file_is_one_sentence(tmp_path):
    """A file of zero bytes says to copy it again."""
    path = tmp_path / "none.jpg"
    path.touch()
    refuse(path, "0 bytes", "copy it")


def test_tiny_picture_is_one_sentence(tmp_path):
    """A picture of 10 x 10 pixels is refused with its size."""
    path = tmp_path / "icon.png"
    Image.new("RGB", (10, 10)).save(path)
    refuse(path, "10 x 10", "64")


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".webp", ".gif", ".bmp"])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.97])
def test_file_cut_short_is_one_sentence(tmp_path, suffix, share):
    """A file that lost its end on the way is refused, never half read."""
    path = tmp_path / f"cut{suffix}"
    noise = np.random.default_rng(3).integers(0, 256, (128, 128, 3), np.uint8)
    Image.fromarray(noise).save(path)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    refuse(path, "copy it from the camera again")


def test_only_the_first_bytes_is_one_sentence(tmp_path):
    """Three right bytes do not make a photo."""
    path = tmp_path / "start.jpg"
    path.write_bytes(b"\xff\xd8\xff")
    refuse(path, "damaged")


def make_huge_png(width: int, height: int) -> bytes:
    """Return a PNG whose header promises far more pixels than its few bytes hold."""
    import struct
    import zlib

    def chunk(name: bytes, content: bytes) -> bytes:
        check = zlib.crc32(name + content)
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", check)

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(b"\0" * 1000)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
    )


def test_bomb_is_refused_by_its_header(tmp_path):
    """A header of 10,000 megapixels is refused before anything is unpacked."""
    path = tmp_path / "bomb.png"
    path.write_bytes(make_huge_png(100_000, 100_000))
    refuse(path, "10000 megapixels", "600")


def test_limit_is_a_setting(tmp_path):
    """The pixel limit is taken from the settings; a photo below it is read."""
    path = tmp_path / "large.png"
    Image.new("RGB", (400, 300)).save(path)
    refuse(path, "megapixels", settings=PhotoSettings(max_megapixels=0.1))
    assert read_photo(path, settings=PhotoSettings(max_megapixels=0.2)).shape_px == (300, 400)


def test_pillow_limit_neither_binds_nor_changes(tmp_path, monkeypatch):
    """Pillow's program-wide pixel limit neither stops the reading nor is touched by it."""
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 1000)
    path = tmp_path / "large.png"
    path.write_bytes(png_bytes(make_corners()))
    assert read_photo(path).shape_px == (96, 128)
    assert Image.MAX_IMAGE_PIXELS == 1000


def png_bytes(pixels: np.ndarray) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG")
    return stream.getvalue()


def test_floating_point_picture_is_one_sentence(tmp_path):
    """A floating-point TIFF has no white and is refused."""
    path = tmp_path / "float.tif"
    Image.fromarray(np.zeros((80, 80), np.float32)).save(path)
    refuse(path, "float.tif", "16 bits")


@pytest.mark.parametrize(
    ("name", "start", "module", "extra"),
    [
        ("phone.heic", b"\0\0\0\x18ftypheic" + b"\0" * 40, "pillow_heif", 'rakelight[heif]"'),
        ("camera.dng", b"II*\0" + b"\0" * 40, "rawpy", 'rakelight[raw]"'),
    ],
)
def test_missing_extra_is_one_sentence(tmp_path, monkeypatch, name, start, module, extra):
    """HEIC and raw without their extra say which line to type."""
    monkeypatch.setitem(sys.modules, module, None)
    path = tmp_path / name
    path.write_bytes(start)
    refuse(path, name, "pip install", extra)


def test_damaged_heic_is_one_sentence(tmp_path):
    """A HEIC file of zeros is refused like any other damaged file."""
    pytest.importorskip("pillow_heif")
    path = tmp_path / "phone.heic"
    path.write_bytes(b"\0\0\0\x18ftypheic" + b"\0" * 400)
    refuse(path, "damaged")
