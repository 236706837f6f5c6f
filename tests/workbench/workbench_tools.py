"""A rehearsed calibration as the workbench takes it, shared by its tests."""

from __future__ import annotations

from fingerlead.workbench.samples import PLAN, Span, Taken
from tests.workbench.raw_faults import FULL_SCALE, Rehearsed, rehearse


def taken_of(played: Rehearsed) -> Taken:
    spans = tuple(Span(kind, hole, *rows) for (kind, hole), rows in zip(PLAN, played.steps, strict=True))
    return Taken(played.t_us, played.samples, spans, FULL_SCALE)


def calibration(seed: int, fault=None, **how) -> tuple[Taken, tuple[int, ...]]:
    played = rehearse(PLAN, seed, fault, **how)
    return taken_of(played), played.holes
