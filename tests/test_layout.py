"""The contract of the folders: who may import whom, how long a thing may be, what is documented."""

import ast
import dataclasses
import importlib.util
import io
import pkgutil
import re
import subprocess
import sys
import tokenize
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "inspect" / "rakelight"
MAX_FUNCTION_LINES = 50
MAX_MODULE_LINES = 450

# Top to bottom; a part may import what stands in a lower line, never its neighbours.
LAYERS = (
    ("", "__main__"),
    ("screens", "cli"),
    ("demo", "cli_app", "cli_batch", "cli_lens", "cli_jobs", "cli_compare", "cli_given", "cli_tiles"),
    ("cli_words", "cli_numbers"),
    ("cli_log",),
    ("batch",),
    ("survey", "large_map"),
    ("inspection", "compare", "log", "report"),
    ("soft_light", "reading", "opening"),
    ("repair",),
    ("grade",),
    ("photo", "scale", "light", "pits", "colour", "simulate"),
    ("core",),
    ("data",),
)
# These read finished records only, so that they cannot measure.
CORE_ONLY = ("log", "report")
# Made-up slabs serve the tests, the demo and the training, never a measurement.
MAY_SIMULATE = ("", "__main__", "cli", "screens", "simulate")
# Heavy or edge-of-the-program packages and the only parts that may name them.
OUTSIDE = {
    "streamlit": ("screens",),
    "dask": ("batch",),
    "distributed": ("batch",),
    "fsspec": ("batch",),
    "sqlalchemy": ("log",),
    "alembic": ("log",),
    "psycopg": ("log",),
    "typst": ("report", "scale"),  # the printed page, and the printed scale card
    "ezdxf": ("report",),
}


# --- reading the code -------------------------------------------------------------------------


def list_modules(package: Path) -> Iterator[tuple[str, Path]]:
    """Yield the dotted name and the file of every module of a package folder."""
    for path in sorted(package.rglob("*.py")):
        parts = path.relative_to(package.parent).with_suffix("").parts
        yield ".".join(part for part in parts if part != "__init__"), path


def read_tree(path: Path) -> ast.Module:
    """Return the syntax tree of a file."""
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def list_imports(name: str, path: Path) -> set[str]:
    """Return the dotted names that a module imports anywhere in it, relative ones resolved."""
    found = set()
    package = name if path.name == "__init__.py" else name.rpartition(".")[0]
    for node in ast.walk(read_tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                kept = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*kept, *([node.module] if node.module else [])])
            found |= {f"{base}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Call) and node.args and _is_import_call(node.func):
            first = node.args[0]
            if isinstance(first, ast.Constant) and isinstance(first.value, str):
                found.add(first.value)
    return found


def _is_import_call(function: ast.expr) -> bool:
    name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
    return name in ("import_module", "__import__")


def find_part(name: str) -> str:
    """Return the folder or module right below the package that a dotted name belongs to."""
    return name.split(".")[1] if "." in name else ""


def rank_part(part: str) -> int:
    """Return the line of LAYERS that names a part."""
    return next(rank for rank, parts in enumerate(LAYERS) if part in parts)


def find_import_breaches(package: Path) -> list[str]:
    """Return one sentence for every import that the layers do not allow."""
    known = {part for parts in LAYERS for part in parts}
    breaches = []
    for name, path in list_modules(package):
        part = find_part(name)
        if part not in known:
            breaches.append(f"{name} is in no layer")
            continue
        breaches += [
            f"{name} imports {target}"
            for target in sorted(list_imports(name, path))
            if not _is_allowed(part, target, known)
        ]
    return breaches


def _is_allowed(part: str, target: str, known: set[str]) -> bool:
    top = target.split(".")[0]
    if top in OUTSIDE:
        return part in OUTSIDE[top]
    if top != "rakelight":
        return True
    other = find_part(target)
    if other not in known or other == "":  # the package itself, or a name that it defines
        return part in LAYERS[0] or other == "__version__"
    if other == part:
        return True
    if other == "simulate" and part not in MAY_SIMULATE:
        return False
    if part in CORE_ONLY:
        return other in ("core", "data")
    return rank_part(part) < rank_part(other)


def find_code_lines(source: str, *, keep_docstrings: bool) -> set[int]:
    """Return the numbers of the lines that hold code, without blanks and comments."""
    idle = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT,
            tokenize.ENDMARKER, tokenize.ENCODING}  # fmt: skip
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type not in idle:
            lines |= set(range(token.start[0], token.end[0] + 1))
    if not keep_docstrings:
        for node in ast.walk(ast.parse(source)):
            lines -= set(_docstring_lines(node))
    return lines


