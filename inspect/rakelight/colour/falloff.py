"""What is lamp, what is slab: the lamp's light over the face in a soft-light photo.

Catalogue: `find_falloff`, which picks the best of four ways that the shooting allows:

========  ==========================================  ===========================================
basis     from                                        what it cannot tell
========  ==========================================  ===========================================
flat      a photo of a white sheet in the same light  hardly anything
turned    a second photo, slab turned by 180 degrees  a tone that is symmetric about the middle
papers    pieces of one white paper on the face       the same, and what lies between few papers
model     the face itself, a smooth low-order light   any slow drift: it is taken for the lamp
========  ==========================================  ===========================================
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..core.errors import ColourError
from ..core.settings import ColourSettings
from .balance import Blocks, Shoot, average_cells, average_middle, read_pixels, reduce_face

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)
FIT_CELL_MM = 10.0
"""Side of the cells the smooth light is fitted to (our choice: many per blotch, few in all)."""
FLAT_BLUR_MM = 25.0
"""A sheet's own texture is smoothed over this distance (our choice)."""
FLAT_END_SD = 0.005
"""Standard uncertainty of a sheet's light from end to end, natural log (our choice)."""
TINT_LEAST = 0.05
"""A sheet's tint that changes by less over the face is rounding of the JPEG, not mixed light (natural log)."""
PAPER_SD = 0.01
"""Standard uncertainty of the light off one paper, natural log (our choice: tilt and creases)."""
MODEL_SHARE = 0.6
"""Uncertainty of a modelled end-to-end change as a share of it (our choice, made-up lamps)."""

EVEN_TERMS = ((2, 0), (1, 1), (0, 2), (4, 0), (2, 2), (0, 4))
ODD_TERMS = ((1, 0), (0, 1), (3, 0), (2, 1), (1, 2), (0, 3))
PLANE_TERMS = ((1, 0), (0, 1))
MOST_POWER = 4
"""Powers of (u, v), the place scaled to -1..1. A turned slab flips the sign of the odd ones."""


@dataclass(frozen=True, slots=True)
class Falloff:
    """The lamp's light over the face.

    light : float32 (rows, cols, 3) on the grid of the blocks, geometric mean 1; basis : flat,
    turned, papers or model; end_sd : standard uncertainty of its change from left to right and
    from top to bottom (natural log); end_change : that change itself, as divided out.
    """

    light: np.ndarray
    basis: str
    end_sd: tuple[float, float]
    end_change: tuple[float, float]

    @property
    def separates_drift(self) -> bool:
        """Whether a slow drift of the slab can be told from the lamp."""
        return self.basis != "model"


def find_falloff(
    blocks: Blocks,
    shoot: Shoot,
    *,
    face=None,
    settings: ColourSettings | None = None,
    threads: int = 2,
) -> Falloff:
    """Return the lamp's light over the face by the best way the shooting allows.

    Parameters
    ----------
    blocks : the soft-light photo, from `reduce_face`.
    shoot : may hold a white-sheet photo, a photo with the slab turned, or white papers.
    face : the mapped photo itself; needed for papers only.
    threads : for the pixel work.

    Returns
    -------
    Falloff, never NaN.

    Errors of the answer
    --------------------
    With `flat` about 0.5 % from end to end. `turned` is exact for one-sided light; symmetric
    light is still modelled. `model` takes any slow drift of tone for the lamp: the change it
    took out is in `end_change`, and `end_sd` is what a soft lamp may well do.

    Source
    ------
    Flat-field division: common practice, no source; the turned pair and the model: our choice.
    """
    settings = settings or ColourSettings()
    if shoot.flat is not None:
        return _read_flat(blocks, reduce_like(shoot.flat, blocks, "white sheet", settings, threads=threads))
    if shoot.turned is not None:
        return _compare_turned(blocks, reduce_like(shoot.turned, blocks, "turned slab", settings, threads=threads))
    if len(shoot.papers) >= 3 and face is not None:
        return _read_papers(blocks, face, shoot.papers)
    even = _fit_face(blocks, np.log(luminance(blocks)), ODD_TERMS + EVEN_TERMS)
    found = _make_falloff(even[:, :, None], "model", (0.0, 0.0))
    # A lamp that falls off much is also less well known.
    sd = tuple(max(settings.lamp_end_change, MODEL_SHARE * abs(change)) for change in found.end_change)
    return replace(found, end_sd=sd)


