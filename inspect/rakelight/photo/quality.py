"""Is the photo good enough? One verdict, and what to change, in the order to try.

Judged on the seen face only. `good`: measure. `doubtful`: measure, and say why to be careful.
`retake`: the answer would mislead. Small pits go missing long before a photo looks bad, so
the limits hang on the smallest pit that was agreed to be counted.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ..core.flags import flag_bit
from ..core.records import FaceMap, FlatPhoto, Lamp, Quality
from ..core.settings import QualitySettings
from .exposure import Exposure, measure_exposure
from .sharpness import Sharpness, convert_to_mtf50, measure_sharpness
from .smear import measure_smear
from .subject import Subject, look_at_subject, looks_written

_FLOOR_PX = 3.0  # pixels across the smallest pit of a sharp photo with fine grain
_BLUR_PX2 = 12.4
_GRAIN_AT_FLOOR = 0.257
_NOISE_PX = 15.0
_BLUR_SLACK = (
    1.1  # blur is read to about a tenth: sharp photos of 5 px across the smallest pit lie below
)
# Where the spectrum shows a smear, sharp edges are those it spared; both together name 1 sharp photo in 500.
_SMEAR_SLACK, _SMEAR_WEIGHT = 0.85, 13.0
_FLASH_FIRED = 1  # bit 0 of the EXIF entry Flash
_RETAKE, _DOUBTFUL = "retake", "doubtful"
_VOTES_MIN, _FEW_VOTES, _SURE_VOTES, _MANY_VOTES = 8, 3, 10, 16
# Pits that one lamp lights agree on its side: 95 in 100 made-up photos above 0.55, two lamps below 0.3.
# Pits among many bumps disagree too, but along one axis (strength 0.6 and more).
_ONE_SIDE_MIN, _ONE_AXIS_MIN = 0.35, 0.7
_SPECK_AXIS = 0.045, 0.25  # made-up photos of sand specks: 0.05 to 0.12 raked, 0.03 and less not


@dataclass(frozen=True, slots=True)
class Complaint:
    """One thing that is wrong: its name, how bad (`doubtful` or `retake`) and what to do about it."""

    name: str
    severity: str
    advice: str


@dataclass(frozen=True, slots=True)
class Looks:
    """What can be read from a photo without knowing its lamp."""

    sharpness: Sharpness
    exposure: Exposure
    subject: Subject = field(default_factory=Subject)


def look_at_photo(face: FaceMap, flat: FlatPhoto) -> Looks:
    """Return how sharp and how well exposed the seen face is; needs no lamp."""
    return Looks(
        measure_sharpness(flat.relief, face.seen, shrink=face.shrink),
        measure_exposure(face, flat),
        look_at_subject(face),
    )


def judge_quality(
    face: FaceMap,
    flat: FlatPhoto,
    lamp: Lamp,
    *,
    exif: Mapping[str, Any],
    smallest_mm: float,
    looks: Looks | None = None,
    settings: QualitySettings = QualitySettings(),
) -> Quality:
    """Return whether the photo is good enough to count pits of `smallest_mm`, and what to change.

    Parameters
    ----------
    face, flat : FaceMap, FlatPhoto
        The rectified face and its relief; only `face.seen` is judged.
    lamp : Lamp
        As `light.lamp.settle_lamp` returns it: its figures tell raking from frontal light.
    exif : mapping
        As `Photo.exif`; may be empty.
    smallest_mm : float
        Smallest pit diameter that was agreed to be counted, mm.
    looks : Looks
        What `look_at_photo` said of it, when it was asked before.
    settings : QualitySettings
        Limits of the verdict.

    Returns
    -------
    Quality
        `verdict` good, doubtful or retake; `advice` one sentence per complaint in the order to try;
        `checks` every figure by name; `smallest_countable_mm` see `smallest_countable`.

    Errors of the answer
    --------------------
    A share of doubtful photos is called good and the other way round: see benchmarks. A photo read at reduced
    size (`face.shrink`) is judged as the photo itself; what can be counted, by the pixels that were read.

    Source
    ------
    Limits: `QualitySettings`. The order of the advice is our choice: what costs the finisher
    least comes first.
    """
    looks = look_at_photo(face, flat) if looks is None else looks
    sharp, exposure = looks.sharpness, looks.exposure
    countable_mm = smallest_countable(
        face.mm_per_px, sharp.mean_sigma_px, noise_sd=sharp.noise_sd, grain_sd=flat.noise_sd
    )
    unsharp = _complain_about_sharpness(sharp, face, flat, smallest_mm, settings=settings)
    # Blur and clipping dim the walls of pits: such a photo has nothing to say about its light.
    is_readable = exposure.white_share <= settings.clipped_share_max
    is_readable = is_readable and all(complaint.severity != _RETAKE for complaint in unsharp)
    figures = lamp.figures | {"side_share": lamp.side_evidence}
    frontal = _complain_about_relief(figures, flat.noise_sd, settings) if is_readable else []
    subject = _complain_about_subject(looks.subject, flat, figures)
    complaints = [
        *subject,
        *_complain_about_camera(exif),
        *_complain_about_lamp(lamp, settings),
        *frontal,
        *_complain_about_exposure(exposure, settings),
        *unsharp,
        *_complain_about_scale(face.mm_per_px / face.shrink, smallest_mm, settings),
        *_complain_about_grain(sharp, flat, face.mm_per_px, smallest_mm),
    ]
    if any(complaint.severity == _RETAKE for complaint in subject):
        complaints = subject  # nothing else about it matters
    severities = {complaint.severity for complaint in complaints}
    verdict = next((word for word in (_RETAKE, _DOUBTFUL) if word in severities), "good")
    return Quality(
        verdict=verdict,
        advice=tuple(complaint.advice for complaint in complaints),
        blur_sigma_px=sharp.sigma_px * face.shrink,
        noise_sd=sharp.noise_sd,
        clipped_white_share=exposure.white_share,
        clipped_black_share=exposure.black_share,
        smallest_countable_mm=countable_mm,
        checks=_collect_checks(sharp, exposure, flat, face, smallest_mm)
        | {f"complaint_{c.name}": 2.0 if c.severity == _RETAKE else 1.0 for c in complaints},
    )


def smallest_countable(
    mm_per_px: float, blur_sigma_px: float, *, noise_sd: float = 0.0, grain_sd: float = 0.0
) -> float:
    """Return the smallest pit diameter (mm) of which nine in ten can be found; NaN when unknown.

    D / px = sqrt((3 max(1, grain / 0.257))^2 + 12.4 sigma^2 + (15 noise)^2)

    Parameters
    ----------
    mm_per_px : float
        Size of a pixel on the face, mm.
    blur_sigma_px : float
        Blur as the sigma of a Gaussian, px.
    noise_sd, grain_sd : float
        Pixel noise and grain of the relief, as shares of the face's light.

    Errors of the answer
    --------------------
    Fitted to one generator of made-up slabs; about a quarter either way between kinds of face.

    Source
    ------
    Measured facts of the project: 3, 5 and 8 px at a blur of 0, 1.2 and 2 px; 3, 4 and 8 px at a
    grain contrast of up to 17, 34 and 69 %. The noise term is our choice.
    """
    if not (math.isfinite(mm_per_px) and math.isfinite(blur_sigma_px)):
        return math.nan
    floor_px = _FLOOR_PX * max(1.0, grain_sd / _GRAIN_AT_FLOOR)
    return mm_per_px * math.sqrt(
        floor_px**2 + _BLUR_PX2 * blur_sigma_px**2 + (_NOISE_PX * noise_sd) ** 2
    )


def _collect_checks(
    sharp: Sharpness, exposure: Exposure, flat: FlatPhoto, face: FaceMap, smallest_mm: float
) -> dict[str, float]:
    return {
        "px_across_smallest": smallest_mm / face.mm_per_px * face.shrink,
        "worst_blur_sigma_px": sharp.worst_sigma_px * face.shrink,
        "shake_px": sharp.shake_px * face.shrink,
        "shake_deg": sharp.shake_deg,
        "shake_spread": sharp.spread,
        "mtf50_per_px": convert_to_mtf50(sharp.sigma_px * face.shrink),
        "n_edges": float(sharp.n_edges),
        "grain_sd": flat.noise_sd,
        "gloom_share": exposure.gloom_share,
        "glare_share": exposure.glare_share,
        "damp_share": exposure.damp_share,
        "face_light": exposure.face_light,
    }


def _complain_about_subject(
    subject: Subject, flat: FlatPhoto, figures: Mapping[str, float]
) -> list[Complaint]:
    """Tell a photo of a cast face from screenshots, pages, drawings and scenes of other things."""
    if subject.is_drawn:
        return [
            Complaint(
                "no_photo",
                _RETAKE,
                "This looks like a screenshot, a page or a drawing, not like a photo of a cast face: give the "
                "raking-light photo itself.",
            )
        ]
    if looks_written(flat, figures.get("n_votes", math.inf)):
        return [
            Complaint(
                "no_face",
                _DOUBTFUL,
                "Much of it stands out sharply and nothing looks like a hole lit from the side: see that this is "
                "a raking-light photo of a cast face, and that only the face is in it.",
            )
        ]
    if subject.is_colourful:
        return [
            Complaint(
                "no_face",
                _DOUBTFUL,
                "Its colours are not those of one cast face: see that this is the right photo, and keep all but "
                "the face out of it (the slab's corners do that).",
            )
        ]
    return []


def _complain_about_camera(exif: Mapping[str, Any]) -> list[Complaint]:
    complaints = []
    flash = exif.get("Flash")
    if isinstance(flash, int) and flash & _FLASH_FIRED:
        complaints.append(
            Complaint(
                "flash",
                _RETAKE,
                "The flash fired and lights the face from the front: switch the flash off and "
                "light the face with one lamp from the side.",
            )
        )
    zoom = exif.get("DigitalZoomRatio", 1)
    if isinstance(zoom, (int, float)) and zoom > 1.01:
        complaints.append(
            Complaint(
                "digital_zoom",
                _DOUBTFUL,
                f"Digital zoom {zoom:.1f}x only invents pixels: set it to 1x and step closer.",
            )
        )
    if exif.get("CustomRendered") not in (None, 0):
        complaints.append(
            Complaint(
                "processing",
                _DOUBTFUL,
                "The camera merged or reworked the picture (HDR, night or portrait mode): switch "
                "that off and take a plain photo.",
            )
        )
    return complaints


def _complain_about_lamp(lamp: Lamp, settings: QualitySettings) -> list[Complaint]:
    complaints = []
    if lamp.flags & flag_bit("lamp_side_contradicted"):
        complaints.append(Complaint("lamp_side", _DOUBTFUL, lamp.notes[-1]))
    if lamp.angle_deg > settings.lamp_angle_high_deg:
        complaints.append(
            Complaint(
                "lamp_high",
                _DOUBTFUL,
                f"A lamp at {lamp.angle_deg:.0f} degrees hides shallow pits: put it lower, "
                "10 to 20 degrees above the face.",
            )
        )
    elif lamp.angle_deg < settings.lamp_angle_low_deg:
        complaints.append(
            Complaint(
                "lamp_low",
                _DOUBTFUL,
                f"A lamp at {lamp.angle_deg:.0f} degrees drowns small pits in grain: lift it to "
                "10 to 20 degrees above the face.",
            )
        )
    return complaints


def _complain_about_relief(
    figures: Mapping[str, float], grain_sd: float, settings: QualitySettings
) -> list[Complaint]:
    """Tell raking light from light that comes from the front, from a high lamp or from two sides."""
    if "n_votes" not in figures:
        return []
    if _is_raked(figures, grain_sd, settings):
        return _complain_about_sides(figures, settings)
    if figures["n_votes"] < _VOTES_MIN:
        return [
            Complaint(
                "frontal",
                _DOUBTFUL,
                "Neither pits nor grain stand out: if the face is not that smooth, the light comes "
                "from too high; put one lamp 10 to 20 degrees above the face and darken the room.",
            )
        ]
    if figures["wall_light"] < settings.wall_light_min:
        return [
            Complaint(
                "frontal",
                _RETAKE,
                "The light does not rake over the face (pits show no bright far wall): put one lamp "
                "10 to 20 degrees above the face and switch all other light off.",
            )
        ]
    return [
        Complaint(
            "second_light",
            _DOUBTFUL,
            "The shade in the pits is weak: leave one lamp on, lower it to 10 to 20 degrees above "
            "the face and darken the room.",
        )
    ]


def _complain_about_sides(
    figures: Mapping[str, float], settings: QualitySettings
) -> list[Complaint]:
    """Tell two low lamps from one: the pits' walls are bright, but on no one side."""
    if figures["n_votes"] < _MANY_VOTES or figures["wall_light"] < settings.wall_light_good:
        return []
    if figures["side_share"] >= _ONE_SIDE_MIN or figures["axis_strength"] >= _ONE_AXIS_MIN:
        return []
    return [
        Complaint(
            "second_light",
            _DOUBTFUL,
            "The pits are lit from more than one side: leave one lamp on and darken the room.",
        )
    ]


