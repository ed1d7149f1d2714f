"""The whole map as tiles: where they may lie, when they are cut, and that they show the photo in full."""

import re

import numpy as np
import pytest
from PIL import Image

from rakelight import cli
from rakelight.core.errors import OutputError
from rakelight.core.settings import Settings
from rakelight.opening import pick_shrink

from .test_cli import ARGUMENTS, run


def refuse_to_measure(*args, **kwargs):
    """Stand in for the measuring where nothing may be measured."""
    raise AssertionError("measured before the place was checked")


def test_a_file_as_the_place_is_told_before_measuring(photo_file, tmp_path, capsys, monkeypatch):
    """The tiles' place is checked at the door; what lies there is left alone."""
    monkeypatch.setattr("rakelight.survey.inspect_survey", refuse_to_measure)
    (tmp_path / "tiles").write_text("mine")
    arguments = [*ARGUMENTS, "--out", tmp_path / "out", "--map-tiles", tmp_path / "tiles"]
    assert 2 == run("inspect", photo_file, *arguments)
    assert "is a file; name a folder" in capsys.readouterr().err
    assert "mine" == (tmp_path / "tiles").read_text()
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("out", "tiles"), [("out", "out/tiles"), ("out", "out"), ("tiles/out", "tiles"), ("out", "a/../out/b")]
)  # fmt: skip
def test_tiles_and_results_never_lie_in_each_other(
    photo_file, tmp_path, capsys, monkeypatch, out, tiles
):
    """One in the other would make the next run of the same command refuse: told at the door in one sentence."""
    monkeypatch.setattr("rakelight.survey.inspect_survey", refuse_to_measure)
    arguments = [*ARGUMENTS, "--out", tmp_path / out, "--map-tiles", tmp_path / tiles]
    assert 2 == run("inspect", photo_file, *arguments)
    said = [line for line in capsys.readouterr().err.splitlines() if line.startswith("rakelight:")]
    assert 1 == len(said) and "lie in each other" in said[0]
    assert [] == list(tmp_path.iterdir())


def test_the_log_keeps_what_was_measured_when_the_tiles_fail(
    photo_file, tmp_path, capsys, monkeypatch
):
    """A disk that fills while the tiles are cut costs the tiles, not the inspection in the job's log."""

    def fill_disk(*args):
        raise OutputError("The disk is full.")

    monkeypatch.setattr(cli, "write_tiles", fill_disk)
    arguments = [
        *ARGUMENTS, "--job", "Bench", "--log", tmp_path / "log", "--out", tmp_path / "out",
        "--map-tiles", tmp_path / "tiles",
    ]  # fmt: skip
    assert 2 == run("inspect", photo_file, *arguments)
    told = capsys.readouterr()
    assert "Kept in the job log" in told.out and "The disk is full." in told.err
    assert (tmp_path / "out" / "summary.json").is_file()


def test_tiles_show_the_photo_in_full_and_are_replaced(made_up, tmp_path):
    """A photo that would be read at half its size is read whole for tiles; the same command runs again."""
    rgb = np.tile(made_up.rgb, (1, 4, 1))[:, :3008]
    assert 2 == pick_shrink(rgb.shape[:2], 2.0, 0.15, Settings().photo.enough_px)
    Image.fromarray(rgb).save(tmp_path / "wide.jpg", quality=93)
    arguments = [
        *ARGUMENTS, "--smallest", "2", "--out", tmp_path / "out", "--map-tiles", tmp_path / "tiles",
    ]  # fmt: skip
    for _ in range(2):
        assert run("inspect", tmp_path / "wide.jpg", *arguments) in (0, 3)
        size = re.search(r'Width="(\d+)" Height="(\d+)"', (tmp_path / "tiles/map.dzi").read_text())
        assert (rgb.shape[1], rgb.shape[0]) == tuple(map(int, size.groups()))
        assert {"map.dzi", "map_files"} == {path.name for path in (tmp_path / "tiles").iterdir()}
