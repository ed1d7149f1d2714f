"""The records that pass from step to step, and the columns of every table, declared once.

Conventions (DEVELOPERS.md has the whole page): arrays are [row, col] with pixel centres at
integers; on the slab x_mm runs right and y_mm runs down from the plan's top-left corner;
an unknown number is NaN plus a flag; nothing found is an empty table with all columns.
"""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from .columns import (  # noqa: F401  handed on: whoever reads records reads tables as well
    ACTIONS,
    BATCH_COLUMNS,
    CHANGE_COLUMNS,
    COLOUR_COLUMNS,
    EVIDENCE_COLUMNS,
    FOUND_COLUMNS,
    JOB_COLUMNS,
    LIFE_COLUMNS,
    MARK_COLUMNS,
    MARK_KINDS,
    PATCH_COLUMNS,
    PIT_ACTION_COLUMNS,
    PIT_COLUMNS,
    PIT_KINDS,
    PLAN_COLUMNS,
    STATES,
    TREND_COLUMNS,
    TRIAL_COLUMNS,
    Column,
    make_table,
)
from .flags import flag_bit

SCHEMA = 1


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo as read: turned upright once, sRGB, with what its maker wrote into it.

    rgb : uint8 (rows, cols, 3); sha256 : of the file's bytes; exif : plain names and values
    (no position, no serial numbers); notes : what was changed on reading, in words; shrink : pixels of
    the photo per pixel of `rgb` each way, above 1 when it was read at reduced size. Places in a photo are
    always in its own pixels; pixel i of `rgb` has its middle at shrink * (i + 0.5) - 0.5.
    """

    rgb: np.ndarray
    name: str
    sha256: str
    exif: dict[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    profile: str = "sRGB assumed"
    shrink: int = 1

    @property
    def shape_px(self) -> tuple[int, int]:
        """Rows and columns of the photo itself, whatever size it was read at."""
        return self.rgb.shape[0] * self.shrink, self.rgb.shape[1] * self.shrink


@dataclass(frozen=True, slots=True)
class Quality:
    """Is the photo good enough? `verdict` is good, doubtful or retake; advice in the order to try."""

    verdict: str
    advice: tuple[str, ...]
    blur_sigma_px: float
    noise_sd: float
    clipped_white_share: float
    clipped_black_share: float
    smallest_countable_mm: float = math.nan
    checks: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Lens:
    """Radial distortion of a lens: a straight-line pixel at radius r (in units of `unit_px` from
    `centre_px`, both (x, y)) is seen at r * (1 + k1 r^2 + k2 r^4); barrel has k1 below zero.

    basis : marks (estimated in this photo), chessboard (calibrated) or said.
    """

    k1: float
    k2: float
    centre_px: tuple[float, float]
    unit_px: float
    basis: str = "said"


@dataclass(frozen=True, slots=True)
class Scale:
    """Where on the slab is each pixel and how big is it?

    source : mm_per_px, corners, card, marks or length. mm_per_px : size of a pixel of the
    rectified map of the photo read in full. to_slab : 3x3 homography from photo (x, y) pixels to slab mm, with photo
    pixel centres at integers (straight-line pixels when `lens` is given). size_mm : width and
    height of the mapped face. spread_mm_per_px : finest and coarsest photo pixel on the face.
    tilt_deg : largest tilt of the camera that fits. rms_mm : misfit of the scale aid's points.
    """

    source: str
    mm_per_px: float
    mm_per_px_sd: float
    to_slab: np.ndarray
    size_mm: tuple[float, float]
    flags: int = 0
    notes: tuple[str, ...] = ()
    spread_mm_per_px: tuple[float, float] = (math.nan, math.nan)
    tilt_deg: float = math.nan
    rms_mm: float = math.nan
    lens: Lens | None = None


@dataclass(frozen=True, slots=True)
class CardPose:
    """The scale card where it lies on the slab; every place in slab mm, as (x, y).

    outline_mm : (4, 2) the card, from its top-left clockwise. grey_patch_mm : (4, 2).
    field_mm, field_radius_mm : middle and radius of the white field. post_foot_mm : (3, 2) foot of
    the shadow post, an upright corner of two walls: end of one wall, corner, end of the other.
    post_height_mm : height of its walls above the card. turn_deg : turn of the card, clockwise.
    """

    outline_mm: np.ndarray
    grey_patch_mm: np.ndarray
    field_mm: tuple[float, float]
    field_radius_mm: float
    post_foot_mm: np.ndarray
    post_height_mm: float
    turn_deg: float


@dataclass(frozen=True, slots=True)
class FaceMap:
    """The face, rectified: what every later step measures on.

    rgb : uint8 (rows, cols, 3); seen : bool (rows, cols), True where the photo shows the face
    (openings, papers and uncovered area are False); mm_per_px : size of a map pixel; shrink : photo
    pixels per map pixel each way, above 1 when the photo was read at reduced size.
    """

    rgb: np.ndarray
    seen: np.ndarray
    mm_per_px: float
    shrink: int = 1

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the map."""
        return self.rgb.shape[1] * self.mm_per_px, self.rgb.shape[0] * self.mm_per_px

    @property
    def seen_mm2(self) -> float:
        """Area of the face that the photo shows."""
        return float(np.count_nonzero(self.seen)) * self.mm_per_px**2


