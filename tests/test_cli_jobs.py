"""The commands of the job log, as a person types them."""

import json
import sqlite3
import sys

import pytest

from rakelight.cli import main
from rakelight.cli_words import choose_arrow, say_value

ARGUMENTS = ["--mm-per-px", "0.15", "--lamp-from", "270", "--lamp-angle", "15"]


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Return a function that runs one command on a log of its own: exit code, what it said, its complaint."""
    monkeypatch.setenv("RAKELIGHT_LOG", str(tmp_path / "log"))
    monkeypatch.delenv("RAKELIGHT_LOG_PHOTOS", raising=False)

    def run(*arguments):
        with pytest.raises(SystemExit) as ended:
            main([str(argument) for argument in arguments])
        said = capsys.readouterr()
        return ended.value.code, said.out, said.err

    return run


@pytest.fixture
def bench(run):
    """A job with a slab, a zone, a repair and a note."""
    assert (
        0
        == run(
            "jobs", "add", "Bench", "--client", "Studio", "--slab-name", "A", "--slab", "2400x700"
        )[0]
    )
    assert (
        0
        == run(
            "jobs",
            "zone",
            "Bench",
            "A",
            "left",
            "--mix",
            "white 3",
            "--poured",
            "2026-11-20",
            "--air",
            "18",
        )[0]
    )
    assert 0 == run("jobs", "repair", "Bench", "A", "fill", "--pits", "30", "--grams", "90", "--minutes", "45",
                    "--material", "white")[0]  # fmt: skip
    assert 0 == run("jobs", "note", "Bench", "client rang", "--who", "Kim")[0]


def test_show_tells_everything(run, bench):
    """Slab, zone, repair and note stand in what a person reads and in the JSON."""
    told = run("jobs", "show", "Bench")[1]
    for words in (
        "Studio",
        "2400 x 700 mm",
        "mix white 3",
        "18 C",
        "fill, 30 pits, 90 g, 45 min",
        "client rang [Kim]",
    ):
        assert words in told
    plain = json.loads(run("jobs", "show", "Bench", "--json")[1])
    assert ("A", "white 3", 30) == (
        plain["slabs"][0]["name"],
        plain["slabs"][0]["zones"][0]["mix"],
        plain["slabs"][0]["repairs"][0]["n_pits"],
    )


def test_list_finds_by_words(run, bench):
    """Name, client and note are searched; nothing found is said."""
    assert 0 == run("jobs", "add", "Counter")[0]
    for words in ("bench", "studio", "RANG"):
        told = run("jobs", "list", words)[1]
        assert "Bench" in told
        assert "Counter" not in told
    assert "Nothing found" in run("jobs", "list", "nowhere")[1]
    assert 3 == len(run("jobs", "list", "--csv")[1].splitlines())


def test_delete_and_restore(run, bench):
    """A job that was put away is listed apart, comes back whole, and is purged only when asked twice."""
    before = run("jobs", "show", "Bench", "--json")[1]
    assert 0 == run("jobs", "delete", "Bench", "--why", "double")[0]
    assert "Nothing found" in run("jobs", "list")[1]
    assert "Bench" in run("jobs", "list", "--away")[1]
    code, _, complaint = run("jobs", "purge", "Bench")
    assert 2 == code
    assert "--yes" in complaint
    assert 0 == run("jobs", "restore", "Bench")[0]
    assert before == run("jobs", "show", "Bench", "--json")[1]
    assert 2 == run("jobs", "purge", "Bench", "--yes")[0]  # not put away
    assert 0 == run("jobs", "delete", "Bench")[0]
    assert 0 == run("jobs", "purge", "Bench", "--yes")[0]
    assert "Nothing found" in run("jobs", "list", "--away")[1]


def test_change_is_undone_by_its_number(run, bench):
    """Setting the client anew keeps the old name in the history, from where it comes back."""
    assert 0 == run("jobs", "add", "Bench", "--client", "Pottery")[0]
    assert "client: Pottery" in run("jobs", "show", "Bench")[1]
    line = run("jobs", "show", "Bench", "--history")[1].splitlines()[-1]
    assert "client: Studio → Pottery" in line
    assert 0 == run("jobs", "undo", line.split()[0])[0]
    assert "client: Studio" in run("jobs", "show", "Bench")[1]
    assert 2 == run("jobs", "undo", "zzzzzz")[0]


def test_history_tells_values_as_words(run):
    """What was not said before is nothing, and a mapping reads like a list."""
    assert 0 == run("jobs", "add", "Bench")[0]
    assert 0 == run("jobs", "add", "Bench", "--client", "Pottery")[0]
    line = run("jobs", "show", "Bench", "--history")[1].splitlines()[-1]
    assert "client: nothing → Pottery" in line
    assert "smallest_mm 2.5, rule A" == say_value({"smallest_mm": 2.5, "rule": "A"})
    assert ["→", "->"] == [choose_arrow(encoding) for encoding in ("utf-8", "cp1252")]


def test_export_and_import(run, bench, tmp_path):
    """A job travels to another log and is the same there; a second import adds nothing."""
    code, told, _ = run("jobs", "export", "Bench", tmp_path)
    assert 0 == code
    file = tmp_path / "Bench.zip"
    assert str(file) in told
    other = ["--log", tmp_path / "other"]
    assert 0 == run("jobs", "import", file, *other)[0]
    assert (
        run("jobs", "show", "Bench", "--json")[1]
        == run("jobs", "show", "Bench", "--json", *other)[1]
    )
    assert "nothing that was not here" in run("jobs", "import", file, *other)[1]
    assert 2 == run("jobs", "export", "Bench", tmp_path)[0]  # the file is there already


@pytest.mark.parametrize(
    ("place", "words"),
    [("nope/y.zip", "There is no folder"), ("y" * 300, "cannot be written")],
)
def test_export_to_a_wrong_place_names_the_place(run, bench, tmp_path, place, words):
    """A folder that is not there, or a name the disk refuses: not the log's fault."""
    code, _, complaint = run("jobs", "export", "Bench", tmp_path / place)
    assert 2 == code
    assert words in complaint
    assert "log.sqlite" not in complaint


