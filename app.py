"""The screens, for `streamlit run app.py`; `rakelight app` starts the same ones."""

import streamlit as st

from rakelight.screens.server import WAY, describe_app

app = st.App(WAY, **describe_app())
