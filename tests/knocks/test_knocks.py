"""A few hard knocks of every kind: each is answered with a result or with one sentence.

The makers stand in `benchmarks/knocks.py`; `benchmarks/fuzz.py` runs them by the thousand.
"""

import importlib.util
import random
import sys
from pathlib import Path

import pytest

from rakelight.core.errors import RakelightError

SCRIPT = Path(__file__).resolve().parents[2] / "benchmarks" / "knocks.py"
SEED = 1
N_CASES = 40
FEW = {
    "face": 4,
    "names on pages": 2,
    "names in print": 1,
    "bundle.zip": 25,
    "log.sqlite": 3,
    "inspection folder": 25,
}


def load_knocks():
    """Return the module of the makers."""
    spec = importlib.util.spec_from_file_location("rakelight_knocks", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses ask for it
    spec.loader.exec_module(module)
    return module


knocks = load_knocks()


@pytest.mark.parametrize("kind", knocks.KINDS, ids=lambda kind: kind.name)
def test_every_kind_is_answered(kind, tmp_path):
    """Nothing but a result or a RakelightError that ends as a sentence, and no file beside the folder."""
    outer = tmp_path / "outer"
    for number in range(FEW.get(kind.name, N_CASES)):
        folder = outer / str(number)
        folder.mkdir(parents=True)
        case = kind.make(random.Random(f"{SEED} {kind.name} {number}"), folder)
        try:
            kind.read(case)
        except RakelightError as error:
            assert str(error).rstrip().endswith((".", "?")), f"case {number}: {error}"
    assert [outer] == list(tmp_path.iterdir())
    assert {str(n) for n in range(FEW.get(kind.name, N_CASES))} == {p.name for p in outer.iterdir()}


@pytest.mark.parametrize("name", knocks.BASES)
def test_what_is_hurt_was_sound(name, tmp_path):
    """Every text is read as long as nobody hurts it, or the knocks would prove nothing."""
    (kind,) = (kind for kind in knocks.KINDS if kind.name == name)
    for text in knocks.BASES[name]:
        path = tmp_path / (name if "." in name else f"{name}.toml")
        path.write_text(text, encoding="utf-8")
        kind.read(path)


def test_makers_repeat_themselves(tmp_path):
    """The same kind, seed and number give the same bytes, so that a finding can be looked at again."""
    photo = knocks.KINDS[0]
    made = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        path = photo.make(random.Random("7 photo 5"), tmp_path / name)
        made.append((path.name, path.read_bytes()))
    assert made[0] == made[1]


@pytest.mark.plant
def test_a_reader_that_fails_is_found(tmp_path):
    """A reader that lets a KeyError through ends the test, and so would one that hides a bad sentence."""

    def read(path):
        raise KeyError("mark")

    kind = knocks.Kind("planted", knocks.KINDS[2].make, read)
    with pytest.raises(KeyError):
        test_every_kind_is_answered(kind, tmp_path)
