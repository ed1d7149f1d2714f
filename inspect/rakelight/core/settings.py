"""Every setting of every step: default, unit, allowed range and where the number comes from.

One frozen dataclass per step. `docs/settings.md` is made from these fields, the saved
record carries all of them, and an unknown name or a value outside its range is an error.
"""

import dataclasses

from .declared import CheckedSettings, setting


@dataclasses.dataclass(frozen=True, slots=True)
class PhotoSettings(CheckedSettings):
    """Reading the photo."""

    max_megapixels: float = setting(
        600.0, "Larger pictures are refused before they are decoded.", unit="MP", low=0.1, high=1000
    )
    min_side_px: int = setting(64, "Smaller pictures are refused.", unit="px", low=1)
    enough_px: float = setting(
        6.0, "A photo is read at half or a quarter of its size while the smallest pit still spans this many"
        " pixels; 10000 reads every photo in full.", unit="px", low=5, high=10000,
    )


@dataclasses.dataclass(frozen=True, slots=True)
class QualitySettings(CheckedSettings):
    """Is the photo good enough? Limits of the verdict good, doubtful or retake."""

    clipped_share_max: float = setting(
        0.01, "Share of the face that may be pure white or pure black.", low=0, high=1,
        source="common practice, no source",
    )
    px_across_smallest: float = setting(
        5.0, "Pixels wanted across the smallest pit to be counted.", unit="px", low=1,
        source="3 is the floor and 5 comfortable: machine-vision articles of 2011 and 2013, read",
    )
    blur_retake_ratio: float = setting(
        1.4, "Asks for a new photo when blur makes the smallest countable pit this many times too large.",
        low=1, high=5,
    )
    shake_spread: float = setting(
        1.45, "Blur is called shake when its worst direction is this many times its best.",
        low=1, high=10, source="made-up photos: blur stays below 1.43, three smears in four above 1.9",
    )
    lamp_angle_high_deg: float = setting(
        30.0, "A lamp above this angle hides shallow pits.", unit="deg", low=0, high=90,
        source="made-up slabs: above 25 degrees shallow pits lose their shadow",
    )
    wall_light_min: float = setting(
        1.55, "Pit walls less bright than this, in units of the face, mean the light does not rake.",
        low=1, high=5, source="1 / sin(40 degrees), Lambert's law; made-up photos: high lamp below 1.5",
    )
    wall_light_good: float = setting(
        1.9, "Pit walls less bright than this mean a lamp too high or a second light.",
        low=1, high=5, source="1 / sin(32 degrees); made-up photos at 10 to 20 degrees: above 1.98",
    )
    grain_contrast_min: float = setting(
        0.055, "Without pits and with less grain than this no relief is seen at all.", low=0, high=1,
        source="made-up photos: 0.03 to 0.05 from the front, 0.04 to 0.2 raking",
    )
    lamp_angle_low_deg: float = setting(
        5.0, "A lamp below this angle drowns small pits in grain.", unit="deg", low=0, high=90,
        source="made-up slabs: 5 degrees drowns small pits in grain",
    )


