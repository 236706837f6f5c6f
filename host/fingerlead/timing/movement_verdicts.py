"""The movements of a part, judged: their verdicts and faults, with the finger where that is proven.

Batch and live both put each settled part through `judge_movements`.
"""

from collections.abc import Hashable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fingering.notes import ABC_LETTERS
from fingerlead.timing.kernel import Part
from fingerlead.timing.movement_faults import Timeline, judge
from fingerlead.timing.movement_proof import finger_of
from fingerlead.timing.movement_takes import MovementTake
from fingerlead.timing.notes import Rules
from fingerlead.timing.results import PlayedMovement

# What was said before of movements: of each as it was read, on the same grounds.
Known = dict[tuple[PlayedMovement, MovementTake, Hashable], PlayedMovement]


def judge_movements(
    part: Part,
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
    rules: Rules,
    edges_before: int = 0,
    known: Known | None = None,
) -> None:
    """Judge the movements of a part in place; the timeline is given from edge number `edges_before` on.

    What is `known` already is not judged anew, and what is found joins it.
    """
    if not part.movements:
        return
    settings = rules.settings
    timeline = Timeline(
        edge_us, covered, edges_before, rules.errors, rules.geometry, settings.heard_us, settings.bounce_us
    )
    part.movements[:] = [
        movement if take is None else _judged_once(movement, take, timeline, rules, known)
        for movement, take in zip(part.movements, part.takes, strict=True)
    ]
    part.takes[:] = []


def _judged_once(
    movement: PlayedMovement, take: MovementTake, timeline: Timeline, rules: Rules, known: Known | None
) -> PlayedMovement:
    """The movement as it was judged before, else as it is judged now."""
    if known is None:
        return _judged(movement, take, timeline, rules)
    key = movement, take, timeline.grounds(take)
    if key not in known:
        known[key] = _judged(movement, take, timeline, rules)
    return known[key]


def _judged(movement: PlayedMovement, take: MovementTake, timeline: Timeline, rules: Rules) -> PlayedMovement:
    judgement = judge(take, timeline)
    if movement.verdict == "left out" and not any(one.fault.kind == "swallowed" for one in judgement.faults):
        return movement
    faults = tuple(
        one.fault._replace(finger=finger_of(one, judgement, take, timeline, rules)) for one in judgement.faults
    )
    verdict = movement.verdict
    if verdict != "unwritten":
        verdict = "faulty" if faults else "as written" if judgement.sure else "unclear"
    return replace(
        movement,
        verdict=verdict,
        variant="".join(ABC_LETTERS[note] for note in judgement.form.notes),
        tempo_ratio=judgement.tempo_ratio,
        faults=faults,
    )
