"""The columns of every table, declared once: name, dtype, unit and meaning.

`docs/columns.md` is made from these. Nothing found = an empty table with all columns.
"""

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table: its name, pandas dtype, unit and meaning."""

    name: str
    dtype: str
    unit: str
    meaning: str


_PLACE_AND_SIZE = (
    Column("x_mm", "float64", "mm", "Centre of the mouth, to the right from the plan's left edge."),
    Column("y_mm", "float64", "mm", "Centre of the mouth, down from the plan's top edge."),
    Column("diameter_mm", "float64", "mm", "Diameter of the circle with the same mouth area."),
    Column("length_mm", "float64", "mm", "Largest caliper of the mouth."),
    Column("width_mm", "float64", "mm", "Smallest caliper of the mouth."),
    Column("area_mm2", "float64", "mm2", "Area of the mouth in the plane of the face."),
)

PIT_COLUMNS: tuple[Column, ...] = (
    Column("pit_id", "int64", "", "Number of the pit, from 1, in walking order."),
    *_PLACE_AND_SIZE,
    Column("depth_mm", "float64", "mm", "Depth as depth_basis says; NaN when it cannot be known."),
    Column("depth_basis", "str", "", "at_least (one lamp), lamps (two or more), pin (typed in) or unknown."),
    Column("volume_mm3", "float64", "mm3", "Volume to fill, a guess: half a sphere, or more when the least depth says so."),
    Column("kind", "str", "", "pinhole, bug_hole or void, by diameter."),
    Column("confidence", "float64", "", "Calibrated chance that this is a real pit, 0 to 1."),
    Column("zone", "str", "", "Pour zone or pitting area the pit lies in; empty when none."),
    Column("near_edge", "bool", "", "Within the edge margin of the slab's edge or an opening."),
    Column("flags", "str", "", "Names of the doubts about this pit, joined by a space."),
    Column("diameter_sd_mm", "float64", "mm", "Standard uncertainty of the diameter."),
)

EVIDENCE_COLUMNS: tuple[Column, ...] = (
    Column("pit_id", "int64", "", "Number of the pit."),
    Column("shade", "float64", "", "Darkness of the side toward the lamp, in noise levels (asinh)."),
    Column("rim", "float64", "", "Brightness of the far side, in noise levels (asinh)."),
)

MARK_COLUMNS: tuple[Column, ...] = (
    Column("mark_id", "int64", "", "Number of the mark, from 1."),
    *_PLACE_AND_SIZE,
    Column("kind", "str", "", "bump, stain, scratch, crack, trowel_mark, joint, grain or other."),
    Column("confidence", "float64", "", "Chance that this is such a mark, 0 to 1."),
    Column("flags", "str", "", "Names of the doubts about this mark, joined by a space."),
)

COLOUR_COLUMNS: tuple[Column, ...] = (
    Column("x_mm", "float64", "mm", "Centre of the cell, from the left."),
    Column("y_mm", "float64", "mm", "Centre of the cell, from the top."),
    Column("L", "float64", "", "CIE L* (D65, 2 degrees), mean of the middle half of the clean face in the cell."),
    Column("a", "float64", "", "CIE a*."),
    Column("b", "float64", "", "CIE b*."),
)

PATCH_COLUMNS: tuple[Column, ...] = (
    Column("patch_id", "int64", "", "Number of the filled pit or marked patch."),
    Column("x_mm", "float64", "mm", "Its middle, from the left."),
    Column("y_mm", "float64", "mm", "Its middle, from the top."),
    Column("diameter_mm", "float64", "mm", "Its diameter."),
    Column("L", "float64", "", "CIE L* of the patch, without its rim."),
    Column("a", "float64", "", "CIE a* of the patch."),
    Column("b", "float64", "", "CIE b* of the patch."),
    Column("ring_L", "float64", "", "CIE L* of the ring of face around it."),
    Column("ring_a", "float64", "", "CIE a* of the ring."),
    Column("ring_b", "float64", "", "CIE b* of the ring."),
    Column("dE00", "float64", "", "CIEDE2000 difference of the patch to its ring; NaN when not judged."),
    Column("dE00_sd", "float64", "", "Standard uncertainty of the difference."),
    Column("words", "str", "", "How the patch differs: lighter, darker, warmer, cooler; or why it was not judged."),
    Column("reads_as_spot", "bool", "", "The difference reaches the limit at which a patch reads as a spot."),
    Column("age_days", "float64", "d", "Days since it was filled; NaN when not said."),
)

TRIAL_COLUMNS: tuple[Column, ...] = (
    Column("name", "str", "", "Name of the trial."),
    Column("age_days", "float64", "d", "Days since it was made; NaN when not said."),
    Column("dE00", "float64", "", "CIEDE2000 difference to the tone wanted."),
    Column("dE00_sd", "float64", "", "Standard uncertainty of the difference."),
    Column("low", "float64", "", "Lower end of its 95 % range."),
    Column("high", "float64", "", "Upper end of its 95 % range."),
    Column("dL", "float64", "", "Difference of CIE L*; below 0 the trial is darker."),
    Column("dL_sd", "float64", "", "Standard uncertainty of dL."),
    Column("words", "str", "", "How the trial differs: lighter, darker, warmer, cooler."),
    Column("is_nearest", "bool", "", "The nearest trial, or one that cannot be told from it."),
)

PLAN_COLUMNS: tuple[Column, ...] = (
    Column("field", "str", "", "Name of the field: letter from the front, number from the left."),
    Column("zone", "str", "", "Pour zone of the field; empty when none."),
    Column("x_mm", "float64", "mm", "Left edge of the field."),
    Column("y_mm", "float64", "mm", "Top edge of the field."),
    Column("width_mm", "float64", "mm", "Width of the field."),
    Column("height_mm", "float64", "mm", "Height of the field."),
    Column("n_pits", "int64", "", "Pits counted in the field."),
    Column("pits_per_m2", "float64", "1/m2", "Pits per square metre seen."),
    Column("area_share", "float64", "", "Open area over the area seen."),
    Column("action", "str", "", "leave, fill, fill_two_lifts, slurry_coat, hone_test_strip or repair_by_eye."),
    Column("reason", "str", "", "Why, in one sentence."),
    Column("minutes", "float64", "min", "Estimated hand time."),
    Column("paste_g", "float64", "g", "Estimated paste, without the pot remainder."),
    Column("cost", "float64", "", "Estimated cost in the shop's own money; NaN when no rates are set."),
    Column("locked", "bool", "", "The person fixed this choice."),
)

PIT_ACTION_COLUMNS: tuple[Column, ...] = (
    Column("pit_id", "int64", "", "Number of the pit in pits.csv."),
    Column("field", "str", "", "Name of the plan's field the pit lies in."),
    Column("action", "str", "", "leave, fill, fill_two_lifts, slurry_coat or repair_by_eye."),
    Column("paste_g", "float64", "g", "Estimated paste for this pit alone."),
)

CHANGE_COLUMNS: tuple[Column, ...] = (
    Column("before_id", "Int64", "", "Pit number in the earlier survey."),
    Column("before_x_mm", "float64", "mm", "Its place, from the left."),
    Column("before_y_mm", "float64", "mm", "Its place, from the top."),
    Column("before_diameter_mm", "float64", "mm", "Its diameter."),
    Column("state", "str", "", "closed, dished, open, new or unseen."),
    Column("after_id", "Int64", "", "Pit number in the later survey."),
    Column("after_x_mm", "float64", "mm", "Its place, or where it should be, from the left."),
    Column("after_y_mm", "float64", "mm", "Its place, or where it should be, from the top."),
    Column("after_diameter_mm", "float64", "mm", "Its diameter."),
    Column("tone_dE00", "float64", "", "CIEDE2000 difference of the patch to the ring around it."),
    Column("confidence", "float64", "", "Chance that the state is right, 0 to 1."),
)

LIFE_COLUMNS: tuple[Column, ...] = (
    Column("line_id", "int64", "", "Number of the life line, from 1: one place on the face, followed."),
    Column("survey", "int64", "", "Which survey, from 1, in order of time."),
    Column("stage", "str", "", "Stage of the work at that survey."),
    Column("pit_id", "Int64", "", "Pit number in that survey; empty when nothing open was found."),
    Column("x_mm", "float64", "mm", "Place in that survey (found, or expected), from the left."),
    Column("y_mm", "float64", "mm", "Place in that survey (found, or expected), from the top."),
    Column("diameter_mm", "float64", "mm", "Diameter found; NaN when nothing open was found."),
    Column("state", "str", "", "closed, dished, open, new or unseen; against the survey before."),
    Column("is_reopened", "bool", "", "Open or dished again after having been closed."),
    Column("confidence", "float64", "", "Chance that the state is right, 0 to 1."),
)

JOB_COLUMNS: tuple[Column, ...] = (
    Column("job", "str", "", "Name of the job."),
    Column("client", "str", "", "For whom."),
    Column("site", "str", "", "Where."),
    Column("n_slabs", "int64", "", "Slabs of the job."),
    Column("n_surveys", "int64", "", "Surveys of all its slabs."),
    Column("last_stage", "str", "", "Stage of the latest survey."),
    Column("last_day", "str", "", "Day of the latest survey, year-month-day."),
    Column("n_pits", "Int64", "", "Pits in the latest inspection; empty when there is none."),
    Column("area_share", "float64", "", "Open area over the area seen in the latest inspection."),
    Column("verdict", "str", "", "Verdict on the photo of the latest inspection."),
    Column("n_reopened", "int64", "", "Fills that opened again, over all comparisons of the job."),
    Column("uid", "str", "", "Name of the record that stays the same everywhere."),
)

FOUND_COLUMNS: tuple[Column, ...] = (
    Column("job", "str", "", "Name of the job."),
    Column("slab", "str", "", "Name of the slab."),
    Column("stage", "str", "", "Stage of the survey."),
    Column("day", "str", "", "Day of the survey, year-month-day."),
    Column("zone", "str", "", "Zone that was asked for; empty when none was."),
    Column("mix", "str", "", "Mix of that zone or of the slab's zones, joined by a comma."),
    Column("n_pits", "int64", "", "Pits in the zone, or on the slab when no zone was asked for."),
    Column("largest_mm", "float64", "mm", "Largest pit there."),
    Column("n_reopened", "int64", "", "Fills found open again at this survey."),
    Column("inspection", "str", "", "The inspection's name in the log."),
)

PIT_KINDS = ("pinhole", "bug_hole", "void")
MARK_KINDS = ("bump", "stain", "scratch", "crack", "trowel_mark", "joint", "grain", "other")
BATCH_COLUMNS: tuple[Column, ...] = (
    Column("photo", "str", "", "The photo, as the manifest or the folder names it."),
    Column("job", "str", "", "Name of the job."),
    Column("slab", "str", "", "Name of the slab."),
    Column("stage", "str", "", "Stage of the work."),
    Column("mix", "str", "", "Mix, as the manifest says."),
    Column("mould", "str", "", "Mould, as the manifest says."),
    Column("day", "str", "", "Day it was taken, year-month-day: said, else the camera's; empty when unknown."),
    Column("state", "str", "", "measured, failed or waiting (the run was stopped before it)."),
    Column("sentence", "str", "", "Why it failed and what to do."),
    Column("verdict", "str", "", "Verdict on the photo: good, doubtful, retake, or lamp_side (lit from another side than was said)."),
    Column("n_pits", "Int64", "", "Pits counted."),
    Column("n_pinholes", "Int64", "", "Of these, pinholes."),
    Column("n_bug_holes", "Int64", "", "Of these, bug holes."),
    Column("n_voids", "Int64", "", "Of these, voids."),
    Column("pits_per_m2", "float64", "1/m2", "Pits per square metre seen."),
    Column("area_share", "float64", "", "Open area over the area seen."),
    Column("largest_mm", "float64", "mm", "Diameter of the largest pit."),
    Column("seen_m2", "float64", "m2", "Area of the face that the photo shows."),
    Column("smallest_mm", "float64", "mm", "Smallest diameter counted."),
    Column("smallest_countable_mm", "float64", "mm", "Smallest diameter the photo can be trusted to show."),
    Column("minutes", "float64", "min", "Hand time of the repair plan."),
    Column("version", "str", "", "Program version that measured it."),
    Column("warnings", "str", "", "Doubts about photo, scale and lamp."),
    Column("sha256", "str", "", "SHA-256 of the photo's bytes."),
    Column("inspection", "str", "", "The inspection's name in the job log; empty without a log."),
)

TREND_COLUMNS: tuple[Column, ...] = (
    Column("stage", "str", "", "Stage of the work; stages are never mixed."),
    Column("by", "str", "", "all, mix or mould."),
    Column("group", "str", "", "Name of the mix or mould; empty for all."),
    Column("week", "str", "", "ISO week, such as 2026-W48."),
    Column("n_photos", "int64", "", "Photos counted."),
    Column("n_left_out", "int64", "", "Photos left out: to retake, or unable to show the smallest size counted."),
    Column("seen_m2", "float64", "m2", "Area seen."),
    Column("n_pits", "int64", "", "Pits counted."),
    Column("pits_per_m2", "float64", "1/m2", "Pits per square metre."),
    Column("centre", "float64", "1/m2", "Mean of all weeks, weighted by area."),
    Column("lower", "float64", "1/m2", "Lower limit of a steady process; NaN while there are too few weeks."),
    Column("upper", "float64", "1/m2", "Upper limit of a steady process."),
    Column("signal", "str", "", "above, below, run_above or run_below: look for a cause; else empty."),
)

STATES = ("closed", "dished", "open", "new", "unseen")
ACTIONS = ("leave", "fill", "fill_two_lifts", "slurry_coat", "hone_test_strip", "repair_by_eye")


def make_table(columns: tuple[Column, ...], values: dict[str, Any] | None = None) -> pd.DataFrame:
    """Return a table with exactly the declared columns and dtypes.

    Columns that `values` does not hold are filled with NaN, empty text, 0 or False.
    `values=None` gives the empty table. A name that is not declared is a KeyError.
    """
    values = values or {}
    unknown = set(values) - {column.name for column in columns}
    if unknown:
        raise KeyError(f"not a declared column: {sorted(unknown)[0]}")
    n_rows = len(next(iter(values.values()))) if values else 0
    return pd.DataFrame(
        {c.name: pd.Series(values.get(c.name, [_blank(c.dtype)] * n_rows), dtype=c.dtype) for c in columns}
    )


def _blank(dtype: str) -> Any:
    return {"float64": math.nan, "int64": 0, "Int64": pd.NA, "bool": False}.get(dtype, "")
