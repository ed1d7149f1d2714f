"""Make the pictures of sample_images/ anew: made-up photos of a potter's bench top, and a re-lit plaster.

    python benchmarks/make_sample_images.py [--out sample_images] [--normal-map FILE]

The panel is a rendering whose truth is written beside it. The plaster's relief comes from a CC0
normal map that lies in the folder (see ORIGIN.md there); nothing is fetched.
"""

import argparse
import io
import json
from importlib.resources import files
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import typst
from PIL import Image
from skimage.measure import label, regionprops_table

from rakelight.scale import card
from rakelight.scale.layout import (
    CARD_SIDE_MM,
    CARD_TOP_MM,
    PAPERS_MM,
    POST_CORNER_MM,
    POST_WALL_MM,
)
from rakelight.simulate.camera import Camera, aim_camera, photograph
from rakelight.simulate.filling import fill_pits
from rakelight.simulate.lamp import Lamp, light_slab, soft_light
from rakelight.simulate.props import lay_grey_card, lay_print, stand_post
from rakelight.simulate.recipes import choose_recipe
from rakelight.simulate.relief import integrate_normals, make_relief_slab
from rakelight.simulate.slab import Slab, make_slab

SEED = 2207
MM_PER_PX = 0.165
CARD = (18.0, 18.0, 64.0, 44.0)
LAMP = Lamp(270, 15, x_mm=-1700.0, y_mm=225.0, height_mm=536.0, spread_deg=0.8, warmth=1.06)
OTHER_LAMP = Lamp(90, 15, x_mm=2300.0, y_mm=225.0, height_mm=536.0, spread_deg=0.8, warmth=1.06)
CARD_AT_MM = (385.0, 235.0)
PRINT_PX_PER_MM = 8
CARD_ASKEW_DEG = 200.0
MARKS_MM = {4: (40.0, 40.0), 5: (560.0, 40.0), 6: (560.0, 410.0), 7: (40.0, 410.0)}
MARK_SIDE_MM, MARK_CUT_MM = 36.0, 50.0
PLASTER_MM_PER_PX = 0.15
PLAIN = Camera(jpeg_quality=None, defocus_px=0.75, full_well=30000.0)
QUALITY = 80


def make_panel() -> Slab:
    """Return the panel before repair: 600 x 450 mm, batch A left, batch B right."""
    recipe = choose_recipe(
        "worn",
        name="bench panel",
        size_mm=(600.0, 450.0),
        mm_per_px=MM_PER_PX,
        pits_per_m2=1700.0,
        diameter_median_mm=1.7,
        diameter_spread=0.7,
        shapes=(
            ("cap", 3.0),
            ("undercut", 3.0),
            ("ragged", 2.0),
            ("chipped", 1.0),
            ("merged", 1.0),
            ("flat", 1.0),
            ("dish", 1.0),
        ),
        cluster_share=0.4,
        slope_rms=0.018,
        waves=((0.8, 0.35), (3.0, 0.35), (14.0, 0.3)),
        unevenness_mm=0.18,
        mottling=0.055,
        gloss=0.08,
        n_trowel_arcs=7,
        n_cracks=1,
        scratches_per_m2=30.0,
        bumps_per_m2=50.0,
        stains_per_m2=45.0,
        joint_share=0.6,
        joint_tone_step=0.13,
        joint_lip_mm=0.04,
    )
    return make_slab(recipe, seed=SEED)


def aim_tilted(panel: Slab) -> Camera:
    """Return the camera of the tilted photo, whose corners are listed in samples.toml."""
    return aim_camera(
        panel,
        PLAIN,
        size_px=(3400, 2550),
        mm_per_px=0.212,
        aim_mm=(300.0, 232.0),
        tilt_deg=24.0,
        tilt_from_deg=180.0,
        turn_deg=-3.0,
        distance_mm=950.0,
    )


