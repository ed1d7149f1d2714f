"""A made-up inspection of a pottery studio's bench top, so that reports are tested alone."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pandas as pd
import pytest

from rakelight.core import records
from rakelight.core.settings import Settings
from rakelight.core.units import MM2_PER_M2

FIELD_MM = 300.0
PAINT_ABOVE_PX = 0.4


def build_inspection(
    *,
    size_mm=(1200.0, 700.0),
    mm_per_px=1.0,
    n_pits=60,
    seed=7,
    has_opening=True,
    is_agreed=True,
    has_colour=True,
    job=None,
):
    """Return an Inspection with pits in two clusters and a scatter, marks, a plan and grades."""
    random = np.random.default_rng(seed)
    pits, outlines = _make_pits(random, size_mm, n_pits)
    opening = (0.62 * size_mm[0], 0.35 * size_mm[1], 0.16 * size_mm[0], 0.35 * size_mm[1])
    if has_opening:
        keep = ~_is_inside(pits, opening, 12.0)
        pits, outlines = (
            pits[keep].reset_index(drop=True),
            [outline for outline, kept in zip(outlines, keep, strict=True) if kept],
        )
        pits["pit_id"] = np.arange(1, len(pits) + 1)
    marks = _make_marks(random, size_mm)
    face = _paint_face(random, size_mm, mm_per_px, pits, marks, opening if has_opening else None)
    plan = _make_plan(pits, size_mm, face)
    settings = Settings().to_mapping()
    settings["agreed"] = _agreed() if is_agreed else None
    return records.Inspection(
        photos=(
            {
                "name": "bench_raking_left.jpg",
                "sha256": "5f" * 32,
                "kind": "raking",
                "exif": {"DateTimeOriginal": "2026:03:14 18:42:10"},
            },
        ),
        quality=records.Quality(
            verdict="good",
            advice=("Photo is good enough for pits from 1.1 mm.",),
            blur_sigma_px=0.9,
            noise_sd=0.012,
            clipped_white_share=0.0004,
            clipped_black_share=0.002,
            smallest_countable_mm=1.1,
        ),
        scale=records.Scale(
            source="corners",
            mm_per_px=mm_per_px,
            mm_per_px_sd=0.002 * mm_per_px,
            to_slab=np.eye(3),
            size_mm=size_mm,
        ),
        lamp=records.Lamp(from_deg=270.0, angle_deg=14.0, basis="said"),
        face=face,
        pits=pits,
        marks=marks,
        zones=_make_zones(size_mm, opening if has_opening else None),
        grade=_make_grades(),
        colour=_make_colour(random, size_mm) if has_colour else _no_colour(),
        plan=plan,
        settings=settings,
        version="0.1.0",
        job=job
        if job is not None
        else {
            "job": "Studio bench",
            "slab": "Bench top",
            "client": "Pottery studio",
            "stage": "after honing",
        },
        outlines_mm=tuple(outlines),
        limits_of_this_answer=(
            "Counts only holes open at the surface and at least 1.1 mm wide; "
            "skinned-over holes stay hidden.",
            "One lamp gives a least depth, not a depth.",
        ),
        warnings=(),
    )


def _agreed():
    return {
        "smallest_mm": 2.0,
        "limit": "at most 21.5 pits from 2 mm per m2 on the top face",
        "viewing_distance_mm": 600.0,
        "scheme": "trade rule per square foot",
        "signed_on": "2026-02-20",
        "is_met": False,
    }


def _make_pits(random, size_mm, n_pits):
    width, height = size_mm
    n_cluster = n_pits // 3
    x = np.r_[
        random.uniform(12, width - 12, n_pits - 2 * n_cluster),
        random.normal(0.2 * width, 55, n_cluster),
        random.normal(0.85 * width, 40, n_cluster),
    ].clip(8, width - 8)
    y = np.r_[
        random.uniform(12, height - 12, n_pits - 2 * n_cluster),
        random.normal(0.75 * height, 50, n_cluster),
        random.normal(0.3 * height, 60, n_cluster),
    ].clip(8, height - 8)
    diameter = np.clip(random.lognormal(math.log(2.4), 0.6, n_pits), 1.1, 13)
    if n_pits > 4:
        diameter[1], diameter[3] = 18.4, 9.2
    order = _walk(x, y, height)
    x, y, diameter = x[order], y[order], diameter[order]
    stretch = random.uniform(1.02, 1.3, n_pits)
    turn = random.uniform(0, math.pi, n_pits)
    outlines = [_outline(*pit) for pit in zip(x, y, diameter, stretch, turn, strict=True)]
    near_edge = (np.minimum(x, width - x) < 10) | (np.minimum(y, height - y) < 10)
    table = records.make_table(
        records.PIT_COLUMNS,
        {
            "pit_id": np.arange(1, n_pits + 1),
            "x_mm": x,
            "y_mm": y,
            "diameter_mm": diameter,
            "length_mm": diameter * np.sqrt(stretch),
            "width_mm": diameter / np.sqrt(stretch),
            "area_mm2": math.pi / 4 * diameter**2,
            "depth_mm": np.where(diameter > 3, 0.2 * diameter, np.nan),
            "depth_basis": np.where(diameter > 3, "at_least", "unknown"),
            "volume_mm3": math.pi / 12 * diameter**3,
            "kind": np.select([diameter < 2, diameter <= 15], ["pinhole", "bug_hole"], "void"),
            "confidence": random.uniform(0.55, 0.99, n_pits),
            "zone": np.where(x < width / 2, "A", "B"),
            "near_edge": near_edge,
            "flags": np.where(near_edge, "near_edge", ""),
            "diameter_sd_mm": 0.05 + 0.04 * diameter,
        },
    )
    return table, outlines


def _walk(x, y, height):
    strip = ((height - y) // 100).astype(int)
    return np.lexsort((np.where(strip % 2 == 0, x, -x), strip))


def _outline(x, y, diameter, stretch, turn):
    angle = np.linspace(0, 2 * math.pi, 20, endpoint=False)
    along = diameter / 2 * math.sqrt(stretch) * np.cos(angle)
    across = diameter / 2 / math.sqrt(stretch) * np.sin(angle)
    wobble = 1 + 0.07 * np.sin(3 * angle + x)
    cos, sin = math.cos(turn), math.sin(turn)
    return np.c_[
        x + wobble * (along * cos - across * sin), y + wobble * (along * sin + across * cos)
    ]


def _is_inside(pits, box, margin_mm):
    x, y, width, height = box
    return (
        pits["x_mm"].between(x - margin_mm, x + width + margin_mm)
        & pits["y_mm"].between(y - margin_mm, y + height + margin_mm)
    ).to_numpy()


def _make_marks(random, size_mm):
    n = 9
    length = random.uniform(3, 30, n)
    return records.make_table(
        records.MARK_COLUMNS,
        {
            "mark_id": np.arange(1, n + 1),
            "x_mm": random.uniform(20, size_mm[0] - 20, n),
            "y_mm": random.uniform(20, size_mm[1] - 20, n),
            "diameter_mm": length * 0.7,
            "length_mm": length,
            "width_mm": length * 0.4,
            "area_mm2": length**2 * 0.3,
            "kind": [records.MARK_KINDS[i % 5] for i in range(n)],
            "confidence": random.uniform(0.4, 0.9, n),
        },
    )


def _paint_face(random, size_mm, mm_per_px, pits, marks, opening):
    cols, rows = round(size_mm[0] / mm_per_px), round(size_mm[1] / mm_per_px)
    grain = cv2.GaussianBlur(random.normal(0, 1, (rows, cols)).astype(np.float32), (0, 0), 1.2)
    cloud = random.normal(0, 1, (rows // 50 + 3, cols // 50 + 3)).astype(np.float32)
    cloud = cv2.resize(cloud, (cols, rows), interpolation=cv2.INTER_CUBIC)
    lamp = np.linspace(1.12, 0.9, cols, dtype=np.float32)[None, :]
    light = (142 + 11 * grain + 4 * cloud) * lamp
    for pit in pits.itertuples():
        _paint_pit(light, pit.x_mm / mm_per_px, pit.y_mm / mm_per_px, pit.diameter_mm / mm_per_px)
    rgb = np.clip(light[..., None] * np.array([1.0, 0.985, 0.95], np.float32), 0, 255)
    seen = np.ones((rows, cols), bool)
    if opening is not None:
        x, y, width, height = (round(side / mm_per_px) for side in opening)
        seen[y : y + height, x : x + width] = False
        rgb[y : y + height, x : x + width] = 35
    seen[: rows // 6, cols - cols // 12 :] = False
    return records.FaceMap(rgb=rgb.astype(np.uint8), seen=seen, mm_per_px=mm_per_px)


def _paint_pit(light, col, row, diameter_px):
    reach = int(diameter_px) + 3
    top, left = max(int(row) - reach, 0), max(int(col) - reach, 0)
    patch = light[top : int(row) + reach, left : int(col) + reach]
    if not patch.size:
        return
    rows, cols = np.mgrid[top : top + patch.shape[0], left : left + patch.shape[1]]
    across, along = rows - row, cols - col
    inside = np.hypot(across, along) < max(diameter_px / 2, PAINT_ABOVE_PX)
    patch[inside] *= np.where(along[inside] < 0.12 * diameter_px, 0.32, 1.5)


def _make_zones(size_mm, opening):
    width, height = size_mm
    zones = [
        {"name": "A", "kind": "pour", "x_mm": 0.0, "y_mm": 0.0, "width_mm": width / 2,
         "height_mm": height},
        {"name": "B", "kind": "pour", "x_mm": width / 2, "y_mm": 0.0, "width_mm": width / 2,
         "height_mm": height},
    ]  # fmt: skip
    if opening is not None:
        x, y, w, h = opening
        corners = [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]
        zones.append({"name": "sink", "kind": "opening", "outline_mm": np.array(corners)})
    return tuple(zones)


def _make_plan(pits, size_mm, face):
    width, height = size_mm
    rows = []
    n_down = math.ceil(height / FIELD_MM)
    for down in range(n_down):
        bottom = height - down * FIELD_MM
        top = max(bottom - FIELD_MM, 0.0)
        for across in range(math.ceil(width / FIELD_MM)):
            left = across * FIELD_MM
            right = min(left + FIELD_MM, width)
            rows.append(
                _plan_row(pits, face, chr(65 + down), across + 1, (left, top, right, bottom))
            )
    table = records.make_table(records.PLAN_COLUMNS, pd.DataFrame(rows).to_dict("list"))
    paste = float(table["paste_g"].sum())
    return records.RepairPlan(
        fields=table,
        amounts={
            "paste_g": paste + 50, "holes_g": 12.0, "film_g": paste - 12, "remainder_g": 50.0,
            "n_batches": 2, "batch_g": (paste + 50) / 2, "minutes": float(table["minutes"].sum()),
        },
        order=(
            {"title": "Test patch", "text": "On an offcut or the underside; compare fully dry."},
            {"title": "Voids over 15 mm", "text": "Look, chip to sound, pack stiff.", "wait_min": 60},
            {"title": "Holes 6 to 15 mm", "text": "Fill in two lifts.", "wait_min": 60},
            {"title": "Hone 200", "text": "Wet; then dry: no water left in the holes."},
            {"title": "Coat or fill", "text": "Whole field, one batch, one session.", "wait_min": 120},
            {"title": "Cut back and look again", "text": "Same lamp side; refill what is still open."},
            {"title": "Final grit", "text": "Then dry, then the checklist before any sealer."},
        ),
    )  # fmt: skip


def _plan_row(pits, face, letter, number, box):
    left, top, right, bottom = box
    inside = (
        (pits["x_mm"] >= left) & (pits["x_mm"] < right)
        & (pits["y_mm"] >= top) & (pits["y_mm"] < bottom)
    )  # fmt: skip
    scale = face.mm_per_px
    seen = face.seen[int(top / scale) : int(bottom / scale), int(left / scale) : int(right / scale)]
    area_m2 = np.count_nonzero(seen) * scale**2 / MM2_PER_M2
    n = int(inside.sum())
    per_m2 = n / area_m2 if area_m2 > 0.005 else math.nan
    largest = pits.loc[inside, "diameter_mm"].max() if n else 0.0
    action, reason = "leave", "Within what was agreed: nothing from 2 mm to fill."
    if largest > 15:
        action, reason = "repair_by_eye", "A void above 15 mm: look at it before anything else."
    elif per_m2 > 80:
        action, reason = "slurry_coat", "Coating is quicker here than filling one by one."
    elif largest > 6:
        action, reason = "fill_two_lifts", "A hole above 6 mm needs two lifts."
    elif largest > 2:
        action, reason = "fill", "Few holes: filling by hand is quicker than a coat."
    return {
        "field": f"{letter}{number}", "zone": "A" if number < 3 else "B",
        "x_mm": left, "y_mm": top, "width_mm": right - left, "height_mm": bottom - top,
        "n_pits": n, "pits_per_m2": per_m2,
        "area_share": float(pits.loc[inside, "area_mm2"].sum()) / max(area_m2 * MM2_PER_M2, 1.0),
        "action": action, "reason": reason, "minutes": 0.0 if action == "leave" else 0.5 * n,
        "paste_g": 44.0 if action == "slurry_coat" else 0.3 * n, "cost": math.nan, "locked": False,
    }  # fmt: skip


def _make_grades():
    window = records.Window((500.0, 500.0), 20.0, 180.0, 0.0041, 38)
    common = {"window": window, "unit": "share", "value": 0.0041}
    return records.GradeReport(
        windows=(
            {"size_mm": (500.0, 500.0), "min": 0.0002, "median": 0.0011, "max": 0.0041,
             "x_mm": 20.0, "y_mm": 180.0},
        ),
        grades=(
            records.Grade(
                scheme="dbv_p", title="Fair-faced porosity classes", class_name="P3",
                range=("P3", "P4"), rule="pits of 2 to 15 mm, share of a 500 x 500 mm field",
                source="DBV/VDZ leaflet", mark="memory", **common,
            ),
            records.Grade(
                scheme="oenorm_b2211", title="OeNORM B 2211 pore classes", class_name="2P",
                range=("2P",), rule="pits of 1 to 15 mm, share of a 500 x 500 mm field",
                source="OeNORM B 2211", mark="read", is_borderline=True, **common,
            ),
        ),
        notes=("Classes come from walls cast against forms: a comparison, not a verdict on a top.",),
    )  # fmt: skip


def _make_colour(random, size_mm):
    x, y = np.meshgrid(np.arange(25, size_mm[0], 50), np.arange(25, size_mm[1], 50))
    table = records.make_table(
        records.COLOUR_COLUMNS,
        {
            "x_mm": x.ravel(),
            "y_mm": y.ravel(),
            "L": np.where(x.ravel() < size_mm[0] / 2, 61.0, 58.4) + random.normal(0, 0.4, x.size),
            "a": np.full(x.size, 0.6),
            "b": np.full(x.size, 4.1),
        },
    )
    return records.ColourReport(table=table, figures={"sentence": "End B reads 2.6 L* darker."})


def _no_colour():
    return records.ColourReport(table=records.make_table(records.COLOUR_COLUMNS))


def build_empty(inspection):
    """Return the same survey with no pit at all."""
    fields = inspection.plan.fields.assign(
        n_pits=0, pits_per_m2=0.0, area_share=0.0, action="leave", minutes=0.0, paste_g=0.0
    )
    return replace(
        inspection,
        pits=records.make_table(records.PIT_COLUMNS),
        marks=records.make_table(records.MARK_COLUMNS),
        outlines_mm=(),
        plan=replace(inspection.plan, fields=fields, amounts={}, order=()),
    )


@pytest.fixture(scope="session")
def make_inspection():
    """Return the builder of made-up inspections."""
    return build_inspection


@pytest.fixture(scope="session")
def bench():
    """One made-up bench top, 1200 x 700 mm, 60 pits, with a sink opening."""
    return build_inspection()


@pytest.fixture(scope="session")
def clean_bench(bench):
    """The same bench top without any pit."""
    return build_empty(bench)