def luminance(blocks: Blocks) -> np.ndarray:
    """Return the linear luminance (rows, cols) of the blocks, never zero."""
    return np.maximum(blocks.linear @ LUMINANCE, np.float32(1e-5))


def reduce_like(
    face, blocks: Blocks, name: str, settings: ColourSettings, *, threads: int = 2
) -> Blocks:
    """Return another photo of the same face on the grid of `blocks`."""
    other = reduce_face(face, settings=settings, threads=threads)
    rows, cols = blocks.clean.shape
    size_gap = np.abs(np.array(other.clean.shape) * other.block_mm - np.array([rows, cols]) * blocks.block_mm)
    if size_gap.max() > 4 * blocks.block_mm:
        raise ColourError(f"Map the photo of the {name} to the same face as the colour photo: their sizes differ.")
    linear = cv2.resize(other.linear, (cols, rows), interpolation=cv2.INTER_LINEAR)
    clean = cv2.resize(other.clean.astype(np.uint8), (cols, rows), interpolation=cv2.INTER_NEAREST)
    clean = clean.astype(bool)
    return Blocks(linear, clean, blocks.block_mm, clean)


def _read_flat(blocks: Blocks, flat: Blocks) -> Falloff:
    if flat.clean.mean() < 0.3:
        raise ColourError("Let the white sheet fill the frame and expose it so that it is not blown out.")
    sigma = FLAT_BLUR_MM / blocks.block_mm
    weight = cv2.GaussianBlur(flat.clean.astype(np.float32), (0, 0), sigma)
    log_y = np.where(flat.clean, np.log(luminance(flat)), 0).astype(np.float32)
    smooth = cv2.GaussianBlur(log_y, (0, 0), sigma) / np.maximum(weight, 1e-6)
    wide = _fit_face(flat, np.log(luminance(flat)), ODD_TERMS + EVEN_TERMS)
    # Far from any sheet the smooth surface through all of it speaks instead.
    log_light = np.where(weight > 0.05, smooth, wide)[:, :, None] + _fit_tint(flat)
    return _make_falloff(log_light, "flat", (FLAT_END_SD, FLAT_END_SD))


def _fit_tint(blocks: Blocks) -> np.ndarray:
    """Return the smooth log ratio (rows, cols, 3) of each channel to the luminance, 0 for one lamp."""
    log_y = np.log(luminance(blocks))
    log_rgb = np.log(np.maximum(blocks.linear, 1e-5))
    tint = np.stack([_fit_face(blocks, log_rgb[:, :, k] - log_y, PLANE_TERMS) for k in range(3)], axis=2)
    tint -= tint.mean(axis=(0, 1))
    return tint if np.ptp(tint, axis=(0, 1)).max() > TINT_LEAST else np.zeros_like(tint)


def _compare_turned(blocks: Blocks, turned: Blocks) -> Falloff:
    both = replace(blocks, clean=blocks.clean & turned.clean)
    if both.clean.mean() < 0.2:
        raise ColourError("The two photos of the turned slab hardly overlap: map both to the same face.")
    gap = (np.log(luminance(both)) - np.log(luminance(turned))) / 2
    odd = _fit_face(both, gap, ODD_TERMS)
    odd = odd - odd.mean()
    rest = np.log(luminance(blocks)) - odd
    # The slab's own one-sided drift is fitted along with the even light, and left in.
    even = _fit_face(blocks, rest, EVEN_TERMS + ODD_TERMS, keep=EVEN_TERMS)
    return _make_falloff((odd + even)[:, :, None], "turned", (FLAT_END_SD, FLAT_END_SD))


def _read_papers(blocks: Blocks, face, papers) -> Falloff:
    places, lights = [], []
    for rect in papers:
        places.append((rect[0] + rect[2] / 2, rect[1] + rect[3] / 2))
        lights.append(average_middle(read_pixels(face, rect, "white paper")) @ LUMINANCE)
    u, v = (2 * np.array(places) / np.array(face.size_mm) - 1).T
    grid_u, grid_v = _grid(blocks.clean.shape)
    terms = np.column_stack([np.ones_like(u), u, v])
    if np.linalg.matrix_rank(terms, tol=0.3) < 3:
        raise ColourError("Lay the white papers apart, not in one line: three corners of the face are best.")
    rest = np.log(luminance(blocks))
    even = _fit_face(blocks, rest, EVEN_TERMS + ODD_TERMS, keep=EVEN_TERMS)
    log_papers = np.log(np.maximum(lights, 1e-5)) - _sample(even, u, v)
    plane, *_ = np.linalg.lstsq(terms, log_papers, rcond=None)
    sd = np.sqrt(np.diag(np.linalg.inv(terms.T @ terms))) * PAPER_SD
    log_light = even + plane[1] * grid_u + plane[2] * grid_v
    return _make_falloff(log_light[:, :, None], "papers", (2 * float(sd[1]), 2 * float(sd[2])))