@dataclasses.dataclass(frozen=True, slots=True)
class LightSettings(CheckedSettings):
    """What is lamp, what is surface?"""

    background_scale_mm: float = setting(
        40.0, "Light that changes more slowly than this is taken for the lamp.", unit="mm", low=1
    )
    background_scale_min_px: float = setting(
        24.0, "The background never follows details finer than this.", unit="px", low=4
    )
    evidence_mm_per_px: float = setting(
        0.35, "Pixel size the photo is asked at for its lamp.", unit="mm", low=0.02, high=5
    )
    evidence_megapixels: float = setting(
        2.0, "Larger faces are asked for their lamp in spread windows.", unit="MP", low=0.1, high=100
    )
    evidence_noise: float = setting(
        4.0, "A dark spot votes on the lamp side from this many noise levels.", low=1, high=20
    )
    evidence_contrast: float = setting(
        0.25, "A dark spot votes on the lamp side from this much darkening.", low=0.01, high=1
    )
    side_votes_min: int = setting(16, "Spots needed before the lamp side is doubted.", low=3)
    side_sd_min: float = setting(
        3.0, "Standard deviations needed before the lamp side is doubted.", unit="sd", low=1, high=10
    )
    side_share_min: float = setting(
        0.2, "Balance of votes needed before the lamp side is doubted.", low=0.01, high=1
    )
    axis_error_max_deg: float = setting(
        30.0, "A lamp said this far off the light axis seen is doubted.", unit="deg", low=5, high=85,
        source="made-up scenes: 20 degrees of error cost nothing, 45 degrees a quarter of the pits",
    )
    axis_strength_min: float = setting(
        0.25, "Below this strength the grain's axis is not used.", low=0.01, high=1
    )


@dataclasses.dataclass(frozen=True, slots=True)
class FindSettings(CheckedSettings):
    """Where could there be a pit?"""

    smallest_mm: float = setting(
        1.0, "Smallest diameter to look for.", unit="mm", low=0.05, high=50,
        source="below 2 mm does not disturb the overall view (fair-faced handbook, read); pinholes start near 1 mm",
    )
    largest_mm: float = setting(25.0, "Largest diameter to look for.", unit="mm", low=1, high=200)
    smallest_px: float = setting(
        2.5, "Nothing smaller than this many pixels is looked for.", unit="px", low=2
    )
    scales_per_octave: int = setting(3, "Sizes tried between one diameter and its double.", low=1, high=8)
    threshold_noise: float = setting(
        4.0, "A candidate must stand this many noise levels above the grain of its own scale.", low=1, high=20
    )
    threads: int = setting(2, "Threads for the pixel work.", low=1, high=64)


@dataclasses.dataclass(frozen=True, slots=True)
class SortSettings(CheckedSettings):
    """Is it a pit, or something that only looks like one?"""

    confidence_min: float = setting(0.5, "Candidates at or above this confidence enter the pit list.", low=0, high=1)
    mark_confidence_min: float = setting(
        0.6, "Marks that are not pits are listed when at least this sure of what they are.", low=0, high=1
    )


@dataclasses.dataclass(frozen=True, slots=True)
class MeasureSettings(CheckedSettings):
    """How big, and which name of the trade?"""

    pinhole_below_mm: float = setting(
        2.0, "Below this diameter a pit is called a pinhole.", unit="mm", low=0.1,
        source="2-15 mm band of the fair-faced handbook, read",
    )
    void_above_mm: float = setting(
        15.0, "Above this diameter a pit is called a void.", unit="mm", low=1,
        source="bug hole usually not above 15 mm (ACI terms), read",
    )
    edge_margin_mm: float = setting(
        10.0, "Pits this near an edge are flagged: a chip, not a bubble.", unit="mm", low=0,
        source="trade notes, proposed",
    )


@dataclasses.dataclass(frozen=True, slots=True)
class ZoneSettings(CheckedSettings):
    """Do the pits crowd anywhere?"""

    fewest_pits: int = setting(10, "Faces with fewer pits are not tested for crowding.", low=3, high=1000)
    n_random: int = setting(
        99, "Random faces that the real one is held against.", low=19, high=9999,
        source="99 random faces make 1 in 100 the smallest chance that can be stated (Monte Carlo test, from memory)",
    )
    tested_max: int = setting(300, "Faces with more pits are tested on a random choice of so many.", low=50, high=20_000)
    chance_max: float = setting(
        0.05, "Crowding that chance gives more often than this is not reported.", low=0.001, high=0.5
    )
    crowd_reach_mm: float = setting(
        30.0, "Pits further apart than this never make a pitting area.", unit="mm", low=1, high=500
    )
    crowd_pits: int = setting(8, "Fewest pits of a pitting area or streak.", low=3, high=1000)
    streak_ratio: float = setting(
        4.0, "A pitting area this many times longer than wide is called a streak.", low=1.5, high=50
    )
    streak_width_mm: float = setting(
        20.0, "Wider bands (four standard deviations across) are rows of pitting areas, not streaks.", unit="mm", low=1
    )
    honeycomb_gap: float = setting(
        1.0, "Lips nearer than this share of the pits' mean diameter hang together as honeycomb.", low=0, high=3
    )
    honeycomb_pits: int = setting(12, "Fewest pits of a honeycomb patch.", low=4, high=1000)
    honeycomb_open: float = setting(
        0.2, "Least open share inside a honeycomb patch.", low=0.02, high=0.9
    )