@dataclass(frozen=True, slots=True)
class Lamp:
    """Where the light comes from.

    from_deg : side, clockwise from up in the plan, NaN when unknown; angle_deg : elevation, NaN
    when unknown; at_mm : (x, y, height) of a lamp of known place, else None. basis : said,
    post, photo or unknown. axis_deg : light axis read from the photo (mod 180), NaN when not.
    side_evidence : -1 to 1, how far the pits agree with the side said (or guessed when none was
    said), NaN without pits. figures : what else the photo says about its light, by name.
    """

    from_deg: float = math.nan
    angle_deg: float = math.nan
    at_mm: tuple[float, float, float] | None = None
    basis: str = "unknown"
    axis_deg: float = math.nan
    side_evidence: float = math.nan
    flags: int = 0
    notes: tuple[str, ...] = ()
    figures: dict[str, float] = field(default_factory=dict)

    @property
    def is_side_known(self) -> bool:
        """Whether a side was said or seen."""
        return self.at_mm is not None or math.isfinite(self.from_deg)

    @property
    def is_side_contradicted(self) -> bool:
        """Whether the photo, or the post's shadow, speaks against the side that was said: trust nothing yet."""
        return bool(self.flags & flag_bit("lamp_side_contradicted"))

    def at_pit(self, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the lamp's (from_deg, angle_deg) as seen from places on the face."""
        x_mm, y_mm = np.asarray(x_mm, float), np.asarray(y_mm, float)
        if self.at_mm is None:
            return np.full(x_mm.shape, self.from_deg), np.full(x_mm.shape, self.angle_deg)
        dx_mm, dy_mm = self.at_mm[0] - x_mm, self.at_mm[1] - y_mm
        from_deg = np.degrees(np.arctan2(dx_mm, -dy_mm)) % 360
        return from_deg, np.degrees(np.arctan2(self.at_mm[2], np.hypot(dx_mm, dy_mm)))


@dataclass(frozen=True, slots=True)
class FlatPhoto:
    """The face with the lamp's fall-off divided out.

    relief : float32 (rows, cols), light relative to its surroundings minus one (0 = flat face,
    negative = darker); background : float32, coarse map of the lamp's light (linear);
    noise_sd : robust grain level of the seen part of `relief`; seen : bool (rows, cols), as in the face,
    or None when all of it is; shrink : as of the face.
    """

    relief: np.ndarray
    background: np.ndarray
    noise_sd: float
    mm_per_px: float
    seen: np.ndarray | None = None
    shrink: int = 1


@dataclass(frozen=True, slots=True)
class Window:
    """One test window and the open share inside it."""

    size_mm: tuple[float, float]
    x_mm: float
    y_mm: float
    area_share: float
    n_pits: int


@dataclass(frozen=True, slots=True)
class Grade:
    """One class by one published scheme, with the classes its range touches and where from.

    scheme : name in data/schemes.toml; class_name : the class, or "none" when worse than the
    worst; range : the classes the uncertainty touches, best first; value_range : low and
    high end of the figure; value : the measured figure
    (unit in `unit`); window : size and place it came from; is_borderline : within 10 % of a
    limit; source, mark : where the limit comes from and whether it was read or from memory.
    """

    scheme: str
    title: str
    class_name: str
    range: tuple[str, ...]
    value: float
    unit: str
    rule: str
    source: str
    mark: str
    window: Window | None = None
    is_borderline: bool = False
    notes: tuple[str, ...] = ()
    value_range: tuple[float, float] = (math.nan, math.nan)


@dataclass(frozen=True, slots=True)
class GradeReport:
    """Windows over all positions and the classes that follow. windows : size -> min, median, max.

    findings : voids above the counted band, one by one; agreed : what was measured against what
    was agreed, empty when nothing was agreed (then nothing may be called passed or failed).
    """

    windows: tuple[dict[str, Any], ...]
    grades: tuple[Grade, ...]
    notes: tuple[str, ...] = ()
    findings: tuple[dict[str, Any], ...] = ()
    agreed: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class ColourReport:
    """Tone of the face in soft light: the grid table, the figures and what they do not say."""

    table: pd.DataFrame
    figures: dict[str, Any] = field(default_factory=dict)
    flags: int = 0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RepairPlan:
    """What to do where. fields : PLAN_COLUMNS; amounts, order : for the printed sheet.

    pits : PIT_ACTION_COLUMNS, what to do with every single pit.
    """

    fields: pd.DataFrame
    amounts: dict[str, Any] = field(default_factory=dict)
    order: tuple[dict[str, Any], ...] = ()
    figures: dict[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    pits: pd.DataFrame = field(default_factory=lambda: make_table(PIT_ACTION_COLUMNS))


@dataclass(frozen=True, slots=True)
class Inspection:
    """Everything one survey of one face gave: what reports, screens, the log and comparisons read."""

    photos: tuple[dict[str, Any], ...]
    quality: Quality
    scale: Scale
    lamp: Lamp
    face: FaceMap
    pits: pd.DataFrame
    marks: pd.DataFrame
    zones: tuple[dict[str, Any], ...]
    grade: GradeReport
    colour: ColourReport
    plan: RepairPlan
    settings: dict[str, Any]
    version: str
    job: dict[str, str] = field(default_factory=dict)
    outlines_mm: tuple[np.ndarray, ...] = ()
    limits_of_this_answer: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    schema: int = SCHEMA
    evidence: pd.DataFrame = field(default_factory=lambda: make_table(EVIDENCE_COLUMNS))
    scatter: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Did the repair work? What reports, screens and the log read about two surveys of one face.

    table : CHANGE_COLUMNS, one row per pit of either survey. A row without after_id whose state
    is `unseen` is a pit the later photo could not show; a row without before_id whose state is
    `unseen` is a pit found later in a place or of a size the earlier photo could not show.
    registration : how the later survey was laid over the earlier one (plain numbers and words).
    figures : counts by state and size band, shares with their ranges, tests, refill numbers.
    before, after : plain words and numbers about each survey (name, stage, photo, version...).
    """

    table: pd.DataFrame
    registration: dict[str, Any]
    figures: dict[str, Any]
    before: dict[str, Any]
    after: dict[str, Any]
    settings: dict[str, Any]
    version: str
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    schema: int = SCHEMA
