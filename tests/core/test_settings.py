"""Settings come back from what was saved, and nothing outside its range or kind gets in."""

import dataclasses

import pytest

from rakelight.core.errors import SettingsError
from rakelight.core.settings import FindSettings, ReportSettings, Settings


def test_saved_settings_come_back():
    """What a record keeps, steps and all, makes the same settings again."""
    settings = dataclasses.replace(Settings(), find=FindSettings(smallest_mm=2.5))
    assert settings == Settings.from_mapping(settings.to_mapping())


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ({"fnd": {}}, "Settings has no setting 'fnd'"),
        ({"find": {"smalest_mm": 1}}, "FindSettings has no setting 'smalest_mm'"),
        ({"find": 3}, "find must be a table of settings, not 3"),
        ({"find": {"smallest_mm": "big"}}, "smallest_mm must be a number, not 'big'"),
        ({"find": {"smallest_mm": float("nan")}}, "smallest_mm must be"),
        ({"find": {"threads": 1.5}}, "threads must be a whole number, not 1.5"),
        ({"report": {"units": "feet"}}, "units must be one of mm, in"),
        ({"report": {"shop_name": 7}}, "shop_name must be a text, not 7"),
    ],
)
def test_wrong_settings_are_named(values, sentence):
    """One sentence names the setting and what would be right."""
    with pytest.raises(SettingsError, match=sentence):
        Settings.from_mapping(values)


def test_settings_of_one_step():
    """A flat mapping makes the settings of one step, the rest by default."""
    assert ReportSettings(units="in") == ReportSettings.from_mapping({"units": "in"})