@dataclasses.dataclass(frozen=True, slots=True)
class GradeSettings(CheckedSettings):
    """Which windows, which schemes?"""

    borderline_share: float = setting(
        0.10, "Within this share of a limit the class is called borderline.", low=0, high=0.5
    )
    window_step_mm: float = setting(2.0, "Step of the search over window positions.", unit="mm", low=0.1)
    window_positions_max: float = setting(
        4e6, "The step grows when a face would have more positions than this.", low=1e3
    )
    window_seen_min: float = setting(
        0.5, "A window with a smaller share of seen face is not used.", low=0.01, high=1
    )
    n_draws: int = setting(400, "Random draws behind the range of a class.", low=50, high=20_000)
    range_share: float = setting(
        0.95, "Share of the draws that the printed range holds.", low=0.5, high=0.999
    )
    common_error_share: float = setting(
        0.5, "Share of the size variance that all pits of one photo have in common.", low=0, high=1
    )
    missed_at_smallest: float = setting(
        0.10, "Share of pits overlooked at the smallest countable size.", low=0, high=0.9
    )


@dataclasses.dataclass(frozen=True, slots=True)
class RepairSettings(CheckedSettings):
    """First suggestion per field; all of it is the shop's to change."""

    field_mm: float = setting(
        300.0, "Side of the fields the face is divided into.", unit="mm", low=50,
        source="trade notes, traffic map by 300 mm squares, proposed",
    )
    hand_fill_from_mm: float = setting(
        2.0, "Pits from this diameter are filled one by one.", unit="mm", low=0.1,
        source="trade notes, proposed bands",
    )
    two_lifts_from_mm: float = setting(
        6.0, "Pits from this diameter are filled in two lifts.", unit="mm", low=0.1,
        source="trade notes, proposed bands",
    )
    repair_from_mm: float = setting(
        15.0, "Above this diameter it is a repair by eye, not a fill.", unit="mm", low=1,
        source="trade notes, proposed bands; 2-15 mm band of the fair-faced handbook",
    )
    coat_min_per_m2: float = setting(
        25.0, "Minutes to slurry-coat and cut back one square metre.", unit="min/m2", low=0.1,
        source="assumption: change it to your own time",
    )
    fill_min_per_pit: float = setting(
        0.5, "Minutes to fill and cut back one pit by hand.", unit="min", low=0.01,
        source="assumption: change it to your own time",
    )
    film_mm: float = setting(
        0.25, "Mean film a slurry coat leaves before it is cut back.", unit="mm", low=0.01, high=3,
        source="assumption: 0.1 to 0.5 mm worked out in the trade notes",
    )
    paste_g_per_cm3: float = setting(
        1.95, "Density of cement paste at w/c 0.4.", unit="g/cm3", low=0.5, high=4,
        source="calculated in the trade notes",
    )
    pot_remainder_g: float = setting(
        50.0, "Paste that stays in each pot and on the tools.", unit="g", low=0,
        source="assumption: change it to your own figure",
    )
    two_lifts_min_per_pit: float = setting(
        1.5, "Minutes to fill and cut back one larger pit in two lifts.", unit="min", low=0.01,
        source="assumption: change it to your own time",
    )
    repair_min_per_void: float = setting(
        15.0, "Minutes to look at, chip and pack one void.", unit="min", low=0.1,
        source="assumption: change it to your own time",
    )
    field_setup_min: float = setting(
        1.0, "Minutes to clean, dampen and set up at one field before filling.", unit="min", low=0,
        source="assumption: change it to your own time",
    )
    coat_setup_min: float = setting(
        15.0, "Minutes to mask, mix and clean up for one coated zone.", unit="min", low=0,
        source="assumption: change it to your own time",
    )
    test_strip_min: float = setting(
        20.0, "Minutes to hone a 300 mm test strip and photograph it again.", unit="min", low=0,
        source="assumption: change it to your own time",
    )
    spot_penalty_min_per_pit: float = setting(
        0.1, "Minutes of trouble expected because one filled pit may read as a spot.", unit="min",
        low=0, source="assumption: filled holes that read as spots are the classic complaint",
    )
    tone_penalty_min_per_m2: float = setting(
        10.0, "Minutes of trouble expected because a coat changes the tone of one square metre.",
        unit="min/m2", low=0, source="assumption: a coat changes the tone of all it touches",
    )
    patch_g: float = setting(
        20.0, "Paste that goes onto the test patch.", unit="g", low=0,
        source="assumption: change it to your own figure",
    )
    closed_per_pass: float = setting(
        0.9, "Share of treated pits that are closed after one pass.", low=0.01, high=1,
        source="assumption: a second pass is proposed when more than 10 % are still open",
    )
    n_passes: int = setting(
        2, "Passes planned: fill, look again, refill.", low=1, high=4,
        source="trade notes: one to three rounds, common practice",
    )
    money_per_hour: float = setting(
        0.0, "What one hour of hand time costs in the shop's own money; 0 = no money shown.", low=0,
        source="the shop's own",
    )
    paste_money_per_kg: float = setting(
        0.0, "What one kilogram of paste costs in the shop's own money.", low=0,
        source="the shop's own",
    )
    filler: str = setting(
        "ordinary_paste", "Class of filler, which decides waits and batch size.",
        choices=("ordinary_paste", "rapid_paste", "slab_mix", "sanded_mortar", "thin_skim", "clear_resin"),
        source="trade notes, material classes",
    )
    placing_share: float = setting(
        0.5, "Share of the time per pit or square metre that goes into placing; the rest is cutting back.",
        low=0.05, high=1, source="assumption: change it to your own figure",
    )
    air_celsius: float = setting(
        21.0, "Air temperature at the work, which scales the waits.", unit="C", low=-5, high=45,
        source="reference condition for worktop mixes 21-24 C, supplier help, read",
    )
    batch_g_max: float = setting(
        2300.0, "Largest batch one person can place.", unit="g", low=10,
        source="trade notes: about 2.3 kg is all one can place in patches, read",
    )
    patch_min: float = setting(
        30.0, "Minutes to make a test patch.", unit="min", low=0,
        source="assumption: change it to your own time",
    )
    hone_min_per_m2: float = setting(
        10.0, "Minutes to hone or polish one square metre with one grit.", unit="min/m2", low=0,
        source="assumption: change it to your own time",
    )
    look_min: float = setting(
        20.0, "Minutes to photograph the face again with the same lamp.", unit="min", low=0,
        source="assumption: change it to your own time",
    )
    plan_margin_share: float = setting(
        0.10, "The plan aims this share below an agreed limit, so that the result is not borderline.",
        low=0, high=0.9,
    )
    solver_seconds: float = setting(
        12.0, "Longest time the search for the least-cost plan may take.", unit="s", low=0.1, high=600
    )
    solver_gap: float = setting(
        0.005, "The search stops within this share of the least cost.", low=0, high=0.5
    )
    ratio_shallow_min: float = setting(
        0.6, "Share of pits without a usable shadow from which a test strip is honed first.",
        low=0, high=1,
    )


