"""Makes rakelight's own Python environment and runs the everyday commands in it.

    python tools/environment.py demo     the whole job on sample_images/, into demo_output/
    python tools/environment.py test     the tests
    python tools/environment.py app      the screens, in the browser of this machine
    python tools/environment.py setup    only the environment
    python tools/environment.py check    style and common slips (ruff)
    python tools/environment.py lock     renew requirements.lock from pyproject.toml
    python tools/environment.py clean    remove the environment and what the commands made

More words are handed on: `python tools/environment.py test -k units`. On Windows write `py` for
`python`. The Makefile holds the same commands for those who have make.

The environment stands in `.venv` and comes from `requirements.lock` alone: every file's hash is
checked and nothing is compiled. It is made once; when the lock, `pyproject.toml`, the Python or
the folder changes, or when an installation was cut short, it is made anew. This file needs the
standard library only, and is written so that an old Python can read it and say that it is old.
"""

import argparse
import hashlib
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
OLDEST_PYTHON = (3, 11)
UV_VERSION = "0.13.9"  # what wrote requirements.lock; needed by `lock` alone
LOCK_EXTRAS = ("dev", "heif", "cluster", "postgres", "dxf")
MADE_BY_COMMANDS = (
    ".venv", "demo_output", "dist", "build", ".pytest_cache", ".hypothesis", ".ruff_cache",
)  # fmt: skip
OPENCV_LIBRARIES = "libgl1 libglib2.0-0"


class EnvironmentTrouble(Exception):
    """The environment cannot be made; the text is one sentence that says what to do."""


