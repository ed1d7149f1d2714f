"""What the server is told, and what a person reads when a page breaks."""

import tomllib
from pathlib import Path

from streamlit.testing.v1 import AppTest

from rakelight.screens.server import read_config

ROOT = Path(__file__).resolve().parents[2]


def test_both_ways_to_start_have_the_same_settings():
    """`streamlit run app.py` reads .streamlit/config.toml, `rakelight app` its copy in the package."""
    text = (ROOT / ".streamlit" / "config.toml").read_text(encoding="utf-8")
    ours = (ROOT / "inspect" / "rakelight" / "screens" / "config.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text) == tomllib.loads(ours)


def test_server_is_local_and_reports_to_nobody():
    """The address is this computer's own and no use is counted anywhere."""
    config = read_config()
    assert "localhost" == config["server.address"]
    assert config["browser.gatherUsageStats"] is False


def test_crash_is_one_sentence():
    """A page that breaks shows what to do and none of the program's own words."""

    def page():
        from rakelight.screens.server import say_crash

        say_crash(RuntimeError("secret"))

    shown = AppTest.from_function(page).run()
    assert 1 == len(shown.error)
    assert "secret" not in shown.error[0].value