@dataclasses.dataclass(frozen=True, slots=True)
class ColourSettings(CheckedSettings):
    """Is the colour even?"""

    grid_mm: float = setting(50.0, "Side of the cells the tone is read in.", unit="mm", low=2)
    grey_reflectance: float = setting(
        0.18, "Reflectance of the grey reference unless it is typed in.", low=0.01, high=1,
        source="usual photographic grey card, from memory",
    )
    block_mm: float = setting(2.5, "Side of the blocks light is averaged over.", unit="mm", low=0.1, high=20)
    cell_seen_min: float = setting(0.25, "Least share of clean face in a cell that is read.", low=0.01, high=1)
    lamp_end_change: float = setting(
        0.30, "Change of light from end to end a soft lamp may well have, as natural log.", low=0.01, high=2
    )
    drift_even_dE00: float = setting(
        1.0, "A drift from end to end that stays below this is called even.", unit="dE00", low=0.1, high=10,
        source="1 is just visible on average; real range about 0.1 to 2 (colour difference review, read)",
    )
    blotch_dE00: float = setting(
        2.0, "Areas that differ this much from the slab's median are listed.", unit="dE00", low=0.3, high=20
    )
    blotch_smallest_mm: float = setting(40.0, "Diameter of the smallest area listed.", unit="mm", low=5)
    spot_dE00: float = setting(
        2.0, "A patch that differs from the ring around it by this much will read as a spot.", unit="dE00",
        low=0.3, high=20, source="top of the range called just visible (colour difference review, read)",
    )


