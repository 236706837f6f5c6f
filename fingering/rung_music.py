"""The music of a rung, as ABC: the row of notes there and back slowly, then again with rungs below mixed in.

Written in ABC 2.1 with K:HP, quarter and half notes, no grace notes, and no note twice in a row (repeated notes need a
grace note between them). Where what is mixed in shares no note, a rest stands between: set the fingers anew.
"""

from __future__ import annotations

from collections.abc import Sequence

from fingering.notes import ABC_LETTERS

BEATS = 4  # in a bar
UNITS = 4  # how often the row is gone through in the mixed part

# A note (None for a rest) and its length in beats.
Sound = tuple[int | None, int]


def mixable(notes: Sequence[int], mixed: Sequence[int], at: int) -> bool:
    """Whether a row can be mixed into the music of another at one of its end notes."""
    if at not in (notes[0], notes[-1]) or at not in mixed:
        return False
    # A note alone is mixed in by holding it, which needs the room of a pair.
    return len(notes) == 2 if len(mixed) == 1 else True


def rung_abc(notes: Sequence[int], mixed: Sequence[Sequence[int]], number: int, title: str) -> str:
    """The music of a row of notes as ABC text, with the rows in `mixed` mixed in."""
    head = f"X:{number}\nT:{title}\nM:4/4\nL:1/4\nK:HP\n"
    if len(notes) == 1:
        held = _even([notes[0], None] * 2, BEATS)
        return f"{head}|: {_bars(held)} :|\n{_bars([(notes[0], 4)])} |]\n"
    cycle = [*notes, *notes[-2:0:-1]]
    slow = _even(cycle * max(1, 8 // len(cycle)), 2)
    return f"{head}|: {_bars(slow)} :|\n|: {_bars(_mixture(notes, cycle, mixed))} :|\n{_bars([(notes[0], 4)])} |]\n"


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
    units: list[list[Sound]] = []
    start, turn = notes[0], notes[-1]
    if mixable(notes, row, start):
        if len(row) == 1:
            units.append([(start, 3), (turn, 1)])
        else:
            units.append(_even([*cycle, start, _neighbour(row, start)], 1))
    elif mixable(notes, row, turn):
        at = len(notes)
        if len(row) == 1:
            units.append([(start, 1), (turn, 3)])
        else:
            units.append(_even([*cycle[:at], _neighbour(row, turn), turn, *cycle[at:]], 1))
    return units


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
