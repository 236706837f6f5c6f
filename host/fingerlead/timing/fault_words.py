"""A movement's faults as a teacher says them: which note, what became of it, what to try.

A note is named within the form of the movement that it was taken for, "the second low G" where there are several.
Advice stands beside a finger only where that is proven to mend it.
"""

from fingering.holes import top_open_hole
from fingering.notes import ABC_LETTERS, NOTES, a_note
from fingering.table import standard_table
from fingerlead.phrases import capital
from fingerlead.timing.findings import finger_name, ms
from fingerlead.timing.results import MovementFault, PlayedMovement

ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth")


def fault_sentence(movement: PlayedMovement, fault: MovementFault) -> str:
    """A fault with its movement: `Taorluath: the second low G is missing; the bottom index stayed up.`"""
    return f"{capital(movement.name)}: {fault_words(movement, fault)}"


def fault_words(movement: PlayedMovement, fault: MovementFault) -> str:
    """A fault of a movement, in a sentence or two without a capital."""
    form = tuple(map(ABC_LETTERS.index, movement.variant or ""))
    note, size, finger = note_name(form, fault.note), ms(fault.size_us), fault.finger
    here, after = (_after(movement, form, place) for place in (fault.note, fault.note + 1))
    match fault.kind:
        case "missing":
            stayed = "" if finger is None else f"; {finger_name(finger)} stayed {_stayed(form[fault.note], finger)}"
            return f"{note} is missing{stayed}. {capital(_sound(form[fault.note], finger, after))}."
        case "swallowed":
            return f"{note} is swallowed: it sounds for {size}, too short to be heard.{_longer(finger)}"
        case "crushed":
            return f"{note} is crushed: it sounds for {size}.{_longer(finger)}"
        case "dragged":
            shorter = "" if finger is None else f" Move {finger_name(finger)} there and straight back."
            return f"{note} is dragged: it sounds for {size}.{shorter}"
        case "uneven":
            return f"{note} is uneven with the others like it: it sounds for {size}. Play them equally long."
        case "wrong note":
            assert fault.sounded is not None
            by = "" if finger is None else f"; it is {finger_name(finger)}"
            return f"{a_note(fault.sounded)} sounds in place of {note}{by}."
        case "extra catch":
            assert fault.sounded is not None
            by = "" if finger is None else f"; {finger_name(finger)} moves once too often"
            return f"{a_note(fault.sounded)} too many sounds before {here}, for {size}{by}."
        case "stray inside":
            assert fault.sounded is not None
            by = "" if finger is None else f"; {finger_name(finger)} is out of turn"
            return f"{a_note(fault.sounded)} sounds on the way to {here}, for {size}{by}."
        case "false fingering":
            by = "" if finger is None else f"; look to {finger_name(finger)}"
            return f"{note} sounds right, with wrong fingers{by}."
        case "early" | "late":
            return f"it comes {size} {'ahead of' if fault.kind == 'early' else 'after'} the beat."


def note_name(form: tuple[int, ...], place: int) -> str:
    """A note of a form: `the E`, or `the second low G` where it has several."""
    if place >= len(form):
        return "what follows"
    note, which = form[place], form[:place].count(form[place])
    ordinal = f"{ORDINALS[which]} " if form.count(note) > 1 else ""
    return f"the {ordinal}{NOTES[note]}"


def _after(movement: PlayedMovement, form: tuple[int, ...], place: int) -> str:
    """The note at a place of a form, or the melody note after it."""
    return note_name(form, place) if place < len(form) else f"the {NOTES[movement.to_note]}"


def _stayed(note: int, finger: int) -> str:
    """What a finger did that was to make a note sound, and did not."""
    return "down" if finger == top_open_hole(standard_table().standard[note]) else "up"


def _sound(note: int, finger: int | None, after: str) -> str:
    if note == 0:
        return f"close fully before {after}"
    if finger is None:
        return f"let it sound before {after}"
    return f"{'lift' if _stayed(note, finger) == 'down' else 'lower'} {finger_name(finger)} before {after}"


def _longer(finger: int | None) -> str:
    return "" if finger is None else f" Give {finger_name(finger)} time for it."
