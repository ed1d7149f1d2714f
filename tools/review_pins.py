"""Reviews requirements.lock without a network, and says what does not hold.

    python tools/review_pins.py

Looked at: every pin has a version and hashes; every package that pyproject.toml asks for is pinned; what is
installed in this environment is what is pinned; every installed package states a licence; no file of an
installed package differs from what its own record of hashes says. A list of known holes it does not have:
SECURITY.md names the tool.
Ends with 1 when something does not hold.
"""

import base64
import hashlib
import re
import sys
import tomllib
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PIN = re.compile(r"^([A-Za-z0-9._-]+)(?:\[[^\]]*\])?==(\S+?)(?:\s*;\s*([^\\]*?))?\s*\\?$")
HASH = re.compile(r"^\s+--hash=sha256:[0-9a-f]{64}\s*\\?$")
# Of extras that the lock leaves out: developing raw photos, and training.
LEFT_OUT = frozenset(("rawpy", "scikit-learn"))
# Build tools that pip brings along and that no program of ours imports.
NOT_OURS = frozenset(("pip", "setuptools", "wheel", "uv", "rakelight"))


@dataclass(frozen=True)
class Pin:
    """One line of the lock: name, version, the systems it is for, and how many hashes stand below it."""

    name: str
    version: str
    marker: str
    n_hashes: int


def read_pins(text: str) -> list[Pin]:
    """Return the pins of a lock; a line that is neither pin, hash nor remark is a ValueError."""
    pins: list[Pin] = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        pin = PIN.match(line)
        if pin:
            pins.append(Pin(plain_name(pin[1]), pin[2], (pin[3] or "").strip(), 0))
        elif HASH.match(line) and pins:
            last = pins[-1]
            pins[-1] = Pin(last.name, last.version, last.marker, last.n_hashes + 1)
        else:
            raise ValueError(
                f"line {number} of the lock is neither a pin nor a hash: {line[:60]!r}"
            )
    return pins


def plain_name(name: str) -> str:
    """Return a package's name as indexes compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def list_wanted(project: dict) -> set[str]:
    """Return the packages that pyproject.toml names, extras included."""
    wanted = list(project["dependencies"])
    for lines in project["optional-dependencies"].values():
        wanted += lines
    return {plain_name(re.match(r"[A-Za-z0-9._-]+", line).group()) for line in wanted}


def review_lock(pins: list[Pin], wanted: set[str]) -> list[str]:
    """Return one sentence for each pin or package that does not hold."""
    found = [f"{pin.name} {pin.version} has no hash" for pin in pins if not pin.n_hashes]
    found += [
        f"{name} is asked for and not pinned"
        for name in sorted(wanted - {pin.name for pin in pins})
    ]
    seen = [(pin.name, pin.marker) for pin in pins]
    found += [
        f"{name} is pinned twice for the same systems"
        for name, marker in sorted(set(seen))
        if seen.count((name, marker)) > 1
    ]
    return found


def review_installed(pins: list[Pin]) -> tuple[list[str], int]:
    """Return what of this environment does not hold, and how many files were compared with their record."""
    found, n_files = [], 0
    versions: dict[str, set[str]] = {}
    for pin in pins:
        versions.setdefault(pin.name, set()).add(pin.version)
    for package in metadata.distributions():
        name = plain_name(package.metadata["Name"] or "")
        if name in NOT_OURS:
            continue
        if name not in versions:
            found.append(f"{name} {package.version} is installed and not pinned")
        elif package.version not in versions[name]:
            found.append(
                f"{name} is installed as {package.version} and pinned as {', '.join(versions[name])}"
            )
        if not has_licence(package):
            found.append(f"{name} {package.version} states no licence")
        changed, n_compared = compare_files(package)
        n_files += n_compared
        found += [f"{name}: {file} differs from the package's own record" for file in changed]
    return found, n_files


def has_licence(package: metadata.Distribution) -> bool:
    """Return whether a package says under which licence it comes."""
    told = package.metadata
    classifiers = told.get_all("Classifier") or []
    return bool(
        told.get("License-Expression") or told.get("License") or told.get_all("License-File")
        or any(line.startswith("License ::") for line in classifiers)
    )  # fmt: skip


def compare_files(package: metadata.Distribution) -> tuple[list[str], int]:
    """Return the files that differ from the record of the package, and how many were compared."""
    changed, n_compared = [], 0
    for file in package.files or ():
        place = file.locate()
        if file.hash is None or file.hash.mode != "sha256" or not Path(place).is_file():
            continue
        digest = hashlib.sha256(Path(place).read_bytes()).digest()
        n_compared += 1
        if base64.urlsafe_b64encode(digest).rstrip(b"=").decode() != file.hash.value:
            changed.append(str(file))
    return changed, n_compared


def main() -> int:
    """Print what does not hold and return 1, or 0 when all does."""
    pins = read_pins((ROOT / "requirements.lock").read_text(encoding="utf-8"))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    found = review_lock(pins, list_wanted(project) - LEFT_OUT)
    installed, n_files = review_installed(pins)
    for sentence in (*found, *installed):
        print(f"- {sentence}")
    print(
        f"{len(pins)} pins, {sum(pin.n_hashes for pin in pins)} hashes, {n_files} installed files compared."
    )
    return 1 if found or installed else 0


if __name__ == "__main__":
    sys.exit(main())
