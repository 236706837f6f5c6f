"""The movements of a part, judged: their verdicts and faults, with the finger where that is proven.

Batch and live both put each settled part through `judge_movements`.
"""

from collections.abc import Generator, Hashable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fingering.notes import ABC_LETTERS
from fingerlead.timing.kernel import Part
from fingerlead.timing.movement_faults import Timeline, judge
from fingerlead.timing.movement_proof import finger_of
from fingerlead.timing.movement_takes import MovementTake
from fingerlead.timing.movement_tempo import AROUND, note_tempos, pace_before, tempo_ratio
from fingerlead.timing.notes import Rules
from fingerlead.timing.results import PlayedMovement

# A movement that is being judged, one finger after the other.
Judging = Generator[None, None, PlayedMovement]
# What was said before of movements, or is about to be: of each as it was read, on the same grounds.
Known = dict[tuple[PlayedMovement, MovementTake, Hashable], PlayedMovement | Judging]


def judge_movements(
    part: Part,
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
    rules: Rules,
    edges_before: int = 0,
    known: Known | None = None,
    *,
    before: Sequence[PlayedMovement] = (),
    at_once: bool = True,
) -> bool:
    """Judge the movements of a part in place, and say whether all are; the timeline is given from `edges_before` on.

    `before` are the movements of the parts before, of the last AROUND at least.
    What is `known` already is not judged anew, and what is found joins it. Not `at_once`: no more than one finger is
    tried; to be called again until all are judged.
    """
    if not part.takes:
        return True
    settings = rules.settings
    timeline = Timeline(
        edge_us, covered, edges_before, rules.errors, rules.geometry, settings.heard_us, settings.bounce_us
    )
    for place, take in enumerate(part.takes):
        if take is None:
            continue
        movement = part.movements[place]
        around = [*before, *part.movements[max(place - AROUND, 0) : place]]
        timeline = replace(timeline, pace=pace_before(movement, around))
        judged: PlayedMovement | Judging = _judging(movement, take, timeline, rules)
        if known is not None:
            key = movement, take, timeline.grounds(take)
            judged = known.setdefault(key, judged)
        while not isinstance(judged, PlayedMovement):
            try:
                next(judged)
            except StopIteration as over:
                judged = over.value
            else:
                if not at_once:
                    return False
        if known is not None:
            known[key] = judged
        part.movements[place], part.takes[place] = judged, None
    part.takes.clear()
    return True


def _judging(movement: PlayedMovement, take: MovementTake, timeline: Timeline, rules: Rules) -> Judging:
    judgement = judge(take, timeline)
    if movement.verdict == "left out" and not any(one.fault.kind == "swallowed" for one in judgement.faults):
        return movement
    faults = []
    for one in judgement.faults:
        finger = yield from finger_of(one, judgement, take, timeline, rules)
        faults.append(one.fault._replace(finger=finger))
    verdict = movement.verdict
    if verdict != "unwritten":
        verdict = "faulty" if faults else "as written" if judgement.sure else "unclear"
    return replace(
        movement,
        verdict=verdict,
        variant="".join(ABC_LETTERS[note] for note in judgement.form.notes),
        tempo_ratio=tempo_ratio(judgement.notes),
        tempos=note_tempos(judgement.notes),
        faults=tuple(faults),
    )
