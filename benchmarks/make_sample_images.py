"""Make the pictures of sample_images/ anew: made-up photos of a potter's bench top, and a re-lit plaster.

    python benchmarks/make_sample_images.py [--out sample_images] [--normal-map FILE]

The panel is a rendering whose truth is written beside it. The plaster's relief comes from a CC0
normal map that lies in the folder (see ORIGIN.md there); nothing is fetched.
"""

import argparse
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from PIL import Image
from skimage.measure import label, regionprops_table

from rakelight.simulate.camera import Camera, aim_camera, photograph
from rakelight.simulate.filling import fill_pits
from rakelight.simulate.lamp import Lamp, light_slab, soft_light
from rakelight.simulate.props import lay_grey_card
from rakelight.simulate.recipes import choose_recipe
from rakelight.simulate.relief import integrate_normals, make_relief_slab
from rakelight.simulate.slab import Slab, make_slab

SEED = 2207
MM_PER_PX = 0.165
CARD = (18.0, 18.0, 64.0, 44.0)
LAMP = Lamp(270, 15, x_mm=-1700.0, y_mm=225.0, height_mm=536.0, spread_deg=0.8, warmth=1.06)
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


def write_list(folder: Path, corners_px: np.ndarray) -> None:
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
    corners = ", ".join(f"[{x:.1f}, {y:.1f}]" for x, y in corners_px)
    entries = (
        ("before_raking", "raking", "after demold", straight + lamp),
        ("before_soft_light", "soft light", "after demold", straight + card),
        ("before_raking_tilted", "raking", "after demold", f"corners_px = [{corners}]\n" + lamp),
        ("after_raking", "raking", "after filling", straight + lamp),
        ("after_soft_light", "soft light", "after filling", straight + card),
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
    for name, rgb in take_photos(before, after).items():
        write_photo(given.out, name, rgb)
    plaster, hollows = relight_plaster(given.normal_map)
    write_photo(given.out, "relit_plaster", plaster)
    write_list(given.out, aim_tilted(before).find_corners())
    before.pits.round(3).to_csv(truth / "before_pits.csv", index=False)
    before.marks.round(3).to_csv(truth / "marks.csv", index=False)
    after.pits.round(3).to_csv(truth / "after_pits.csv", index=False)
    hollows.to_csv(truth / "relit_plaster_hollows.csv", index=False)


if __name__ == "__main__":
    main()