def _is_raked(figures: Mapping[str, float], grain_sd: float, settings: QualitySettings) -> bool:
    """Return whether pits, or the grain where there are none, look raked by a low lamp.

    Walls that face the lamp are 1 / sin(angle) as bright as the face. A face without pits has only
    its grain to show; sand specks of all sides are no pits.
    """
    n_votes, wall_light = figures["n_votes"], figures["wall_light"]
    is_grainy = grain_sd >= settings.grain_contrast_min
    if _FEW_VOTES <= n_votes < _SURE_VOTES and wall_light >= settings.wall_light_min:
        return True
    if n_votes < _VOTES_MIN:
        is_flat = n_votes >= 1 and wall_light < settings.wall_light_min
        return is_grainy and not (is_flat and grain_sd < 1.15 * settings.grain_contrast_min)
    if wall_light >= settings.wall_light_good:
        return True
    are_specks = figures["guess_share"] < 0.5 and wall_light < settings.wall_light_min
    low, high = _SPECK_AXIS
    return are_specks and is_grainy and low <= figures["grain_axis_strength"] <= high


def _complain_about_exposure(exposure: Exposure, settings: QualitySettings) -> list[Complaint]:
    complaints = []
    if exposure.white_share > settings.clipped_share_max:
        severity = _RETAKE if exposure.white_share > 5 * settings.clipped_share_max else _DOUBTFUL
        complaints.append(
            Complaint(
                "overexposed",
                severity,
                f"{exposure.white_share:.0%} of the face is burnt out: tap on the brightest part "
                "and pull the exposure down, or move the lamp further away.",
            )
        )
    if max(exposure.gloom_share, exposure.black_share) > 5 * settings.clipped_share_max:
        complaints.append(
            Complaint(
                "too_dark",
                _DOUBTFUL,
                f"{max(exposure.gloom_share, exposure.black_share):.0%} of the face is too dark to "
                "read: move the lamp further away or take the photo in two parts.",
            )
        )
    if exposure.glare_share > settings.clipped_share_max:
        complaints.append(
            Complaint(
                "glare",
                _DOUBTFUL,
                "The lamp is mirrored in the face: turn the camera or the lamp until the shine "
                "is gone.",
            )
        )
    if exposure.damp_share > 3 * settings.clipped_share_max:
        complaints.append(
            Complaint(
                "damp",
                _DOUBTFUL,
                "Part of the face looks damp: let it dry, because water fills pits and makes "
                "them look smaller.",
            )
        )
    return complaints


