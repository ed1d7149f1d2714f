"""Two surveys laid over each other: the same face, who is who, and what each photo could show."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..core.errors import CompareError
from ..core.records import Inspection
from ..core.settings import CompareSettings
from .match import PlaceMatch, Places, Predict, match_places
from .register import Registration, register_places
from .sight import Sight, judge_sight

SIZE_TOLERANCE = 0.08
FEW_FEATURES = 12
TURNS = (90, 180, 270)


@dataclass(frozen=True, slots=True)
class Pair:
    """Two surveys with what joins them: how they lie, who is who and what each could show.

    after_sight : of the earlier pits, in the later photo; before_sight : of the later pits, in
    the earlier photo. expected_mm : where each earlier pit should be now (n, 2); back_mm : where each
    later pit would have been (m, 2). before_mark : whether the earlier survey listed something
    else at each later pit (m,).
    """

    before: Inspection
    after: Inspection
    registration: Registration
    match: PlaceMatch
    expected_mm: np.ndarray
    after_sight: Sight
    before_sight: Sight
    back_mm: np.ndarray
    before_mark: np.ndarray

    @property
    def is_found(self) -> np.ndarray:
        """Whether each earlier pit is listed in the later survey (n,)."""
        is_found = np.zeros(len(self.before.pits), bool)
        is_found[self.match.before] = True
        return is_found

    @property
    def alone(self) -> np.ndarray:
        """Rows of the later pits that no earlier pit was paired with."""
        return np.setdiff1d(np.arange(len(self.after.pits)), self.match.after)


def check_same_face(before: Inspection, after: Inspection) -> None:
    """Raise a CompareError when the two plans have clearly different sizes."""
    for side, was_mm, is_mm in zip(
        ("wide", "deep"), before.scale.size_mm, after.scale.size_mm, strict=True
    ):
        if abs(is_mm - was_mm) > SIZE_TOLERANCE * max(was_mm, is_mm):
            raise CompareError(
                f"The two plans differ: {was_mm:.0f} mm {side} before and {is_mm:.0f} mm after; "
                "give both surveys the same corners of the same face and inspect the wrong one again."
            )


def register_surveys(
    before: Inspection, after: Inspection, *, settings: CompareSettings | None = None
) -> Registration:
    """Return how the later plan lies on the earlier one; a plan laid down turned is a CompareError."""
    settings = settings or CompareSettings()
    here, there = list_features(before), list_features(after)
    registration = register_places(here, there, settings=settings)
    if not registration.is_aligned and min(len(here), len(there)) >= FEW_FEATURES:
        _refuse_turned(here, there, before.scale.size_mm, settings)
    return registration


def pair_surveys(
    before: Inspection,
    after: Inspection,
    registration: Registration,
    *,
    settings: CompareSettings,
    predict: Predict | None = None,
) -> Pair:
    """Return which pit is which, and what each photo could show of the other's pits."""
    here, there = Places.from_table(before.pits), Places.from_table(after.pits)
    predict = predict or registration.place
    sd_mm = registration.place_sd(here.x_mm, here.y_mm)
    match = match_places(here, there, settings=settings, predict=predict, sd_mm=sd_mm)
    expected_mm = np.column_stack(predict(here.x_mm, here.y_mm))
    back = np.column_stack(registration.place_back(there.x_mm, there.y_mm))
    after_sight = judge_sight(
        after,
        expected_mm[:, 0],
        expected_mm[:, 1],
        diameter_mm=here.diameter_mm,
        diameter_sd_mm=before.pits["diameter_sd_mm"].to_numpy(float),
        depth_share=depth_share(before.pits),
        settings=settings,
    )
    before_sight = judge_sight(
        before, back[:, 0], back[:, 1], diameter_mm=there.diameter_mm, settings=settings
    )
    return Pair(
        before,
        after,
        registration,
        match,
        expected_mm,
        after_sight,
        before_sight,
        back,
        _find_marks(before, back, there, settings),
    )


def list_features(inspection: Inspection) -> Places:
    """Return everything that may stay put between two surveys: pits and marks."""
    return Places.from_table(inspection.pits).join(Places.from_table(inspection.marks))


def depth_share(pits: pd.DataFrame) -> np.ndarray:
    """Return least depth over diameter (n,), NaN where not known."""
    return (pits["depth_mm"] / pits["diameter_mm"]).to_numpy(float)


def _find_marks(before, back, there, settings) -> np.ndarray:
    """Whether the earlier survey listed something else, not taken for a pit, at later pits (n,)."""
    marks = Places.from_table(before.marks)
    moved = Places(back[:, 0], back[:, 1], there.diameter_mm, there.stretch)
    found = match_places(moved, marks, settings=settings)
    is_marked = np.zeros(len(there), bool)
    is_marked[found.before] = True
    return is_marked


def _refuse_turned(here: Places, there: Places, size_mm, settings) -> None:
    for turn in TURNS:
        if (
            register_places(_turn(here, turn, size_mm), there, settings=settings).n_stable
            >= FEW_FEATURES
        ):
            raise CompareError(
                f"The later plan lies turned by {turn} degrees against the earlier one: give its corners "
                "in the order top-left, top-right, bottom-right, bottom-left and inspect it again."
            )


def _turn(places: Places, turn_deg: int, size_mm) -> Places:
    """The places as they lie after the plan is turned clockwise about its corner frame."""
    width_mm, height_mm = size_mm
    x_mm, y_mm = {
        90: (height_mm - places.y_mm, places.x_mm),
        180: (width_mm - places.x_mm, height_mm - places.y_mm),
        270: (places.y_mm, width_mm - places.x_mm),
    }[turn_deg]
    return Places(x_mm, y_mm, places.diameter_mm, places.stretch)
