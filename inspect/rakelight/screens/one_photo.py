"""The shortest way: one raking-light photo in, a work sheet out, on one page."""

import streamlit as st

from rakelight.core.errors import RakelightError
from rakelight.core.units import parse_size_mm
from rakelight.screens import drafts, previews, results, wording
from rakelight.screens.bench import Bench

_SCALE_WAYS = {
    "corners": "Four corners and the slab's size",
    "mm_per_px": "Size of a photo pixel",
}
_PIECE = 1 << 20


@st.cache_resource
def open_bench() -> Bench:
    """Return the one bench of this program."""
    return Bench()


def main() -> None:
    """Show the page for the survey named in the address, or for a new one."""
    st.title("From a photo to a work sheet")
    st.markdown(
        f"Take one photo in **raking light**. {wording.EXPLAINED['raking light']} "
        "Stand square above the slab and keep the whole face in the picture."
    )
    draft = find_draft()
    draft = choose_photo(draft)
    if draft is None:
        return
    draft = say_scale(draft)
    draft = say_lamp(draft)
    start_or_watch(draft)


def find_draft() -> drafts.Draft | None:
    """Return the survey that the address names; a stale address starts anew."""
    uid = st.query_params.get("survey", "")
    if not uid:
        return None
    try:
        return drafts.load_draft(uid)
    except RakelightError as trouble:
        st.info(str(trouble))
        del st.query_params["survey"]
        return None


def choose_photo(draft: drafts.Draft | None) -> drafts.Draft | None:
    """Let the person choose the photo, keep it on the disk at once and show it."""
    st.header("1. The photo")
    photo = draft.find_photo("raking") if draft else None
    turn = st.session_state.setdefault("photo_turn", 0)
    label = "Choose or take the photo" if photo is None else "Choose another photo"
    sent = st.file_uploader(label, type=list(drafts.PHOTO_SUFFIXES), key=f"photo_{turn}")
    if sent is not None:
        draft = draft or drafts.make_draft()
        drafts.keep_photo(draft.uid, sent.name, iter(lambda: sent.read(_PIECE), b""))
        st.query_params["survey"] = draft.uid
        # A new key lets go of the copy that the server holds in memory.
        st.session_state["photo_turn"] = turn + 1
        st.rerun()
    if draft is None or photo is None:
        return None
    preview = previews.make_preview(drafts.place_photo(draft.uid, photo))
    if preview is None:
        st.caption(f"{photo.name} is kept. This kind of file has no preview here.")
        return draft
    st.image(preview.jpeg, caption=f"{photo.name}, {preview.cols_px} x {preview.rows_px} pixels")
    return draft


def say_scale(draft: drafts.Draft) -> drafts.Draft:
    """Ask how big the photo is on the slab."""
    st.header("2. How big is it?")
    way = st.radio(
        "The size comes from",
        list(_SCALE_WAYS),
        index=list(_SCALE_WAYS).index(draft.scale_way) if draft.scale_way in _SCALE_WAYS else 0,
        format_func=_SCALE_WAYS.__getitem__,
        horizontal=True,
        key="scale_way",
    )
    if way == "mm_per_px":
        size = st.number_input(
            "Millimetres per photo pixel",
            0.001,
            10.0,
            draft.mm_per_px,
            format="%.4f",
            key="mm_per_px",
        )
        return drafts.change_draft(draft.uid, scale_way=way, mm_per_px=size)
    size_text = st.text_input(
        "Size of the slab, left to right x front to back",
        draft.slab_size,
        placeholder="2400 x 700 or 8ft x 28in",
        key="slab_size",
    )
    corners_text = st.text_input(
        "Its corners in the photo, in pixels: back left, back right, front right, front left",
        " ".join(f"{x:g},{y:g}" for x, y in draft.corners_px),
        placeholder="120,80 3880,95 3900,2200 100,2190",
        key="corners",
    )
    try:
        corners = read_corners(corners_text)
        if size_text:
            parse_size_mm(size_text)
        return drafts.change_draft(
            draft.uid, scale_way=way, slab_size=size_text, corners_px=corners
        )
    except RakelightError as trouble:
        st.error(str(trouble))
        return drafts.change_draft(draft.uid, scale_way=way)


def read_corners(text: str) -> tuple[tuple[float, float], ...]:
    """Return four (x, y) from 'x,y x,y x,y x,y'; nothing typed is no corner."""
    try:
        corners = tuple(tuple(float(part) for part in pair.split(",")) for pair in text.split())
    except ValueError:
        corners = ((),)
    if corners and (len(corners) != 4 or any(len(corner) != 2 for corner in corners)):
        raise RakelightError(
            "Write the corners as four pairs, such as 120,80 3880,95 3900,2200 100,2190."
        )
    return corners


def say_lamp(draft: drafts.Draft) -> drafts.Draft:
    """Ask from which side and how high the light came."""
    st.header("3. Where was the lamp?")
    names = {value: name for name, value in wording.SIDES.items()}
    side = st.pills(
        "Side the light comes from, seen in the photo",
        [*wording.SIDES, "not sure"],
        default=names.get(draft.lamp_from_deg, "not sure"),
        format_func=str.capitalize,
        key="lamp_side",
    )
    from_deg = wording.SIDES.get(side or "")
    angle_deg = st.number_input(
        "Height of the light above the face, degrees",
        1.0, 80.0, draft.lamp_angle_deg, 1.0,
        placeholder="leave empty when not known",
        help="A lamp 27 cm up and 1 m away stands at 15 degrees. Best is 10 to 20.",
        key="lamp_angle",
    )  # fmt: skip
    return drafts.change_draft(draft.uid, lamp_from_deg=from_deg, lamp_angle_deg=angle_deg)


def start_or_watch(draft: drafts.Draft) -> None:
    """Offer the one button, show how far the work is, then what was found."""
    st.header("4. Find the pits")
    bench, uid = open_bench(), draft.uid
    is_ready = bool(
        draft.mm_per_px if draft.scale_way == "mm_per_px" else draft.corners_px and draft.slab_size
    )
    units = (
        st.segmented_control("Lengths in", ["mm", "in"], default=draft.units, key="units")
        or draft.units
    )
    if not is_ready:
        st.info("Say how big the slab is first (step 2).")
    can_start = is_ready and not bench.is_busy(uid)
    if st.button("Find the pits", type="primary", width="stretch", disabled=not can_start):
        drafts.change_draft(uid, units=units)
        bench.start(uid)
    if bench.is_busy(uid):
        watch(uid)
    progress = bench.look_up(uid)
    if progress.state in ("failed", "stopped"):
        (st.error if progress.state == "failed" else st.info)(progress.sentence)
    if progress.state == "done":
        results.show_results(drafts.papers_folder(uid), units)


@st.fragment(run_every=1.0)
def watch(uid: str) -> None:
    """Show how far the measuring is, and a way to stop it."""
    bench = open_bench()
    if not bench.is_busy(uid):
        st.rerun()
    progress = bench.look_up(uid)
    step = progress.step or "waiting for another slab to be finished"
    st.progress(progress.share, f"{step[:1].upper()}{step[1:]} ...")
    if st.button("Stop", key="stop"):
        bench.stop(uid)
        st.rerun()


main()
