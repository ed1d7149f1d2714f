"""Did the repair work? How truly two surveys of one face are held against each other.

    python benchmarks/comparison.py measure --pairs 24 --rows ROWS.jsonl
    python benchmarks/comparison.py measure --pairs 6 --first 910500 --coarse --rows ROWS.jsonl
    python benchmarks/comparison.py relit FOLDER_OF_THE_RELIT_RELIEF --rows ROWS.jsonl
    python benchmarks/comparison.py table --rows ROWS.jsonl --out benchmarks/results/comparison.md

`measure` makes faces of all six generators (seeds from 910 000, used nowhere else), fills about 70 %
of the pits, lets 10 % sink, opens 2 % new ones, with patches from a quarter darker to a quarter
lighter, and photographs them again: another camera place, tilted up to 12 degrees, the lamp moved by up to
20 degrees round and up or down by up to 8. Both photos go through the whole inspection as a person would
do it, with corners a pixel off and the lamp's side and angle a few degrees off. It goes on where
it stopped: pairs that stand in ROWS.jsonl are not made again. `--coarse` takes the later photo at
a third of the pixels, so that the smaller pits are below its sight.
"""

import argparse
import json
import tempfile
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from PIL import Image
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

from rakelight.compare.change import compare_surveys
from rakelight.core.records import Comparison, Inspection
from rakelight.core.records import Lamp as SaidLamp
from rakelight.inspection import Given, inspect_photo
from rakelight.simulate.camera import aim_camera, photograph
from rakelight.simulate.filling import fill_pits
from rakelight.simulate.lamp import Lamp, light_slab
from rakelight.simulate.recipes import choose_recipe
from rakelight.simulate.slab import Slab, make_slab

SEED = 910_000
LATER = 50_000
"""The noise of the later photo has the seed of its pair plus this."""
SIZE_MM, MM_PER_PX = (240.0, 180.0), 0.16
RECIPES = ("caps", "worn", "dishes", "cast_wall", "honed", "bubbles")
SMALLEST_MM = 1.0
REACH = (
    0.5  # a listed pit may lie this share of the larger diameter, and a mm, from the true middle
)
RATIO = 3.0
COARSE = 3
RELIT_MM_PER_PX = 0.5
RELIT_LEAST_PX, RELIT_CERTAINTY = 3.5, 3


def measure_pair(seed: int, *, is_coarse: bool = False) -> dict:
    """Return the counts of one made-up pair: truth against answer, state by state."""
    rng = np.random.default_rng(seed)
    name = RECIPES[seed % len(RECIPES)]
    recipe = choose_recipe(
        name, size_mm=SIZE_MM, mm_per_px=MM_PER_PX, pits_per_m2=rng.uniform(1500, 4000)
    )
    was = make_slab(recipe, seed=seed)
    tone = rng.uniform(-0.25, 0.25)
    n_new = max(round(0.02 * len(was.pits)), 2)
    now = fill_pits(
        was, fraction=0.8, dished_fraction=0.125, n_new=n_new, tone_offset=tone, seed=seed
    )
    side, angle = rng.uniform(0, 360), rng.uniform(11, 18)
    lamps = [
        Lamp(side, angle),
        Lamp(
            (side + rng.uniform(-20, 20)) % 360, float(np.clip(angle + rng.uniform(-8, 8), 8, 26))
        ),
    ]
    with tempfile.TemporaryDirectory() as folder:
        before = _inspect(was, lamps[0], Path(folder), rng, seed=seed, is_moved=False)
        after = _inspect(
            now, lamps[1], Path(folder), rng, seed=seed + LATER, is_moved=True, is_coarse=is_coarse
        )
    change = compare_surveys(before, after)
    about = {
        "seed": seed, "set": "coarse" if is_coarse else "pairs", "recipe": name, "tone": round(tone, 3),
        "lamp_turn_deg": round(float((lamps[1].from_deg - side + 180) % 360 - 180), 1),
        "lamp_angles_deg": [round(lamp.angle_deg, 1) for lamp in lamps],
        "n_pits": len(was.pits), "is_aligned": bool(change.registration.get("is_aligned", True)),
        "after_smallest_mm": float(after.quality.smallest_countable_mm),
    }  # fmt: skip
    return about | score_pair(was, now, before, after, change)


