"""What may sound between two melody notes: strays of the direct change, an embellishment, or a note out of place.

Question: given the notes that sounded between two melody notes, in order, what explains them? Everything here depends
on notes alone, and is worked out once for each row of notes; lengths are weighed by the reader.

Geometry: strays are the third notes that the change's own fingers can sound by moving apart. An embellishment is
matched by sound: as the table has it, without its first note where that is the note that sounds already, and without
its last where that is the note it leads to. A short stray between its notes is told apart from them.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import Literal

from fingering.movements import Movement, Repertoire, standard_repertoire
from fingering.moves import possible_strays
from fingerlead.reading.costs import LONGEST_INNER_US, NEVER, Tariff

Kind = Literal["direct", "strays", "movement", "extra"]

# Strays within one embellishment; more, and it is not told as that embellishment.
MOST_INSIDE = 2
LONGEST_MOVEMENT = 9  # notes


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why notes sounded: `notes` has the place in them of each note of the `movement`, the others are strays.

    `cost` is what it costs before lengths are weighed. `missing` counts notes of a written movement that do not sound.
    """

    kind: Kind
    cost: int
    movement: Movement | None = None
    notes: tuple[int, ...] = ()
    missing: int = 0


STANDARD = standard_repertoire()
DIRECT = Explanation("direct", 0)
# What written grace notes are called that make no movement of the table.
GRACE_NOTES = "grace notes"


def name_of(from_note: int, to_note: int, graces: tuple[int, ...], known: Repertoire = STANDARD) -> str | None:
    """What grace notes that are written between two melody notes are called; None where there are none."""
    form = known.between(from_note, to_note).get(graces)
    return (form.movement.name if form else GRACE_NOTES) if graces else None


@lru_cache(maxsize=256)
def long_on_purpose(movement: Movement) -> Mapping[int, int]:
    """The notes of a movement that may be held at will, as the E of a cadence, and how long at most, in µs."""
    longest_us = [
        (note, round(1_000 * role.learner[1])) for note, role in zip(movement.notes, movement.roles, strict=True)
    ]
    return {note: us for note, us in longest_us if us > LONGEST_INNER_US}


def are_silent(from_note: int, to_note: int, graces: tuple[int, ...]) -> bool:
    """Whether none of the grace notes is a sound of its own: it sounds already, or merges with what follows."""
    return not graces[graces[0] == from_note : len(graces) - (graces[-1] == to_note)]


@lru_cache(maxsize=1 << 16)
def explanations(
    from_note: int,
    to_note: int,
    sounds: tuple[int, ...],
    returned: bool,
    costs: Tariff,
    known: Repertoire = STANDARD,
) -> tuple[Explanation, ...]:
    """Ways to explain what sounded between two melody notes, the cheapest first; none where nothing does.

    `sounds` are the notes in order, no two neighbours alike; `returned` says that some finger moved more often than the
    change asks, without which nothing is an embellishment. `known` are the movements that there are.
    """
    if not sounds:
        return (DIRECT,)
    found = []
    strays = possible_strays(from_note, to_note)
    if from_note != to_note and strays.union((from_note, to_note)).issuperset(sounds):
        third = [note for note in sounds if note in strays]
        if third:
            cost = costs.stray + costs.stray_more * (len(third) - 1) + costs.bounced * (len(sounds) - len(third))
            found.append(Explanation("strays", cost))
    if returned:
        found += _movements(from_note, to_note, sounds, costs, known)
    return tuple(sorted(found, key=lambda one: one.cost))


def _movements(
    from_note: int, to_note: int, sounds: tuple[int, ...], costs: Tariff, known: Repertoire
) -> Iterator[Explanation]:
    forms = known.between(from_note, to_note)
    count = len(sounds)
    for inside in range(min(MOST_INSIDE, count - 1) + 1):
        if count - inside > LONGEST_MOVEMENT:
            continue
        rows = zip(combinations(sounds, count - inside), combinations(range(count), count - inside), strict=True)
        cheapest: Explanation | None = None
        # Of equals, the one whose strays come first.
        for notes, kept in reversed([row for row in rows if row[0] in forms]):
            out = [place for place in range(count) if place not in kept]
            if not all(_may_stray_at(place, kept, sounds, from_note, to_note) for place in out):
                continue
            form = forms[notes]
            cost = costs.movement + costs.inside * inside + costs.left_out * form.left_out
            if cheapest is None or cost < cheapest.cost:
                cheapest = Explanation("movement", cost, form.movement, kept, form.left_out)
        if cheapest is not None:
            yield cheapest
            return