def test_check_says_whole_or_what_is_wrong(run, bench, tmp_path):
    """Exit code 0 with the counts; 2 with the lines that are wrong."""
    code, told, _ = run("jobs", "check")
    assert 0 == code
    assert "1 job, 0 pictures" in told
    stranger = sqlite3.connect(tmp_path / "log" / "log.sqlite")
    stranger.execute("DELETE FROM slab")
    stranger.commit()
    stranger.close()
    code, told, complaint = run("jobs", "check")
    assert 2 == code
    assert "belong to nothing in slab" in told
    assert "not whole" in complaint


def test_rates_are_learned_and_written(run, bench, tmp_path):
    """Three repairs give a file that `inspect --rates` takes; fewer give none."""
    assert 2 == run("jobs", "rates", "--out", tmp_path / "few.toml")[0]
    assert not (tmp_path / "few.toml").exists()
    for minutes in (40, 50):
        assert (
            0
            == run("jobs", "repair", "Bench", "A", "fill", "--pits", "30", "--minutes", minutes)[0]
        )
    assert 0 == run("jobs", "rates", "--out", tmp_path / "rates.toml")[0]
    from rakelight.repair.plan import read_rates

    assert {"fill_min_per_pit": 1.5} == read_rates(tmp_path / "rates.toml")


def test_inspection_of_a_job_is_kept(run, photo_file, tmp_path):
    """`inspect --job` keeps record and photo; the same run again is kept once; --no-log keeps nothing."""
    told = [
        "inspect",
        photo_file,
        *ARGUMENTS,
        "--job",
        "Bench",
        "--slab-name",
        "A",
        "--stage",
        "after demold",
    ]
    code, said, _ = run(*told, "--out", tmp_path / "out")
    assert 0 == code
    assert "Kept in the job log" in said
    assert 0 == run(*told, "--out", tmp_path / "out")[0]
    shown = json.loads(run("jobs", "show", "Bench", "--json")[1])
    [survey] = shown["slabs"][0]["surveys"]
    assert [photo_file.name] == [photo["name"] for photo in survey["photos"]]
    assert 1 == len(survey["inspections"])
    assert "after demold" in run("jobs", "list", "--size", "1")[1]
    assert "Nothing found" in run("jobs", "list", "--month", "1999-01")[1]
    # The folder that was written goes into another log by itself.
    other = ["--log", tmp_path / "other"]
    (stranger := tmp_path / "stranger.jpg").write_bytes(b"another photo")
    for words in ([stranger], [tmp_path / "out", "--photo", photo_file, "--photo", stranger]):
        before = ["--photo"] if len(words) == 1 else []
        code, _, complaint = run("jobs", "add", "Bench", *before, *words, *other)
        assert 2 == code
        assert "stranger.jpg" in complaint
    assert not (tmp_path / "other").exists()
    assert 0 == run("jobs", "add", "Bench", tmp_path / "out", "--photo", photo_file, *other)[0]
    back = json.loads(run("jobs", "show", "Bench", "--json", *other)[1])["slabs"][0]["surveys"][0]
    assert survey["inspections"][0]["n_pits"] == back["inspections"][0]["n_pits"]
    assert "after demold" == back["stage"]
    assert (
        0
        == run(
            "inspect",
            photo_file,
            *ARGUMENTS,
            "--job",
            "Quiet",
            "--no-log",
            "--out",
            tmp_path / "out",
        )[0]
    )
    assert "Quiet" not in run("jobs", "list")[1]


