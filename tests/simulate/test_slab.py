"""Made-up slabs: truth against the rendered relief, densities, chance and the held-out generator."""

import numpy as np
import pytest

from rakelight.core.errors import SettingsError
from rakelight.simulate import choose_recipe, make_slab, simulate_photo
from rakelight.simulate.bubbles import Bubble, draw_fractal
from rakelight.simulate.marks import MARK_COLUMNS
from rakelight.simulate.pits import Lobe, build_pit
from rakelight.simulate.places import Board, draw_diameters
from rakelight.simulate.recipes import HELD_OUT, RECIPES
from rakelight.simulate.slab import PIT_TRUTH_COLUMNS, SlabRecipe, draw_pits
from rakelight.simulate.texture import draw_noise, draw_relief, draw_specks, measure_slope

SMALL = {"size_mm": (80.0, 60.0), "mm_per_px": 0.1, "pits_per_m2": 6000.0}


@pytest.mark.parametrize("name", sorted(RECIPES))
def test_truth_is_what_was_carved(name):
    """Mouth areas and volumes of the truth add up to those of the rendered relief."""
    slab = make_slab(choose_recipe(name, **SMALL, diameter_median_mm=3.0), seed=11)
    assert len(slab.pits) > 10
    cell = slab.mm_per_px**2
    # Mouths are counted in whole pixels, some 700 per pit: 3 % on the sum.
    assert slab.pits["area_mm2"].sum() == pytest.approx((slab.pit_index > 0).sum() * cell, rel=0.03)
    assert slab.pits["volume_mm3"].sum() == pytest.approx(slab.pit_depth_mm.sum() * cell, rel=0.03)
    assert slab.pits["depth_mm"].max() == pytest.approx(slab.pit_depth_mm.max(), rel=0.05)


@pytest.mark.parametrize("name", sorted(RECIPES))
def test_each_pit_lies_where_the_truth_says(name):
    """The centre of each pit's pixels is at x_mm = (col + .5) mm_per_px of its truth."""
    slab = make_slab(choose_recipe(name, **SMALL, smallest_mm=1.5), seed=12)
    for pit in slab.pits.itertuples():
        rows, cols = np.nonzero(slab.pit_index == pit.truth_id)
        # Half a pixel of .1 mm.
        assert pit.x_mm == pytest.approx((cols.mean() + 0.5) * 0.1, abs=0.05)
        assert pit.y_mm == pytest.approx((rows.mean() + 0.5) * 0.1, abs=0.05)


@pytest.mark.parametrize("name", sorted(RECIPES))
def test_same_seed_same_slab(name):
    """A seed makes the same slab again, another seed another one."""
    recipe = choose_recipe(name, size_mm=(40.0, 30.0), pits_per_m2=9000)
    first, again, other = (make_slab(recipe, seed=seed) for seed in (3, 3, 4))
    np.testing.assert_array_equal(first.height_mm, again.height_mm)
    np.testing.assert_array_equal(first.albedo, again.albedo)
    assert first.pits.equals(again.pits) and first.marks.equals(again.marks)
    assert (first.height_mm != other.height_mm).any()


def test_photo_is_the_same_for_the_same_seed():
    """The whole photo is repeatable bit for bit."""
    recipe = choose_recipe("worn", size_mm=(40.0, 30.0))
    np.testing.assert_array_equal(
        simulate_photo(8, recipe=recipe).rgb, simulate_photo(8, recipe=recipe).rgb
    )


def test_types_and_columns():
    """Arrays are float32 and both truth tables have every column, also when nothing is there."""
    recipe = SlabRecipe(size_mm=(30.0, 20.0), n_pits=0, grains_per_m2=0, stains_per_m2=0)
    slab = make_slab(recipe, seed=1)
    assert ((100, 150), (100, 150, 3)) == (slab.height_mm.shape, slab.albedo.shape)
    assert np.float32 == slab.height_mm.dtype == slab.albedo.dtype
    assert 0 == len(slab.pits)
    assert list(PIT_TRUTH_COLUMNS) == list(slab.pits.columns)
    assert list(MARK_COLUMNS) == list(slab.marks.columns)
    full = make_slab(SlabRecipe(size_mm=(30.0, 20.0), n_pits=3), seed=1).pits
    for table in (slab.pits, full):
        assert "int64" == str(table["truth_id"].dtype)
        assert "float64" == str(table["volume_mm3"].dtype)
        assert "bool" == str(table["filled"].dtype)
    assert (30.0, 20.0) == slab.size_mm


