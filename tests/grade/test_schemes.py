"""The published schemes: limits as in the sources, order by place, errors in own files."""

import pytest

from rakelight.core.errors import SettingsError
from rakelight.grade.schemes import choose_schemes, read_schemes

OWN = """
[schemes.house]
title = "House rule"
kind = "area_ratio"
labels = "rise"
source = "the shop's own"
window_mm = [300.0, 300.0]
counted_mm = [2.0, 15.0]
classes = [{ name = "good", limit = 0.2, mark = "ours" }, { name = "fair", limit = 0.5, mark = "ours" }]
"""


def limits_of(name):
    """Limits of a scheme by class."""
    return {one.name: one.limit for one in read_schemes().schemes[name].classes}


def test_area_limits_are_the_published_ones(grade_values):
    """Ratio classes carry the published per cents; DBV's mm2 of a 500 mm window agree."""
    assert grade_values["aci_svr_limits_pct"]["expected"] == limits_of("aci_svr")
    in_mm2 = {name: limit / 100 * 250_000 for name, limit in limits_of("dbv_p").items()}
    assert grade_values["dbv_p_limits_mm2"]["expected"] == pytest.approx(in_mm2)
    oenorm = {n: v["pct"] for n, v in grade_values["oenorm_b2211_limits"]["expected"].items()}
    assert oenorm == limits_of("oenorm_p")
    assert (
        grade_values["oevbb_sb1"]["expected"]["pore_area_pct_max"] == limits_of("oevbb_sb")["SB1"]
    )


def test_windows_and_bands_are_the_published_ones(grade_values):
    """Test areas and counted sizes are as published."""
    schemes = read_schemes().schemes
    width, height = schemes["aci_svr"].window_mm
    assert grade_values["aci_test_area_mm2"]["expected"] == pytest.approx(width * height, abs=0.01)
    assert grade_values["dbv_p_limits_mm2"]["inputs"]["counted_diameter_mm"] == list(
        schemes["dbv_p"].counted_mm
    )
    counting = grade_values["oenorm_b2211_counting"]["expected"]
    assert (counting["min_diameter_mm"], counting["max_diameter_mm"]) == schemes[
        "oenorm_p"
    ].counted_mm
    assert counting["min_window_mm"] == list(schemes["oenorm_p"].window_mm)


def test_single_void_limits_are_the_published_ones(grade_values):
    """SP 70 and ACI 301 carry the published widths and depths."""
    sp70 = read_schemes().schemes["sp70"]
    for one in sp70.classes:
        expected = grade_values["sp70_defect_limits"]["expected"][one.name]
        assert (expected["diameter"], expected["depth"]) == (one.limit, one.depth_limit)
    for one in read_schemes().schemes["aci_301"].classes:
        expected = grade_values["aci301_repair_limits_in"]["expected"][one.name]
        assert expected["width_in"] * 25.4 == pytest.approx(one.limit)
        assert expected["depth_in"] * 25.4 == pytest.approx(one.depth_limit)


def test_form_face_classes_follow_the_porosity_classes(grade_values):
    """SB classes take the limit of the P class each asks for, on both kinds of form face."""
    porosity = limits_of("dbv_p")
    wanted = grade_values["dbv_sb_to_p"]["expected"]
    for column, name in enumerate(("dbv_sb_absorbent", "dbv_sb_sealed")):
        for class_name, limit in limits_of(name).items():
            assert porosity[wanted[class_name][column]] == limit


def test_memory_values_are_marked():
    """Limits that were not seen in a source say so; those read say so too."""
    marks = {one.name: one.mark for one in read_schemes().schemes["aci_svr"].classes}
    assert marks == {"SVR4": "read", "SVR3": "memory", "SVR2": "memory", "SVR1": "read"}


def test_better_is_never_decided_by_the_label():
    """In rising and in falling scales the smaller figure gets the better place."""
    schemes = read_schemes().schemes
    for name, best, worst in (("aci_svr", "SVR4", "SVR1"), ("oenorm_p", "P", "3P")):
        scheme = schemes[name]
        assert (best, worst) == (scheme.class_at(0), scheme.class_at(len(scheme.classes) - 1))
        assert scheme.place_of(0.1) < scheme.place_of(0.85)


def test_own_scheme_is_added(tmp_path):
    """A shop's own file adds its scheme to the published ones."""
    path = tmp_path / "own.toml"
    path.write_text(OWN, encoding="utf-8")
    book = read_schemes(path)
    assert "fair" == book.schemes["house"].class_at(book.schemes["house"].place_of(0.3))
    assert "dbv_p" in book.schemes


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (("[schemes.house]", "[schemes.dbv_p]"), "published scheme"),
        (("limit = 0.2", "limit = 0.9"), "best first"),
        (("window_mm = [300.0, 300.0]", ""), "window_mm"),
        (("counted_mm = [2.0, 15.0]", "counted_mm = [15.0, 2.0]"), "smallest first"),
        (('labels = "rise"', 'label = "rise"'), "label"),
        (('name = "fair"', 'name = "good"'), "twice"),
        (("[schemes.house]", "[schemes.house"), "TOML"),
    ],
)
def test_a_wrong_own_file_is_one_sentence(tmp_path, change, word):
    """Each mistake in an own file is named in a single sentence."""
    path = tmp_path / "own.toml"
    path.write_text(OWN.replace(*change), encoding="utf-8")
    with pytest.raises(SettingsError, match=word):
        read_schemes(path)


def test_a_missing_file_and_an_unknown_name_are_errors(tmp_path):
    """A scheme file that is not there and a scheme nobody knows are told plainly."""
    with pytest.raises(SettingsError, match="There is no file"):
        read_schemes(tmp_path / "none.toml")
    with pytest.raises(SettingsError, match="choose from"):
        choose_schemes(read_schemes(), ("dbv_q",))
