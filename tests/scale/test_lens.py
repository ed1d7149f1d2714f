"""The lens from straight lines and from chessboard photos."""

import cv2
import numpy as np
import pytest

from rakelight.core.errors import ScaleError, SettingsError
from rakelight.core.records import Lens, Photo
from rakelight.scale.lens import calibrate_lens, estimate_lens, read_lens, write_lens
from rakelight.scale.plane import bend_points

SHAPE_PX = (900, 1200)
MIDDLE_PX = (599.5, 449.5)


def draw_lines(k1, noise_px=0.3, seed=0):
    """Return four nearly level or upright straight lines bent by a lens, with noise."""
    rng = np.random.default_rng(seed)
    share = np.linspace(0, 1, 120)[:, None]
    ends = [
        ((60, 70), (1130, 50)),
        ((1130, 50), (1150, 840)),
        ((1150, 840), (50, 860)),
        ((50, 860), (60, 70)),
    ]
    lens = Lens(k1, 0.0, MIDDLE_PX, float(np.hypot(*MIDDLE_PX)))
    lines = [np.array(a) + share * (np.array(b) - np.array(a)) for a, b in ends]
    return [bend_points(lens, line) + rng.normal(0, noise_px, line.shape) for line in lines]


@pytest.mark.parametrize("k1", [-0.1, -0.03, 0.02])
def test_straight_lines_give_the_lens(k1):
    """Four bent lines give the bend back, within its stated doubt."""
    lens, k1_sd = estimate_lens(draw_lines(k1), SHAPE_PX)
    assert lens.k1 == pytest.approx(k1, abs=max(0.002, 3 * k1_sd))


def test_straight_lines_without_a_bend_give_no_lens():
    """Straight lines do not invent a lens, and no lines leave it open."""
    assert estimate_lens(draw_lines(0.0), SHAPE_PX)[0] is None
    assert estimate_lens([], SHAPE_PX) == (None, np.inf)


def photograph_board(camera, terms, turn, away, shape_px=SHAPE_PX, cell_px=40):
    """Return a photo of a 10 x 7 chessboard by OpenCV's own camera model."""
    board = np.kron(np.indices((7, 10)).sum(axis=0) % 2, np.ones((cell_px, cell_px)))
    board = np.pad(board, cell_px, constant_values=1.0).astype(np.float32) * 220 + 20
    rows, cols = np.indices(shape_px, np.float32)
    rays = cv2.undistortPoints(
        np.stack([cols.ravel(), rows.ravel()], axis=1)[:, None], camera, terms
    )[:, 0]
    rotation, _ = cv2.Rodrigues(np.array(turn, float))
    plane = np.linalg.inv(np.column_stack([rotation[:, 0], rotation[:, 1], away]))
    at = np.column_stack([rays, np.ones(len(rays))]) @ plane.T
    # Board units: one cell is 1; its first inner corner is at (0, 0).
    at = (at[:, :2] / at[:, 2:] + 2) * cell_px - 0.5
    x_px, y_px = (at[:, k].reshape(shape_px).astype(np.float32) for k in (0, 1))
    grey = cv2.remap(board, x_px, y_px, cv2.INTER_LINEAR, borderValue=120)
    grey = cv2.GaussianBlur(grey, (0, 0), 0.8).astype(np.uint8)
    return Photo(np.repeat(grey[..., None], 3, axis=2), "board.png", "0" * 64)


VIEWS = [
    ((0.0, 0.0, 0.0), (-4.3, -2.6, 10.5)),
    ((0.5, 0.0, 0.05), (-4.2, -2.4, 11.5)),
    ((-0.5, 0.1, 0.0), (-4.4, -2.5, 11.5)),
    ((0.0, 0.5, -0.1), (-4.0, -2.6, 11.5)),
    ((0.1, -0.5, 0.1), (-4.3, -2.3, 11.5)),
]


@pytest.fixture(scope="module")
def boards():
    """Five photos of a board by a camera with k1 -0.12, k2 0.03 and a middle 9 px off."""
    camera = np.array([[1000.0, 0, 608.5], [0, 1000, 445.0], [0, 0, 1]])
    terms = np.array([-0.12, 0.03, 0, 0])
    return [photograph_board(camera, terms, turn, np.array(away)) for turn, away in VIEWS]


def test_chessboard_gives_the_lens(boards):
    """The lens comes back: points over the photo lie within 0.5 px of the truth."""
    lens, rms_px = calibrate_lens(boards)
    truth = Lens(-0.12, 0.03, (608.5, 445.0), 1000.0)
    assert rms_px < 0.3
    xy_px = np.stack(np.meshgrid(np.linspace(50, 1150, 8), np.linspace(50, 850, 6)), -1).reshape(
        -1, 2
    )
    # Focal length and bend trade against each other: compare the bend after fitting a plane.
    straight = bend_points(truth, xy_px)
    from rakelight.scale.plane import apply_plane, fit_plane, straighten_points

    found = straighten_points(lens, straight)
    away = apply_plane(fit_plane(found, xy_px), found) - xy_px
    assert np.abs(away).max() < 0.5
    assert lens.k1 == pytest.approx(-0.12, abs=0.02)


def test_too_few_boards_are_refused(boards):
    """Three boards, or photos of two sizes, are answered by one sentence."""
    with pytest.raises(ScaleError, match="found in 3 photos"):
        calibrate_lens(boards[:3])
    with pytest.raises(ScaleError, match="differ in size"):
        calibrate_lens([boards[0], Photo(boards[1].rgb[:-2], "b.png", "0" * 64)])


def test_lens_file_round_trip(tmp_path):
    """A kept lens comes back, at half the size and turned by 90 degrees too."""
    lens = Lens(-0.12, 0.03, (608.5, 445.0), 1000.0, basis="chessboard")
    path = write_lens(tmp_path / "lens.toml", lens, SHAPE_PX)
    assert read_lens(path, SHAPE_PX) == lens
    half = read_lens(path, (450, 600))
    assert half.unit_px == pytest.approx(500)
    assert half.centre_px == pytest.approx((304.0, 222.25))
    assert read_lens(path, (1200, 900)).centre_px == pytest.approx((445.0, 608.5))
    with pytest.raises(SettingsError, match="another shape"):
        read_lens(path, (900, 900))


@pytest.mark.parametrize("text", ["", "k1 = 'big'", "k1 = 0.1\nk9 = 3", "[[["])
def test_wrong_lens_files_are_refused(tmp_path, text):
    """A file that is no lens, or is not there, is one sentence."""
    (tmp_path / "lens.toml").write_text(text)
    with pytest.raises(SettingsError, match="not a lens file"):
        read_lens(tmp_path / "lens.toml", SHAPE_PX)
    with pytest.raises(SettingsError, match="There is no file"):
        read_lens(tmp_path / "nothing.toml", SHAPE_PX)