def print_card() -> np.ndarray:
    """Return the scale card as printed, uint8 grey."""
    data = {
        "title": "card",
        "lang": "en",
        "page": PAPERS_MM["a4"],
        "mark_pages": [],
        "card": card._lay_out_card("a4"),
    }
    png = typst.compile(
        files("rakelight.data").joinpath("typst/scale_card.typ").read_bytes(),
        font_paths=[str(files("rakelight.data").joinpath("fonts"))],
        ignore_system_fonts=True,
        sys_inputs={"data": json.dumps(data)},
        format="png",
        ppi=25.4 * PRINT_PX_PER_MM,
    )
    page = np.array(Image.open(io.BytesIO(png)).convert("L"))
    left_mm = (PAPERS_MM["a4"][0] - CARD_SIDE_MM) / 2
    top, left, side = (round(v * PRINT_PX_PER_MM) for v in (CARD_TOP_MM, left_mm, CARD_SIDE_MM))
    return page[top : top + side, left : left + side]


def lay_scale_card(panel: Slab) -> Slab:
    """Return the panel with the scale card on it, its shadow post folded up."""
    x_mm, y_mm = CARD_AT_MM
    size_mm = (CARD_SIDE_MM, CARD_SIDE_MM)
    panel = lay_print(panel, print_card(), x_mm, y_mm, size_mm=size_mm, thickness_mm=0.2)
    corner_x, corner_y = x_mm + POST_CORNER_MM[0], y_mm + POST_CORNER_MM[1]
    half, walls = POST_WALL_MM / 2, {"height_mm": POST_WALL_MM, "width_mm": POST_WALL_MM}
    panel = stand_post(panel, corner_x + half, corner_y, along_deg=0.0, **walls)
    return stand_post(panel, corner_x, corner_y + half, along_deg=90.0, **walls)


def lay_marks(panel: Slab) -> Slab:
    """Return the panel with four printed marks near its corners."""
    px = PRINT_PX_PER_MM
    for mark_id, (x_mm, y_mm) in MARKS_MM.items():
        square = np.full((round(MARK_CUT_MM * px),) * 2, 245, np.uint8)
        cells = card.draw_cells(mark_id).astype(np.uint8) * 245
        side, start = round(MARK_SIDE_MM * px), round((MARK_CUT_MM - MARK_SIDE_MM) / 2 * px)
        square[start : start + side, start : start + side] = cv2.resize(
            cells, (side, side), interpolation=cv2.INTER_NEAREST
        )
        corner = (x_mm - MARK_CUT_MM / 2, y_mm - MARK_CUT_MM / 2)
        size_mm = (MARK_CUT_MM, MARK_CUT_MM)
        panel = lay_print(panel, square, *corner, size_mm=size_mm, thickness_mm=0.1)
    return panel


def aim_leaning(panel: Slab, tilt_from_deg: float) -> Camera:
    """Return the camera of the photos with card and marks: a phone held a little askew."""
    return aim_camera(
        panel, PLAIN, size_px=(3360, 2560), mm_per_px=0.197, aim_mm=(300.0, 227.0), tilt_deg=8.0,
        tilt_from_deg=tilt_from_deg, turn_deg=2.0, distance_mm=950.0,
    )  # fmt: skip


def take_other_photos(panel: Slab) -> dict[str, np.ndarray]:
    """Return the photos of other ways: the lamp moved, the scale card, marks of known place."""
    moved = photograph(
        light_slab(panel, OTHER_LAMP, ambient=0.06), aim_camera(panel, PLAIN), seed=SEED + 21
    )
    photos = {"before_raking_right": moved}
    for name, laid, askew_deg in (
        ("card_raking", lay_scale_card(panel), CARD_ASKEW_DEG),
        ("marks_raking", lay_marks(panel), 150.0),
    ):
        light = light_slab(laid, LAMP, ambient=0.06)
        photos[name] = photograph(light, aim_leaning(laid, askew_deg), seed=SEED + len(photos) + 21)
    return photos


