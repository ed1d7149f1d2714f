"""Classes of worked cases, traps of rounding, ranges, and what is said beside a class."""

import math

import numpy as np
import pytest

from rakelight.core.records import PIT_COLUMNS, make_table
from rakelight.core.settings import GradeSettings
from rakelight.grade.classify import grade_face

INCH = 25.4


def grade_one(pits, face, scheme, *, smallest=0.5, **options):
    """The grade by one scheme."""
    report = grade_face(pits, face, smallest_countable_mm=smallest, schemes=(scheme,), **options)
    return report.grades[0]


def test_case_1_counts_two_to_fifteen_only(grade_values, make_face, spread_pits):
    """Small pits and the oversize void stay out of the sum: 0.3043 %, SVR3, one finding."""
    expected = grade_values["svr_case_1"]["expected"]
    groups = grade_values["svr_case_1"]["inputs"]["voids_diameter_mm_count"]
    face = make_face(24 * INCH, 24 * INCH, mm_per_px=0.6096)
    pits = spread_pits(groups, face.size_mm)
    report = grade_face(pits, face, smallest_countable_mm=0.5, schemes=("aci_svr",))
    grade = report.grades[0]
    assert expected["ratio_pct"] == pytest.approx(grade.value, abs=5e-5)
    assert expected["class_strict"] == grade.class_name
    assert expected["over_size_voids"] == len(report.findings)
    assert grade.is_borderline  # SVR4 begins at 0.3 %
    everything = 100 * pits["area_mm2"].sum() / (24 * INCH) ** 2
    assert expected["ratio_pct_if_every_void_is_counted"] == pytest.approx(everything, abs=5e-5)


@pytest.mark.parametrize(
    ("scheme", "side_mm", "mm_per_px", "per_cent", "class_name"),
    [
        ("dbv_p", 500.0, 0.5, "pct_500mm", "class_500mm"),
        ("aci_svr", 609.6, 0.6096, "pct_24in", "class_24in"),
    ],
)
def test_case_2_class_follows_the_window(
    grade_values, make_face, spread_pits, scheme, side_mm, mm_per_px, per_cent, class_name
):
    """The same 28 voids are P2 in 500 mm and SVR3 in 24 in."""
    expected = grade_values["svr_case_2"]["expected"]
    face = make_face(side_mm, side_mm, mm_per_px=mm_per_px)
    grade = grade_one(spread_pits([(10.0, 28)], (500, 500)), face, scheme)
    assert expected[per_cent] == pytest.approx(grade.value, abs=5e-5)
    assert expected[class_name] == grade.class_name


@pytest.mark.parametrize("case", ["svr_case_3", "svr_case_4"])
def test_cases_3_and_4(grade_values, make_face, spread_pits, case):
    """0.3116 % is strictly P3, and 1.3547 % is beyond the lowest class."""
    entry = grade_values[case]
    pits = spread_pits(entry["inputs"]["voids_diameter_mm_count"], (500, 500))
    grade = grade_one(pits, make_face(500, 500, mm_per_px=0.5), "dbv_p")
    assert entry["expected"]["ratio_pct"] == pytest.approx(grade.value, abs=5e-5)
    assert entry["expected"]["class"].split(" ")[0] == grade.class_name


def test_oenorm_columns_disagree_and_it_is_said(grade_values, make_face, make_pits):
    """7.8 cm2 keeps class P by the cm2 column but not by per cent; both are named."""
    entry = grade_values["oenorm_b2211_rounding_trap"]
    diameter = math.sqrt(4 * entry["inputs"]["pore_area_cm2"] * 100 / 10 / math.pi)
    pits = make_pits(50 + 40 * np.arange(10), np.full(10, 250), diameter)
    grade = grade_one(pits, make_face(500, 500), "oenorm_p")
    assert entry["expected"]["pct"] == pytest.approx(grade.value, abs=entry["tolerance"])
    assert grade.class_name == "2P"
    assert any("other column" in note and "is P:" in note for note in grade.notes)