def _complain_about_sharpness(
    sharp: Sharpness,
    face: FaceMap,
    flat: FlatPhoto,
    smallest_mm: float,
    *,
    settings: QualitySettings,
) -> list[Complaint]:
    if math.isnan(sharp.sigma_px):
        return [
            Complaint(
                "no_detail",
                _RETAKE,
                "No detail can be made out on the face: clean the lens, tap to focus on the face "
                "and take the photo again.",
            )
        ]
    worst_px = (
        sharp.worst_sigma_px * face.shrink
    )  # in the photo's own pixels, whatever size it was read at
    needed_px = max(smallest_mm / face.mm_per_px * face.shrink, settings.px_across_smallest)
    blurred_px = smallest_countable(1.0, worst_px)
    if blurred_px <= _SMEAR_SLACK * needed_px:
        return []
    is_blurred, moved_px = blurred_px > _BLUR_SLACK * needed_px, sharp.shake_px
    is_shaken = sharp.spread > settings.shake_spread
    if not (is_blurred and is_shaken):
        smear = measure_smear(flat.relief, face.seen)
        if smear.weight > _SMEAR_WEIGHT:
            is_shaken, moved_px = True, smear.length_px
        elif not is_blurred:
            return []
    severity = _RETAKE if blurred_px > settings.blur_retake_ratio * needed_px else _DOUBTFUL
    if is_shaken:
        advice = (
            f"The camera moved by about {moved_px * face.shrink:.0f} pixels: rest it on a stand, use the "
            "self-timer or more light."
        )
        return [Complaint("shaken", severity, advice)]
    advice = (
        f"The photo is not sharp (blur {worst_px:.1f} pixels): clean the lens, tap to "
        "focus on the face and hold still."
    )
    return [Complaint("blurred", severity, advice)]