@dataclasses.dataclass(frozen=True, slots=True)
class CompareSettings(CheckedSettings):
    """Which pit is which, and what became of it?"""

    search_mm: float = setting(
        25.0, "The two plans may lie this far apart before they are aligned.", unit="mm", low=1, high=200
    )
    rotation_max_deg: float = setting(
        3.0, "The two plans may be turned this much before they are aligned.", unit="deg", low=0, high=20
    )
    scale_max_share: float = setting(
        0.04, "The two scales may differ by this share.", low=0, high=0.3,
        source="a bar lying 40 mm too low reads 4 % wrong from 1 m (trade notes, calculated)",
    )
    place_sd_mm: float = setting(
        0.4, "How well one photo places a pit, one standard deviation.", unit="mm", low=0.01, high=20
    )
    place_sd_share: float = setting(
        0.06, "And worse by this share of the pit's own diameter.", low=0, high=1
    )
    frame_sd_mm: float = setting(
        2.0, "How well two plans agree when nothing stable was found to align them.", unit="mm", low=0.1, high=50
    )
    size_sd_share: float = setting(
        0.25, "How much the diameter of one pit differs between photos (log scale).", low=0.01, high=2
    )
    shape_sd: float = setting(
        0.35, "How much length over width differs between photos (log scale).", low=0.01, high=5
    )
    gate_sd: float = setting(
        4.0, "Pits further apart than this many standard deviations are never the same.", low=1, high=10
    )
    dish_depth_share: float = setting(
        0.25, "Typical depth of a sunken fill over the depth before.", low=0.01, high=0.9,
        source="our choice; no published dish depth found",
    )
    dish_share: float = setting(
        0.25, "Share of places still hollow expected to be sunk fills, before anything is seen.", low=0, high=1
    )
    detection_slope: float = setting(
        6.0, "Steepness of the chance to be found against the logarithm of the size.", low=1, high=50
    )
    detection_at_smallest: float = setting(
        0.9, "Chance that an open pit of the smallest countable size is found.", low=0.5, high=0.999
    )
    sure_from: float = setting(
        0.8, "The repaired share is told of pits that were at least this sure before.", low=0, high=1
    )
    interval: float = setting(0.95, "Level of every range that is given.", low=0.5, high=0.999)
    resamples: int = setting(1000, "Resamplings behind the ranges of areas.", low=100, high=100000)


