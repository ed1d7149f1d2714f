"""The pins, reviewed without a network."""

import importlib.util
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def load_review():
    """Return the script as a module."""
    spec = importlib.util.spec_from_file_location(
        "rakelight_review", ROOT / "tools" / "review_pins.py"
    )
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclass asks for it
    spec.loader.exec_module(module)
    return module


review = load_review()
HASH = "    --hash=sha256:" + "0" * 64


def test_lock_holds():
    """Every pin of the lock has hashes, and everything that is asked for is pinned."""
    pins = review.read_pins((ROOT / "requirements.lock").read_text(encoding="utf-8"))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert len(pins) > 50
    assert [] == review.review_lock(pins, review.list_wanted(project) - review.LEFT_OUT)


@pytest.mark.plant
@pytest.mark.parametrize(
    ("lock", "sentence"),
    [
        (f"one==1.0\ntwo==2 \\\n{HASH}\n", "one 1.0 has no hash"),
        (f"one==1.0 \\\n{HASH}\n", "two is asked for and not pinned"),
        (
            f"one==1 \\\n{HASH}\none==2 \\\n{HASH}\ntwo==2 \\\n{HASH}\n",
            "one is pinned twice for the same systems",
        ),
    ],
)
def test_planted_slips_are_found(lock, sentence):
    """A pin without a hash, a package without a pin, two pins of one package."""
    assert [sentence] == review.review_lock(review.read_pins(lock), {"one", "two"})


@pytest.mark.plant
@pytest.mark.parametrize(
    "line", ["one>=1.0", "one @ ssh://one.example/one", "-e .", "--pre"]
)
def test_lines_that_are_no_pins_are_found(line):
    """A range, an address or an option has no place in the lock."""
    with pytest.raises(ValueError, match="line 1"):
        review.read_pins(line)


def test_markers_keep_pins_apart():
    """The same package for two systems is two pins, not a slip."""
    lock = f"one==1 ; sys_platform == 'a' \\\n{HASH}\none==2 ; sys_platform == 'b' \\\n{HASH}\n"
    assert [] == review.review_lock(review.read_pins(lock), {"one"})
