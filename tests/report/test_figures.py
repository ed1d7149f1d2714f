"""Map and heat map: every pit has its sign, forms differ without colour, unseen is never empty."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rakelight.core.settings import ReportSettings
from rakelight.report import facts, figures, frame

SMALL = ReportSettings(map_max_side_px=1200)


@pytest.fixture(scope="module")
def bench_map(bench):
    """The map of the made-up bench top and how it is laid out."""
    picture = figures.draw_map(bench, settings=SMALL)
    return picture, frame.lay_out(bench, SMALL, legend_lines=2)


def test_map_has_the_asked_size_and_type(bench_map):
    """RGB bytes whose longest side is the setting; the legend may add or save a line or two."""
    picture, _ = bench_map
    assert picture.dtype == np.uint8
    assert picture.shape[2] == 3
    assert picture.shape[1] == 1200
    assert picture.shape[0] <= 1250


def test_every_pit_wears_the_colour_of_its_band(bench):
    """Within the reach of each pit's sign its band's colour is found, unless another covers it."""
    large = ReportSettings(map_max_side_px=2000)  # thin rings keep their full colour
    picture = figures.draw_map(bench, settings=large)
    sheet = frame.lay_out(bench, large, legend_lines=2)
    x_px, y_px = sheet.to_px(bench.pits["x_mm"], bench.pits["y_mm"])
    bands = facts.band_index(bench.pits["diameter_mm"], facts.size_bands(bench))
    found = 0
    for x, y, band in zip(x_px, y_px, bands, strict=True):
        reach = 20 if band < 3 else 40
        patch = picture[int(y) - reach : int(y) + reach, int(x) - reach : int(x) + reach].astype(
            int
        )
        gap = np.abs(patch - np.array(figures.BAND_COLOURS[band])).sum(axis=2)
        found += bool((gap < 60).any())
    assert found == len(bench.pits)


def test_signs_of_the_bands_differ_without_colour(bench, monkeypatch):
    """With one colour for all four, the four signs still differ in form from each other."""
    monkeypatch.setattr(figures, "BAND_COLOURS", ((255, 255, 255),) * 4)
    signs = []
    for band in range(4):
        sheet = frame.lay_out(bench, SMALL, legend_lines=2)
        sheet.rgb[:] = 128
        figures._draw_pit(sheet, figures._PitSign((200.0, 200.0), 4.0, band, sheet.unit))
        grey = cv2.cvtColor(sheet.rgb[150:250, 150:250], cv2.COLOR_RGB2GRAY)
        signs.append(grey != 128)
    # Band 1 is told from band 0 by size on the map and by the number beside it.
    areas = [int(sign.sum()) for sign in signs]
    assert areas[1] < areas[2] < areas[3]
    legend_radii = []
    for band in range(4):
        sheet = frame.lay_out(bench, SMALL, legend_lines=2)
        sheet.rgb[:] = 128
        figures._band_sign(band)(sheet, (200.0, 200.0))
        legend_radii.append(int((sheet.rgb[..., 0] != 128).sum()))
    assert len(set(legend_radii)) == 4


def test_face_not_seen_is_hatched_and_bare_of_photo(bench, bench_map):
    """The opening shows only the hatching's two tones, its outline and field names."""
    picture, sheet = bench_map
    (x0,), (y0,) = sheet.to_px([760], [260])
    (x1,), (y1,) = sheet.to_px([890], [290])
    patch = picture[int(y0) : int(y1), int(x0) : int(x1)].reshape(-1, 3)
    tones = {tuple(int(v) for v in pixel) for pixel in np.unique(patch, axis=0)}
    assert {(255, 255, 255), (168, 168, 166)} == tones


def test_drawing_repeats_and_leaves_the_record_alone(bench):
    """The same record gives the same picture, and the record is as it was."""
    before = bench.face.rgb.copy(), bench.pits.copy()
    one, two = (figures.draw_map(bench, settings=SMALL) for _ in range(2))
    assert np.array_equal(one, two)
    assert np.array_equal(before[0], bench.face.rgb)
    assert before[1].equals(bench.pits)


def test_empty_face_has_map_and_heat_map(clean_bench):
    """No pit, no mark: both pictures are drawn, with no band colour in the face."""
    picture = figures.draw_map(clean_bench, settings=SMALL)
    sheet = frame.lay_out(clean_bench, SMALL, legend_lines=2)
    face = picture[sheet.top : sheet.top + 300, sheet.left : sheet.left + 300].astype(int)
    assert np.ptp(face, axis=2).max() <= 8  # photo and ink; every band colour spans 29 or more
    assert figures.draw_heat(clean_bench, settings=SMALL).ndim == 3


