"""The chance of each state, from everything that two surveys say together.

Three kinds of evidence are multiplied: what the light in the mouth says of its depth in both
photos, what the two listed depths say where there is no picture, and whether the later survey
listed a pit there, given what it could show. How common each state is on this face is learned
from the face itself, starting from a weak guess.
"""

from dataclasses import dataclass

import numpy as np

from ..core.settings import CompareSettings
from .hollow import Mouths, read_mouths, weigh_new, weigh_states
from .pair import Pair, depth_share

OPEN, DISHED, CLOSED = range(3)
STATE_NAMES = np.array(["open", "dished", "closed"])
NEW, OLD, NO_PIT = range(3)

DISH_SIGHT = 0.85
"""Chance that a sunk fill is listed, against an open pit of its size (our choice, made-up pits)."""
STRAY_SHARE, STRAY_SHARE_BLIND = 0.05, 0.005
"""Chance that a survey lists a pit on a filled place by mistake, where its picture can be asked and
where it cannot: there the list has the last word (our choice)."""
MISSED_LEAST = 0.02
"""However large a pit, a survey may have missed it with at least this chance (our choice)."""
PRIOR_COUNT = 10.0
"""How many pits the guess at how common a state is weighs (our choice)."""
CLOSED_THOUGH_LISTED = 0.5
"""A place where a pit is still listed is called closed only above this chance."""

OPEN_DEPTH_SD = 0.45
DISH_DEPTH_SD = 0.7
NO_SHADOW_SD = 0.35
"""Spread of ln(depth after / depth before) for an open pit and for a sunk fill, and of the depth
at which a shadow vanishes (our choice; depth from one lamp is good to about a third)."""


@dataclass(frozen=True, slots=True)
class PairMouths:
    """The light in both photos at the earlier pits (n,) and at the later pits without partner (m,)."""

    earlier_before: Mouths
    earlier_after: Mouths
    later_before: Mouths
    later_after: Mouths


def read_pair(pair: Pair) -> PairMouths:
    """Return the mouths of all places of two surveys; each face is flattened once."""
    was, now, alone = pair.before.pits, pair.after.pits, pair.alone
    names = ["x_mm", "y_mm", "diameter_mm"]
    earlier_mm, later_mm = was[names].to_numpy(float), now[names].to_numpy(float)[alone]
    size_mm = np.concatenate([earlier_mm[:, 2], later_mm[:, 2]])
    before_mm = np.vstack([earlier_mm[:, :2], pair.back_mm[alone]])
    after_mm = np.vstack([pair.expected_mm, later_mm[:, :2]])
    before = read_mouths(pair.before, *before_mm.T, size_mm)
    after = read_mouths(pair.after, *after_mm.T, size_mm)
    earlier, later = slice(0, len(was)), slice(len(was), None)
    return PairMouths(
        before.take(earlier), after.take(earlier), before.take(later), after.take(later)
    )


