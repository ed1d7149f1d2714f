"""What the server does besides showing pages: its settings, and what a person reads on a crash."""

import tomllib
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
WAY = HERE / "way.py"


def describe_app() -> dict[str, Any]:
    """Return the arguments of `st.App` besides the page script."""
    return {"on_script_error": say_crash}


def say_crash(_trouble: Exception) -> bool:
    """Show one sentence instead of the program's own words; the log of the program keeps those."""
    import streamlit as st

    st.error(
        "This page met something it does not know. Your photos and results are kept: load the page "
        "again, and report it with what the window of the program says."
    )
    return True


def read_config() -> dict[str, Any]:
    """Return the server's settings and colours by dotted name, from `config.toml` beside this file."""
    tree = tomllib.loads((HERE / "config.toml").read_text(encoding="utf-8"))
    return dict(_flatten(tree))


def _flatten(tree: dict[str, Any], start: str = ""):
    for name, value in tree.items():
        if isinstance(value, dict):
            yield from _flatten(value, f"{start}{name}.")
        else:
            yield f"{start}{name}", value