def _docstring_lines(node: ast.AST) -> range:
    has_body = isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef))
    if not has_body or ast.get_docstring(node, clean=False) is None:
        return range(0)
    return range(node.body[0].lineno, node.body[0].end_lineno + 1)


def find_long_functions(path: Path, limit: int) -> list[str]:
    """Return the functions of a file with more code lines than the limit."""
    source = path.read_text(encoding="utf-8")
    lines = find_code_lines(source, keep_docstrings=False)
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            n_lines = sum(node.lineno <= line <= node.end_lineno for line in lines)
            if n_lines > limit:
                found.append(f"{path.name}: {node.name} has {n_lines} code lines")
    return found


def run_python(code: str, folder: Path = ROOT) -> str:
    """Return what a fresh Python prints that takes every warning as an error."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout.strip()


# --- the source root --------------------------------------------------------------------------


def test_source_root_has_no_init():
    """`inspect/` is a folder and not a package, or it would hide Python's own module."""
    assert not (ROOT / "inspect" / "__init__.py").exists()


@pytest.mark.parametrize("folder", [ROOT, ROOT / "inspect", ROOT / "tests"], ids=lambda p: p.name)
def test_standard_inspect_wins(folder):
    """`import inspect` gives the standard library from every folder a person may stand in."""
    printed = run_python("import inspect, rakelight; print(inspect.__file__)", folder)
    assert Path(printed) == Path(sys.modules["inspect"].__file__)


# --- layers -----------------------------------------------------------------------------------


def test_imports_follow_the_layers():
    """No module imports sideways, upwards, or a package that belongs to another part."""
    assert [] == find_import_breaches(PACKAGE)


@pytest.mark.plant
@pytest.mark.parametrize(
    ("module", "line"),
    [
        ("core/units.py", "from rakelight.pits import find"),
        ("core/units.py", "def read():\n    from ..photo import read"),
        ("pits/find.py", "from ..light.background import flatten_light"),
        ("pits/find.py", "from .. import grade"),
        ("pits/find.py", "from rakelight import inspect_photo"),
        ("pits/find.py", "import rakelight"),
        ("grade/classify.py", "import rakelight.repair.plan"),
        ("report/client.py", "from rakelight.pits.measure import measure_pits"),
        ("log/store.py", "import streamlit as st"),
        ("cli.py", "import importlib\nimportlib.import_module('rakelight.screens.photo')"),
        ("inspection.py", "from .simulate.slab import make_slab"),
        ("colour/balance.py", "from dask import delayed"),
        ("stray.py", "import math"),
    ],
)
def test_planted_import_is_found(tmp_path, module, line):
    """The check sees each kind of forbidden import, also inside a function or by name only."""
    path = tmp_path / "rakelight" / module
    path.parent.mkdir(parents=True)
    path.write_text(line + "\n", encoding="utf-8")
    assert 1 == len(find_import_breaches(tmp_path / "rakelight"))


def test_allowed_import_is_not_found(tmp_path):
    """The check is silent about imports that go down, stay inside a part or ask the version."""
    path = tmp_path / "rakelight" / "repair" / "plan.py"
    path.parent.mkdir(parents=True)
    path.write_text(
        "import numpy\nfrom rakelight import __version__\nfrom .options import choose\n"
        "from ..core import records\nfrom ..grade.windows import find_worst\n",
        encoding="utf-8",
    )
    assert [] == find_import_breaches(tmp_path / "rakelight")