def test_band_edges_count(make_face, make_pits):
    """Exactly 2 mm and exactly 15 mm are counted, a hair outside is not."""
    pits = make_pits([50, 100, 150, 200], [100] * 4, [2.0, 15.0, 1.999, 15.001])
    grade = grade_one(pits, make_face(500, 500), "dbv_p")
    counted_mm2 = math.pi * (2.0**2 + 15.0**2) / 4
    assert 100 * counted_mm2 / 250_000 == pytest.approx(grade.value, rel=1e-9)
    assert grade.window.n_pits == 2


def test_worst_window_is_graded_and_others_are_named(make_face, make_pits):
    """A slab with pits in one end only: the worst window decides, best and middle are told."""
    i = np.arange(40)
    pits = make_pits(30 + 30 * (i % 8), 60 + 90 * (i // 8), 8.0)
    grade = grade_one(pits, make_face(1200, 600), "dbv_p")
    assert (grade.class_name, grade.window.size_mm) == ("P2", (500.0, 500.0))
    assert any("Best window P4" in note for note in grade.notes)


def test_labels_do_not_decide_the_order(make_face, spread_pits):
    """More open area gives the worse class in a rising and in a falling scale alike."""
    face = make_face(500, 500)
    few, many = (spread_pits([(8.0, n)], (500, 500)) for n in (10, 40))
    assert [grade_one(p, face, "aci_svr").class_name for p in (few, many)] == ["SVR4", "SVR2"]
    assert [grade_one(p, face, "oenorm_p").class_name for p in (few, many)] == ["P", "3P"]


def test_empty_face_gets_the_best_class(make_face):
    """No pits: best class everywhere, no finding, figures of zero."""
    report = grade_face(make_table(PIT_COLUMNS), make_face(700, 700), smallest_countable_mm=1.0)
    assert {grade.value for grade in report.grades} == {0.0}
    assert report.findings == ()
    best = {"aci_svr": "SVR4", "dbv_p": "P4", "oenorm_p": "P", "sp70": "A3"}
    found = {grade.scheme: grade.class_name for grade in report.grades}
    assert best == {name: found[name] for name in best}


def test_hidden_face_is_not_graded(make_face, make_pits):
    """Nothing seen: no class at all, and no window."""
    face = make_face(600, 600, unseen=[(0, 0, 600, 600)])
    report = grade_face(make_pits([], [], []), face, smallest_countable_mm=1.0)
    assert {"not graded"} == {grade.class_name for grade in report.grades}
    assert report.windows == ()


def test_coarse_photo_widens_the_range(make_face, spread_pits):
    """A photo that shows nothing below 3 mm leaves a worse class open, and says why."""
    pits = spread_pits([(3.2, 60), (5.0, 20)], (500, 500))
    face = make_face(500, 500)
    fine = grade_one(pits, face, "dbv_p", smallest=1.0)
    coarse = grade_one(pits, face, "dbv_p", smallest=3.0)
    assert coarse.value_range[1] > 1.2 * fine.value_range[1]
    assert any("cannot show" in note for note in coarse.notes)
    blind = grade_one(pits, face, "dbv_p", smallest=20.0)
    assert any("cannot be told" in note for note in blind.notes)


def test_range_grows_with_size_error_and_doubtful_pits(make_face, spread_pits):
    """Without doubts the range is the figure; size errors and low confidence widen it."""
    pits = spread_pits([(6.0, 40)], (500, 500))
    face = make_face(500, 500)
    sure = grade_one(pits, face, "dbv_p", smallest=0.01)
    assert sure.value_range == pytest.approx((sure.value, sure.value), rel=1e-3)
    unsure = grade_one(pits.assign(diameter_sd_mm=0.5), face, "dbv_p", smallest=0.01)
    doubtful = grade_one(pits.assign(confidence=0.7), face, "dbv_p", smallest=0.01)
    for grade in (unsure, doubtful):
        low, high = grade.value_range
        assert high - low > 0.1 * grade.value
    assert doubtful.value_range[0] < 0.85 * doubtful.value


def test_range_lists_touched_classes_best_first(make_face, spread_pits):
    """The range names every class between its ends, best first, and holds the class itself."""
    pits = spread_pits([(8.0, 30)], (500, 500)).assign(diameter_sd_mm=2.0)
    grade = grade_one(pits, make_face(500, 500), "dbv_p")
    scale = ["P4", "P3", "P2", "P1", "none"]
    first = scale.index(grade.range[0])
    assert list(grade.range) == scale[first : first + len(grade.range)]
    assert grade.class_name in grade.range and len(grade.range) > 1


def test_same_seed_same_range(make_face, spread_pits):
    """Grading twice gives the same figures to the last digit."""
    pits = spread_pits([(5.0, 50)], (500, 500)).assign(diameter_sd_mm=0.4, confidence=0.8)
    face = make_face(500, 500)
    first, second = (grade_one(pits, face, "dbv_p").value_range for _ in range(2))
    assert first == second


def test_doubling_the_scale_keeps_the_share(make_face, make_pits):
    """Twice the face with twice the pits has the same open share over the whole face."""
    shares = []
    for k in (1, 2):
        face = make_face(400 * k, 300 * k)
        pits = make_pits(np.array([50, 200, 320]) * k, np.array([40, 150, 250]) * k, 3.0 * k)
        report = grade_face(pits, face, smallest_countable_mm=0.5)
        shares.append(report.windows[-1]["max"])
    assert shares[0] == pytest.approx(shares[1], rel=1e-9)


def test_quarter_turn_keeps_the_classes(make_face, make_pits):
    """Turning face and pits by 90 degrees changes no figure."""
    rng = np.random.default_rng(4)
    x, y, d = rng.uniform(10, 990, 150), rng.uniform(10, 690, 150), rng.uniform(1, 10, 150)
    upright = grade_one(make_pits(x, y, d), make_face(1000, 700), "dbv_p")
    turned = grade_one(make_pits(700 - y, x, d), make_face(700, 1000), "dbv_p")
    assert upright.value == pytest.approx(turned.value, rel=1e-9)


def test_trade_rule_counts_per_square_foot(grade_values, make_face, make_pits):
    """Three pits inside one square foot break the rule of two; spread wide they keep it."""
    allowed = grade_values["trade_pinholes"]["expected"]["per_ft2"]
    face = make_face(1200, 700)
    near = grade_one(make_pits([100, 200, 300], [100, 150, 200], 1.5), face, "trade_per_ft2")
    far = grade_one(make_pits([100, 600, 1100], [100, 500, 200], 1.5), face, "trade_per_ft2")
    assert (near.value, near.class_name) == (allowed + 1, "none")
    assert far.class_name == "2 per ft2"


def test_notes_compare_and_never_judge(make_face, spread_pits):
    """Every report says that wall classes compare, and memory limits are printed as such."""
    pits = spread_pits([(8.0, 22)], (500, 500))
    report = grade_face(pits, make_face(500, 500), smallest_countable_mm=1.0)
    assert any("comparison, not a verdict" in note for note in report.notes)
    grade = next(one for one in report.grades if one.scheme == "dbv_p")
    assert (grade.class_name, grade.mark) == ("P3", "memory")
    assert any("from memory" in note for note in grade.notes)
    words = " ".join([*report.notes, *(n for g in report.grades for n in g.notes)]).lower()
    assert not any(word in words for word in (" pass", " fail", "acceptable", "approved"))


def test_inputs_stay_as_they_are(make_face, spread_pits):
    """Grading changes neither the table nor the map."""
    pits = spread_pits([(6.0, 12)], (500, 500))
    face = make_face(500, 500)
    before, seen = pits.copy(), face.seen.copy()
    grade_face(pits, face, smallest_countable_mm=1.0)
    assert pits.equals(before) and np.array_equal(face.seen, seen)


def test_borderline_share_is_a_setting(make_face, make_pits):
    """4 % below a limit is borderline at the default tenth, not at a hundredth."""
    diameter = math.sqrt(4 * 0.00576 * 250_000 / 20 / math.pi)  # 20 pits, 0.576 % together
    pits = make_pits(30 + 22 * np.arange(20), np.full(20, 250), diameter)
    face = make_face(500, 500)
    assert grade_one(pits, face, "dbv_p").value == pytest.approx(0.576, abs=1e-6)
    strict = grade_one(pits, face, "dbv_p", settings=GradeSettings(borderline_share=0.01))
    assert grade_one(pits, face, "dbv_p").is_borderline and not strict.is_borderline
