"""What a movement is judged by: all that sounded between its two melody notes, and the forms that are right there.

A take is cut out by the kernel beside each movement that it tells. Notes are 0 to 8, times are integer µs.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from fingering.movements import Movement, Repertoire, Role
from fingerlead.reading.between import STANDARD


class Sound(NamedTuple):
    """An unbroken sounding note within a movement, heard or not, with the mask that settled it."""

    note: int
    start_us: int
    end_us: int
    mask: int
    heard: bool

    @property
    def length_us(self) -> int:
        """How long it sounds."""
        return self.end_us - self.start_us


class AcceptedForm(NamedTuple):
    """Notes that are right; `roles` is empty where the table knows none of them."""

    notes: tuple[int, ...]
    roles: tuple[Role, ...] = ()


class MovementTake(NamedTuple):
    """A movement as it sounded: `forms` are right there, `first` to `last` the edges from the one that leaves the first
    melody note's settled mask to the one that reaches the second's.
    """

    from_note: int
    to_note: int
    from_mask: int
    to_mask: int
    first: int
    last: int
    sounds: tuple[Sound, ...]
    forms: tuple[AcceptedForm, ...]


@lru_cache(maxsize=1 << 12)
def written_forms(
    from_note: int, to_note: int, graces: tuple[int, ...], known: Repertoire = STANDARD
) -> tuple[AcceptedForm, ...]:
    """All that is right where grace notes are written: these, and every form of each movement that sounds like them."""
    fitting = known.fitting(from_note, to_note)
    named = [m for m in fitting if graces in _heard(m, from_note, to_note)]
    form = known.between(from_note, to_note).get(graces)
    names = [form.movement.name, *(m.name for m in named)] if form else [m.name for m in named]
    found = [m for name in dict.fromkeys(names) for m in fitting if m.name == name]
    if form is not None:
        found.sort(key=lambda m: m != form.movement)
    accepted = [AcceptedForm(m.notes, m.roles) for m in found]
    if form is None:
        return tuple(accepted) or (AcceptedForm(graces),)
    if form.left_out:
        # What the music leaves out of a form is not missing.
        both = zip(form.movement.notes, form.movement.roles, strict=True)
        accepted.append(AcceptedForm(graces, tuple(role for note, role in both if note in graces)))
    return tuple(accepted)


@lru_cache(maxsize=1 << 12)
def played_forms(
    movement: Movement, from_note: int, to_note: int, known: Repertoire = STANDARD
) -> tuple[AcceptedForm, ...]:
    """The form that was recognised where nothing is written, and others that sound alike there."""
    alike = [m for m in known.fitting(from_note, to_note) if m.notes == movement.notes and m != movement]
    return tuple(AcceptedForm(m.notes, m.roles) for m in (movement, *alike))


def joined(sounds: Sequence[Sound]) -> list[Sound]:
    """Sounds in order, one note that only something unheard interrupts being one sound."""
    found: list[Sound] = []
    for sound in sounds:
        heard = next((place for place in range(len(found) - 1, -1, -1) if found[place].heard), None)
        if sound.heard and heard is not None and found[heard].note == sound.note:
            found[heard:] = [found[heard]._replace(end_us=sound.end_us)]
        else:
            found.append(sound)
    return found


def _heard(movement: Movement, from_note: int, to_note: int) -> set[tuple[int, ...]]:
    """What a form may sound like: a first note that sounds already, and a last that merges, are none of their own."""
    notes = movement.notes
    first, last = notes[0] == from_note, notes[-1] == to_note
    return {notes[begin : len(notes) - end] for begin, end in ((0, 0), (first, 0), (0, last), (first, last))}