def test_only_the_screens_and_app_name_streamlit():
    """`app.py` is the one file outside the package that starts the screens."""
    scripts = [p for f in ("tools", "benchmarks") for p in (ROOT / f).rglob("*.py")]
    names = {path.name for path in scripts if "streamlit" in _list_tops(path)}
    assert set() == names


def _list_tops(path: Path) -> set[str]:
    return {name.split(".")[0] for name in list_imports(path.stem, path)}


@pytest.mark.parametrize(
    ("module", "unwanted"),
    [
        ("rakelight", {"streamlit", "dask", "distributed", "sqlalchemy", "alembic"}),
        ("rakelight.cli", {"streamlit", "dask", "distributed", "sqlalchemy", "cv2", "skimage"}),
    ],
)
def test_import_stays_light(module, unwanted):
    """What is slow to import or belongs to the edges comes only when it is used."""
    loaded = run_python(f"import sys, {module}; print(*sorted(sys.modules))").split()
    assert set() == unwanted & set(loaded)


# --- names and sizes --------------------------------------------------------------------------


def test_modules_are_named_for_what_they_hold():
    """No drawer for odds and ends."""
    drawers = {"utils", "util", "helpers", "helper", "misc", "common", "tools"}
    assert [] == [name for name, _ in list_modules(PACKAGE) if drawers & set(name.split("."))]


def test_modules_are_short():
    """A module above the limit holds two things: split it."""
    sizes = {
        name: len(find_code_lines(path.read_text(encoding="utf-8"), keep_docstrings=True))
        for name, path in list_modules(PACKAGE)
    }
    assert {} == {name: n for name, n in sizes.items() if n > MAX_MODULE_LINES}


def test_functions_are_short():
    """A function above the limit holds two steps: split it."""
    paths = [path for _, path in list_modules(PACKAGE)]
    long = [found for path in paths for found in find_long_functions(path, MAX_FUNCTION_LINES)]
    assert [] == long


@pytest.mark.plant
def test_planted_long_function_is_found(tmp_path):
    """Docstring, comments and blank lines are free, code lines count: 3 here."""
    path = tmp_path / "long.py"
    path.write_text(
        'def add(a):\n    """Add.\n\n    More.\n    """\n    # why\n\n    a += 1\n    return a\n'
    )
    assert [] == find_long_functions(path, 3)
    assert ["long.py: add has 3 code lines"] == find_long_functions(path, 2)


# --- what is documented -----------------------------------------------------------------------


