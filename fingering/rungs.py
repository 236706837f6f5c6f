"""One rung of the ladder: what it trains, in which order its fingers move, its music, how it is passed.

A rung trains a row of notes, there and back; most train one pair. The two directions of a change are separate things to
learn: each has its own order of fingers and its own count.

Its music is the row there and back slowly, then again with rungs below mixed in, as ABC 2.1 with K:HP: quarter and half
notes, no grace notes, and no note twice in a row (repeated notes need a grace note between them). Where what is mixed
in shares no note, a rest stands between: set the fingers anew.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from fingering.holes import FINGERS, TOP_HAND
from fingering.moves import SCATTER_US, difficulty, move
from fingering.notes import ABC_LETTERS, NOTES

BEATS = 4  # in a bar
UNITS = 4  # how often the row is gone through in the mixed part

# A note (None for a rest) and its length in beats.
Sound = tuple[int | None, int]

Group = Literal["one note", "one hand", "both hands", "crossing", "embellishment"]
GROUPS: tuple[Group, ...] = ("one note", "one hand", "both hands", "crossing", "embellishment")

MOST_MIXED = 3

# How far apart the fingers of a change may move where a player does not choose (from memory).
STAGE_US = 25_000
# How many clean ones in a row pass a rung, and how many do when it comes back another day. Our own choice.
NEEDED, NEEDED_AGAIN = 10, 5
PASSED = "Ten clean changes in a row each way, the fingers together within {:g} ms."
PASSED_ONE_NOTE = (
    "Ten times in a row, hands off and on again: {note}, with every hole that it covers sealed, held while you count "
    "to four."
)
PASSED_MOVEMENT = "Ten in a row as they are written, {}."
PASSED_TOO = " Uncertain ones do not count. Another day it comes back once, with five in a row."


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung. `key` is its name for machines, `notes` the row of notes (0 to 8) that it goes through and back.

    `difficulty` is that of its hardest change. `mixes` are the keys of rungs below that its music mixes in. `own` tells
    that a teacher's file wrote the music. Where it trains embellishments, `movements` are the names of those that
    count, `needs` the keys of the rungs of embellishments that come first, `tempo` how many times as long as skilled
    ones its notes may be (None: any length).
    """

    key: str
    name: str
    notes: tuple[int, ...]
    group: Group
    difficulty: float
    trains: str
    mixes: tuple[str, ...]
    abc: str
    passed: str
    own: bool = False
    movements: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    tempo: float | None = None

    @property
    def out(self) -> tuple[tuple[int, int], ...]:
        """Its changes on the way out, as (from, to); none for a note alone."""
        return tuple(pairwise(self.notes))

    @property
    def back(self) -> tuple[tuple[int, int], ...]:
        """Its changes on the way back."""
        return tuple(pairwise(self.notes[::-1]))


def make_rung(
    notes: Sequence[int],
    below: Sequence[Rung],
    scatter_us: int = SCATTER_US,
    *,
    key: str | None = None,
    name: str | None = None,
    trains: str | None = None,
    mix: Sequence[str] | None = None,
    abc: str | None = None,
) -> Rung:
    """A rung on top of those `below`; whatever is not given is derived from its notes.

    Without `mix`, up to three rungs below that share an end note are mixed in: the latest at either end, and the
    earliest, to rest on; where none shares one, the latest. Neighbouring notes must differ.
    """
    row = tuple(notes)
    name = name or rung_name(row)
    mixed = _mixed(row, below) if mix is None else [rung for wanted in mix for rung in below if rung.key == wanted]
    hardest = max((difficulty(a, b, scatter_us) for a, b in pairwise(row)), default=0.0)
    return Rung(
        key or rung_key(row),
        name,
        row,
        group_of(row),
        hardest,
        trains or _trains(row),
        tuple(rung.key for rung in mixed),
        abc or rung_abc(row, [rung.notes for rung in mixed], len(below) + 1, name),
        passed_words(row),
        abc is not None,
    )


def passed_words(notes: Sequence[int], stage_us: int = STAGE_US) -> str:
    """What passes the rung of a row of notes."""
    one_note = PASSED_ONE_NOTE.format(note=NOTES[notes[0]])
    return (one_note if len(notes) == 1 else PASSED.format(stage_us / 1_000)) + PASSED_TOO


def movement_passed_words(tempo: float | None) -> str:
    """What passes a rung of embellishments, by how slow it may be."""
    slowest = "at any tempo" if tempo is None else f"the notes at most {tempo:g} times as long as skilled ones"
    return PASSED_MOVEMENT.format(slowest) + PASSED_TOO


def rung_key(notes: Sequence[int]) -> str:
    """The key that a row of notes has unless it is given another: `low-a-e`."""
    return "-".join(NOTES[note].replace(" ", "-").lower() for note in notes)


def rung_name(notes: Sequence[int]) -> str:
    """The name that a row of notes has unless it is given another: `low A and E`."""
    names = [NOTES[note] for note in notes]
    return f"{names[0]} alone" if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def group_of(notes: Sequence[int]) -> Group:
    """Which part of the ladder a row of notes belongs to: that of its hardest kind of change."""
    return max((_group(a, b) for a, b in pairwise(notes)), key=GROUPS.index, default="one note")