def _may_stray_at(place: int, kept: tuple[int, ...], sounds: tuple[int, ...], from_note: int, to_note: int) -> bool:
    """Whether a sound may be a stray between the kept sounds around it, or of the whole change."""
    before = [at for at in kept if at < place]
    after = [at for at in kept if at > place]
    left = sounds[before[-1]] if before else from_note
    right = sounds[after[0]] if after else to_note
    note = sounds[place]
    # The hand changes to the melody note while the first grace note sounds, so the change's own strays may come later.
    return note in possible_strays(left, right) or note in possible_strays(from_note, to_note) or note == from_note


@lru_cache(maxsize=1 << 14)
def written_explanation(
    from_note: int,
    to_note: int,
    graces: tuple[int, ...],
    sounds: tuple[int, ...],
    costs: Tariff,
    known: Repertoire = STANDARD,
) -> Explanation:
    """How what sounded fits the grace notes that are written there: the cheapest, over all forms of that movement."""
    forms = [graces]
    named = known.between(from_note, to_note).get(graces)
    if named is not None:
        forms += [
            notes
            for notes, form in known.between(from_note, to_note).items()
            if form.movement.name == named.movement.name and not form.left_out
        ]
    movement = named.movement if named else None
    places = tuple(range(len(sounds)))
    # What a sound costs that is none of the written notes: a stray between its neighbours, or a note too many.
    added = [
        costs.inside if _may_stray_at(place, places, sounds, from_note, to_note) else costs.added for place in places
    ]
    tried = (_fitted(_sounding(form, from_note, to_note, sounds), sounds, added, costs) for form in forms)
    cost, missing, notes = min(tried, key=lambda one: one[0])
    return Explanation("movement", cost, movement, notes, missing) if cost < NEVER else Explanation("direct", NEVER)


def places_too_many(why: Explanation, from_note: int, to_note: int, sounds: tuple[int, ...]) -> list[int]:
    """Which of the sounds that are explained as a written embellishment are neither its notes nor strays between."""
    places = tuple(range(len(sounds)))
    left = [place for place in places if place not in why.notes]
    return [place for place in left if not _may_stray_at(place, places, sounds, from_note, to_note)]


def _sounding(form: tuple[int, ...], from_note: int, to_note: int, sounds: tuple[int, ...]) -> tuple[int, ...]:
    """The form without what is no sound of its own: a grace note that sounds already, or that is the note after it."""
    if form and form[0] == from_note and (not sounds or sounds[0] != from_note):
        form = form[1:]
    if form and form[-1] == to_note and (not sounds or sounds[-1] != to_note):
        form = form[:-1]
    return form


# How far sounds fit a form: the cost, how many of its notes do not sound, and which of the sounds are its notes.
_Fit = tuple[int, int, tuple[int, ...]]


def _fitted(form: tuple[int, ...], sounds: tuple[int, ...], added: Sequence[int], costs: Tariff) -> _Fit:
    """The sounds laid against one form by their edit distance; NEVER where none of them fits.

    One note stands for another without fitting where each is all there is, and it is no stray.
    """
    row: list[_Fit] = [(costs.missing * k, k, ()) for k in range(len(form) + 1)]
    for place, (note, more) in enumerate(zip(sounds, added, strict=True)):
        before, row = row, [(row[0][0] + more, row[0][1], row[0][2])]
        for k, wanted in enumerate(form):
            diagonal, above, left = before[k], before[k + 1], row[k]
            best = above[0] + more, above[1], above[2]
            if left[0] + costs.missing < best[0]:
                best = left[0] + costs.missing, left[1] + 1, left[2]
            if wanted == note and diagonal[0] < best[0]:
                best = diagonal[0], diagonal[1], (*diagonal[2], place)
            row.append(best)
    is_other = len(form) == len(sounds) == 1 and added[0] == costs.added
    return row[-1] if row[-1][2] or is_other else (NEVER, 0, ())