def _inspect(
    slab: Slab, lamp: Lamp, folder: Path, rng, *, seed: int, is_moved: bool, is_coarse: bool = False
) -> Inspection:
    camera = aim_camera(slab)
    if is_moved:
        scale = MM_PER_PX * (COARSE if is_coarse else rng.uniform(0.95, 1.1))
        camera = aim_camera(
            slab,
            size_px=(round(1.12 * SIZE_MM[0] / scale), round(1.12 * SIZE_MM[1] / scale)),
            mm_per_px=scale,
            tilt_deg=rng.uniform(0, 12),
            tilt_from_deg=rng.uniform(0, 360),
            turn_deg=rng.uniform(-3, 3),
            distance_mm=700.0,
        )
    photo = photograph(light_slab(slab, lamp, ambient=0.1), camera, seed=seed)
    path = folder / f"{seed}.png"
    Image.fromarray(photo).save(path, compress_level=1)
    said = SaidLamp(
        (lamp.from_deg + rng.normal(0, 4)) % 360, lamp.angle_deg + rng.normal(0, 1.5), basis="said"
    )
    if is_moved:
        corners = camera.find_corners() + rng.normal(0, 1, (4, 2))
        given = Given(corners_px=corners.tolist(), slab_mm=SIZE_MM, lamp=said)
    else:
        given = Given(mm_per_px=MM_PER_PX, lamp=said)
    return inspect_photo(path, given)


def score_pair(
    was: Slab, now: Slab, before: Inspection, after: Inspection, change: Comparison
) -> dict:
    """Return how often each true state got each answer, and what was called new, for pits of 1 mm and more."""
    table, truth = change.table, was.pits
    earlier = table[table["before_id"].notna()]
    row = _match(earlier, "before", truth)
    large = truth["diameter_mm"].to_numpy() >= SMALLEST_MM
    state = now.pits["state"].to_numpy(str)[: len(truth)]
    counts: dict[str, dict[str, int]] = {}
    below = {"n": 0, "closed": 0, "unseen": 0}
    sight_mm = after.quality.smallest_countable_mm
    listed = earlier["after_id"].notna().to_numpy()
    for i, true_row in enumerate(row):
        if true_row < 0 or not large[true_row]:
            continue
        said, true = earlier["state"].iloc[i], state[true_row]
        counts.setdefault(true, {}).setdefault(said, 0)
        counts[true][said] += 1
        if truth["diameter_mm"].iloc[true_row] < sight_mm and not listed[i]:
            below["n"] += 1
            below[said] = below.get(said, 0) + 1
    return {"states": counts, "below_sight": below} | _score_new(now, change)


def _score_new(now: Slab, change: Comparison) -> dict:
    """Return true new pits of 1 mm and more, how many were called new, and what else was called so."""
    table = change.table
    called = table[table["state"] == "new"]
    found = _match(called, "after", now.pits)
    state, size_mm = now.pits["state"].to_numpy(str), now.pits["diameter_mm"].to_numpy()
    is_true = np.array([k >= 0 and state[k] == "new" for k in found], bool)
    # A new pit just under the limit is neither right nor wrong.
    is_small = np.array(
        [k >= 0 and state[k] == "new" and size_mm[k] < SMALLEST_MM for k in found], bool
    )
    wrong = [f"was {state[k]}" if k >= 0 else "no pit" for k in found[~is_true]]
    later = table[table["after_id"].notna()]
    listed = _match(later, "after", now.pits)
    wanted = np.flatnonzero((state == "new") & (size_mm >= SMALLEST_MM))
    missed = []
    for k in wanted[~np.isin(wanted, found)]:
        rows = np.flatnonzero(listed == k)
        missed.append(str(later["state"].iloc[rows[0]]) if len(rows) else "not listed")
    return {
        "new_true": len(wanted), "new_right": int((is_true & ~is_small).sum()),
        "new_called": int((~is_small).sum()), "new_wrong": wrong, "new_missed": missed,
    }  # fmt: skip


def _match(rows: pd.DataFrame, which: str, truth: pd.DataFrame) -> np.ndarray:
    """Return for each row the row of the true pit that it is, -1 for none; each true pit once."""
    size = rows[f"{which}_diameter_mm"].to_numpy(float)
    places = rows[[f"{which}_x_mm", f"{which}_y_mm"]].to_numpy(float)
    found = np.full(len(rows), -1)
    if not len(rows) or not len(truth):
        return found
    true = truth[["x_mm", "y_mm"]].to_numpy(float)
    true_size = truth["diameter_mm"].to_numpy(float)
    gap = np.hypot(*(places[:, None] - true[None]).transpose(2, 0, 1))
    larger = np.maximum(size[:, None], true_size[None])
    ratio = larger / np.minimum(size[:, None], true_size[None])
    cost = np.where((gap < REACH * larger + 1.0) & (ratio < RATIO), gap / larger, 1e3)
    at, to = linear_sum_assignment(cost)
    good = cost[at, to] < 1e3
    found[at[good]] = to[good]
    return found


