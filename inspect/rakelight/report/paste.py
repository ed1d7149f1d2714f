"""What to mix: grams per action, the batches with their starting weights, and what the filler asks.

Every page repeats the same three figures: what goes onto the face, what stays in the pots, and
what is weighed. Nothing is worked out here but their sums.
"""

import math
from typing import Any

import numpy as np
import pandas as pd

from rakelight.core.records import ACTIONS, Inspection

from .units import say_in
from .words import Words, clean_name, clean_sentence

_MOST_BATCHES, _SPARE_UP_TO = 8, 7  # lines; seven leave the order of work on the same page
_SPARE_LINES = 2
_LEAST_TOLD_G = 0.05


def collect_advice(
    inspection: Inspection, words: Words, actions: pd.Series
) -> list[dict[str, Any]]:
    """Return one line per action: in which fields, how many pits, how much paste."""
    fields, chosen = inspection.plan.fields, inspection.plan.pits
    per_pit = {
        int(pit_id): (field, float(grams))
        for pit_id, field, grams in zip(
            chosen["pit_id"], chosen["field"], chosen["paste_g"], strict=True
        )
    }
    known = [per_pit.get(int(pit_id), ("", 0.0)) for pit_id in inspection.pits["pit_id"]]
    names = np.array([field for field, _ in known], object)
    grams = np.nan_to_num(np.array([paste_g for _, paste_g in known], float))
    film_g = as_number(inspection.plan.amounts.get("film_g"))
    lines = []
    for action in ACTIONS:
        is_own = (actions == action).to_numpy()
        own = set(fields.loc[fields["action"] == action, "field"])
        in_fields = own | set(names[is_own]) - {""}
        n_pits = int(is_own.sum())
        if not own and not n_pits:
            continue
        paste_g = float(grams[is_own].sum())
        paste_g += np.nan_to_num(film_g) if action == "slurry_coat" else 0.0
        lines.append(
            {
                "action": action,
                "name": words.say(f"action.{action}"),
                "fields": ", ".join(clean_name(f) for f in fields["field"] if f in in_fields)
                or "–",
                "n_pits": n_pits,
                "paste": f"{_grams(paste_g, words)} g" if paste_g and action != "leave" else "–",
            }
        )
    return lines


def say_total(inspection: Inspection, words: Words) -> str:
    """Return how the paste on the face and the paste to weigh hang together; no text without paste."""
    parts = _read_parts(inspection)
    if parts is None:
        return ""
    on_face = _grams(parts["holes"] + parts["film"], words)
    mixed = _grams(parts["mix"], words)
    return words.say("sheet.advice_total", on_face=on_face, mix=mixed)


def say_paste(inspection: Inspection, words: Words) -> list[str]:
    """Return what to weigh in all, and of what it is made up."""
    amounts = inspection.plan.amounts
    total = as_number(amounts.get("paste_g"))
    if not math.isfinite(total) or total <= 0:
        return [words.say("sheet.paste_none")] if amounts else []
    parts = _read_parts(inspection)
    if parts is None:
        lines = [words.say("sheet.paste_total", total=_grams(total, words))]
    else:
        told = [
            words.say(f"sheet.paste_{name}", g=_grams(parts[name], words))
            for name in ("holes", "film", "again", "remainder", "rounding")
            if parts[name] >= _LEAST_TOLD_G
        ]
        mixed = _grams(parts["mix"], words)
        lines = [words.say("sheet.paste_line", mix=mixed, parts=", ".join(told))]
    n, each = as_number(amounts.get("n_batches")), as_number(amounts.get("batch_g"))
    if math.isfinite(n) and math.isfinite(each) and n >= 1 and not amounts.get("batches"):
        key = "sheet.paste_batch_one" if n == 1 else "sheet.paste_batches"
        lines.append(words.say(key, n=words.number(n), each=words.number(each)))
    return lines


def say_filler(inspection: Inspection, units: str) -> list[str]:
    """Return the filler's class and what it asks for, one sentence each."""
    amounts = inspection.plan.amounts
    name = clean_sentence(amounts.get("filler", ""))
    lines = [f"{name[:1].upper()}{name[1:]}." if name else ""]
    lines += [clean_sentence(note) for note in amounts.get("notes", ())]
    return [say_in(line, units) for line in lines if line]


def collect_batches(inspection: Inspection, words: Words) -> list[dict[str, str]]:
    """Return one line per batch (name, stiffness, starting weights) and up to two to spare.

    Where the paper has no room for all, equal batches share a line: ``3 × large pits, 190 g``.
    """
    amounts = inspection.plan.amounts
    groups = [
        (int(batch.get("n", 1)), _describe_batch(batch, words))
        for batch in amounts.get("batches") or ()
    ]
    if not groups:
        each, n = as_number(amounts.get("batch_g")), as_number(amounts.get("n_batches"))
        name = f"{words.number(each)} g" if math.isfinite(each) else ""
        groups = [(int(n if math.isfinite(n) else 0), _blank_batch(name))]
    if sum(n for n, _ in groups) > _MOST_BATCHES:
        lines = _group_batches(groups)
    else:
        lines = [line for n, line in groups for _ in range(n)]
    n_spare = min(_SPARE_LINES, max(_SPARE_UP_TO - len(lines), 0))
    return [*lines, *[_blank_batch("")] * n_spare]


def as_number(value: Any) -> float:
    """Return a saved figure as a number; anything else is NaN."""
    is_number = isinstance(value, (int, float, np.number)) and not isinstance(value, bool)
    return float(value) if is_number else math.nan


def _read_parts(inspection: Inspection) -> dict[str, float] | None:
    amounts = inspection.plan.amounts
    parts = {name: as_number(amounts.get(f"{name}_g")) for name in ("holes", "film", "remainder")}
    again = as_number(amounts.get("again_g"))  # records of before have none
    parts["again"] = again if math.isfinite(again) else 0.0
    together = sum(parts.values())
    weighed = as_number(amounts.get("mix_g"))
    parts["mix"] = weighed if math.isfinite(weighed) else together
    parts["rounding"] = parts["mix"] - together
    is_told = all(math.isfinite(value) for value in parts.values()) and parts["mix"] > 0
    return parts if is_told else None


def _describe_batch(batch: dict[str, Any], words: Words) -> dict[str, str]:
    name = clean_name(batch.get("stage", ""), longest=26)
    grams, liquid_g = as_number(batch.get("g_each")), as_number(batch.get("liquid_g"))
    if math.isfinite(grams):
        name = f"{name}, {words.number(grams)} g"
    line = _blank_batch(name) | {"feel": clean_sentence(batch.get("feel", ""))}
    if math.isfinite(liquid_g) and math.isfinite(grams):
        liquid = round(liquid_g)
        line |= {"powder": words.number(grams - liquid), "liquid": words.number(liquid)}
    return line


def _group_batches(groups: list[tuple[int, dict[str, str]]]) -> list[dict[str, str]]:
    lines = [
        line | {"name": f"{n} × {line['name']}" if n > 1 else line["name"]} for n, line in groups
    ]
    if len(lines) > _MOST_BATCHES:
        n_left = sum(n for n, _ in groups[_MOST_BATCHES - 1 :])
        lines[_MOST_BATCHES - 1 :] = [_blank_batch(f"+ {n_left}")]
    return lines


def _blank_batch(name: str) -> dict[str, str]:
    return {"name": name, "feel": "", "powder": "", "liquid": ""}


def _grams(grams: float, words: Words) -> str:
    return words.number(grams, 1 if abs(grams) < 10 and round(grams, 1) % 1 else 0)
