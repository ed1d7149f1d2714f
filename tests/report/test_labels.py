"""Numbers beside pits: never on a pit, never on each other, never outside."""

import numpy as np
import pytest

from rakelight.report.canvas import load_font
from rakelight.report.labels import FAR, NEAR, place_labels

BOX = (100.0, 50.0, 900.0, 650.0)


def spread_signs(n, seed):
    """Random signs inside the box: x, y, reach in px."""
    random = np.random.default_rng(seed)
    return np.c_[
        random.uniform(BOX[0], BOX[2], n),
        random.uniform(BOX[1], BOX[3], n),
        random.uniform(2, 9, n),
    ]


@pytest.mark.parametrize("steps", [NEAR, FAR])
@pytest.mark.parametrize("n", [1, 40, 300])
def test_labels_overlap_nothing(n, steps):
    """Boxes of placed labels are apart from each other, from all signs, and inside the frame."""
    signs, font = spread_signs(n, seed=n), load_font("narrow_bold", 22)
    names = [str(i + 1) for i in range(n)]
    placed = place_labels(names, signs, np.arange(n), font, BOX, steps)
    half = np.array([[font.getlength(names[i]) / 2, font.size * 0.42] for i in placed])
    at = np.array([placed[i] for i in placed])
    assert len(placed) >= 1
    assert (at - half >= np.array(BOX[:2]) - 1e-6).all()
    assert (at + half <= np.array(BOX[2:]) + 1e-6).all()
    for i in range(len(at)):
        gap = np.abs(at - at[i]) - half - half[i]
        apart = (gap > 0).any(axis=1)
        apart[i] = True
        assert apart.all()
        near = np.abs(signs[:, :2] - at[i]) - half[i] - signs[:, 2:]
        assert (near > 0).any(axis=1).all()


def test_more_important_labels_win_the_room():
    """With room for one label only, it is the first that gets it."""
    signs = np.array([[500.0, 300.0, 5.0], [502.0, 300.0, 5.0]])
    font = load_font("narrow_bold", 22)
    box = (489.0, 286.0, 530.0, 314.0)
    placed = place_labels(["8", "9"], signs, np.array([1, 0]), font, box)
    assert list(placed) in ([0], [0, 1])


def test_far_steps_place_what_near_steps_cannot():
    """In a dense cluster, labels with leaders number at least as many pits, and nearly all."""
    random = np.random.default_rng(3)
    signs = np.c_[random.normal(500, 25, 40), random.normal(350, 25, 40), np.full(40, 6.0)]
    names, font = [str(i) for i in range(40)], load_font("narrow_bold", 22)
    near = place_labels(names, signs, np.arange(40), font, BOX, NEAR)
    far = place_labels(names, signs, np.arange(40), font, BOX, FAR)
    assert len(near) < len(far)
    assert len(far) >= 36
