"""How clear differences are: evenings dealt out anew between two sides, all changes at once.

Question: of all differences between the evenings before a day and those since, which would hardly come by chance?
Conventions: arrays have a row for each evening, those before the day first, and a column for each change or movement;
shares and chances from 0 to 1.

If nothing changed, an evening could as well have been on the other side of the day: all are dealt out anew, thousands
of times, and a difference counts where few of those deals show one as clear *in any of the changes*. What was not
played on an evening stays so, wherever the evening is dealt.

Sources: the permutation test (R. A. Fisher, The Design of Experiments, 1935, section 21); several at once by the
step-down smallest chance (P. H. Westfall and S. S. Young, Resampling-Based Multiple Testing, 1993, algorithm 2.8);
drawn deals with the true one among them (B. Phipson and G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 9, 2010); the
spread of shares beyond the binomial one by moments (J. C. Kleinman, JASA 68, 1973).
"""

import math
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from fingerlead.timing.worth import CONFIDENCE, log_choose

Counts = NDArray[np.int64]
Numbers = NDArray[np.float64]
Flags = NDArray[np.bool_]

# All deals are looked at where there are no more than so many, else as many are drawn, always the same.
MOST_DEALS = 5_000
# After so many it is known of most pupils that nothing is clear.
FIRST_DEALS, FAR_FROM_CLEAR = 1_000, 0.2
SEED = 17
FINE = 2.0**40


def distances(tried: Counts, astray: Counts) -> Numbers:
    """How far the share of each evening lies from that of all, against how far chance would bring it; 0 where nothing
    was played.

    A share of three wanders further than one of forty: measured so, evenings can be dealt to either side.
    """
    played, share = tried > 0, astray.sum(0) / tried.sum(0)
    even = share * (1 - share)
    often = np.maximum(tried, 1)
    off = np.where(played, astray / often - share, 0.0)
    variance = even / often + wander(tried, off, even) * (often - 1) / often
    far = off / np.sqrt(variance)
    return np.where(played, far - far.sum(0) / played.sum(0), 0.0)


def wander(tried: Counts, off: Numbers, even: Numbers) -> Numbers:
    """By how much more than by chance shares vary from evening to evening: a variance for each change, 0 at least."""
    beyond = (off * off * tried * tried).sum(0) - even * tried.sum(0)
    found: Numbers = np.maximum(beyond, 0) / np.maximum((tried * (tried - 1)).sum(0), 1)
    return np.minimum(found, even)


def adjusted_chances(far: Numbers, tried: Counts, astray: Counts, before: int) -> Numbers:
    """For each change the chance of a difference as clear in any of them, were the evenings dealt out anew.

    Where evenings are of very different lengths, what is clear by the evenings must be so by the single changes too.
    """
    evenings, after = len(far), len(far) - before
    for most in (FIRST_DEALS, MOST_DEALS):
        chances = own_chances(far, tried > 0, deals(evenings, after, most))
        found = step_down(chances)
        if found.min() > FAR_FROM_CLEAR or math.comb(evenings, after) <= most:
            break
    clear = np.flatnonzero(found <= 1 - CONFIDENCE).tolist()
    sums = (astray[:before], tried[:before], astray[before:], tried[before:])
    gone, of, gone_since, of_since = (each.sum(0).tolist() for each in sums)
    for at in clear:
        alone = middle_fisher((gone[at], of[at]), (gone_since[at], of_since[at]))
        chances[at, 0] = max(chances[at, 0], alone)
    return step_down(chances) if clear else found


def middle_fisher(before: tuple[int, int], after: tuple[int, int]) -> float:
    """The chance of shares (astray, of) at least as unlikely if each change was on its own: Fisher's, by the middle.

    What is just as unlikely counts half (H. O. Lancaster, JASA 56, 1961).
    """
    (astray, drawn), count = before, before[1] + after[1]
    all_astray = astray + after[0]
    low, high = max(0, drawn - (count - all_astray)), min(drawn, all_astray)
    whole = log_choose(count, drawn)
    logs = [log_choose(all_astray, k) + log_choose(count - all_astray, drawn - k) - whole for k in range(low, high + 1)]
    here = logs[astray - low]
    return math.fsum(math.exp(log) * (0.5 if abs(log - here) < 1e-7 else log < here) for log in logs)


@lru_cache(maxsize=64)
def deals(evenings: int, after: int, most: int) -> NDArray[np.int8]:
    """Ways to deal out some evenings, `after` of them to the later side (1): all, or `most`; the true one is first."""
    if math.comb(evenings, after) <= most:
        chosen = np.array(list(combinations(reversed(range(evenings)), after)), np.intp)
    else:
        drawn = np.random.default_rng(SEED).random((most, evenings))
        drawn[0] = np.arange(evenings)[::-1]
        chosen = np.argsort(drawn, axis=1)[:, :after]
    found = np.zeros((len(chosen), evenings), np.int8)
    np.put_along_axis(found, chosen, 1, axis=1)
    return found


def own_chances(far: Numbers, played: Flags, dealt: NDArray[np.int8]) -> Numbers:
    """For each change (a row) and deal the share of deals with as great a difference; the true one is first."""
    # Whole numbers add up to the same in any order, and on any machine.
    whole, later = np.rint(far.T * FINE), dealt.astype(np.float64)
    sums = np.array([later @ row for row in whole]) / FINE
    count, there = played.sum(0)[:, np.newaxis], np.array([later @ row for row in played.T.astype(np.float64)])
    apart = sums * sums * count / np.maximum(there * (count - there), 0.5)
    # Sums of rounded numbers differ in their last figures.
    chances: Numbers = 1 - _ranks(np.round(apart, 7)) / len(dealt)
    return chances


def _ranks(apart: Numbers) -> Counts:
    """How many of each row are smaller."""
    order = np.argsort(apart, axis=1)
    ordered = np.take_along_axis(apart, order, axis=1)
    smaller = np.zeros(apart.shape, np.int64)
    found = np.empty_like(smaller)
    smaller[:, 1:] = np.where(ordered[:, 1:] != ordered[:, :-1], np.arange(1, apart.shape[1]), 0)
    np.put_along_axis(found, order, np.maximum.accumulate(smaller, axis=1), axis=1)
    return found


def step_down(chances: Numbers) -> Numbers:
    """The chance that of all changes that are no clearer any is as clear as each (Westfall and Young)."""
    order = np.argsort(chances[:, 0], kind="stable")
    least = np.minimum.accumulate(chances[order[::-1]], axis=0)[::-1]
    adjusted = (least <= chances[order, :1] + 1e-9).mean(axis=1)
    found = np.empty(len(order))
    found[order] = np.maximum.accumulate(adjusted)
    return found
