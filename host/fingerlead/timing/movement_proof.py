"""Which finger made a fault in a movement: the one whose edge, put right, is proven to mend it.

Each finger that may have been it is tried: its edges are edited in the take, and the take is read and judged anew, as
any playing is. It is proven where this fault is gone and no other has come; it is told where that holds of one finger
alone.
"""

from collections.abc import Generator, Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np

from fingering.holes import HOLES
from fingering.notes import SOUNDING
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.timing.edge_errors import EdgeErrors
from fingerlead.timing.kernel import take_of
from fingerlead.timing.moved_edges import HELD_US, Edges, Toggle, edges_of, toggles
from fingerlead.timing.movement_faults import FoundFault, JudgedTake, Timeline, judge
from fingerlead.timing.movement_takes import MovementTake
from fingerlead.timing.movement_tempo import range_us
from fingerlead.timing.notes import Rules

# A note that the table gives no length is put in as long as this.
ANY_LENGTH_US = 40_000
NO_DOUBTS = np.zeros((0, 2), dtype=np.int64)


def finger_of(
    found: FoundFault, judgement: JudgedTake, take: MovementTake, timeline: Timeline, rules: Rules
) -> Generator[None, None, int | None]:
    """The only finger that is proven to have made a fault; None where there is none, or more than one.

    A generator, which stops after each finger that it has tried: a proof may take longer than live playing can wait.
    """
    first, last = take.first - timeline.before, take.last - timeline.before + 1
    edges = zip(timeline.edge_us[first:last].tolist(), timeline.covered[first:last].tolist(), strict=True)
    moves = toggles(take.from_mask, edges)
    # Edges that have moved have no slope of their own: all are as uncertain as the least certain one.
    errors = EdgeErrors(round(max(timeline.unsure_us(judgement.sounds), default=0.0)))
    timeline = replace(timeline, errors=errors)
    proven: set[int] = set()
    for finger, mended in _mends(found, judgement, take, moves):
        if finger not in proven and len(proven) < 2:
            if _helps(found, judgement, take, mended, timeline, rules):
                proven.add(finger)
            yield
    if len(proven) != 1:
        return None
    (finger,) = proven
    return finger if _alone(finger, found, judgement, moves) else None


