"""Shop: what holds for every job, and how to let the shop's phones in."""

from dataclasses import replace

import streamlit as st

from rakelight.report.words import list_languages
from rakelight.screens import desk, frame, parts, sharing

_LANGUAGES = {"en": "English", "es": "Español", "de": "Deutsch"}


def main() -> None:
    """Ask what holds for every job."""
    with st.container(horizontal=True, gap="small"):
        frame.link("jobs", "Jobs")
    st.title("Shop", anchor=False)
    shop = desk.read_shop()
    languages = list(dict.fromkeys([*list_languages(), shop.language]))
    with st.form("shop"):
        said = {
            "name": st.text_input("Name of the shop, for the head of the papers", shop.name, max_chars=80),
            "who": st.text_input("Who is working here, for the log", shop.who, max_chars=60),
            "units": st.segmented_control("Lengths in", ["mm", "in"], default=shop.units),
            "paper": st.segmented_control("Paper", ["a4", "us-letter"], default=shop.paper),
            "language": st.selectbox(
                "Language of the papers", languages, languages.index(shop.language),
                format_func=lambda code: _LANGUAGES.get(code, code),
            ),
            "smallest_mm": parts.ask_length(
                "Smallest pit that counts", shop.smallest_mm, (0.3, 20.0), units=shop.units, key="smallest"
            ),
        }  # fmt: skip
        if st.form_submit_button("Keep", type="primary", width="stretch"):
            desk.write_shop(replace(shop, **{name: value for name, value in said.items() if value}))
            st.rerun()
    st.header("Phones on the shop's Wi-Fi", anchor=False)
    show_sharing()


def show_sharing() -> None:
    """Show how to let phones in, and the code to scan while it is open."""
    address = sharing.read_address()
    if not address:
        st.markdown(
            "Only this computer can reach these pages now. To let the phones of the shop in, close the "
            "program and start it with `rakelight app --share`. It then shows an access code and a square "
            "to scan."
        )
        return
    st.image(
        sharing.draw_qr(address),
        width=240,
        alt=f"Square to scan that leads to {address}",
        caption="Scan with the phone, then type the access code.",
    )
    st.markdown(f"`{address}`")
    st.caption(
        "The access code stands in the window where the program was started. It is a lock for a workshop: "
        "a public address needs a real sign-in, see docs/sharing.md."
    )


frame.guard(main)
