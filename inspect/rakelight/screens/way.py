"""The way through the screens: which pages there are. `app.py` and `rakelight app` start here."""

from pathlib import Path

import streamlit as st

from rakelight.screens import frame

HERE = Path(__file__).parent

st.set_page_config(
    page_title="rakelight",
    page_icon=str(HERE / "assets" / "icon.png"),
    layout="wide",
    initial_sidebar_state="collapsed",
)
st.html(frame.STYLE)

PAGES = [
    st.Page(HERE / "jobs.py", title="Jobs", default=True),
    st.Page(HERE / "job.py", title="Job"),
    st.Page(HERE / "photos.py", title="Photos"),
    st.Page(HERE / "face.py", title="Face"),
    st.Page(HERE / "tone.py", title="Tone"),
    st.Page(HERE / "plan.py", title="Plan"),
    st.Page(HERE / "change.py", title="Before and after"),
    st.Page(HERE / "papers.py", title="Papers"),
    st.Page(HERE / "logbook.py", title="Log"),
    st.Page(HERE / "shop.py", title="Shop"),
]
page = st.navigation(PAGES, position="hidden")
st.session_state["page_now"] = page.title
page.run()