def _alone(finger: int, found: FoundFault, judgement: JudgedTake, moves: list[Toggle]) -> bool:
    """Whether a proven finger is the only one that can have made a fault.

    Of fingers that move at one time no edge can say whether one was early or the others late. So a finger that moves
    where a note is missing is not told; and of a note too short or too long none that is not alone at each end of it,
    but for the one that makes the note by its own stroke. Of a stray it is the one that comes alone, where others came
    together at its other end: of two that came one after the other either was out of turn.
    """
    sounds = judgement.sounds
    ends, near_us = [found.begins_us(sounds)], ANY_LENGTH_US // 2
    if found.fault.kind in ("crushed", "dragged", "swallowed", "stray inside"):
        ends.append(sounds[found.at].end_us)
    elif found.fault.kind != "missing":
        return True
    if found.fault.kind == "stray inside":
        near_us = min(near_us, sounds[found.at].length_us // 2)
    movers = [{one for moved_us, one in moves if abs(moved_us - at_us) <= near_us} for at_us in ends]
    match found.fault.kind:
        case "missing":
            return finger not in movers[0]
        case "stray inside":
            alone, together = sorted(movers, key=len)
            return alone == {finger} and len(together) > 1 and finger not in together
        case _:
            return all(finger in each for each in movers) or all(len(each) == 1 for each in movers)


def _mends(
    found: FoundFault, judgement: JudgedTake, take: MovementTake, moves: list[Toggle]
) -> Iterator[tuple[int, list[Toggle]]]:
    """What to try: a finger, and the moves with its own put right."""
    fault, sounds, form = found.fault, judgement.sounds, judgement.form
    role = form.roles[fault.note] if form.roles and fault.note < len(form.roles) else None
    shortest_us, longest_us = range_us(role, judgement.tempo) if role else (ANY_LENGTH_US, ANY_LENGTH_US)
    length_us = round((shortest_us * min(longest_us, 4 * shortest_us)) ** 0.5)
    match fault.kind:
        case "crushed" | "dragged" | "swallowed":
            sound = sounds[found.at]
            yield from _lasting(moves, sound.start_us, sound.end_us, length_us)
        case "missing":
            note = form.notes[fault.note]
            at_us = found.begins_us(sounds)
            # Before the next note, after the last one, or in the middle of one that should have been two.
            starts = [at_us - length_us, at_us]
            starts += [(one.start_us + one.end_us - length_us) // 2 for one in sounds[max(found.at - 1, 0) : found.at]]
            for start_us in starts:
                for finger, put_in in _put_in(moves, take, start_us, start_us + length_us, note):
                    yield finger, put_in
                    # It stayed where it was, and moved too late.
                    late = next((one for one in sorted(moves) if one[1] == finger and one[0] > start_us), None)
                    if late is not None:
                        yield finger, [*(one for one in moves if one != late), (start_us, finger)]
        case "wrong note":
            sound = sounds[found.at]
            yield from _put_in(moves, take, sound.start_us, sound.end_us, form.notes[fault.note])
        case "extra catch":
            sound = sounds[found.at]
            yield from _put_in(moves, take, sound.start_us, sound.end_us, None)
        case "stray inside":
            sound = sounds[found.at]
            yield from _moved(moves, sound.start_us, sound.end_us)
            yield from _moved(moves, sound.end_us, sound.start_us)
        case "false fingering":
            sound = sounds[found.at]
            yield from _put_in(moves, take, sound.start_us, sound.end_us, sound.note)
        case _:
            return


def _lasting(moves: list[Toggle], start_us: int, end_us: int, length_us: int) -> Iterator[tuple[int, list[Toggle]]]:
    """What sounds from a time to another, made to last so long by the finger that begins it or the one that ends it.

    Where one finger does both, what comes after is later or sooner by as much: no other note gives its time.
    """
    fingers = [{finger for at_us, finger in moves if at_us == time_us} for time_us in (start_us, end_us)]
    if fingers[0] == fingers[1] and len(fingers[0]) == 1:
        by_us = length_us - (end_us - start_us)
        yield min(fingers[0]), [(at_us + by_us * (at_us >= end_us), finger) for at_us, finger in moves]
        return
    yield from _moved(moves, end_us, start_us + length_us)
    yield from _moved(moves, start_us, end_us - length_us)


def _moved(moves: list[Toggle], from_us: int, to_us: int) -> Iterator[tuple[int, list[Toggle]]]:
    """The fingers that move at a time, each moved to another time, where it does not move meanwhile."""
    for finger in {finger for at_us, finger in moves if at_us == from_us}:
        others = [(at_us, one) for at_us, one in moves if (at_us, one) != (from_us, finger)]
        low_us, high_us = min(from_us, to_us), max(from_us, to_us)
        if not any(one == finger and low_us <= at_us <= high_us for at_us, one in others):
            yield finger, [*others, (to_us, finger)]


def _put_in(
    moves: list[Toggle], take: MovementTake, start_us: int, end_us: int, note: int | None
) -> Iterator[tuple[int, list[Toggle]]]:
    """Each finger put the other way from a time to another, where that sounds a note (None: any other than now)."""
    mask = take.from_mask
    for at_us, finger in moves:
        mask ^= (at_us <= start_us) << finger
    for finger in range(HOLES):
        sounds = SOUNDING[mask ^ 1 << finger]
        if sounds == note if note is not None else sounds != SOUNDING[mask]:
            yield finger, [*moves, (start_us, finger), (end_us, finger)]


def _helps(
    found: FoundFault, judgement: JudgedTake, take: MovementTake, moves: list[Toggle], timeline: Timeline, rules: Rules
) -> bool:
    """Whether the mended take, read and judged anew, is the movement without this fault, and without a new one.

    The time that a mend takes from one note goes to another: that this one is too long then is none.
    """
    edges = edges_of(take.from_mask, moves)
    if not edges or edges[-1][1] != take.to_mask:
        return False
    again = _judged_again(edges, judgement, take, timeline, rules)
    if again is None:
        return False
    new = {one.key for one in again.faults} - {one.key for one in judgement.faults if one.key != found.key}
    return found.key not in new and all(kind in ("dragged", "uneven") for kind, _ in new)


def _judged_again(
    edges: Edges, judgement: JudgedTake, take: MovementTake, timeline: Timeline, rules: Rules
) -> JudgedTake | None:
    """A take of its own read against the form that it was taken for, and judged; None where it is not that movement."""
    begin_us = edges[0][0] - HELD_US
    ends_us = [0, *(at_us - begin_us for at_us, _ in edges), edges[-1][0] + HELD_US - begin_us]
    edge_us = np.array(ends_us, dtype=np.int64)
    covered = np.array([take.from_mask, *(mask for _, mask in edges)], dtype=np.uint8)
    meant = _meant(take.from_note, take.to_note, judgement.form.notes)
    found = take_of(edge_us, covered, replace(rules, errors=timeline.errors, doubts=NO_DOUBTS, musics=(meant,)))
    if found is None:
        return None
    found = found._replace(forms=(judgement.form,))
    return judge(found, replace(timeline, edge_us=edge_us, covered=covered, before=0))


@lru_cache(maxsize=1 << 10)
def _meant(from_note: int, to_note: int, graces: tuple[int, ...]) -> Music:
    return Music((WrittenNote(from_note), WrittenNote(to_note, graces)))
