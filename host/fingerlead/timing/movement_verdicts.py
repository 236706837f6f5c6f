"""The movements of a part, judged: their verdicts and faults, with the finger where that is proven.

Batch and live both put each settled part through `judge_movements`, once.
"""

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


def judge_movements(
    part: Part, edge_us: NDArray[np.int64], covered: NDArray[np.uint8], rules: Rules, edges_before: int = 0
) -> None:
    """Judge the movements of a part in place; the timeline is given from edge number `edges_before` on."""
    if not part.movements:
        return
    settings = rules.settings
    timeline = Timeline(
        edge_us, covered, edges_before, rules.errors, rules.geometry, settings.heard_us, settings.bounce_us
    )
    part.movements[:] = [
        movement if take is None else _judged(movement, take, timeline, rules)
        for movement, take in zip(part.movements, part.takes, strict=True)
    ]
    part.takes[:] = []


def _judged(movement: PlayedMovement, take: MovementTake, timeline: Timeline, rules: Rules) -> PlayedMovement:
    judgement = judge(take, timeline)
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
