"""Sentences about playing and writing, in a good teacher's tone: what happened, and which finger made it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fingering.holes import FINGERS
from fingering.notes import NOTES, E, F

if TYPE_CHECKING:
    from collections.abc import Sequence

    from host.music.blame import Blame
    from host.music.expectation import Wanted


def a_note(note: int) -> str:
    """`a low A`, `an E`."""
    return f"{'an' if note in (E, F) else 'a'} {NOTES[note]}"


def the_finger(finger: int) -> str:
    """`the thumb`, `the bottom little finger`."""
    return "the thumb" if finger == 0 else f"the {FINGERS[finger]} finger"


def _fingers(fingers: Sequence[int]) -> str:
    return the_finger(fingers[0]) if len(fingers) == 1 else "the others"


def wrong(note: int, played: int) -> str:
    """Another note than written."""
    return f"{NOTES[played]} instead of {NOTES[note]}."


def missed(note: int) -> str:
    """A note that was not played."""
    return f"{NOTES[note]} was left out."


def extra(played: int) -> str:
    """A note that is not written."""
    return f"A{a_note(played)[1:]} that is not written."


def repeated(played: int) -> str:
    """The note just played once more."""
    return f"{NOTES[played]} twice."


def went_back(here: Wanted | None, there: Wanted) -> str:
    """A restart."""
    if there.bar is None or here is None or here.bar is None:
        return f"You stopped and went back to {NOTES[there.note]}."
    if here.bar == there.bar:
        return f"You stopped in bar {here.bar} and took it up again from {NOTES[there.note]}."
    return f"You stopped in bar {here.bar} and went back to {NOTES[there.note]} in bar {there.bar}."


def left_out(here: Wanted | None, there: Wanted) -> str:
    """A jump on."""
    begins = "You began" if here is None else "You went on"
    return f"{begins} with {NOTES[there.note]}{'' if there.bar is None else f' in bar {there.bar}'}."


def stray(change: tuple[int, int], played: int, found: Blame | None) -> str:
    """A slow stray note, and the finger that made it."""
    between = f"From {NOTES[change[0]]} to {NOTES[change[1]]}"
    if found is None:
        return f"{between} {a_note(played)} sounded in between."
    finger = the_finger(found.finger)
    if found.how == "idle":
        return f"{between} {finger} takes no part, but it moved: {a_note(played)} sounded."
    if found.how == "early":
        return f"{between} {finger} went before {_fingers(found.others)}: {a_note(played)} sounded."
    return f"{between} {finger} came after {_fingers(found.others)}: {a_note(played)} sounded."


def idle(from_note: int, to_note: int, finger: int, lifted: bool) -> str:
    """A finger that takes no part, and is out of place from there on."""
    did = "came off its hole and stayed off" if lifted else "came down and stayed down"
    return f"From {NOTES[from_note]} to {NOTES[to_note]} {the_finger(finger)} takes no part, but it {did}."


def slipped(from_note: int, to_note: int, finger: int, lifted: bool) -> str:
    """A finger that takes no part, moved and came back."""
    did = "lifted" if lifted else "came down"
    return f"From {NOTES[from_note]} to {NOTES[to_note]} {the_finger(finger)} takes no part, but it {did} for a moment."