def _complain_about_scale(
    mm_per_px: float, smallest_mm: float, settings: QualitySettings
) -> list[Complaint]:
    across_px = smallest_mm / mm_per_px
    if across_px >= settings.px_across_smallest:
        return []
    return [
        Complaint(
            "too_coarse",
            _RETAKE if across_px < _FLOOR_PX else _DOUBTFUL,
            f"A {smallest_mm:g} mm pit is only {across_px:.1f} pixels wide: step closer and take "
            f"several photos, {smallest_mm / settings.px_across_smallest:.2g} mm or less per pixel.",
        )
    ]


def _complain_about_grain(
    sharp: Sharpness, flat: FlatPhoto, mm_per_px: float, smallest_mm: float
) -> list[Complaint]:
    if math.isnan(sharp.sigma_px):
        return []
    alone_mm = smallest_countable(mm_per_px, 0.0, noise_sd=sharp.noise_sd, grain_sd=flat.noise_sd)
    if alone_mm <= max(smallest_mm, _FLOOR_PX * mm_per_px):
        return []
    return [
        Complaint(
            "grain",
            _DOUBTFUL,
            f"Grain or noise hides pits below {alone_mm:.1f} mm: lift the lamp a little (10 to 20 "
            "degrees) and use more light, or agree on a larger smallest pit.",
        )
    ]