def _sample(surface: np.ndarray, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    rows, cols = surface.shape
    row = np.clip(((v + 1) / 2 * rows).astype(int), 0, rows - 1)
    return surface[row, np.clip(((u + 1) / 2 * cols).astype(int), 0, cols - 1)]


def _make_falloff(log_light: np.ndarray, basis: str, end_sd: tuple[float, float]) -> Falloff:
    log_light = log_light - log_light.mean(axis=(0, 1), keepdims=True)
    plain = log_light.mean(axis=2) if log_light.shape[2] > 1 else log_light[:, :, 0]
    u, v = _grid(plain.shape)
    # Light is one-sided when it goes with the place: slope by least squares, times the length.
    change = tuple(2 * float((plain * axis).mean() / np.square(axis).mean()) for axis in (u, v))
    light = np.broadcast_to(np.exp(log_light.astype(np.float32)), (*plain.shape, 3)).copy()
    return Falloff(light, basis, end_sd, change)


def _grid(shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return u and v (rows, cols): the place on the face from -1 to 1, centres of blocks."""
    rows, cols = shape
    u = (2 * np.arange(cols, dtype=np.float32) + 1) / cols - 1
    v = (2 * np.arange(rows, dtype=np.float32) + 1) / rows - 1
    return np.broadcast_to(u[None, :], shape), np.broadcast_to(v[:, None], shape)


def _raise_powers(u: np.ndarray, v: np.ndarray, terms) -> np.ndarray:
    return np.stack([u**i * v**j for i, j in ((0, 0), *terms)], axis=-1)


def _fit_face(blocks: Blocks, log_values: np.ndarray, terms, *, keep=None) -> np.ndarray:
    """Return a smooth surface (rows, cols) fitted robustly to the clean face.

    `keep` names the terms of the answer when only some of the fitted ones are wanted.
    """
    step = max(round(FIT_CELL_MM / blocks.block_mm), 1)
    step = max(min(step, min(blocks.clean.shape) // 8), 1)
    values, share = average_cells(blocks.clean, log_values, step)
    across, down = _grid(blocks.clean.shape)
    u, v = np.meshgrid(_average_runs(across[0], step), _average_runs(down[:, 0], step))
    matrix = _raise_powers(u, v, terms)[share > 0.5]
    if len(matrix) < 3 * matrix.shape[1]:
        raise ColourError("Too little clean face is seen to read its tone: show more of the slab.")
    weights = _fit_robustly(matrix.astype(np.float64), values[share > 0.5].astype(np.float64))
    wanted = terms if keep is None else keep
    chosen = np.array([True, *(term in wanted for term in terms)])
    u, v = _grid(blocks.clean.shape)
    # Powers of v times weights times powers of u: three small tables instead of one surface per term.
    table = np.zeros((MOST_POWER + 1, MOST_POWER + 1))
    for weight, (i, j) in zip(weights[chosen], np.array([(0, 0), *terms])[chosen], strict=True):
        table[j, i] = weight
    powers = np.arange(MOST_POWER + 1)
    return (v[:, :1].astype(float) ** powers @ table @ (u[:1].T.astype(float) ** powers).T).astype(np.float32)


def _average_runs(values: np.ndarray, step: int) -> np.ndarray:
    """Return the means of every `step` values in a row; a rest is not used."""
    return values[: len(values) // step * step].reshape(-1, step).mean(axis=1)


def _fit_robustly(matrix: np.ndarray, values: np.ndarray, n_rounds: int = 8) -> np.ndarray:
    """Return least-squares weights with Tukey's biweight, so that blotches do not steer the light."""
    trust = np.ones(len(values))
    for _ in range(n_rounds):
        root = trust[:, None]
        weights = np.linalg.solve(
            matrix.T @ (root * matrix) + 1e-9 * np.eye(matrix.shape[1]), matrix.T @ (trust * values)
        )
        rest = values - matrix @ weights
        limit = 4.685 * 1.4826 * max(float(np.median(np.abs(rest))), 1e-6)
        trust = np.square(np.clip(1 - np.square(rest / limit), 0, 1))
    return weights