def test_density_is_met_and_nothing_overlaps():
    """As many pits as asked for come out, and no pixel is wanted by two."""
    slab = make_slab(choose_recipe("caps", size_mm=(100.0, 80.0), n_pits=60), seed=5)
    assert 60 == len(slab.pits)
    gap = np.hypot(
        slab.pits["x_mm"].to_numpy()[:, None] - slab.pits["x_mm"].to_numpy(),
        slab.pits["y_mm"].to_numpy()[:, None] - slab.pits["y_mm"].to_numpy(),
    )
    reach = slab.pits["diameter_mm"].to_numpy() / 2
    np.fill_diagonal(gap, np.inf)
    assert (gap > reach[:, None] + reach).all()


def test_clusters_crowd_pits():
    """With every pit in clusters the median distance to the next pit is less than half."""
    nearest = []
    for share in (0.0, 1.0):
        recipe = choose_recipe(
            "caps", size_mm=(300.0, 200.0), n_pits=150, cluster_share=share, cluster_mm=6.0
        )
        pits = make_slab(recipe, seed=6).pits[["x_mm", "y_mm"]].to_numpy()
        gap = np.hypot(*(pits[:, None] - pits).transpose(2, 0, 1))
        np.fill_diagonal(gap, np.inf)
        nearest.append(np.median(gap.min(axis=1)))
    assert nearest[1] < 0.5 * nearest[0]


def test_relief_has_exactly_the_asked_slope():
    """Band noise is brought to the rms slope asked for, with or without a grain direction."""
    for stretch, angle in ((1.0, 0.0), (8.0, 30.0)):
        relief = draw_relief(
            (300, 400),
            0.2,
            np.random.default_rng(1),
            slope_rms=0.04,
            waves=((1.0, 0.5), (4.0, 0.5)),
            stretch=stretch,
            angle_deg=angle,
        )
        assert 0.04 == pytest.approx(measure_slope(relief, 0.2), rel=1e-3)


def test_slope_of_a_plane():
    """A plane that falls .1 to the right only has an rms slope of .1 / sqrt 2 over both axes."""
    plane = np.tile(np.arange(50, dtype=np.float32) * 0.2 * 0.1, (40, 1))
    assert 0.1 / np.sqrt(2) == pytest.approx(measure_slope(plane, 0.2), rel=1e-4)


def test_grain_direction_is_along_the_asked_angle():
    """Noise stretched along the rows changes less along the rows than across them."""
    along = draw_noise((200, 200), 6.0, np.random.default_rng(2), stretch=8.0)
    across = draw_noise((200, 200), 6.0, np.random.default_rng(2), stretch=8.0, angle_deg=90.0)
    assert np.diff(along, axis=1).std() < 0.4 * np.diff(along, axis=0).std()
    assert np.diff(across, axis=0).std() < 0.4 * np.diff(across, axis=1).std()


def test_specks_cover_their_share():
    """A tenth of the face lies under specks when a tenth is asked for."""
    specks = draw_specks((500, 500), 0.2, np.random.default_rng(3), diameter_mm=0.8, share=0.1)
    # 3 000 specks: 10 % of the share.
    assert 0.1 == pytest.approx((specks > 0).mean(), abs=0.01)


def test_diameters_follow_the_log_normal():
    """Median and spread come out as asked for when nothing is cut off, largest first."""
    sizes = draw_diameters(
        20000,
        np.random.default_rng(4),
        median_mm=2.0,
        spread=0.5,
        smallest_mm=0.01,
        largest_mm=500.0,
    )
    assert (np.diff(sizes) <= 0).all()
    # 20 000 draws: standard errors .4 % and .5 %.
    assert 2.0 == pytest.approx(np.median(sizes), rel=0.02)
    assert 0.5 == pytest.approx(np.log(sizes).std(), rel=0.02)


def test_full_board_gives_no_place():
    """A thing too large for the slab, or a slab already full, gets no place."""
    board = Board((20.0, 20.0), np.random.default_rng(1))
    assert board.find_place(30.0) is None
    board.take((10.0, 10.0), 20.0)
    assert board.find_place(1.0) is None