def main(words=None):
    """Return the exit code of one command; 2 when the person must change something."""
    options = _make_parser().parse_args(words)
    try:
        check_python_version(sys.version_info)
        if _runs_inside(ROOT / ".venv"):
            return _run_with_base_python(words)
        return COMMANDS[options.command](ROOT, options.more)
    except EnvironmentTrouble as trouble:
        print(f"rakelight: {trouble}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("rakelight: stopped; run the same command again to go on.", file=sys.stderr)
        return 130


def check_python_version(version):
    """Raise EnvironmentTrouble when the Python is older than rakelight needs."""
    if tuple(version[:2]) < OLDEST_PYTHON:
        raise EnvironmentTrouble(
            f"this is Python {version[0]}.{version[1]}, and rakelight needs 3.11 or newer: "
            "install one and name it, as in `make demo PYTHON=python3.11`."
        )


# --- the commands -----------------------------------------------------------------------------


def run_demo(root, more):
    """Return the exit code of the demo, which names the files it wrote."""
    make_environment(root)
    out = [] if "--out" in more else ["--out", "demo_output"]
    return _run([program(root, "rakelight"), "demo", *out, *more], root)


def run_tests(root, more):
    """Return pytest's exit code."""
    make_environment(root)
    return _run([program(root, "python"), "-m", "pytest", *more], root)


def run_app(root, more):
    """Return the exit code of the screens; they run until Ctrl+C."""
    make_environment(root)
    return _run([program(root, "rakelight"), "app", *more], root)


def run_check(root, more):
    """Return ruff's exit code."""
    make_environment(root)
    return _run([program(root, "python"), "-m", "ruff", "check", *more, "."], root)


def run_setup(root, more):
    """Return 0 once the environment stands."""
    make_environment(root)
    print(f"The environment is ready in {root / '.venv'}.")
    return 0


def run_lock(root, more):
    """Return 0 once requirements.lock is renewed; words such as `--upgrade` are handed on."""
    with tempfile.TemporaryDirectory() as scratch:
        create_venv(Path(scratch) / ".venv")
        python = program(Path(scratch), "python")
        pip = [python, "-m", "pip", "--disable-pip-version-check", "install", "-q"]
        _run_or_trouble([*pip, "uv==" + UV_VERSION], root, "uv cannot be installed")
        code = _run([python, "-m", "uv", *lock_arguments(), *more], root)
    if code == 0:
        print("requirements.lock is renewed; the next command makes the environment anew.")
    return code


def run_clean(root, more):
    """Return 0 once the environment and the made folders are gone."""
    for name in MADE_BY_COMMANDS:
        shutil.rmtree(root / name, ignore_errors=True)
    return 0


COMMANDS = {
    "demo": run_demo,
    "test": run_tests,
    "app": run_app,
    "setup": run_setup,
    "check": run_check,
    "lock": run_lock,
    "clean": run_clean,
}


def lock_arguments():
    """Return uv's words for one lock that serves all Pythons and systems and names no address."""
    extras = [word for extra in LOCK_EXTRAS for word in ("--extra", extra)]
    return [
        "pip", "compile", "pyproject.toml", "tools/opencv_headless.in", *extras,
        "--universal", "--generate-hashes", "--only-binary", ":all:", "--no-emit-index-url",
        "--no-header", "--no-annotate", "--no-config", "--quiet", "--output-file",
        "requirements.lock",
    ]  # fmt: skip


# --- the environment --------------------------------------------------------------------------


def make_environment(root):
    """Make `.venv` from the lock unless the one that stands is whole and of today."""
    folder, stamp = root / ".venv", root / ".venv" / "rakelight-stamp.txt"
    wanted = describe_environment(root)
    if is_current(stamp, wanted, program(root, "python")):
        return
    if folder.exists():
        print("The environment in .venv is unfinished or out of date and is made anew.")
        remove_folder(folder)
    print(
        f"Making the environment in .venv with Python {platform.python_version()} "
        "(once; a minute or two and 1.5 GB).",
        flush=True,
    )
    create_venv(folder)
    install_locked(root)
    ensure_opencv(root)
    stamp.write_text(wanted, encoding="utf-8")


def remove_folder(folder):
    """Remove the old environment, or raise when something still runs from it (Windows)."""
    try:
        shutil.rmtree(folder)
    except OSError as error:
        raise EnvironmentTrouble(
            f"{folder} cannot be removed ({error}): close what runs from it, "
            "leave it with `deactivate`, and repeat."
        ) from error


def describe_environment(root):
    """Return the text that changes whenever the environment must be made anew."""
    digest = hashlib.sha256()
    for name in ("requirements.lock", "pyproject.toml", "tools/environment.py"):
        digest.update((root / name).read_bytes().replace(b"\r\n", b"\n"))
    return "\n".join(
        [digest.hexdigest(), sys.version, platform.machine(), str(root), base_python(), ""]
    )


def is_current(stamp, wanted, python):
    """Return whether the stamp of a finished installation fits and its Python still starts."""
    if not stamp.is_file() or stamp.read_text(encoding="utf-8") != wanted:
        return False
    try:
        return subprocess.run([python, "-c", ""], check=False).returncode == 0
    except OSError:
        return False


def create_venv(folder):
    """Make an empty environment with pip in it, or raise with the line that mends the machine."""
    made = _capture([base_python(), "-m", "venv", str(folder)])
    if made.returncode == 0:
        return
    shutil.rmtree(folder, ignore_errors=True)
    if has_module("ensurepip") and has_module("venv"):
        raise EnvironmentTrouble("the environment cannot be made: " + last_line(made))
    mend_missing_venv()
    _run_or_trouble(
        [base_python(), "-m", "venv", str(folder)], folder.parent, "the environment cannot be made"
    )


def mend_missing_venv():
    """Install Debian's package of the missing part when we may, or raise with the one line."""
    package = f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"
    line = "apt-get install -y " + package
    is_root = hasattr(os, "geteuid") and os.geteuid() == 0
    if not (is_root and shutil.which("apt-get")):
        raise EnvironmentTrouble(
            f"this Python comes without venv and pip: run `sudo {line}` once and repeat."
        )
    print(f"This Python comes without venv and pip; running `{line}`.", flush=True)
    settings = dict(os.environ, DEBIAN_FRONTEND="noninteractive")
    for words in (["update", "-q"], ["install", "-y", "-q", "--no-install-recommends", package]):
        done = _capture(["apt-get", *words], env=settings)
    if done.returncode != 0:
        raise EnvironmentTrouble(f"`{line}` failed: {last_line(done)}")


def install_locked(root):
    """Install every pinned package by its hash, then rakelight itself from this folder."""
    pip = [program(root, "python"), "-m", "pip", "--disable-pip-version-check", "install"]
    pip += [] if sys.stdout.isatty() else ["--quiet"]
    hint = "the packages cannot be installed: mend what pip says above and run the same again"
    _run_or_trouble(
        [*pip, "--require-hashes", "--only-binary", ":all:", "-r", "requirements.lock"], root, hint
    )
    _run_or_trouble(
        [*pip, "--no-index", "--no-deps", "--no-build-isolation", "--editable", "."], root, hint
    )


# --- OpenCV on a machine without the libraries of a desktop -----------------------------------


def ensure_opencv(root):
    """Put in OpenCV's build without windows when the machine lacks what the full one needs."""
    python = program(root, "python")
    tried = _capture([python, "-c", "import cv2"])
    if tried.returncode == 0:
        return
    missing = missing_library(tried.stderr)
    if missing is None:
        raise EnvironmentTrouble("OpenCV does not start: " + last_line(tried))
    version = install_headless_opencv(root)
    again = _capture([python, "-c", "import cv2"])
    if again.returncode != 0:
        raise EnvironmentTrouble(
            f"OpenCV needs {missing_library(again.stderr) or missing}: "
            f"run `sudo apt-get install -y {OPENCV_LIBRARIES}` once and repeat."
        )
    print(
        f"This machine has no {missing}, so .venv got OpenCV {version} in the build without "
        "windows, which measures the same."
    )


def missing_library(message):
    """Return the name of the shared library that a failed import asked for, or None."""
    found = re.search(r"ImportError: (\S+): cannot open shared object file", message)
    return found.group(1) if found else None


def install_headless_opencv(root):
    """Replace OpenCV by the same version's build without windows; return the version."""
    pin = headless_pin((root / "requirements.lock").read_text(encoding="utf-8"))
    listed = root / ".venv" / "opencv-headless.txt"
    listed.write_text(pin, encoding="utf-8")
    pip = [program(root, "python"), "-m", "pip", "--disable-pip-version-check", "-q"]
    hint = "OpenCV's build without windows cannot be installed"
    # Both builds share one folder, so the first must be gone before the second comes.
    _run_or_trouble([*pip, "uninstall", "-y", "opencv-python"], root, hint)
    _run_or_trouble(
        [*pip, "install", "--require-hashes", "--only-binary", ":all:", "--no-deps", "-r",
         str(listed)], root, hint,
    )  # fmt: skip
    return re.match(r"opencv-python-headless==(\S+)", pin).group(1)


def headless_pin(lock_text):
    """Return the lock's entry of the build without windows, made free of its marker."""
    entry = re.search(
        r"^(opencv-python-headless==\S+) ; sys_platform == 'never'((?: \\\n +--hash=\S+)+)",
        lock_text,
        re.MULTILINE,
    )
    if entry is None:
        raise EnvironmentTrouble(
            "requirements.lock lacks opencv-python-headless: renew it with `make lock`."
        )
    return entry.group(1) + entry.group(2) + "\n"


# --- small pieces -----------------------------------------------------------------------------


def program(root, name):
    """Return the path of a program inside the environment."""
    if os.name == "nt":
        return str(root / ".venv" / "Scripts" / (name + ".exe"))
    return str(root / ".venv" / "bin" / name)


def base_python():
    """Return the Python outside any environment that this one was started from."""
    return getattr(sys, "_base_executable", None) or sys.executable


def has_module(name):
    """Return whether the base Python can import a module (Debian ships some apart)."""
    return _capture([base_python(), "-c", "import " + name]).returncode == 0


def last_line(done):
    """Return the last words that a finished program wrote."""
    lines = [line.strip() for line in (done.stdout + done.stderr).splitlines() if line.strip()]
    return lines[-1] if lines else f"it ended with code {done.returncode}."


def _make_parser():
    parser = argparse.ArgumentParser(
        prog="tools/environment.py",
        description="Makes rakelight's environment in .venv and runs one command in it.",
    )
    parser.add_argument("command", choices=sorted(COMMANDS))
    parser.add_argument("more", nargs=argparse.REMAINDER, help="words handed on to the command")
    return parser


def _runs_inside(folder):
    return Path(sys.prefix).resolve() == folder.resolve()


def _run_with_base_python(words):
    """Start again outside `.venv`, which may have to be removed."""
    words = sys.argv[1:] if words is None else words
    return _run([base_python(), str(Path(__file__).resolve()), *words], ROOT)


def _run(command, folder):
    sys.stdout.flush()
    return subprocess.run(command, cwd=str(folder), check=False).returncode


def _run_or_trouble(command, folder, hint):
    if _run(command, folder) != 0:
        raise EnvironmentTrouble(hint + ".")


def _capture(command, env=None):
    return subprocess.run(command, env=env, check=False, capture_output=True, text=True)


if __name__ == "__main__":
    sys.exit(main())
