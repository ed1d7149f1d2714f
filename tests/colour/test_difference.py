"""Differences of tone against published numbers and second implementations."""

import warnings

import numpy as np
import pytest
from skimage.color import rgb2lab

from rakelight.colour.balance import decode_light
from rakelight.colour.difference import (
    describe_tone,
    find_dE00_sd,
    find_lab,
    grade_grey_scale,
    measure_dE00,
    measure_dEF,
    name_half_grade,
)

from .conftest import read_pairs, read_values


def load_colour_science():
    """Return the second implementation; it warns about packages that it could also use."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("colour")


def test_dE00_is_that_of_the_published_pairs():
    """All 34 published CIEDE2000 pairs come out to the last printed digit."""
    pairs = read_pairs()
    assert len(pairs) == 34
    assert pairs[:, 6] == pytest.approx(measure_dE00(pairs[:, :3], pairs[:, 3:6]), abs=1e-4)


def test_dE00_is_symmetric():
    """The difference is the same from either side (a law of the formula)."""
    pairs = read_pairs()
    there = measure_dE00(pairs[:, :3], pairs[:, 3:6])
    assert there == pytest.approx(measure_dE00(pairs[:, 3:6], pairs[:, :3]), abs=1e-9)


def test_dE00_is_that_of_a_second_implementation():
    """Concrete-like tones agree with colour-science to rounding."""
    second = load_colour_science()
    rng = np.random.default_rng(1)
    tones = rng.uniform((40, -3, -2), (90, 4, 14), (200, 3))
    others = tones + rng.normal(0, 2, tones.shape)
    assert second.delta_E(tones, others, method="CIE 2000") == pytest.approx(
        measure_dE00(tones, others), abs=1e-9
    )


@pytest.mark.parametrize("value", read_values("srgb_lab_"), ids=lambda value: value["id"])
def test_lab_of_srgb_triplets(value):
    """L*a*b* of known sRGB colours; the two usual matrices differ by up to .02."""
    found = find_lab(decode_light(np.uint8([[value["inputs"]["rgb"]]])))[0, 0]
    assert value["expected"] == pytest.approx(found, abs=value["tolerance"])


@pytest.mark.parametrize("value", read_values("srgb_linear_"), ids=lambda value: value["id"])
def test_linear_light_of_srgb_codes(value):
    """Linear light of known 8-bit codes; float32 holds six digits."""
    found = decode_light(np.uint8([[value["inputs"]["code"]]]))[0, 0]
    assert value["expected"] == pytest.approx(float(found), abs=2e-6)


def test_lab_is_that_of_two_other_implementations():
    """Against scikit-image and colour-science over the whole cube: .03, what their matrices differ."""
    codes = np.random.default_rng(2).integers(0, 256, (400, 1, 3), dtype=np.uint8)
    found = find_lab(decode_light(codes))
    assert rgb2lab(codes) == pytest.approx(found, abs=0.03)
    second = load_colour_science()
    xyz = second.sRGB_to_XYZ(codes / 255.0)
    white = second.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    assert second.XYZ_to_Lab(xyz, white) == pytest.approx(found, abs=0.03)


def test_lab_keeps_unknown_and_empty():
    """A pixel that is not known stays NaN, and no pixel gives no tone."""
    assert np.isnan(find_lab(np.array([[np.nan, 0.2, 0.2]]))).all()
    assert find_lab(np.empty((0, 3))).shape == (0, 3)


@pytest.mark.parametrize("value", read_values("iso105_a05_full"), ids=lambda value: value["id"])
def test_dEF_and_grade_of_known_pairs(value):
    """dE_F and the instrumental grade of ISO 105-A05 for pairs worked out independently."""
    de_f = float(measure_dEF(value["inputs"]["lab_test"], value["inputs"]["lab_ref"]))
    assert value["expected"]["dEF"] == pytest.approx(de_f, abs=value["tolerance"])
    assert value["expected"]["grade"] == pytest.approx(grade_grey_scale(de_f), abs=value["tolerance"])


GRADES = [v for v in read_values("iso105_a05_") if "dEF" in v["inputs"] and "continuity" not in v["id"]]


@pytest.mark.parametrize("value", GRADES, ids=lambda value: value["id"])
def test_grades_of_the_formula(value):
    """The grade of a given dE_F, held between 1 and 5 as the standard does."""
    expected = min(max(value["expected"], 1.0), 5.0)
    assert expected == pytest.approx(grade_grey_scale(value["inputs"]["dEF"]), abs=value["tolerance"])


def test_grade_has_no_step_where_its_branches_meet():
    """Both branches give grade 3.0 at dE_F = 3.4."""
    (value,) = read_values("iso105_a05_continuity")
    near = [grade_grey_scale(3.4), grade_grey_scale(3.4 + 1e-9)]
    assert value["expected"] == pytest.approx(near, abs=1e-6)


def test_half_grades_of_the_grey_scale_steps():
    """Each step of the grey scale (ISO 105-A02) gets its own half grade."""
    (value,) = read_values("iso105_a02_steps")
    assert len(value["expected"]) == 9
    for grade, step in value["expected"].items():
        assert grade == name_half_grade(step["dE"])
    assert name_half_grade(float("nan")) == "–"


def test_dEF_of_greys_is_the_difference_of_lightness():
    """For neutral tones dE_F is |dL| (a law of the formula)."""
    assert 4.0 == pytest.approx(float(measure_dEF((64, 0, 0), (60, 0, 0))))


def test_uncertainty_of_a_difference():
    """For neutral tones the uncertainty of dE00 follows that of L* as the difference itself does."""
    one_step = float(measure_dE00((60.1, 0, 0), (57, 0, 0)) - measure_dE00((60, 0, 0), (57, 0, 0)))
    assert one_step == pytest.approx(find_dE00_sd((60, 0, 0), (57, 0, 0), np.array([0.1, 0, 0])), rel=0.02)


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ((-3, 0, 0), "darker"),
        ((2, 0, 0), "lighter"),
        ((-1, 0, 3), "warmer and darker"),
        ((0, 0, -2), "cooler"),
        ((0, 1, 0), "redder"),
        ((0, -1, 0), "greener"),
        ((0.3, 0.1, -0.2), "no clear difference"),
        ((np.nan, 0, 0), "not known"),
    ],
)
def test_words_for_a_difference(step, words):
    """The strongest axis comes first; small ones get no word; yellower is warmer."""
    assert words == describe_tone(np.array([60, 0, 4]) + step, np.array([60, 0, 4]))


def test_words_keep_silent_below_a_limit_of_their_axis():
    """A limit per axis holds back what the photo cannot tell on that axis."""
    words = describe_tone((61, 0, 5), (60, 0, 4), limit=np.array([0.5, 0.5, 2.0]))
    assert words == "lighter"
