"""The contract of the two commands: one lock, one environment, and what happens on a bare machine."""

import importlib.util
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from types import SimpleNamespace

import pytest

ROOT = Path(__file__).resolve().parents[1]
SCRIPT = ROOT / "tools" / "environment.py"
NO_LIBXCB = (
    "Traceback (most recent call last):\n"
    "ImportError: libxcb.so.1: cannot open shared object file: No such file or directory\n"
)


def load_script():
    """Return a fresh copy of the script as a module."""
    spec = importlib.util.spec_from_file_location("rakelight_environment", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def script(monkeypatch):
    """The script, not yet run, as if started outside the environment that it makes."""
    module = load_script()
    monkeypatch.setattr(module, "_runs_inside", lambda folder: False)
    return module


@pytest.fixture
def checkout(tmp_path):
    """A folder with the files that decide what the environment must be."""
    for name in ("requirements.lock", "pyproject.toml", "tools/environment.py"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes((ROOT / name).read_bytes())
    return tmp_path


@pytest.fixture
def installed(script, monkeypatch):
    """Replace the slow steps by ones that only note that they ran."""
    steps = []

    def create_venv(folder):
        steps.append("venv")
        python = Path(script.program(folder.parent, "python"))
        python.parent.mkdir(parents=True)
        python.symlink_to(sys.executable)

    monkeypatch.setattr(script, "create_venv", create_venv)
    monkeypatch.setattr(script, "install_locked", lambda root: steps.append("packages"))
    monkeypatch.setattr(script, "ensure_opencv", lambda root: steps.append("opencv"))
    return steps


def read_lock() -> str:
    """Return the text of the lock."""
    return (ROOT / "requirements.lock").read_text(encoding="utf-8")


def read_project() -> dict:
    """Return pyproject.toml."""
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


# --- the lock ---------------------------------------------------------------------------------


def test_lock_names_no_address():
    """The lock holds names, versions, markers and hashes, and nothing that points to a host."""
    allowed = re.compile(
        r"[a-z0-9][a-z0-9.-]*==[0-9][\w.]*(?: ; [\w.=<>!' ()]+)? \\"
        r"| {4}--hash=sha256:[0-9a-f]{64}(?: \\)?"
    )
    assert [] == [line for line in read_lock().splitlines() if not allowed.fullmatch(line)]


def test_every_pin_carries_a_hash():
    """No package of the lock can come in unchecked."""
    entries = re.split(r"\n(?=\S)", read_lock().strip())
    assert len(entries) > 50
    assert [] == [entry for entry in entries if "--hash=sha256:" not in entry]


def test_lock_covers_the_declared_packages():
    """Every package that pyproject.toml asks for, the build backend too, is pinned."""
    project = read_project()
    extras = project["project"]["optional-dependencies"]
    script = load_script()
    asked = [*project["project"]["dependencies"], *project["build-system"]["requires"]]
    asked += [line for extra in script.LOCK_EXTRAS for line in extras[extra]]
    names = {re.match(r"[A-Za-z0-9-]+", line).group(0).lower() for line in asked}
    pinned = set(re.findall(r"^([a-z0-9.-]+)==", read_lock(), re.MULTILINE))
    assert set() == names - pinned


def test_exact_pins_agree():
    """What pyproject.toml pins exactly is the version in the lock."""
    project = read_project()["project"]
    asked = [*project["dependencies"], *project["optional-dependencies"]["dev"]]
    exact = [line for line in asked if "==" in line]
    assert len(exact) >= 2
    pins = {line.split(" ")[0] for line in read_lock().splitlines()}
    assert set() == set(exact) - pins


def test_both_opencv_builds_are_one_version(script):
    """The build without windows is the same version, free of its marker, with all its hashes."""
    asked = next(d for d in read_project()["project"]["dependencies"] if d.startswith("opencv"))
    pin = script.headless_pin(read_lock())
    first, *hashes = pin.splitlines()
    assert asked.replace("opencv-python", "opencv-python-headless") + " \\" == first
    assert len(hashes) >= 5
    assert all("--hash=sha256:" in line for line in hashes)


def test_lock_without_headless_says_so(script):
    """A lock renewed by hand and without its second input is told apart."""
    with pytest.raises(script.EnvironmentTrouble, match="make lock"):
        script.headless_pin("opencv-python==5.0.0.93 \\\n    --hash=sha256:00\n")


# --- making the environment once --------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="links need a right that Windows rarely gives")
class TestMakeEnvironment:
    """When the environment is made, and when the standing one is used."""

    def test_second_time_does_nothing(self, script, checkout, installed):
        """Repeating a command costs one start of Python."""
        script.make_environment(checkout)
        script.make_environment(checkout)
        assert ["venv", "packages", "opencv"] == installed

    def test_changed_lock_makes_anew(self, script, checkout, installed):
        """New pins give a new environment."""
        script.make_environment(checkout)
        with (checkout / "requirements.lock").open("a") as lock:
            lock.write("# changed\n")
        script.make_environment(checkout)
        assert 2 == installed.count("packages")

    def test_line_endings_do_not_matter(self, script, checkout, installed):
        """A checkout with Windows line ends is the same lock."""
        script.make_environment(checkout)
        lock = checkout / "requirements.lock"
        lock.write_bytes(lock.read_bytes().replace(b"\n", b"\r\n"))
        script.make_environment(checkout)
        assert 1 == installed.count("packages")

    def test_interrupted_installation_starts_over(self, script, checkout, installed, monkeypatch):
        """A half-made environment is removed with what lies in it, and made again."""
        script.make_environment(checkout)
        (checkout / ".venv" / "rakelight-stamp.txt").unlink()
        (checkout / ".venv" / "half-written").touch()
        script.make_environment(checkout)
        assert not (checkout / ".venv" / "half-written").exists()
        assert 2 == installed.count("packages")

    def test_failed_installation_leaves_no_stamp(self, script, checkout, installed, monkeypatch):
        """Trouble on the way is not taken for a finished environment."""

        def fail(root):
            raise script.EnvironmentTrouble("no network")

        monkeypatch.setattr(script, "install_locked", fail)
        with pytest.raises(script.EnvironmentTrouble):
            script.make_environment(checkout)
        assert not (checkout / ".venv" / "rakelight-stamp.txt").exists()

    def test_moved_python_makes_anew(self, script, checkout, installed):
        """A Python that is gone or does not start any more is noticed."""
        script.make_environment(checkout)
        python = Path(script.program(checkout, "python"))
        python.unlink()
        python.symlink_to(checkout / "gone")
        script.make_environment(checkout)
        assert 2 == installed.count("venv")

    def test_moved_folder_makes_anew(self, script, checkout, installed, tmp_path_factory):
        """Programs inside an environment hold its path, so a moved checkout needs a new one."""
        script.make_environment(checkout)
        moved = checkout.rename(tmp_path_factory.mktemp("moved") / "checkout")
        script.make_environment(moved)
        assert 2 == installed.count("venv")


def test_old_python_is_told(script):
    """An old Python gets one sentence with the way out."""
    with pytest.raises(script.EnvironmentTrouble, match=r"Python 3\.9.*PYTHON=python3\.11"):
        script.check_python_version((3, 9, 2))
    script.check_python_version((3, 11, 0))


def test_trouble_is_one_line_and_code_2(script, monkeypatch, capsys):
    """No traceback reaches the person."""

    def fail(root):
        raise script.EnvironmentTrouble("do this.")

    monkeypatch.setattr(script, "make_environment", fail)
    assert 2 == script.main(["test"])
    assert "rakelight: do this.\n" == capsys.readouterr().err


# --- a bare machine ---------------------------------------------------------------------------


@pytest.fixture
def bare_machine(script, checkout, monkeypatch):
    """A machine without libxcb: the full OpenCV does not start, pip does what it is told."""
    (checkout / ".venv").mkdir()
    machine = SimpleNamespace(commands=[], is_mended=True)

    def capture(command, env=None):
        swapped = any("uninstall" in c for c in machine.commands)
        starts = swapped and machine.is_mended
        return SimpleNamespace(
            returncode=0 if starts else 1, stdout="", stderr="" if starts else NO_LIBXCB
        )

    def run(command, folder):
        machine.commands.append(command)
        return 0

    monkeypatch.setattr(script, "_capture", capture)
    monkeypatch.setattr(script, "_run", run)
    return machine


def test_missing_library_brings_the_other_build(script, checkout, bare_machine, capsys):
    """The full build leaves before the other comes, by hash, and one sentence says so."""
    script.ensure_opencv(checkout)
    first, second = bare_machine.commands
    assert "opencv-python" == first[-1]
    assert "--require-hashes" in second
    assert "libxcb.so.1" in capsys.readouterr().out
    listed = Path(second[-1]).read_text(encoding="utf-8")
    assert script.headless_pin(read_lock()) == listed


def test_hopeless_machine_gets_the_line_that_mends_it(script, checkout, bare_machine):
    """When neither build starts, the person gets the command to type."""
    bare_machine.is_mended = False
    with pytest.raises(
        script.EnvironmentTrouble, match=script.OPENCV_LIBRARIES.replace(".", r"\.")
    ):
        script.ensure_opencv(checkout)


def test_other_import_trouble_is_not_hidden(script):
    """Only a missing shared library leads to the swap."""
    assert "libGL.so.1" == script.missing_library(
        "ImportError: libGL.so.1: cannot open shared object file: No such file or directory"
    )
    assert script.missing_library("ImportError: numpy.core.multiarray failed to import") is None


def test_missing_venv_gets_the_line_that_mends_it(script, monkeypatch):
    """Debian ships venv and pip apart; who may not install gets the command to type."""
    monkeypatch.setattr(script.os, "geteuid", lambda: 1000, raising=False)
    with pytest.raises(
        script.EnvironmentTrouble, match=r"sudo apt-get install -y python3\.\d+-venv"
    ):
        script.mend_missing_venv()


# --- one set of commands everywhere -----------------------------------------------------------


def test_makefile_and_script_know_the_same_commands(script):
    """The Makefile is thin: each target is a command of the script."""
    text = (ROOT / "Makefile").read_text(encoding="utf-8")
    recipe = r"^(demo .*):\n\t@\$\(PYTHON\) tools/environment\.py \$@ \$\(ARGS\)$"
    targets = re.search(recipe, text, re.MULTILINE)
    assert set(script.COMMANDS) == set(targets.group(1).split())


def test_continuous_check_runs_the_readme_command():
    """What the machines check is what README.md tells a person to type."""
    assert "make test" in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()[-1]


@pytest.mark.parametrize(
    "line",
    [
        "make demo",
        "make test",
        "python3 tools/environment.py demo",
        "python3 tools/environment.py test",
        r"py tools\environment.py demo",
        r"py tools\environment.py test",
    ],
)
def test_readme_names_the_commands(line):
    """README.md gives the two commands with make, without make, and for Windows, ready to copy."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    command = re.escape(line)
    assert re.search(rf"^ *{command}( {{2,}}.*| *#.*)?$|`{command}`", text, re.MULTILINE)


def test_words_are_handed_on(script, monkeypatch):
    """`test -k units` reaches pytest as it was typed."""
    seen = []
    monkeypatch.setattr(script, "make_environment", lambda root: None)
    monkeypatch.setattr(script, "_run", lambda command, folder: seen.append(command) or 0)
    assert 0 == script.main(["test", "-k", "units", "-x"])
    assert ["-m", "pytest", "-k", "units", "-x"] == seen[0][1:]


def test_demo_writes_into_one_folder(script, monkeypatch):
    """The demo goes to demo_output/ unless another folder is asked for."""
    seen = []
    monkeypatch.setattr(script, "make_environment", lambda root: None)
    monkeypatch.setattr(script, "_run", lambda command, folder: seen.append(command) or 0)
    script.main(["demo"])
    script.main(["demo", "--out", "elsewhere"])
    assert [["demo", "--out", "demo_output"], ["demo", "--out", "elsewhere"]] == [
        c[1:] for c in seen
    ]


def test_script_needs_only_the_standard_library():
    """The script runs before anything is installed, without the site's packages."""
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-W", "error", str(SCRIPT), "--help"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert 0 == done.returncode, done.stderr
    assert "demo" in done.stdout
