"""Pitting areas, streaks and honeycomb patches on made-up faces of known pattern."""

import numpy as np
import pytest

from rakelight.core.records import PIT_COLUMNS, FaceMap, make_table
from rakelight.core.settings import ZoneSettings
from rakelight.pits.scatter import lay_ground
from rakelight.pits.zones import (
    draw_outline,
    find_zones,
    is_near_chance,
    is_within,
    link_crowd,
    mark_pits,
    measure_rest,
)

FACE = FaceMap(np.zeros((900, 1200, 3), np.uint8), np.ones((900, 1200), bool), 0.5)


def make_pits(x_mm, y_mm, diameter_mm=1.5):
    """Return a pit table with these places."""
    diameter = np.broadcast_to(np.asarray(diameter_mm, float), np.shape(x_mm))
    values = {
        "pit_id": np.arange(1, len(x_mm) + 1),
        "x_mm": x_mm,
        "y_mm": y_mm,
        "diameter_mm": diameter,
    }
    return make_table(
        PIT_COLUMNS, values | {"area_mm2": np.pi / 4 * diameter**2, "flags": [""] * len(x_mm)}
    )


def strew(seed, n=270):
    """Return x and y of pits strewn by chance over the face."""
    return np.random.default_rng(seed).uniform(0, (600, 450), (n, 2)).T


def draw_patch(seed):
    """Return pits by chance with a round crowd of 60 at (150, 120)."""
    x, y = strew(seed)
    crowd = np.random.default_rng(seed + 1).normal((150, 120), (20, 15), (60, 2)).T
    return make_pits(np.r_[x, crowd[0]], np.r_[y, crowd[1]])


def test_a_crowd_is_a_pitting_area_with_its_pits_inside():
    """One pitting area near (150, 120), with nine in ten of the crowd's pits and hardly any other."""
    pits = draw_patch(1)
    zones = find_zones(pits, FACE)
    assert "crowded" == zones.scatter.verdict
    assert ["pitting 1"] == [zone["name"] for zone in zones.zones]
    zone = zones.zones[0]
    assert (zones.member[270:] == 0).sum() >= 54
    assert (zones.member[:270] == 0).sum() <= 15
    assert (150, 120) == pytest.approx((zone["x_mm"], zone["y_mm"]), abs=15)
    assert is_within(
        pits.loc[zones.member == 0, ["x_mm", "y_mm"]].to_numpy(), zone["outline_mm"]
    ).all()
    assert zone["times_rest"] > 4 and zone["chance"] <= 0.05


def test_lines_of_pits_are_streaks_with_their_direction():
    """Of ten lines of 25 pits over 240 mm among 270 others at least seven are streaks, all within 10 degrees."""
    found, off_deg = 0, []
    for seed in range(10):
        rng = np.random.default_rng(seed + 5000)
        x, y = rng.uniform(0, (600, 450), (270, 2)).T
        turn = rng.uniform(0, np.pi)
        along, across = np.linspace(-118, 118, 25), rng.normal(0, 2.5, 25)
        line_x = 300 + along * np.cos(turn) - across * np.sin(turn)
        line_y = 225 + along * np.sin(turn) + across * np.cos(turn)
        zones = find_zones(make_pits(np.r_[x, line_x], np.r_[y, line_y]), FACE).zones
        streaks = [zone for zone in zones if zone["kind"] == "streak"]
        found += len(streaks) > 0
        off_deg += [
            abs((zone["turn_deg"] - 90 - np.degrees(turn) + 90) % 180 - 90) for zone in streaks
        ]
    assert found >= 7
    assert max(off_deg) < 10


def test_honeycomb_is_one_patch_and_its_pits_are_flagged():
    """160 pits whose lips nearly touch are one honeycomb patch; every pit in it is flagged, no other is."""
    rng = np.random.default_rng(3)
    inner = rng.uniform(-30, 30, (205, 2))
    inner = inner[np.hypot(*inner.T) < 30]
    x, y = strew(6, n=200)
    size = np.r_[np.full(200, 1.5), rng.uniform(1.5, 5, len(inner))]
    pits = make_pits(np.r_[x, 430 + inner[:, 0]], np.r_[y, 90 + inner[:, 1]], size)
    zones = find_zones(pits, FACE)
    marked = mark_pits(pits, zones)
    assert ["honeycomb 1"] == [zone["name"] for zone in zones.zones if zone["kind"] == "honeycomb"]
    flagged = marked["flags"].str.contains("in_honeycomb").to_numpy()
    assert flagged[200:].mean() >= 0.95
    assert flagged[:200].sum() <= 6
    assert (marked["zone"][flagged] == "honeycomb 1").all()


def test_every_pit_is_counted_in_one_patch_only():
    """A patch inside the outline of an earlier ring of 90 pits is the ring's: no pit changes hands."""
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    inner = np.mgrid[-12:13:4, -12:13:4].reshape(2, -1)
    x = np.r_[300 + 40 * np.cos(turn), 300 + inner[0]]
    y = np.r_[225 + 40 * np.sin(turn), 225 + inner[1]]
    size = np.r_[np.full(90, 3.5), np.full(inner.shape[1], 3.6)]
    zones = find_zones(make_pits(x, y, size), FACE)
    assert [zone["n_pits"] for zone in zones.zones] == [
        (zones.member == k).sum() for k in range(len(zones.zones))
    ]
    assert (zones.member == 0).all()