def measure_relit(folder: Path) -> dict:
    """Return the repaired share of the re-lit real relief, found and true."""
    lamp = SaidLamp(270.0, 15.0, basis="said")
    given = Given(mm_per_px=RELIT_MM_PER_PX, lamp=lamp)
    surveys = [
        inspect_photo(folder / name, given)
        for name in ("stained_from_left_el15.jpg", "after_repair_from_left_el15.jpg")
    ]
    change = compare_surveys(*surveys)
    was, now = (
        read_relit(folder / name)
        for name in ("relit_slab_truth.csv", "relit_slab_after_repair_truth.csv")
    )
    left, _ = cKDTree(now[["x_px", "y_px"]]).query(was[["x_px", "y_px"]])
    is_closed = left > 0.5 * was["diameter_px"].to_numpy()
    rows = change.table[change.table["before_id"].notna()]
    truth = was.assign(
        x_mm=(was["x_px"] + 0.5) * RELIT_MM_PER_PX, y_mm=(was["y_px"] + 0.5) * RELIT_MM_PER_PX,
        diameter_mm=was["diameter_px"] * RELIT_MM_PER_PX,
    )  # fmt: skip
    found = _match(rows, "before", truth)
    judged = (found >= 0) & rows["state"].isin(("closed", "dished", "open")).to_numpy()
    said = rows["state"].to_numpy(str)[judged] == "closed"
    return {
        "set": "relit", "seed": 0, "n_true": len(was), "true_share": float(is_closed.mean()),
        "said_share": change.figures["repaired_share"]["value"],
        "range": [change.figures["repaired_share"][name] for name in ("low", "high")],
        "n_judged": int(judged.sum()), "judged_true_share": float(is_closed[found[judged]].mean()),
        "judged_said_share": float(said.mean()),
        "right": float((said == is_closed[found[judged]]).mean()), "counts": change.figures["counts"],
    }  # fmt: skip


def read_relit(path: Path) -> pd.DataFrame:
    """Return the sure pits of a truth table of the re-lit relief."""
    table = pd.read_csv(path)
    sure = (table["kind"] == "pit") & (table["certainty"] >= RELIT_CERTAINTY)
    return table[sure & (table["diameter_px"] >= RELIT_LEAST_PX)].reset_index(drop=True)


def write_table(rows: list[dict]) -> str:
    """Return the page of results."""
    lines = [
        "# Did the repair work?", "",
        "    python benchmarks/comparison.py measure --pairs 24 --rows ROWS.jsonl",
        "    python benchmarks/comparison.py measure --pairs 6 --first 910500 --coarse --rows ROWS.jsonl",
        "    python benchmarks/comparison.py relit FOLDER_OF_THE_RELIT_RELIEF --rows ROWS.jsonl",
        "    python benchmarks/comparison.py table --rows ROWS.jsonl --out benchmarks/results/comparison.md", "",
        "Made-up faces of 240 x 180 mm at 0.16 mm/px from all six generators, seeds from 910 000. Between the photos",
        "about 70 % of the pits were filled, 10 % sank, 2 % opened; patches are up to a quarter darker or lighter. The",
        "later photo is tilted up to 12 degrees, its lamp moved by up to 20 degrees round and 8 up or down. Both go",
        "through the whole inspection. Counted are true pits of 1 mm and more that the earlier survey lists.", "",
    ]  # fmt: skip
    for name, title in (("pairs", "Pairs"), ("coarse", "Later photo at a third of the pixels")):
        chosen = sorted((row for row in rows if row["set"] == name), key=lambda row: row["seed"])
        if chosen:
            lines += [f"## {title}", "", *_tell_set(chosen), ""]
    for row in rows:
        if row["set"] == "relit":
            lines += ["## Re-lit real relief", "", *_tell_relit(row), ""]
    return "\n".join(lines)


def accuracy(states: dict[str, dict[str, int]]) -> tuple[int, int, int]:
    """Return how many answers are right, how many were given, and how many pits were called unseen."""
    right = sum(states.get(state, {}).get(state, 0) for state in ("closed", "dished", "open"))
    given = sum(n for answers in states.values() for said, n in answers.items() if said != "unseen")
    unseen = sum(answers.get("unseen", 0) for answers in states.values())
    return right, given, unseen


