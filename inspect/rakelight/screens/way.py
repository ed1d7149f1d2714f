"""The way through the screens: which pages there are and in which order a person meets them."""

from pathlib import Path

import streamlit as st

HERE = Path(__file__).parent

st.set_page_config(
    page_title="rakelight",
    page_icon=str(HERE / "assets" / "icon.png"),
    layout="wide",
)
st.navigation([st.Page(HERE / "one_photo.py", title="One photo", default=True)]).run()