def test_faces_by_chance_hardly_ever_have_a_zone():
    """Of 30 faces strewn by chance at most 5 have a zone (two searches at the 5 % level)."""
    found = [len(find_zones(make_pits(*strew(seed + 100)), FACE).zones) > 0 for seed in range(30)]
    assert sum(found) <= 5


def test_a_face_pitted_alike_all_over_has_no_zone():
    """Ten times as many pits all over the face are no zone: what crowds everywhere crowds nowhere."""
    x, y = strew(7, n=1500)
    assert () == find_zones(make_pits(x, y), FACE).zones


def test_turning_the_face_turns_the_zone():
    """The face turned by 90 degrees has the same area, turned (law)."""
    pits = draw_patch(2)
    turned = pits.assign(x_mm=450 - pits.y_mm, y_mm=pits.x_mm)
    face = FaceMap(np.zeros((1200, 900, 3), np.uint8), np.ones((1200, 900), bool), 0.5)
    before, after = find_zones(pits, FACE).zones[0], find_zones(turned, face).zones[0]
    assert before["n_pits"] == after["n_pits"]
    assert (450 - before["y_mm"], before["x_mm"]) == pytest.approx(
        (after["x_mm"], after["y_mm"]), abs=3
    )
    assert before["area_mm2"] == pytest.approx(after["area_mm2"], rel=0.05)


def test_unseen_face_is_not_a_place_without_pits():
    """Pits by chance on the seen half alone are no crowd, though half the map is empty."""
    seen = np.ones((900, 1200), bool)
    seen[:, 600:] = False
    x, y = strew(12, n=200)
    zones = find_zones(make_pits(x / 2, y), FaceMap(FACE.rgb, seen, 0.5))
    assert "by_chance" == zones.scatter.verdict
    assert () == zones.zones


def test_density_of_the_rest_ignores_the_crowd():
    """With 60 of 330 pits in one crowd the rest is read at 1 per 1000 mm2 within 15 %."""
    pits = draw_patch(3)
    rest = measure_rest(pits[["x_mm", "y_mm"]].to_numpy(), lay_ground(FACE))
    assert 0.001 == pytest.approx(rest, rel=0.15)


def test_crowds_agree_with_a_plain_walk():
    """Pits joined by hand, core by core, make the same crowds (plain version)."""
    places = np.random.default_rng(5).uniform(0, 60, (150, 2))
    near = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1)) <= 6.0
    np.fill_diagonal(near, False)
    core = near.sum(axis=1) >= 6
    label, todo = np.full(150, -1), list(np.flatnonzero(core))
    for start in todo:
        stack = [start] if label[start] < 0 else []
        while stack:
            one = stack.pop()
            label[one] = start
            stack += [other for other in np.flatnonzero(near[one] & core) if label[other] < 0]
    found = link_crowd(places, 6.0, 1)
    same = (label[core][:, None] == label[core][None]) == (
        found[core][:, None] == found[core][None]
    )
    assert same.all()
    assert ((found >= 0) == (core | (near & core).any(axis=1))).all()


def test_an_outline_stays_on_the_face():
    """Pits at the corner get an outline that does not leave the face."""
    places = np.random.default_rng(1).uniform(0, 20, (30, 2))
    outline = draw_outline(places, 8.0, FACE)
    assert outline.min() >= 0 and is_within(places[places.min(axis=1) > 0.5], outline).all()


@pytest.mark.parametrize("n", [0, 1, 4])
def test_hardly_any_pits_give_no_zone(n):
    """None, one and four pits: no zone, too few to test, and the table keeps its columns."""
    x, y = strew(1, n=n)
    pits = make_pits(x, y)
    zones = find_zones(pits, FACE)
    assert ("too_few", ()) == (zones.scatter.verdict, zones.zones)
    assert list(pits.columns) == list(mark_pits(pits, zones).columns)


def test_a_pour_zone_keeps_its_name():
    """A pit that lies in pour zone A keeps that name; the others take the pitting area's."""
    pits = draw_patch(1)
    pits.loc[pits.x_mm < 150, "zone"] = "A"
    zones = find_zones(pits, FACE, settings=ZoneSettings(n_random=19))
    marked = mark_pits(pits, zones)
    assert (marked.zone[pits.zone == "A"] == "A").all()
    assert "pitting 1" in set(marked.zone)


def test_what_is_near_the_limit_says_so():
    """Crowds of growing size pass from nothing over a near miss and a zone near the limit to a sure zone."""
    told = []
    for n in range(4, 22):
        x, y = strew(41)
        middle = np.random.default_rng(9).normal((300, 220), 6.0, (30, 2)).T
        zones = find_zones(make_pits(*np.c_[np.array([x, y]), middle[:, :n]]), FACE)
        sure = [zone["is_near_limit"] for zone in zones.zones]
        told.append("zone" if sure == [False] else "near" if sure == [True] or zones.n_near else "none")
        described = zones.describe_scatter()
        assert zones.n_near == described["n_near_zones"]
        assert isinstance(described["is_near_limit"], bool)
    assert {"none", "near", "zone"} == set(told)
    assert told == sorted(told, key=["none", "near", "zone"].index)


@pytest.mark.parametrize(("share", "is_near"), [(0.05, True), (0.03, True), (0.1, True), (0.02, False), (0.2, False)])
def test_near_is_a_factor_of_two(share, is_near):
    """A chance of .05 is the limit: .026 to .1 is near it."""
    assert is_near is is_near_chance(share, ZoneSettings())
