"""Every screen at phone and desk width, light and dark: readable, reachable, within its width."""

import pytest

from rakelight.log.connection import ENVIRONMENT as LOG_ENVIRONMENT
from rakelight.log.search import list_jobs
from rakelight.log.store import add_job, add_repair, add_slab
from rakelight.screens import desk, drafts, errands, frame

from .conftest import CUT_MM, MM_PER_PX, SIZES, cut_sample, start_app

JOB, SLAB = "Pottery studio bench", "bench panel 3"
PAGES = (
    "jobs", "job", "photos", "face", "tone", "plan", "change", "papers", "logbook", "shop",
)  # fmt: skip
LOOKS = (("phone", "dark"), ("desk", "light"))
GLOVE_PX = 40.0
"""Least height of what is tapped. 44 is what the style asks for; a border may take some of it."""

# What only Streamlit itself could mend; each entry is a rule of axe and the part it is found in.
STREAMLITS_OWN: tuple[tuple[str, str], ...] = ()


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """The screens on a desk where a job with two surveys and a comparison is kept, and its places."""
    home = tmp_path_factory.mktemp("finished")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(desk.ENVIRONMENT, str(home / "desk"))
        patch.setenv(LOG_ENVIRONMENT, str(home / "log"))
        frame.close_shelf()
        places = finish_job(home)
        frame.close_shelf()
    with start_app(home) as (address, _):
        yield address, places


def finish_job(home) -> dict[str, str]:
    """Return the addresses of the pages after a small job from the first photo to the second."""
    log = frame.open_shelf()
    agreed = {"smallest_mm": 2.0, "area_percent": 0.3}
    add_job(log, JOB, client="the pottery studio", agreed=agreed)
    add_slab(log, JOB, SLAB, width_mm=CUT_MM[0], height_mm=CUT_MM[1])
    found = []
    for stage, name in (("after demold", "before"), ("after filling", "after")):
        draft = drafts.make_draft(
            job=JOB, slab=SLAB, stage=stage, scale_way="mm_per_px", mm_per_px=MM_PER_PX,
            lamp_photo_deg=270.0, lamp_angle_deg=15.0,
        )  # fmt: skip
        for kind, light in (("raking", "raking"), ("soft", "soft_light")):
            photo = cut_sample(home, f"{name}_{light}")
            drafts.keep_photo(draft.uid, photo.name, [photo.read_bytes()], kind=kind)
        errands.run_errand("check", draft.uid)
        errands.run_errand("measure", draft.uid)
        progress = desk.read_progress("measure", draft.uid)
        assert "done" == progress.state, progress.sentence
        found.append((draft.uid, progress.result))
    add_repair(log, JOB, SLAB, "fill", n_pits=40, minutes=20.0)
    (survey, before), (_, after) = found
    return {
        "jobs": "", "job": f"job?job={list_jobs(log)['uid'][0]}", "photos": f"photos?survey={survey}",
        "face": f"face?look={before}", "tone": f"tone?look={before}", "plan": f"plan?look={before}",
        "change": f"change?look={after}", "papers": f"papers?look={before}", "logbook": "logbook",
        "shop": "shop",
    }  # fmt: skip


def open_whole(visit, finished, name, size, scheme):
    """Return a visitor who has a page before them with everything on it unfolded and at rest."""
    address, places = finished
    person = visit(address, size=size, scheme=scheme)
    person.go(places[name])
    person.rest()
    if name == "face":
        person.press("Next pit")
        person.page.get_by_role("button", name="Not a pit").wait_for()
    folded = person.page.locator("details:not([open]) > summary")
    for _ in range(folded.count()):
        folded.first.click()
        person.page.wait_for_timeout(150)
    person.rest()
    return person


@pytest.mark.parametrize(("size", "scheme"), LOOKS)
@pytest.mark.parametrize("name", PAGES)
def test_screen_is_open_to_everybody(finished, visit, name, size, scheme):
    """No serious finding of the accessibility scan, nothing too small to tap, nothing cut off."""
    person = open_whole(visit, finished, name, size, scheme)
    assert [] == scan_page(person.page)
    assert [] == find_small_targets(person.page)
    assert SIZES[size][0] >= person.page.evaluate(
        "document.querySelector('[data-testid=stMain]').scrollWidth"
    )


def scan_page(page) -> list[str]:
    """Return the serious and critical findings of axe, one line each."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [
        f"{one['id']}: {node['html'][:160]} {node['failureSummary'][:200]}"
        for one in found if one["impact"] in ("serious", "critical")
        for node in one["nodes"] if not is_streamlits_own(one["id"], node)
    ]  # fmt: skip


def is_streamlits_own(rule: str, node: dict) -> bool:
    """Whether a finding lies in a part that Streamlit alone can mend."""
    where = " ".join(str(part) for part in node["target"]) + node["html"]
    return any(rule == own and part in where for own, part in STREAMLITS_OWN)


TAPPED = (
    "button, a[href]:not([data-testid=stSkipToContent]), summary, [role=button], [role=radio], "
    "[data-testid=stCheckbox] label, label:has(input[type=file])"
)
FIND_SMALL = """([tapped, least]) => {
  const small = [];
  const walk = root => root.querySelectorAll('*').forEach(one => {
    if (one.shadowRoot) walk(one.shadowRoot);
    if (!one.matches(tapped)) return;
    const box = one.getBoundingClientRect();
    const isSeen = box.width && box.height && getComputedStyle(one).visibility !== 'hidden';
    if (!isSeen || (box.height >= least && box.width >= least)) return;
    const words = (one.innerText || one.ariaLabel || '').slice(0, 40);
    small.push(`${one.tagName} ${words} ${box.width.toFixed(0)} x ${box.height.toFixed(0)}`);
  });
  walk(document);
  return small;
}"""


def find_small_targets(page) -> list[str]:
    """Return what is tapped but smaller than a gloved finger needs."""
    return page.evaluate(FIND_SMALL, [TAPPED, GLOVE_PX])