def _tell_set(rows: list[dict]) -> list[str]:
    total: dict[str, dict[str, int]] = {}
    for row in rows:
        for true, answers in row["states"].items():
            for said, n in answers.items():
                total.setdefault(true, {}).setdefault(said, 0)
                total[true][said] += n
    each = [right / max(given, 1) for right, given, _ in (accuracy(row["states"]) for row in rows)]
    right, given, unseen = accuracy(total)
    said_states = ("closed", "dished", "open", "unseen")
    lines = [
        f"{len(rows)} pairs, {given + unseen} pits: **{right / given:.3f}** of the states given are right "
        f"(worst pair {min(each):.3f}, median {np.median(each):.3f}); {unseen / (given + unseen):.3f} are unseen.",
        "", "| true \\ said | " + " | ".join(said_states) + " |", "|---|" + "---|" * 4,
    ]  # fmt: skip
    for true in ("closed", "dished", "open"):
        answers = total.get(true, {})
        lines.append(
            f"| {true} | " + " | ".join(str(answers.get(said, 0)) for said in said_states) + " |"
        )
    lines += ["", *_tell_new(rows), *_tell_below(rows), ""]
    lines += [
        "| seed | generator | tone | lamp turned | lamp angles | pits | right | unseen |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row, share in zip(rows, each, strict=True):
        low, high = row["lamp_angles_deg"]
        lines.append(
            f"| {row['seed']} | {row['recipe']} | {row['tone']:+.0%} | {row['lamp_turn_deg']:+.0f} | "
            f"{low:.0f}, {high:.0f} | {row['n_pits']} | {share:.3f} | {accuracy(row['states'])[2]} |"
        )
    return lines


def _tell_new(rows: list[dict]) -> list[str]:
    true, right, called = (
        sum(row[name] for row in rows) for name in ("new_true", "new_right", "new_called")
    )
    wrong = pd.Series([word for row in rows for word in row["new_wrong"]], dtype=str).value_counts()
    missed = pd.Series(
        [word for row in rows for word in row["new_missed"]], dtype=str
    ).value_counts()
    return [
        f"New pits of 1 mm and more: {true} true, {called} called new, {right} right: precision "
        f"**{right / max(called, 1):.3f}**, recall **{right / max(true, 1):.3f}**. Wrongly called new: {_say(wrong)}. "
        f"Missed ones were: {_say(missed)}.",
        "",
    ]


def _say(counts: pd.Series) -> str:
    return ", ".join(f"{word} {n}" for word, n in counts.items()) or "none"


def _tell_below(rows: list[dict]) -> list[str]:
    n, closed, unseen = (
        sum(row["below_sight"].get(name, 0) for row in rows) for name in ("n", "closed", "unseen")
    )
    if not n:
        return []
    return [
        f"Pits below the later photo's smallest countable size and not listed in it: {n}, of which {unseen} are unseen "
        f"and {closed} called closed.",
        "",
    ]


def _tell_relit(row: dict) -> list[str]:
    gap = row["said_share"] / row["true_share"] - 1
    low, high = row["range"]
    return [
        f"Repaired share **{row['said_share']:.3f}** ({low:.3f} to {high:.3f}) against {row['true_share']:.3f} of the "
        f"{row['n_true']} sure pits: {gap:+.1%}. Of the {row['n_judged']} sure pits that were listed and judged "
        f"{row['judged_said_share']:.3f} are called closed, {row['judged_true_share']:.3f} are; "
        f"{row['right']:.3f} one by one right.",
    ]


def read_rows(path: Path) -> list[dict]:
    """Return what was measured already."""
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def main() -> None:
    """Measure what is asked for and not there yet, or write the page."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=("measure", "relit", "table"))
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--rows", type=Path, required=True)
    parser.add_argument("--pairs", type=int, default=24)
    parser.add_argument("--first", type=int, default=SEED)
    parser.add_argument("--coarse", action="store_true")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    cv2.setNumThreads(2)
    rows = read_rows(asked.rows)
    if asked.what == "table":
        page = write_table(rows)
        asked.out.write_text(page + "\n") if asked.out else print(page)
        return
    if asked.what == "relit":
        _keep(asked.rows, measure_relit(asked.folder))
        return
    done = {row["seed"] for row in rows}
    for seed in range(asked.first, asked.first + asked.pairs):
        if seed not in done:
            _keep(asked.rows, measure_pair(seed, is_coarse=asked.coarse))


def _keep(path: Path, row: dict) -> None:
    with path.open("a") as file:
        file.write(json.dumps(row) + "\n")
    print(row, flush=True)


if __name__ == "__main__":
    main()