def test_marks_are_not_pits():
    """Every kind of mark is drawn and noted, and none lies on a pit."""
    recipe = choose_recipe(
        "caps",
        size_mm=(160.0, 120.0),
        bumps_per_m2=2000,
        stains_per_m2=1500,
        scratches_per_m2=300,
        crumbs_per_m2=1500,
        n_cracks=1,
        n_trowel_arcs=4,
        joint_share=0.5,
    )
    slab = make_slab(recipe, seed=9)
    kinds = {"bump", "stain", "scratch", "crack", "trowel_mark", "joint", "grain", "other"}
    assert kinds == set(slab.marks["kind"])
    round_marks = slab.marks[slab.marks["kind"].isin(["bump", "stain", "grain", "other"])]
    gap = np.hypot(
        round_marks["x_mm"].to_numpy()[:, None] - slab.pits["x_mm"].to_numpy(),
        round_marks["y_mm"].to_numpy()[:, None] - slab.pits["y_mm"].to_numpy(),
    )
    assert (gap > slab.pits["diameter_mm"].to_numpy() / 2).all()


def test_bump_rises_and_stain_is_flat():
    """At a bump the face is higher, at a stain only the tone differs."""
    flat = {
        "size_mm": (60.0, 40.0),
        "n_pits": 0,
        "slope_rms": 0.0,
        "unevenness_mm": 0.0,
        "grains_per_m2": 0,
        "crumbs_per_m2": 0,
        "scratches_per_m2": 0,
        "specks": 0,
        "mottling": 0,
    }
    bumps = make_slab(SlabRecipe(**flat, stains_per_m2=0, bumps_per_m2=4000), seed=2)
    assert bumps.height_mm.max() > 0.05
    assert bumps.height_mm.min() == 0.0
    stains = make_slab(SlabRecipe(**flat, bumps_per_m2=0, stains_per_m2=4000), seed=2)
    assert 0.0 == np.abs(stains.height_mm).max()
    assert stains.albedo.std() > 0.005


def test_joint_parts_two_tones():
    """Left and right of the joint the reflectance differs by the tone step asked for."""
    recipe = SlabRecipe(
        size_mm=(120.0, 60.0),
        n_pits=0,
        joint_share=0.5,
        joint_tone_step=0.12,
        mottling=0,
        specks=0,
        stains_per_m2=0,
        grains_per_m2=0,
    )
    tone = make_slab(recipe, seed=3).albedo[:, :, 1]
    assert 0.12 == pytest.approx((tone[:, 400:].mean() - tone[:, :200].mean()) / 0.36, abs=0.005)


def test_held_out_generator_shares_no_pit_with_the_others():
    """The held-out generator makes bubbles only, the others mouths and profiles only."""
    for name, recipe in RECIPES.items():
        slab = make_slab(choose_recipe(name, **SMALL), seed=1)
        assert (name == HELD_OUT) == bool(slab.pits["shape"].str.startswith("bubble").all())
        assert (recipe.generator == "bubbles") == (name == HELD_OUT)
    board = Board((80.0, 60.0), np.random.default_rng(1))
    drawn = draw_pits(choose_recipe("worn", n_pits=20), board, np.random.default_rng(1))
    assert {Lobe} == {type(lobe) for pit in drawn for lobe in pit.lobes}
    assert not issubclass(Bubble, Lobe)


def test_fractal_falls_with_frequency():
    """A steeper power spectrum makes a smoother face."""
    rough, smooth = (
        draw_fractal((128, 128), np.random.default_rng(1), power=power) for power in (1.2, 2.5)
    )
    assert np.diff(rough, axis=0).std() > 2 * np.diff(smooth, axis=0).std()


def test_own_pits_are_used():
    """Pits handed in stand where they were put, in their order."""
    mine = [
        build_pit("cap", 10, 8, diameter_mm=4, depth_ratio=0.3),
        build_pit("cap", 20, 12, diameter_mm=3, depth_ratio=0.2),
    ]
    slab = make_slab(SlabRecipe(size_mm=(30.0, 20.0)), seed=1, pits=mine)
    assert [10.0, 20.0] == pytest.approx(list(slab.pits["x_mm"]))
    assert [1, 2] == list(slab.pits["truth_id"])


def test_wrong_recipes_are_refused():
    """An unknown name, an unknown field and an impossible size are refused in words."""
    with pytest.raises(SettingsError, match="recipe must be one of"):
        choose_recipe("terrazzo")
    with pytest.raises(SettingsError, match="recipe field"):
        choose_recipe("caps", pit_count=3)
    with pytest.raises(SettingsError, match="mm_per_px"):
        SlabRecipe(mm_per_px=0)
    with pytest.raises(SettingsError, match="almost wholly outside"):
        make_slab(SlabRecipe(smallest_mm=19.99, n_pits=50), seed=1)