def take_photos(before: Slab, after: Slab) -> dict[str, np.ndarray]:
    """Return the photos of the panel by file name."""
    photos = {}
    for stage, panel, seed in (("before", before, 1), ("after", after, 2)):
        straight = aim_camera(panel, PLAIN)
        raking = light_slab(panel, LAMP, ambient=0.06)
        photos[f"{stage}_raking"] = photograph(raking, straight, seed=SEED + seed)
        if stage == "before":
            photos["before_raking_tilted"] = photograph(raking, aim_tilted(panel), seed=SEED + 7)
        with_card = lay_grey_card(panel, *CARD[:2], width_mm=CARD[2], height_mm=CARD[3])
        soft = soft_light(with_card, gradient=(0.10, -0.07), colour_cast=(1.05, 1.0, 0.93))
        photos[f"{stage}_soft_light"] = photograph(soft, straight, seed=SEED + 4 + seed)
    return photos


def relight_plaster(normal_map: Path) -> tuple[np.ndarray, pd.DataFrame]:
    """Return the re-lit plaster and the hollows of its relief, at twice the map's pixels."""
    normals = np.asarray(Image.open(normal_map).convert("RGB"))
    height = integrate_normals(normals, 2 * PLASTER_MM_PER_PX)
    height = cv2.resize(height, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    plaster = make_relief_slab(height, PLASTER_MM_PER_PX, seed=SEED)
    camera = aim_camera(plaster, PLAIN)
    light = light_slab(plaster, Lamp(270, 15, spread_deg=0.8), ambient=0.08)
    return photograph(light, camera, seed=SEED), find_hollows(height, PLASTER_MM_PER_PX)


def find_hollows(height_mm: np.ndarray, mm_per_px: float) -> pd.DataFrame:
    """Return where a relief lies more than .18 mm below its neighbourhood of about 7 mm.

    Read off the height, never off the picture. It lists hollows, sharp pits and soft dents alike.
    """
    below = cv2.GaussianBlur(height_mm, (0, 0), 7 / mm_per_px) - height_mm
    table = regionprops_table(
        label(below > 0.18),
        intensity_image=below,
        properties=("centroid", "equivalent_diameter_area", "intensity_max"),
    )
    hollows = pd.DataFrame(
        {
            "x_mm": (table["centroid-1"] + 0.5) * mm_per_px,
            "y_mm": (table["centroid-0"] + 0.5) * mm_per_px,
            "diameter_mm": table["equivalent_diameter_area"] * mm_per_px,
            "depth_mm": table["intensity_max"],
        }
    )
    return hollows.query("diameter_mm >= 2").round(2)


def write_photo(folder: Path, name: str, rgb: np.ndarray) -> None:
    """Write one JPEG without any date, so that the same seed gives the same file."""
    Image.fromarray(rgb).save(
        folder / f"{name}.jpg", quality=QUALITY, optimize=True, progressive=True
    )


def write_list(folder: Path, corners_px: np.ndarray, card_corners_px: np.ndarray) -> None:
    """Write samples.toml: what a person would have noted down beside each photo."""
    head = "# Written by benchmarks/make_sample_images.py. Lengths in mm, angles in degrees.\n"
    lamp = (
        f"lamp_from_deg = {LAMP.from_deg:g}\nlamp_angle_deg = {LAMP.angle_deg:g}\n"
        f"lamp_at_mm = [{LAMP.x_mm:g}, {LAMP.y_mm:g}, {LAMP.height_mm:g}]\n"
    )
    straight = f"mm_per_px = {MM_PER_PX:g}\n"
    card = (
        f"grey_card_mm = [{', '.join(f'{value:g}' for value in CARD)}]\n"
        "grey_card_reflectance = 0.18\n"
    )
    corners, on_card = (
        ", ".join(f"[{x:.1f}, {y:.1f}]" for x, y in places)
        for places in (corners_px, card_corners_px)
    )
    entries = (
        ("before_raking", "raking", "after demold", straight + lamp),
        ("before_soft_light", "soft light", "after demold", straight + card),
        ("before_raking_tilted", "raking", "after demold", f"corners_px = [{corners}]\n" + lamp),
        ("after_raking", "raking", "after filling", straight + lamp),
        ("after_soft_light", "soft light", "after filling", straight + card),
    )
    right = (
        f"lamp_from_deg = {OTHER_LAMP.from_deg:g}\nlamp_angle_deg = {OTHER_LAMP.angle_deg:g}\n"
        f"lamp_at_mm = [{OTHER_LAMP.x_mm:g}, {OTHER_LAMP.y_mm:g}, {OTHER_LAMP.height_mm:g}]\n"
    )
    entries += (
        ("before_raking_right", "raking", "after demold", straight + right),
        (
            "card_raking",
            "raking",
            "after demold",
            f"scale_card = true\ncorners_px = [{on_card}]\n" + lamp,
        ),
        ("marks_raking", "raking", "after demold", 'marks = "marks.toml"\n' + lamp),
    )
    parts = [head]
    for name, light, stage, more in entries:
        parts.append(
            f'\n[[photo]]\nfile = "{name}.jpg"\nslab_name = "bench panel 3"\n'
            f'light = "{light}"\nstage = "{stage}"\nslab_mm = [600, 450]\n{more}'
        )
    parts.append(
        '\n[[photo]]\nfile = "relit_plaster.jpg"\nslab_name = "relit plaster"\n'
        'light = "raking"\nstage = "relit relief"\n'
        f"mm_per_px = {PLASTER_MM_PER_PX:g}\nscale_is_assumed = true\n"
        "lamp_from_deg = 270\nlamp_angle_deg = 15\n"
    )
    (folder / "samples.toml").write_text("".join(parts), encoding="utf-8")


def write_marks(folder: Path) -> None:
    """Write marks.toml: where the marks lie on the panel, as a person would have measured them."""
    lines = [
        "# Written by benchmarks/make_sample_images.py: the marks of marks_raking.jpg, in mm on the panel.",
        'slab = "600x450"',
    ]
    for mark_id, (x_mm, y_mm) in MARKS_MM.items():
        lines += ["", "[[mark]]", f"id = {mark_id}", f"side_mm = {MARK_SIDE_MM:g}"]
        lines += [f"x_mm = {x_mm:g}", f"y_mm = {y_mm:g}"]
    (folder / "marks.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


def main() -> None:
    """Write every picture, list and truth table of the folder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    home = Path(__file__).resolve().parents[1] / "sample_images"
    parser.add_argument("--out", type=Path, default=home)
    parser.add_argument("--normal-map", type=Path, default=home / "plaster_normals.webp")
    given = parser.parse_args()
    truth = given.out / "truth"
    truth.mkdir(parents=True, exist_ok=True)
    before = make_panel()
    after = fill_pits(
        before, fraction=0.88, dished_fraction=0.12, n_new=14, tone_offset=-0.1, seed=SEED
    )
    for name, rgb in (take_photos(before, after) | take_other_photos(before)).items():
        write_photo(given.out, name, rgb)
    write_marks(given.out)
    plaster, hollows = relight_plaster(given.normal_map)
    write_photo(given.out, "relit_plaster", plaster)
    write_list(
        given.out,
        aim_tilted(before).find_corners(),
        aim_leaning(before, CARD_ASKEW_DEG).find_corners(),
    )
    before.pits.round(3).to_csv(truth / "before_pits.csv", index=False)
    before.marks.round(3).to_csv(truth / "marks.csv", index=False)
    after.pits.round(3).to_csv(truth / "after_pits.csv", index=False)
    hollows.to_csv(truth / "relit_plaster_hollows.csv", index=False)


if __name__ == "__main__":
    main()