@dataclasses.dataclass(frozen=True, slots=True)
class LogSettings(CheckedSettings):
    """The job log and its bundles."""

    busy_timeout_s: float = setting(
        30.0, "How long to wait for another program that is writing.", unit="s", low=0.1, high=600
    )
    face_quality: int = setting(90, "JPEG quality of the kept plan picture.", low=50, high=100)
    bundle_max_gb: float = setting(
        20.0, "A bundle that unpacks to more than this is refused.", unit="GB", low=0.001, high=1000
    )
    bundle_max_files: int = setting(
        20000, "A bundle with more files than this is refused.", low=10, high=1000000
    )
    rates_from_repairs: int = setting(
        3, "A rate of the shop is offered once it stands on this many repairs.", low=1, high=100
    )


@dataclasses.dataclass(frozen=True, slots=True)
class ReportSettings(CheckedSettings):
    """How results are shown."""

    units: str = setting("mm", "Lengths as mm or inches to 1/16.", choices=("mm", "in"))
    map_max_side_px: int = setting(2600, "Longest side of map.png.", unit="px", low=400)
    sheet_field_mm: float = setting(
        600.0, "Side of the area one work sheet page shows.", unit="mm", low=100,
        source="trade notes: one page per 600 mm field",
    )
    paper: str = setting("a4", "Paper of the printed pages.", choices=("a4", "us-letter"))
    language: str = setting("en", "Language of pictures and pages.", choices=("en", "es", "de"))
    shop_name: str = setting("", "The shop's own name at the head of the client report.")
    shop_logo: str = setting("", "Picture file (PNG or JPEG) of the shop's own logo.")


@dataclasses.dataclass(frozen=True, slots=True)
class BatchSettings(CheckedSettings):
    """Many photos and the trends over weeks."""

    retries: int = setting(2, "A photo whose worker or log failed is tried so many times again.", low=0, high=10)
    photo_limit_s: float = setting(
        900.0, "A worker that takes longer over one photo is ended; 0 for no limit.", unit="s", low=0
    )
    chart_weeks_min: int = setting(
        8, "Weeks needed before limits are drawn; below 20 they are called provisional.", low=3, high=100,
        source="20 to 25 subgroups are usual (quality handbooks, from memory); 8 is our choice",
    )
    chart_sigmas: float = setting(
        3.0, "Distance of the limits from the mean.", unit="sd", low=1, high=6, source="Shewhart's three sigmas"
    )
    chart_run: int = setting(
        8, "So many weeks in a row on one side of the mean are a signal.", low=5, high=20,
        source="Western Electric handbook, 1956",
    )


@dataclasses.dataclass(frozen=True, slots=True)
class Settings(CheckedSettings):
    """All steps together, as saved with every record."""

    photo: PhotoSettings = dataclasses.field(default_factory=PhotoSettings)
    quality: QualitySettings = dataclasses.field(default_factory=QualitySettings)
    light: LightSettings = dataclasses.field(default_factory=LightSettings)
    find: FindSettings = dataclasses.field(default_factory=FindSettings)
    sort: SortSettings = dataclasses.field(default_factory=SortSettings)
    measure: MeasureSettings = dataclasses.field(default_factory=MeasureSettings)
    zones: ZoneSettings = dataclasses.field(default_factory=ZoneSettings)
    grade: GradeSettings = dataclasses.field(default_factory=GradeSettings)
    repair: RepairSettings = dataclasses.field(default_factory=RepairSettings)
    colour: ColourSettings = dataclasses.field(default_factory=ColourSettings)
    compare: CompareSettings = dataclasses.field(default_factory=CompareSettings)
    log: LogSettings = dataclasses.field(default_factory=LogSettings)
    report: ReportSettings = dataclasses.field(default_factory=ReportSettings)
