"""The embellishments that the players know, each written as the notes that sound and how the hand fingers them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import product
from random import Random

from tests.reading.instrument import LETTERS, third_notes


@dataclass(frozen=True, slots=True)
class Movement:
    """An embellishment between two melody notes: its letters as written, and how its notes are fingered.

    A shape is (note that sounds, note whose fingering the hand has): a D grace note on B is (d, B). A shape of one note
    twice is a note of its own, a catch or an inner melody note, and lasts longer than a grace note.
    """

    name: str
    before: int
    after: int
    written: str
    shapes: tuple[tuple[int, int], ...]

    @property
    def sounds(self) -> tuple[int, ...]:
        """The notes that sound, in order."""
        return tuple(sound for sound, _ in self.shapes)

    @property
    def ambiguous(self) -> bool:
        """Whether the direct change between its melody notes could sound its notes as strays."""
        return set(self.sounds) <= third_notes(self.before, self.after)


def _forms(before: int, after: int) -> Iterator[tuple[str, str]]:
    """Name and notes of every movement between two melody notes.

    A note is one letter, a low G of its own being "G", or two, a D grace note on the fingering of B being "dB". What is
    written and makes no sound of its own, as it sounds already or merges with the note after, stands in parentheses.
    """
    on = LETTERS[after]
    for letter, name in zip("gdefa", ("high G", "D", "E", "F", "high A"), strict=True):
        if after < LETTERS.index(letter) != before:
            yield f"{name} grace note", f"{letter}{on}"

    core = f"{on} {'ddddefgfg'[after]}{on}"
    if after <= 6 and before < 7:
        yield "doubling", f"g{on} {core}"
    if after > 6 and before != after:
        yield "doubling", core
    if after <= 6 and before != after:
        yield "half doubling", core
    if after <= 7 and before < 8:
        yield "thumb doubling", f"a{on} {core}"

    for letter in ("", "G", "G", "G", "Gc", "A", "e", "f", "g")[after]:
        if letter != LETTERS[before]:
            yield "strike", f"{letter}{on}"
        if before != after <= 7:
            yield "half strike", f"{on} {letter}{on}"
        if after <= 6 and before < 7:
            yield "high G strike", f"g{on} {on} {letter}{on}"
        if after <= 7 and before < 8:
            yield "thumb strike", f"a{on} {on} {letter}{on}"

    # From low G the first low G sounds already, be it written or not.
    for first in ("(G) ", "") if before == 0 else ("G ",):
        for grace in "Bd" if before == 4 else "d":
            grip = f"{first}{grace}G G"
            if after != 0:
                yield "grip", grip
            if after < 5:
                yield "taorluath", f"{grip} e{on}"
            if after == 5:
                yield "taorluath", f"{grip} (e)"
                yield "crunluath", f"{grip} eA A fA A"
        if after == 4 != before:
            yield "throw on D", f"{first}dc c"
            yield "heavy throw on D", f"{first}dG G c"
    if after == 5 and before == 0:
        yield "crunluath", "dG G eG G fA A"

    if after == 1:
        yield "birl", "GA A GA" if before == 1 else "A GA A GA"
        if before < 7:
            yield "high G birl", "gA A GA A GA"
        if before < 8:
            yield "thumb birl", "aA A GA A GA"


@cache
def repertoire() -> tuple[Movement, ...]:
    """Every movement that the players know, between every two melody notes that it can stand between."""
    out = []
    for before, after in product(range(9), repeat=2):
        for name, text in _forms(before, after):
            written = "".join(word.strip("()")[0] for word in text.split())
            sounding = [word for word in text.split() if word[0] != "("]
            shapes = tuple((LETTERS.index(word[0]), LETTERS.index(word[-1])) for word in sounding)
            out.append(Movement(name, before, after, written, shapes))
    return tuple(out)


@cache
def movement_rows() -> frozenset[tuple[int, int, tuple[int, ...]]]:
    """(melody note before, after, notes that sound between) of every movement."""
    return frozenset((one.before, one.after, one.sounds) for one in repertoire())


def drawn_movements(count: int, seed: int, ambiguous: bool = True) -> list[Movement]:
    """Movements in an order that a tune could have, each name as often as any other."""
    random, by_name = Random(f"movements {seed}"), dict[str, list[Movement]]()
    for one in repertoire():
        if ambiguous or not one.ambiguous:
            by_name.setdefault(one.name, []).append(one)
    out: list[Movement] = []
    while len(out) < count:
        for name in random.sample(sorted(by_name), len(by_name)):
            following = [one for one in by_name[name] if out and one.before == out[-1].after]
            out.append(random.choice(following if following and random.random() < 0.5 else by_name[name]))
    return out[:count]
