"""A take's edges as the moves of its fingers, and back again: what a proof edits.

Edges are (time in µs, covered mask from then on), as in `Change.edges`.
"""

from collections.abc import Iterable

from fingering.holes import HOLES

# How long the two notes around a take are held in simulation; longer than any length that decides something.
HELD_US = 1_000_000

Edges = tuple[tuple[int, int], ...]
Toggle = tuple[int, int]  # time, finger


def toggles(from_mask: int, edges: Iterable[tuple[int, int]]) -> list[Toggle]:
    """Each finger's moves, as (time, finger), in order of time and finger."""
    found: list[Toggle] = []
    before = from_mask
    for at_us, mask in edges:
        found += [(at_us, finger) for finger in range(HOLES) if (before ^ mask) >> finger & 1]
        before = mask
    return found


def edges_of(from_mask: int, moves: Iterable[Toggle]) -> Edges:
    """The edges that moves make; moves at one time make one edge, and none where they cancel out."""
    masks: dict[int, int] = {}
    mask = from_mask
    for at_us, finger in sorted(moves):
        mask ^= 1 << finger
        masks[at_us] = mask
    edges: list[tuple[int, int]] = []
    before = from_mask
    for at_us, mask in masks.items():
        if mask != before:
            edges.append((at_us, mask))
        before = mask
    return tuple(edges)