def _group(from_note: int, to_note: int) -> Group:
    change = move(from_note, to_note)
    if change.way == "crossing":
        return "crossing"
    return "one hand" if len({bool(1 << finger & TOP_HAND) for finger in change.fingers}) == 1 else "both hands"


def _mixed(notes: tuple[int, ...], below: Sequence[Rung]) -> list[Rung]:
    """The rungs below to mix in, latest first, then the earliest."""
    known = [rung for rung in below if rung.notes != notes]
    start = [rung for rung in known if mixable(notes, rung.notes, notes[0])]
    turn = [rung for rung in known if mixable(notes, rung.notes, notes[-1])]
    rows = [rung for rung in known if len(rung.notes) > 1]
    restful = [rung for rung in rows if rung in start or rung in turn]
    chosen = [*start[-1:], *turn[-1:], *restful[:1]] or rows[-1:]
    return list(dict.fromkeys(chosen))[:MOST_MIXED]


def _trains(notes: tuple[int, ...]) -> str:
    if len(notes) == 1:
        return f"{NOTES[notes[0]]}, held, with every hole that it covers sealed."
    if len(notes) > 2:
        return f"{', '.join(NOTES[note] for note in notes)}, and back the same way."
    change = move(notes[0], notes[1])
    way = f"{NOTES[notes[0]]} to {NOTES[notes[1]]}, and back"
    if len(change.fingers) == 1:
        return f"{way}: the {FINGERS[change.fingers[0]]} alone."
    count = ("two", "three", "four", "five", "six", "seven", "eight")[len(change.fingers) - 2]
    hands = {
        "one hand": f"{count} fingers of one hand, all the same way",
        "both hands": f"{count} fingers of both hands, all the same way",
        "crossing": f"{count} fingers, some down while others come up",
    }
    return f"{way}: {hands[group_of(notes)]}."


def mixable(notes: Sequence[int], mixed: Sequence[int], at: int) -> bool:
    """Whether a row can be mixed into the music of another at one of its end notes."""
    if at not in (notes[0], notes[-1]) or at not in mixed:
        return False
    # A note alone is mixed in by holding it, which needs the room of a pair.
    return len(notes) == 2 if len(mixed) == 1 else True


def rung_abc(notes: Sequence[int], mixed: Sequence[Sequence[int]], number: int, title: str) -> str:
    """The music of a row of notes as ABC text, with the rows in `mixed` mixed in."""
    head = abc_head(title, number)
    if len(notes) == 1:
        held = _even([notes[0], None] * 2, BEATS)
        return f"{head}|: {_bars(held)} :|\n{_bars([(notes[0], 4)])} |]\n"
    cycle = [*notes, *notes[-2:0:-1]]
    slow = _even(cycle * max(1, 8 // len(cycle)), 2)
    return f"{head}|: {_bars(slow)} :|\n|: {_bars(_mixture(notes, cycle, mixed))} :|\n{_bars([(notes[0], 4)])} |]\n"


def notes_abc(notes: Sequence[int], title: str) -> str:
    """Notes of one beat each as ABC text, for whatever is played once through; no two neighbours are the same."""
    return f"{abc_head(title)}{_bars(_even(notes, 1))} |]\n"


def abc_head(title: str, number: int = 1) -> str:
    """What stands before the notes of a rung's ABC."""
    return f"X:{number}\nT:{title}\nM:4/4\nL:1/4\nK:HP\n"


def _mixture(notes: Sequence[int], cycle: list[int], mixed: Sequence[Sequence[int]]) -> list[Sound]:
    units = [unit for row in mixed for unit in _units(notes, cycle, row)]
    if units:
        return [sound for place in range(UNITS) for sound in units[place % len(units)]]
    if not mixed:
        return _even(cycle * UNITS, 1)
    rested: list[Sound] = []
    for row in (notes, *mixed):
        again = [*row, *row[-2:0:-1]] if len(row) > 1 else []
        rested += [*_even(again * 2, 1), (row[0], 2), (None, 2)]
    return rested


def _units(notes: Sequence[int], cycle: list[int], row: Sequence[int]) -> list[list[Sound]]:
    """The row of notes once through, with a step out of another row where they meet: at the start, or at the turn."""
    start, turn, at = notes[0], notes[-1], len(notes)
    if mixable(notes, row, start):
        return [[(start, 3), (turn, 1)] if len(row) == 1 else _even([*cycle, start, _neighbour(row, start)], 1)]
    if mixable(notes, row, turn):
        if len(row) == 1:
            return [[(start, 1), (turn, 3)]]
        return [_even([*cycle[:at], _neighbour(row, turn), turn, *cycle[at:]], 1)]
    return []


def _even(notes: Sequence[int | None], beats: int) -> list[Sound]:
    return [(note, beats) for note in notes]


def _neighbour(row: Sequence[int], note: int) -> int:
    at = row.index(note)
    return row[at + 1] if at + 1 < len(row) else row[at - 1]


def _bars(sounds: Sequence[Sound]) -> str:
    """Notes and rests as ABC, a bar line wherever a bar is full."""
    bars: list[str] = []
    beat, bar = 0, ""
    for note, length in sounds:
        letter = "z" if note is None else ABC_LETTERS[note]
        bar += f"{' ' if bar else ''}{letter}{'' if length == 1 else length}"
        beat += length
        if beat % BEATS == 0:
            bars.append(bar)
            bar = ""
    return " | ".join([*bars, bar] if bar else bars)