def judge_earlier(
    pair: Pair, mouths: PairMouths, *, settings: CompareSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return state (n,) and chance (n,) of every pit of the earlier survey.

    A pit that is not listed later and that the later photo could not have shown is unseen. How
    deep a listed one is now is not read from a photo that shows nothing to be relied on.
    """
    chance = chance_of_states(pair, mouths, settings=settings)
    is_found = pair.is_found
    hollow = chance.copy()
    hollow[is_found & (chance[:, CLOSED] < CLOSED_THOUGH_LISTED), CLOSED] = 0
    hollow[is_found & (pair.after_sight.reason == "photo"), DISHED] = 0
    state = STATE_NAMES[hollow.argmax(axis=1)].astype(object)
    confidence = chance[np.arange(len(chance)), hollow.argmax(axis=1)] * _chance_real(pair)
    unseen = pair.after_sight.is_blind & ~is_found
    state[unseen] = "unseen"
    confidence[unseen] = 1 - pair.after_sight.chance[unseen]
    return state, confidence


def judge_later(pair: Pair, mouths: PairMouths) -> tuple[np.ndarray, np.ndarray]:
    """Return state (m,) and chance (m,) of the later pits without an earlier partner.

    new : not there before; open : there before, though not listed; unseen : nothing is claimed,
    because the earlier photo could not have shown it or it may be no pit.
    """
    alone = pair.alone
    chance = chance_of_new(pair, mouths)
    blind = pair.before_sight.is_blind[alone]
    best = chance.max(axis=1, initial=0)
    state = np.where(
        chance[:, NEW] == best, "new", np.where(chance[:, OLD] == best, "open", "unseen")
    )
    state = np.where(blind | (best < 0.5), "unseen", state)
    confidence = np.where(blind, 1 - pair.before_sight.chance[alone], best)
    return state.astype(object), confidence


def chance_of_states(pair: Pair, mouths: PairMouths, *, settings: CompareSettings) -> np.ndarray:
    """Return the chance (n, 3) of open, dished and closed for every earlier pit."""
    before, after = mouths.earlier_before, mouths.earlier_after
    weight = weigh_states(before, after, settings=settings, is_listed=pair.is_found)
    known = before.is_known & after.is_known
    weight += _weigh_listed_depths(pair, ~known, settings)
    weight += _weigh_listing(pair, np.where(known, STRAY_SHARE, STRAY_SHARE_BLIND))
    hollow = 0.5
    prior = np.array([hollow * (1 - settings.dish_share), hollow * settings.dish_share, 1 - hollow])
    return learn_shares(weight, prior * PRIOR_COUNT, rows=~pair.after_sight.is_blind)


def chance_of_new(pair: Pair, mouths: PairMouths) -> np.ndarray:
    """Return the chance (m, 3) of new, there before and no pit for the later pits without partner.

    A confidence that was right for all listed pits is too high among those that only one survey
    lists; the share of false ones among them is learned with the rest.
    """
    alone, now = pair.alone, pair.after.pits
    before, after = mouths.later_before, mouths.later_after
    weight = weigh_new(before, after)
    missed = 1 - pair.before_sight.chance
    mean_missed = max(float(np.mean(missed)) if len(missed) else 0.0, MISSED_LEAST)
    weight[:, OLD] += np.log(np.maximum(missed[alone], MISSED_LEAST) / mean_missed)
    _trust_marks(weight, pair.before_mark[alone], before, after)
    sure = np.clip(now["confidence"].to_numpy(float), 0.005, 0.995)
    n_real, n_false = float(np.sum(sure)), float(np.sum(1 - sure))
    # How much less likely this confidence is for a real pit than for a false one.
    weight[:, NO_PIT] += np.log((1 - sure[alone]) / sure[alone] * n_real / max(n_false, 1e-9))
    n_old = len(pair.match.after) * mean_missed
    # What appeared beyond what was missed and what is false is what is new.
    n_new = max(len(alone) - n_old - n_false, 1.0)
    return learn_shares(weight, np.array([n_new, n_old + 0.1, n_false + 0.1]))


def learn_shares(
    weight: np.ndarray, prior: np.ndarray, *, rows: np.ndarray | None = None
) -> np.ndarray:
    """Return the chance (n, k) of each kind from log-weights, the kinds' shares learned with them.

    prior : (k,) counts that the shares start from. rows : which to learn from; default all.

    Source: expectation and maximisation of a mixture, Dempster, Laird and Rubin, 1977 (from memory).
    """
    weight = weight - weight.max(axis=1, keepdims=True, initial=-np.inf)
    chance, shares = np.exp(weight), prior / prior.sum()
    rows = np.ones(len(weight), bool) if rows is None else rows
    for _ in range(50):
        part = chance * shares
        part /= part.sum(axis=1, keepdims=True)
        shares = (part[rows].sum(axis=0) + prior) / (np.count_nonzero(rows) + prior.sum())
    return part if len(weight) else np.zeros((0, len(prior)))


def _chance_real(pair: Pair) -> np.ndarray:
    """Chance that each earlier pit is one, and that it was paired rightly."""
    real = pair.before.pits["confidence"].to_numpy(float).copy()
    match = pair.match
    later = pair.after.pits["confidence"].to_numpy(float)[match.after]
    real[match.before] = (1 - (1 - real[match.before]) * (1 - later)) * match.chance
    return real


def _weigh_listing(pair: Pair, stray: np.ndarray) -> np.ndarray:
    """Log-chance (n, 3) that the later survey lists, or does not list, a pit there."""
    seen = np.clip(pair.after_sight.chance, 0, 1 - MISSED_LEAST)
    listed = np.column_stack([seen, DISH_SIGHT * seen, stray])
    listed = np.clip(listed, 1e-3, 1 - 1e-3)
    return np.log(np.where(pair.is_found[:, None], listed, 1 - listed))


def _weigh_listed_depths(pair: Pair, rows: np.ndarray, settings: CompareSettings) -> np.ndarray:
    """Log-evidence (n, 3) of the listed depths of paired pits, for the rows that have no picture.

    A later pit without any shadow is shallower than the depth at which a cap loses its shadow
    under that lamp. Where neither survey knows a depth, nothing is said.
    """
    from scipy.stats import norm

    match, now = pair.match, pair.after.pits.iloc[pair.match.after]
    weight = np.zeros((len(pair.before.pits), 3))
    _, angle_deg = pair.after.lamp.at_pit(now["x_mm"].to_numpy(), now["y_mm"].to_numpy())
    was = np.log(depth_share(pair.before.pits.iloc[match.before]))
    shift = np.log(depth_share(now)) - was
    limit = np.log(np.tan(np.radians(angle_deg) / 2) / 2) - was
    dish = np.log(settings.dish_depth_share)
    spread = np.hypot(NO_SHADOW_SD, [OPEN_DEPTH_SD, DISH_DEPTH_SD])
    known = np.column_stack(
        [norm.logpdf(shift, 0, OPEN_DEPTH_SD), norm.logpdf(shift, dish, DISH_DEPTH_SD)]
    )
    faded = np.column_stack([norm.logcdf(limit, 0, spread[0]), norm.logcdf(limit, dish, spread[1])])
    said = np.where(np.isfinite(known), known, np.where(np.isfinite(faded), faded, 0.0))
    # Deeper than before is never a fill.
    said[shift > 0, 1] = np.minimum(said[shift > 0, 1], said[shift > 0, 0] + np.log(0.1))
    weight[match.before, :2] = said - said.max(axis=1, keepdims=True, initial=-np.inf)
    weight[~rows] = 0
    return weight


def _trust_marks(weight: np.ndarray, is_marked: np.ndarray, before: Mouths, after: Mouths) -> None:
    """Where there is no picture, what the earlier survey listed as something else was there before."""
    blank = ~(before.is_known & after.is_known)
    weight[is_marked & blank, NEW] += np.log(STRAY_SHARE_BLIND)
