"""Starts the screens: `python -m rakelight.screens PORT`. `rakelight app` calls this."""

import sys

import streamlit as st

from .server import WAY, describe_app, read_config

app = st.App(WAY, **describe_app())

if __name__ == "__main__":
    app.run(config={**read_config(), "server.port": int(sys.argv[1])})
