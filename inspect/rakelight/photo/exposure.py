"""How the face is exposed: burnt out, drowned in black, glare, damp patches.

| figure | meaning | better |
|---|---|---|
| `white_share` | share of the face at pure white in any colour | lower |
| `black_share` | share of the face at pure black | lower |
| `gloom_share` | share of the face that as a whole is too dark to read | lower |
| `glare_share` | share of the face where light is mirrored, brighter than its surroundings | lower |
| `damp_share` | share of the face that is darker and smoother than its surroundings | lower |
"""

from dataclasses import dataclass

import cv2
import numpy as np

from ..core.records import FaceMap, FlatPhoto
from ..core.threads import solve_terms

_WHITE, _BLACK = 254, 1  # 8-bit levels; one level of slack for JPEG
_CELL_PX = 32
_SAMPLE_STEP = 5
_GLOOM_LIGHT = 0.012  # linear; about level 27 of 255, where noise is a tenth of the light
_GLARE_RATIO, _DAMP_RATIO, _DAMP_CALM = 1.7, 0.72, 0.7
_MAX_COARSE_PX = 256


@dataclass(frozen=True, slots=True)
class Exposure:
    """Shares of the face, 0 to 1, and the light of the face as a whole (linear, 0 to 1)."""

    white_share: float
    black_share: float
    gloom_share: float
    glare_share: float
    damp_share: float
    face_light: float


def measure_exposure(face: FaceMap, flat: FlatPhoto) -> Exposure:
    """Return how the seen face is exposed, as shares of it.

    Parameters
    ----------
    face : FaceMap
        uint8 sRGB; only pixels with `seen` are judged.
    flat : FlatPhoto
        Its coarse `background` (linear light) tells gloom, glare and damp patches.

    Errors of the answer
    --------------------
    One pixel in 25 is read: shares of a 12-megapixel photo are right to about 0.1 %. A glossy stain may pass for damp
    concrete, a white stain for glare.

    Source
    ------
    Clipping on the slab, warn above about 1 %: common practice, no source. The rest: our choice.
    """
    sample = np.ascontiguousarray(face.rgb[::_SAMPLE_STEP, ::_SAMPLE_STEP])
    seen = face.seen[::_SAMPLE_STEP, ::_SAMPLE_STEP]
    n_seen = max(int(np.count_nonzero(seen)), 1)
    red, green, blue = cv2.split(sample)
    brightest = cv2.max(cv2.max(red, green), blue)
    white = float(np.count_nonzero((brightest >= _WHITE) & seen)) / n_seen
    black = float(np.count_nonzero((brightest <= _BLACK) & seen)) / n_seen
    light, grain, weight = _coarse_maps(face, flat)
    ok = weight > 0.5
    if not ok.any():
        return Exposure(white, black, 0.0, 0.0, 0.0, 0.0)
    around = _smooth_trend(light, ok)
    calm = grain < _DAMP_CALM * np.median(grain[ok])
    return Exposure(
        white_share=white,
        black_share=black,
        gloom_share=_share(light < _GLOOM_LIGHT, ok),
        glare_share=_share(light > _GLARE_RATIO * around, ok),
        damp_share=_share((light < _DAMP_RATIO * around) & calm, ok),
        face_light=float(np.median(light[ok])),
    )


def _coarse_maps(face: FaceMap, flat: FlatPhoto) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return light (linear), grain and seen share on one coarse grid."""
    rows, cols = face.seen.shape
    cell = max(_CELL_PX, -(-max(rows, cols) // _MAX_COARSE_PX))
    size = (max(cols // cell, 1), max(rows // cell, 1))
    # Every fourth row and column is enough for a mean over a cell and saves most of the time.
    thin = np.ascontiguousarray(flat.relief[::4, ::4])
    mean = cv2.resize(thin, size, interpolation=cv2.INTER_AREA)
    square = cv2.resize(cv2.multiply(thin, thin), size, interpolation=cv2.INTER_AREA)
    if flat.seen is None:  # all of it
        weight = np.ones(size[::-1], np.float32)
    else:
        thin_seen = face.seen[::4, ::4].astype(np.float32)
        weight = cv2.resize(thin_seen, size, interpolation=cv2.INTER_AREA)
    lamp = cv2.resize(flat.background, size, interpolation=cv2.INTER_LINEAR)
    return lamp * (1 + mean), np.sqrt(np.maximum(square - mean**2, 0)), weight


def _smooth_trend(light: np.ndarray, ok: np.ndarray) -> np.ndarray:
    """Return the lamp's slow fall-off over the face: a robust quadratic surface of the log light."""
    rows, cols = light.shape
    y, x = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, cols), indexing="ij")
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    log_light = np.log(np.maximum(light, 1e-4))
    use = ok.copy()
    answer = np.zeros(6)
    for _ in range(3):
        if np.count_nonzero(use) < 24:
            break
        answer = solve_terms(terms[use], log_light[use])
        error = log_light - np.einsum("ijk,k->ij", terms, answer)
        spread = 1.4826 * np.median(np.abs(error[use])) + 0.02
        use = ok & (np.abs(error) < 2.5 * spread)
    return np.exp(np.einsum("ijk,k->ij", terms, answer))


def _share(what: np.ndarray, ok: np.ndarray) -> float:
    return float(np.count_nonzero(what & ok)) / max(int(np.count_nonzero(ok)), 1)
