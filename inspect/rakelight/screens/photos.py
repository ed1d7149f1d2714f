"""Photos: what to shoot now, the photo with its corners and lamp, one button to find the pits."""

import streamlit as st

from rakelight.core.errors import RakelightError
from rakelight.core.units import parse_size_mm
from rakelight.screens import drafts, frame, parts, previews, shelf, wording
from rakelight.screens.drawings import DRAWINGS, read_drawing

_WAYS = {
    "corners": "Four corners",
    "card": "Scale card",
    "mm_per_px": "Size of a pixel",
}
_LAMP_HEIGHTS = {
    10.0: "1 : 6 (10°)",
    15.0: "1 : 4 (15°)",
    20.0: "1 : 3 (20°)",
    27.0: "1 : 2 (27°)",
}
_VERDICT_BOXES = {"good": st.success, "doubtful": st.warning, "retake": st.error}


def main() -> None:
    """Show the survey that the address names, or begin one."""
    draft = find_draft()
    frame.show_way("photos", survey=draft.uid)
    st.title("Photos", anchor=False)
    show_whose(draft)
    raking = draft.find_photo("raking")
    with st.expander("What to shoot now", expanded=raking is None):
        show_drawings()
    is_new = parts.ask_photo(
        draft.uid, "raking",
        "Take or choose the raking-light photo" if raking is None else "Another raking-light photo",
        is_quiet=raking is not None,
    )  # fmt: skip
    if is_new:
        frame.open_bench().start("check", draft.uid)
        st.rerun()
    if raking is None:
        st.caption(
            "Photos go from your phone straight to this computer, at full size, and nowhere else."
        )
        return
    draft = show_check(draft)
    left, right = st.columns([3, 2], gap="large")
    with left:
        draft = show_photo(draft, "raking")
    with right:
        draft = ask_scale(draft)
        draft = ask_lamp_height(draft)
        draft = ask_smallest(draft)
    ask_soft_photo(draft)
    start(drafts.load_draft(draft.uid))


def find_draft() -> drafts.Draft:
    """Return the draft of the address; without one, a new one for a single photo."""
    uid = st.query_params.get("survey", "")
    if uid:
        return drafts.load_draft(uid)
    draft = drafts.make_draft(smallest_mm=frame.desk.read_shop().smallest_mm)
    st.query_params["survey"] = draft.uid
    return draft


def show_whose(draft: drafts.Draft) -> None:
    """Show whose photos these are, and let the stage of the work be said."""
    if draft.job:
        st.caption(f"{wording.plain(draft.job)} · {wording.plain(draft.slab)}")
        stages = list(dict.fromkeys([*shelf.STAGES, draft.stage or shelf.STAGES[0]]))
        stage = st.selectbox(
            "Stage of the work", stages, index=stages.index(draft.stage or stages[0]),
            accept_new_options=True, key="stage",
        )  # fmt: skip
        drafts.change_draft(draft.uid, stage=stage or "")
    else:
        st.caption("One photo by itself. It is kept in the log under “Single photos”.")


def show_drawings() -> None:
    """Show where lamp, phone and card belong, one drawing per photo."""
    for column, (name, title, words) in zip(
        st.columns(len(DRAWINGS), gap="medium"), DRAWINGS, strict=True
    ):
        with column:
            parts.show_drawing(name, read_drawing(name))
            st.markdown(f"**{title}** {words}")
    st.markdown(
        f"In {wording.explain('raking light')}. Slab dry and brushed, room dark, no flash, no night mode, "
        "phone square above and steady. At most 600 mm of slab across the photo when 1 mm pits count. "
        "Before and after: lamp on the same side."
    )


def show_check(draft: drafts.Draft) -> drafts.Draft:
    """Show whether the photo is good enough, as soon as that is known."""
    progress = frame.follow("check", draft.uid, is_quiet=True)
    if progress.state == "open":
        frame.open_bench().start("check", draft.uid)
        st.rerun()
    if progress.state == "failed":
        st.error(progress.sentence)
        return draft
    found = drafts.read_check(draft)
    if not found:
        return draft
    advice = "".join(f"\n- {line}" for line in found["advice"])
    _VERDICT_BOXES[found["verdict"]](f"**{wording.VERDICT_WORDS[found['verdict']]}.**{advice}")
    return drafts.take_over_check(draft)


def show_photo(draft: drafts.Draft, kind: str) -> drafts.Draft:
    """Show the photo and take the corners and the lamp side that are tapped on it."""
    photo = draft.find_photo(kind)
    size_px = previews.read_size(draft.uid, photo)
    if size_px is None:
        st.info(
            "This kind of file has no picture here; the photo itself is kept and can be measured."
        )
        return draft
    told = parts.point_at_photo(
        f"/rl/preview/{draft.uid}/{kind}.jpg?of={photo.sha256[:16]}",
        size_px,
        corners_px=draft.corners_px if kind == "raking" else draft.soft_corners_px,
        lamp_deg=draft.lamp_photo_deg if kind == "raking" else None,
        is_pointing=draft.scale_way != "mm_per_px",
        has_lamp=kind == "raking",
    )
    st.caption(f"{wording.plain(photo.name)}, {size_px[0]} × {size_px[1]} pixels")
    if not told:
        return draft
    corners = tuple((float(x), float(y)) for x, y in told["corners"])
    if kind == "soft":
        return drafts.change_draft(draft.uid, soft_corners_px=corners)
    return drafts.change_draft(draft.uid, corners_px=corners, lamp_photo_deg=told["lamp_deg"])