def list_commands(
    group: click.Group, words: tuple[str, ...]
) -> Iterator[tuple[str, click.Command]]:
    """Yield every command below a group with the words that call it."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        yield " ".join([*words, name]), command
        if isinstance(command, click.Group):
            yield from list_commands(command, (*words, name))


def test_commands_are_documented():
    """Every command stands in README.md as it is typed, and says what it does when asked."""
    from rakelight.cli import cli

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    commands = dict(list_commands(cli, ("rakelight",)))
    assert {"rakelight demo", "rakelight inspect", "rakelight app"} <= set(commands)
    top = [words for words in commands if words.count(" ") == 1]
    assert [] == [words for words in top if words not in readme]
    assert [] == [words for words, command in commands.items() if not command.help]


def test_columns_are_documented():
    """Every column of every table stands in docs/columns.md with its unit."""
    from rakelight.core import records

    text = (ROOT / "docs" / "columns.md").read_text(encoding="utf-8")
    tables = [getattr(records, name) for name in dir(records) if name.endswith("_COLUMNS")]
    assert len(tables) >= 5
    rows = {line for line in text.splitlines() if line.startswith("|")}
    missing = [
        column.name
        for columns in tables
        for column in columns
        if not any(f"`{column.name}`" in row and (column.unit or "") in row for row in rows)
    ]
    assert [] == missing


def test_flags_are_documented():
    """Every flag stands in docs/columns.md with its meaning."""
    from rakelight.core.flags import FLAGS

    text = (ROOT / "docs" / "columns.md").read_text(encoding="utf-8")
    assert [] == [f.name for f in FLAGS if f"`{f.name}`" not in text or f.meaning not in text]


def test_settings_are_documented():
    """Every field of every settings class stands in docs/settings.md."""
    from rakelight.core import settings

    text = (ROOT / "docs" / "settings.md").read_text(encoding="utf-8")
    classes = [
        value
        for name, value in vars(settings).items()
        if isinstance(value, type) and dataclasses.is_dataclass(value) and name.endswith("Settings")
    ]
    assert len(classes) >= 5
    sections = dict(re.findall(r"^## (\w+)\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL))
    nested = {"Settings"}  # holds one of each of the others
    missing = [
        f"{cls.__name__}.{field.name}"
        for cls in classes
        if cls.__name__ not in nested
        for field in dataclasses.fields(cls)
        if f"| `{field.name}` |" not in sections.get(cls.__name__, "")
    ]
    assert [] == missing


@pytest.mark.parametrize(
    ("page", "writer"), [("columns.md", "write_columns"), ("settings.md", "write_settings")]
)
def test_reference_pages_are_of_today(page, writer):
    """The pages are what `python tools/write_reference.py` would write now."""
    path = ROOT / "tools" / "write_reference.py"
    spec = importlib.util.spec_from_file_location("rakelight_write_reference", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert getattr(module, writer)() == (ROOT / "docs" / page).read_text(encoding="utf-8")


# --- what the repository may not hold ---------------------------------------------------------

# Written in pieces, so that this file does not find itself.
FORBIDDEN = re.compile(
    r"(?<![\w.~-])/(?:work|root|home|Users)/\w"
    r"|\b[A-Z]:\\Users\\"
    r"|py" + r"pi\.org|python" + r"hosted|registry\.np" + r"mjs|npm" + r"js\.com|deb\.deb" + r"ian"
)  # fmt: skip


def find_machine_words(text: str) -> list[str]:
    """Return the paths of somebody's machine and the addresses of package sources in a text."""
    return [found.group(0) for found in FORBIDDEN.finditer(text)]


def test_tracked_files_name_no_machine():
    """No path of somebody's machine and no address of a package source stands in the repository."""
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    found = {}
    for name in filter(None, listed.stdout.split("\0")):
        raw = (ROOT / name).read_bytes() if (ROOT / name).is_file() else b""
        if b"\0" not in raw[:8000]:
            found[name] = find_machine_words(raw.decode("utf-8", errors="replace"))
    assert {} == {name: words for name, words in found.items() if words}


@pytest.mark.plant
def test_planted_machine_words_are_found():
    """The check sees a home folder, and leaves web paths and fractions alone."""
    assert ["/" + "home/a"] == find_machine_words("open('/" + "home/anna/x.jpg')")
    assert [] == find_machine_words("https://example.com/work/x 1/2 and ~/work/x")


# --- importing --------------------------------------------------------------------------------

IMPORT_EACH = """
import importlib, sys
import numpy, pandas, cv2, streamlit
for name in {names!r}:
    for loaded in [m for m in sys.modules if m.split(".")[0] == "rakelight"]:
        del sys.modules[loaded]
    try:
        importlib.import_module(name)
    except BaseException as error:
        print(name + ": " + repr(error))
"""


def test_every_module_imports_by_itself():
    """Each module imports first, before any other of ours, with warnings as errors.

    Left out are files that are run and never imported: `__main__`, the pages of the screens (their
    own tests start each) and the steps of the log's migration.
    """
    names = ["rakelight"]
    names += [m.name for m in pkgutil.walk_packages([str(PACKAGE)], "rakelight.", onerror=str)]
    run_only = re.compile(r"rakelight\.(__main__$|log\.migrations\.|screens\.)")
    names = [name for name in names if not run_only.match(name)]
    assert "" == run_python(IMPORT_EACH.format(names=names))
