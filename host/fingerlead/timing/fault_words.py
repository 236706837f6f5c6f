"""A movement's faults as a teacher says them: which note, what became of it, what to try.

A note is named within the form that the movement was taken for, "the second low G" where it has several. Advice names a
finger only where that is proven to mend it.
"""

from typing import Literal, NamedTuple

from fingering.holes import top_open_hole
from fingering.movements import FaultKind
from fingering.notes import ABC_LETTERS, LOW_G, NOTES, a_note
from fingering.table import standard_table
from fingerlead.phrases import capital
from fingerlead.timing.measured_words import finger_name, ms
from fingerlead.timing.results import MovementFault, PlayedMovement

ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth")
# Faults of a note's length: that it is uneven besides goes without saying.
_LENGTHS: tuple[FaultKind, ...] = ("swallowed", "crushed", "dragged")


class NotAsWritten(NamedTuple):
    """One thing in a movement that is not as written, without its size: what is counted over many.

    `form` are the notes that it was taken for, as ABC letters, which `note` counts from 0; `sounded` is as in
    `MovementFault`. `instead` names the movement that was played in its place.
    """

    kind: FaultKind | Literal["left out", "another"]
    form: str = ""
    note: int = 0
    sounded: int | None = None
    instead: str = ""


def fault_sentence(movement: PlayedMovement, fault: MovementFault) -> str:
    """A fault with its movement: `Taorluath: the second low G is missing; the bottom index stayed up. ...`"""
    return f"{capital(movement.name)}: {fault_words(movement, fault)}"


def faults_told(movement: PlayedMovement) -> list[str]:
    """The words of all faults that say something of their own."""
    return [fault_words(movement, fault) for fault in _told(movement)]


def not_as_written(movement: PlayedMovement) -> list[NotAsWritten]:
    """All that is not as written in a movement: its faults, that it was left out, or that it was another."""
    if movement.verdict == "left out":
        return [NotAsWritten("left out")]
    other = [NotAsWritten("another", instead=movement.name)] if movement.verdict == "another" else []
    return other + [_named(movement, fault) for fault in _told(movement)]


def fault_name(movement: PlayedMovement, fault: MovementFault) -> str:
    """What became of which note, in short and without a capital: `the second low G is missing`."""
    return short_words(_named(movement, fault), movement.to_note)


def short_words(what: NotAsWritten, to_note: int) -> str:
    """What is not as written in a movement on a note, in short and without a capital."""
    note = _at(to_note, _form(what.form), what.note)
    sounded = "another note" if what.sounded is None else a_note(what.sounded)
    match what.kind:
        case "left out":
            return "it was left out"
        case "another":
            return f"the {what.instead} was played instead"
        case "wrong note":
            return f"{sounded} sounds in place of {note}"
        case "extra catch":
            return f"{sounded} too many sounds before {note}"
        case "stray inside":
            return f"{sounded} sounds on the way to {note}"
        case "false fingering":
            return f"{note} has wrong fingers"
        case "uneven":
            return f"{note} is uneven with the others like it"
        case "early" | "late":
            return f"it comes {what.kind}"
        case _:
            return f"{note} is {what.kind}"


def fault_words(movement: PlayedMovement, fault: MovementFault) -> str:
    """A fault of a movement with its size, and what to try: a sentence or two, the first without a capital."""
    said, size = fault_name(movement, fault), ms(fault.size_us)
    finger, form = fault.finger, _form(movement.variant)
    named = "" if finger is None else finger_name(finger)
    match fault.kind:
        case "missing":
            note, after = form[fault.note], _at(movement.to_note, form, fault.note + 1)
            stayed = "" if finger is None else f"; {named} stayed {_stayed(note, finger)}"
            if not _is_heard_alone(movement, note):
                return f"{said}{stayed}. Play it whole: {', '.join(NOTES[each] for each in form)}."
            return f"{said}{stayed}. {capital(_sound(note, finger, after))}."
        case "swallowed" | "crushed":
            return f"{said}: it sounds for {size}.{f' Give {named} time for it.' if named else ''}"
        case "dragged":
            return f"{said}: it sounds for {size}.{f' Bring {named} back sooner.' if named else ''}"
        case "uneven":
            return f"{said}: it sounds for {size}. Play them equally long."
        case "wrong note" | "false fingering":
            return f"{said}{f'; look to {named}' if named else ''}."
        case "extra catch":
            return f"{said}, for {size}{f'; {named} moves once too often' if named else ''}."
        case "stray inside":
            return f"{said}, for {size}{f'; {named} is out of turn' if named else ''}."
        case "early" | "late":
            return f"{said}, by {size}."


def note_name(form: tuple[int, ...], place: int) -> str:
    """A note of a form: `the E`, or `the second low G` where it has several."""
    note, which = form[place], form[:place].count(form[place])
    ordinal = f"{ORDINALS[min(which, len(ORDINALS) - 1)]} " if form.count(note) > 1 else ""
    return f"the {ordinal}{NOTES[note]}"


def _told(movement: PlayedMovement) -> list[MovementFault]:
    """The faults that say something of their own."""
    lengths = {fault.note for fault in movement.faults if fault.kind in _LENGTHS}
    return [fault for fault in movement.faults if not (fault.kind == "uneven" and fault.note in lengths)]


def _named(movement: PlayedMovement, fault: MovementFault) -> NotAsWritten:
    return NotAsWritten(fault.kind, movement.variant or "", fault.note, fault.sounded)


def _form(letters: str | None) -> tuple[int, ...]:
    return tuple(map(ABC_LETTERS.index, letters or ""))


def _at(to_note: int, form: tuple[int, ...], place: int) -> str:
    """The note at a place of a form, or the melody note after it."""
    return note_name(form, place) if place < len(form) else f"the {NOTES[to_note]}"


def _is_heard_alone(movement: PlayedMovement, note: int) -> bool:
    """Whether a note that is put into what sounded is heard: somewhere it stands beside no note of its own sound."""
    row = [one.note for one in movement.notes]
    return not all(note in row[max(at - 1, 0) : at + 1] for at in range(len(row) + 1))


def _stayed(note: int, finger: int) -> str:
    """What a finger did that was to make a note sound, and did not."""
    return "down" if finger == top_open_hole(standard_table().standard[note]) else "up"


def _sound(note: int, finger: int | None, after: str) -> str:
    if note == LOW_G:
        return f"close fully before {after}"
    if finger is None:
        return f"let it sound before {after}"
    return f"{'lift' if _stayed(note, finger) == 'down' else 'lower'} {finger_name(finger)} before {after}"