def ask_scale(draft: drafts.Draft) -> drafts.Draft:
    """Ask where the size comes from."""
    st.header("How big is it?", anchor=False)
    way = st.segmented_control(
        "The size comes from", list(_WAYS), default=draft.scale_way, format_func=_WAYS.__getitem__,
        label_visibility="collapsed", key=f"way_{draft.checked}",
    ) or draft.scale_way  # fmt: skip
    if way != draft.scale_way:
        drafts.change_draft(draft.uid, scale_way=way)
        st.rerun()
    if way == "card":
        st.markdown(
            f"The {wording.explain('scale card')} must lie flat on the face. "
            "Print one with `rakelight card`. Its shadow post also tells where the light comes from."
        )
        return draft
    if way == "mm_per_px":
        size = st.number_input(
            "Millimetres per photo pixel",
            0.001,
            10.0,
            draft.mm_per_px,
            format="%.4f",
            key="mm_per_px",
        )
        return drafts.change_draft(draft.uid, mm_per_px=size)
    text = st.text_input(
        "Size of the slab, left to right × front to back", draft.slab_size,
        placeholder="2400 x 700 or 8ft x 28in", key="slab_size",
    )  # fmt: skip
    try:
        if text.strip():
            parse_size_mm(text)
    except RakelightError as trouble:
        st.error(str(trouble))
        return draft
    return drafts.change_draft(draft.uid, slab_size=text.strip())


def ask_lamp_height(draft: drafts.Draft) -> drafts.Draft:
    """Ask how high the lamp stood; side by side with its drawing on the photo."""
    st.header("How high was the lamp?", anchor=False)
    known = next((deg for deg in _LAMP_HEIGHTS if deg == draft.lamp_angle_deg), None)
    choice = st.pills(
        "Its height against its distance from the middle of the slab", list(_LAMP_HEIGHTS), default=known,
        format_func=_LAMP_HEIGHTS.__getitem__, key="lamp_height",
        help="A lamp 250 mm above the face and 1 m away is 1 : 4. Leave it open when you do not know: "
        "pits are found all the same, but no least depth can be told.",
    )  # fmt: skip
    exact = st.number_input(
        "or its angle above the face, degrees", 1.0, 80.0,
        None if known or choice else draft.lamp_angle_deg, 1.0, key="lamp_angle",
    )  # fmt: skip
    return drafts.change_draft(draft.uid, lamp_angle_deg=choice or exact)


def ask_smallest(draft: drafts.Draft) -> drafts.Draft:
    """Ask from which size pits count."""
    smallest = parts.ask_length(
        "Smallest pit that counts", draft.smallest_mm, (0.3, 20.0),
        units=frame.desk.read_shop().units, key="smallest",
        help=f"Pit: {wording.EXPLAINED['pit']}. Agree on this size with the client before pouring.",
    )  # fmt: skip
    return drafts.change_draft(draft.uid, smallest_mm=smallest)


def ask_soft_photo(draft: drafts.Draft) -> None:
    """Take a second photo for the tone, which raking light cannot tell."""
    soft = draft.find_photo("soft")
    with st.expander("Second photo for the colour (may wait)", expanded=soft is not None):
        st.markdown(
            f"In {wording.explain('soft light')}, with a grey card on the slab. "
            "Never judge colour from the raking-light photo."
        )
        if parts.ask_photo(draft.uid, "soft", "Take or choose the soft-light photo", is_quiet=True):
            st.rerun()
        if soft is not None:
            show_photo(draft, "soft")
            ask_grey_card(draft)
            if draft.scale_way == "corners":
                st.caption(
                    "Tap the same four corners here, unless the phone stood in the same place."
                )


def ask_grey_card(draft: drafts.Draft) -> None:
    """Ask where the grey card lies, so that tones of different days can be compared."""
    if draft.scale_way == "card":
        st.caption("The scale card's own grey patch is used.")
        return
    text = st.text_input(
        "Grey card on the slab: mm from the left, mm from the front, width, depth (may stay empty)",
        " ".join(f"{value:g}" for value in draft.grey_card_mm), placeholder="20 380 64 44", key="grey",
    )  # fmt: skip
    try:
        values = tuple(float(part) for part in text.replace(",", " ").split())
    except ValueError:
        values = (0.0,)
    if values and (len(values) != 4 or min(values[2:]) <= 0):
        st.error("Write four numbers, such as 20 380 64 44.")
        return
    drafts.change_draft(draft.uid, grey_card_mm=values)


def start(draft: drafts.Draft) -> None:
    """Offer the one button, show how far the work is, then lead on to the face."""
    if not draft.is_scale_known:
        needed = "Tap the four corners" if not draft.corners_px else "Type the slab's size"
        st.info(
            f"{needed if draft.scale_way == 'corners' else 'Give the size of a pixel'}, so that pits can be sized."
        )
    is_busy = frame.open_bench().is_busy("measure", draft.uid)
    if st.button(
        "Find the pits",
        type="primary",
        width="stretch",
        disabled=is_busy or not draft.is_scale_known,
    ):
        st.session_state["waits_for"] = draft.uid
        frame.open_bench().start("measure", draft.uid)
        st.rerun()
    progress = frame.follow("measure", draft.uid)
    if progress.state == "done":
        if st.session_state.pop("waits_for", "") == draft.uid:
            frame.go("face", look=progress.result)
        frame.offer_next("face", "See what was found", look=progress.result)


frame.guard(main)
