"""`python -m tests.embellishments.ideal`: how much of crushed, dragged and uneven any judge could tell.

It knows how the players here are made, and nothing of the program: of each movement the likelihood of its lengths, well
played against each planted fault, over all paces. It tells what so few of the well played ones look as much like that 2
in 100 of these are blamed. Where edges are only as sure as the program is told, so much noise is added to them, and the
judge knows that too.
"""

from __future__ import annotations

import numpy as np

from tests.embellishments.faults import KINDS, TOO_LONG_US, TOO_SHORT_US, UNSURE_US, is_free
from tests.embellishments.measures import TEMPI_US, row_of
from tests.embellishments.planted import Try, recital

BLAMED = 0.02
DRAWS = 600
SCATTER_US = 4_000.0
# Of one edge; that of a length is twice its standard deviation, at both its edges.
EDGE_US = UNSURE_US / 2 / 2**0.5
LENGTHS = {"crushed": ((0.35, 0.42), TOO_SHORT_US), "dragged": ((2.6, 3.2), TOO_LONG_US)}


def well_played(one: Try, tempo_us: tuple[int, int], random: np.random.Generator) -> np.ndarray:
    """Lengths of its notes in so many ways of playing it well, before the fingers scatter: [way, note] in µs."""
    grace_us, inner_us = tempo_us
    pace = random.uniform(0.88, 1.12, DRAWS) * random.uniform(0.92, 1.08, DRAWS)
    catch = random.uniform(1, 1.25, DRAWS)
    rows = []
    for at, (sound, hand) in enumerate(one.written.shapes):
        lasts_us = pace * random.uniform(0.96, 1.04, DRAWS) * (inner_us if sound == hand else grace_us)
        if sound == hand == 0:
            held = (at == 0 and "throw" in one.written.name) & (random.random(DRAWS) < 0.2)
            lasts_us = lasts_us * catch * np.where(held, random.uniform(1.3, 2, DRAWS), 1)
        if one.written.name == "cadence" and sound == hand:
            lasts_us = random.uniform(250_000, 700_000, DRAWS)
        rows.append(lasts_us)
    return np.stack(rows, axis=1)


def likelihood(lengths_us: np.ndarray, planned_us: np.ndarray, edge_us: float) -> float:
    """The logarithm of the mean likelihood of some lengths: an edge that is late makes one longer, the next shorter."""
    count = len(lengths_us)
    noise = edge_us**2 * (2 * np.eye(count) - np.eye(count, k=1) - np.eye(count, k=-1))
    off = lengths_us - planned_us
    logs = -0.5 * (np.einsum("ki,ij,kj->k", off, np.linalg.inv(noise), off) + np.linalg.slogdet(noise)[1])
    return float(logs.max() + np.log(np.exp(logs - logs.max()).mean()))


def for_each_fault(
    one: Try, lengths_us: np.ndarray, tempo_us: tuple[int, int], edge_us: float, random: np.random.Generator
) -> dict[tuple[str, tuple[int, ...]], float]:
    """How much likelier the lengths are for each kind of fault, at each of its places, than well played."""
    well_us = well_played(one, tempo_us, random)
    well = likelihood(lengths_us, well_us, edge_us)
    free = [at for at in range(len(one.steps)) if is_free(one.written, one.steps, at)]
    found = {}
    for kind, (factor, bounds_us) in LENGTHS.items():
        for at in free:
            us = well_us.copy()
            us[:, at] *= random.uniform(*factor, DRAWS)
            us[:, at] = random.uniform(*bounds_us, DRAWS) if len(one.steps) < 3 else np.maximum(us[:, at], 12_000)
            found[kind, (at,)] = likelihood(lengths_us, us, edge_us) - well - float(np.log(len(free)))
    catches = [at for at in free if one.steps[at].hole == 8] if len(one.steps) > 2 else []
    pairs = [(a, b) for a in catches for b in catches if a != b and one.steps[a].sound == one.steps[b].sound]
    for short, long in pairs:
        us = well_us.copy()
        us[:, short] *= 0.58
        us[:, long] *= 1.55
        found["uneven", (short, long)] = likelihood(lengths_us, us, edge_us) - well - float(np.log(len(pairs)))
    return found


def judged(way: str, count: int, tempo_us: tuple[int, int], seed: int, unsure_us: float) -> list[tuple[float, bool]]:
    """Of each try how sure it is that something is wrong, and whether the likeliest fault is the planted one."""
    random, found = np.random.default_rng(seed), []
    for one in recital(way, count, *tempo_us, seed).tries:
        row = row_of(one)
        if (way == "well" and not one.is_well) or not row or [note for note, _ in row] != [s.sound for s in one.steps]:
            continue
        lengths_us = np.array([us for _, us in row]) + np.diff(random.normal(0, unsure_us, len(row) + 1))
        faults = for_each_fault(one, lengths_us, tempo_us, float(np.hypot(SCATTER_US, unsure_us)), random)
        if not faults:
            found.append((-np.inf, False))
            continue
        kind, places = max(faults, key=lambda key: faults[key])
        named = one.fault is not None and kind == one.fault.kind and any(one.steps[at].marked for at in places)
        found.append((faults[kind, places], named))
    return found


def shares(count: int, tempo_us: tuple[int, int], seed: int, unsure_us: float) -> dict[str, float]:
    """The share of each kind that is told for what it is, where at most BLAMED of well played movements are blamed."""
    well = [sure for sure, _ in judged("well", 3 * count, tempo_us, seed, unsure_us)]
    limit = float(np.quantile(well, 1 - BLAMED))
    kinds = [kind for kind in (*KINDS, "barely uneven") if kind in (*LENGTHS, "uneven", "barely uneven")]
    return {
        kind: float(np.mean([named and sure > limit for sure, named in judged(kind, count, tempo_us, seed, unsure_us)]))
        for kind in kinds
    }


def main() -> None:
    for tempo_us in TEMPI_US:
        for words, unsure_us in (("edges exact", 0.0), ("edges as sure as told", EDGE_US)):
            found = shares(200, tempo_us, 13, unsure_us)
            told = ", ".join(f"{kind} {share:.1%}" for kind, share in found.items())
            print(f"{tempo_us[0] // 1_000:>3}/{tempo_us[1] // 1_000:<4} {words:<22} {told}", flush=True)


if __name__ == "__main__":
    main()