@pytest.mark.parametrize(
    "arguments",
    [
        ["jobs", "show", "Nobody"],
        ["jobs", "list", "--month", "soon"],
        ["jobs", "list", "--size", "nan"],
        ["jobs", "add", ""],
        ["jobs", "add", "Bench"],
        ["jobs", "add", "Bench", "no_such_folder"],
        ["jobs", "add", "Bench", "--agreed", "nowhere.toml"],
        ["jobs", "add", "Bench", "--slab-name", "B", "--slab", "wide"],
        ["jobs", "zone", "Bench", "Z", "left"],
        ["jobs", "repair", "Bench", "A", "fill", "--minutes", "-1"],
        ["jobs", "repair", "Bench", "A", "fill", "--pits", "some"],
        ["jobs", "delete", "Nobody"],
        ["jobs", "restore", "Bench"],
        ["jobs", "export", "Nobody"],
        ["jobs", "import", "nowhere.zip"],
        ["jobs", "check", "--log", "no_such_place"],
        ["jobs", "list", "--log", "postgresql://nobody@127.0.0.1:9/none"],
        ["inspect", "x.jpg", "--mm-per-px", "0.1", "--log", "here"],
        ["inspect", "x.jpg", "--mm-per-px", "0.1", "--job", "B", "--log", "here", "--no-log"],
    ],
)
def test_wrong_words_are_one_sentence(run, bench, arguments, tmp_path, monkeypatch):
    """Exit code 2, one sentence, nothing made where the command stood."""
    (tmp_path / "here_only").mkdir()
    monkeypatch.chdir(tmp_path / "here_only")
    code, _, complaint = run(*arguments)
    said = [line for line in complaint.splitlines() if line.strip()]
    assert (2, 1) == (code, len(said))
    assert said[0].startswith("rakelight: ")
    assert [] == list((tmp_path / "here_only").iterdir())


def test_help_loads_no_database():
    """`rakelight jobs --help` answers without SQLAlchemy and pandas."""
    import subprocess

    script = "import sys, rakelight.cli; print(sorted({'sqlalchemy', 'pandas'} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert "[]" == done.stdout.strip()


@pytest.mark.parametrize(
    "command",
    [
        ["list"],
        ["show", "Bench"],
        ["zone", "Bench", "A", "left"],
        ["repair", "Bench", "A", "fill"],
        ["note", "Bench", "client rang"],
        ["rates"],
        ["delete", "Bench"],
        ["restore", "Bench"],
        ["undo", "abcdef"],
        ["purge", "Bench", "--yes"],
        ["export", "Bench"],
        ["check"],
    ],
)
def test_mistyped_place_starts_no_log(run, tmp_path, command):
    """Only a command that adds may start a log; the others say that there is none and how to start one."""
    code, told, complaint = run("jobs", *command, "--log", tmp_path / "lgo")
    assert (2, "") == (code, told)
    assert f"There is no job log in {tmp_path / 'lgo'}" in complaint
    assert "rakelight jobs add" in complaint
    assert not (tmp_path / "lgo").exists()


def test_import_starts_a_log_and_counts_in_words(run, bench, tmp_path):
    """A bundle taken in on another computer starts the log there; one is told as one, two as two."""
    assert 0 == run("jobs", "note", "Bench", "second call")[0]
    assert 0 == run("jobs", "export", "Bench", tmp_path / "bench.zip")[0]
    told = run("jobs", "import", tmp_path / "bench.zip", "--log", tmp_path / "other")[1]
    assert "1 job, 1 slab, 1 pour zone, 1 repair, 2 notes" in told