@pytest.mark.parametrize("size_mm", [(2400.0, 60.0), (60.0, 1500.0), (40.0, 40.0)])
@pytest.mark.parametrize("units", ["mm", "in"])
def test_odd_shapes_are_drawn(make_inspection, size_mm, units):
    """Edge strips, upright slabs and tiny faces give pictures, in either unit."""
    face = make_inspection(size_mm=size_mm, n_pits=12, has_opening=False)
    for draw in (figures.draw_map, figures.draw_heat, figures.draw_face):
        picture = draw(face, settings=ReportSettings(map_max_side_px=900, units=units))
        assert picture.shape[0] > 50
        assert picture.shape[1] > 50


def test_unknown_lamp_and_missing_sizes_are_drawn(bench):
    """No lamp side, no outlines, no smallest size: drawn all the same."""
    bare = replace(
        bench,
        lamp=type(bench.lamp)(),
        outlines_mm=(),
        quality=replace(bench.quality, smallest_countable_mm=np.nan),
        plan=replace(bench.plan, fields=bench.plan.fields.iloc[:0]),
    )
    assert figures.draw_map(bare, settings=SMALL).ndim == 3
    assert figures.draw_heat(bare, settings=SMALL).ndim == 3


def test_ramp_grows_darker_all_the_way():
    """Lightness falls at every step, so that the order survives grey print and colour blindness."""
    colours = np.array([[figures._ramp(share) for share in np.linspace(0, 1, 21)]], np.uint8)
    lightness = cv2.cvtColor(colours, cv2.COLOR_RGB2LAB)[0, :, 0].astype(int)
    assert (np.diff(lightness) < 0).all()


def test_field_never_seen_is_not_shown_as_clean(bench):
    """A field whose density is unknown is hatched, a field with none is the palest colour."""
    fields = bench.plan.fields.copy()
    fields.loc[0, "pits_per_m2"] = np.nan
    fields.loc[1, "pits_per_m2"] = 0.0
    picture = figures.draw_heat(
        replace(bench, plan=replace(bench.plan, fields=fields)), settings=SMALL
    )
    sheet = frame.lay_out(bench, SMALL, legend_lines=2)
    shades = []
    for row in (0, 1):
        (x,), (y,) = sheet.to_px([fields["x_mm"][row] + 20], [fields["y_mm"][row] + 30])
        patch = picture[int(y) : int(y) + 20, int(x) : int(x) + 20].reshape(-1, 3)
        shades.append({tuple(int(v) for v in pixel) for pixel in patch})
    assert shades[0] == {(255, 255, 255), (168, 168, 166)}
    assert shades[1] == {tuple(int(v) for v in figures._ramp(0.0))}


def test_marks_drawn_are_few_and_never_grain(make_inspection):
    """Of thousands of marks only those as large as a countable pit get a sign, one per place."""
    face = make_inspection(n_pits=3)
    many = face.marks.loc[np.repeat(0, 5000)].reset_index(drop=True)
    random = np.random.default_rng(1)
    many = many.assign(
        x_mm=random.uniform(0, 1200, 5000),
        y_mm=random.uniform(0, 700, 5000),
        kind=np.where(np.arange(5000) % 2, "grain", "bump"),
        length_mm=random.uniform(0.2, 5, 5000),
    )
    chosen = figures.choose_marks(replace(face, marks=many), spacing_mm=40.0)
    assert 0 < len(chosen) <= 80
    assert (chosen["kind"] == "bump").all()
    assert (chosen["length_mm"] >= 1.1).all()


def test_a_large_face_made_smaller_in_strips_is_the_same():
    """A face many times too large is made grey and smaller strip by strip: one grey level on average (rounding)."""
    y, x = np.mgrid[:1303, :1702]
    rgb = np.stack([60 + x / 20, 80 + y / 15, 90 + (x + y) / 40], axis=2).astype(np.uint8)
    whole = cv2.resize(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), (120, 90), interpolation=cv2.INTER_AREA)
    small = figures._grey_face(rgb, (120, 90))
    assert small.size < rgb.size / 3 / 16
    again = cv2.resize(small, (120, 90), interpolation=cv2.INTER_AREA)
    assert np.abs(again.astype(int) - whole).mean() < 1
