"""The lens command: chessboard to print, photos in, lens file out."""

import cv2
import numpy as np
import pytest
from PIL import Image

from rakelight.cli import main
from rakelight.scale.lens import read_lens

SHAPE_PX = (700, 1000)
TURNS = [(0, 0, 0), (0.45, 0, 0.05), (-0.45, 0.1, 0), (0, 0.45, -0.1), (0.1, -0.45, 0.1)]


def run(*arguments) -> int:
    """Return the exit code of one command."""
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    return ended.value.code


def draw_board(turn, k1):
    """Return a photo of the 10 x 7 board, tilted, by a camera with one radial term."""
    camera = np.array([[900.0, 0, 499.5], [0, 900, 349.5], [0, 0, 1]])
    board = np.kron(np.indices((7, 10)).sum(axis=0) % 2, np.ones((30, 30)))
    board = np.pad(board, 30, constant_values=1.0).astype(np.float32) * 220 + 20
    rows, cols = np.indices(SHAPE_PX, np.float32)
    pixels = np.stack([cols.ravel(), rows.ravel()], axis=1)[:, None]
    rays = cv2.undistortPoints(pixels, camera, np.array([k1, 0, 0, 0]))[:, 0]
    rotation, _ = cv2.Rodrigues(np.array(turn, float))
    plane = np.linalg.inv(np.column_stack([rotation[:, 0], rotation[:, 1], (-4.0, -2.5, 12.0)]))
    at = np.column_stack([rays, np.ones(len(rays))]) @ plane.T
    at = (at[:, :2] / at[:, 2:] + 2) * 30 - 0.5
    x_px, y_px = (at[:, k].reshape(SHAPE_PX).astype(np.float32) for k in (0, 1))
    return cv2.remap(board, x_px, y_px, cv2.INTER_LINEAR, borderValue=120).astype(np.uint8)


def test_board_photos_give_a_lens_file(tmp_path, capsys):
    """Five photos of the board give a file that holds the lens; its misfit is told."""
    paths = []
    for k, turn in enumerate(TURNS):
        paths.append(tmp_path / f"board_{k}.png")
        Image.fromarray(draw_board(turn, -0.12)).convert("RGB").save(paths[-1])
    assert 0 == run("lens", *paths, "--out", tmp_path / "camera.toml")
    said = capsys.readouterr().out
    assert "camera.toml" in said
    assert -0.12 == pytest.approx(read_lens(tmp_path / "camera.toml", SHAPE_PX).k1, abs=0.02)


def test_board_is_made_to_print(tmp_path):
    """--board writes a PDF."""
    assert 0 == run("lens", "--board", tmp_path / "chessboard.pdf")
    assert (tmp_path / "chessboard.pdf").read_bytes().startswith(b"%PDF")


def test_without_photos_or_boards_one_sentence(tmp_path, photo_file, capsys):
    """No photos, too few boards and a photo without a board: exit code 2 and what to do."""
    assert 2 == run("lens", "--out", tmp_path / "a.toml")
    assert "--board" in capsys.readouterr().err
    assert 2 == run("lens", photo_file, "--out", tmp_path / "a.toml")
    assert "found in 0 photos" in capsys.readouterr().err
    assert not (tmp_path / "a.toml").exists()
