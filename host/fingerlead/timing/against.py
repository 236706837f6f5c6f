"""What was played beside what was asked for: the passes through each music, and what was not read as written.

Everything follows from where the reading places the melody notes; nothing is aligned here.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import Literal, NamedTuple

from fingering.notes import NOTES
from fingerlead.reading.music import WrittenNote
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.results import Held

MisreadKind = Literal["missed", "wrong", "extra", "repeated"]


class Pass(NamedTuple):
    """One time through a music, up to `reached` of its notes, with `right` of them as written; `start_us` to `end_us`.

    `music` counts from 0, `number` from 1 on, or from where the session says.
    """

    music: int
    number: int
    start_us: int
    end_us: int
    reached: int
    right: int


class Misread(NamedTuple):
    """A written note that was missed, or a note that was wrong, too many, or played twice; `words` says it."""

    kind: MisreadKind
    written: int | None
    note: int | None
    start_us: int
    words: str


def passes(analysis: Analysis) -> tuple[list[Pass], list[int | None]]:
    """The passes in order, and for each melody note which of them it belongs to (None where nothing is written).

    A pass begins where the player begins the music, or begins it again.
    """
    found: list[Pass] = []
    pass_of: list[int | None] = []
    for note in analysis.held:
        if note.written is None:
            pass_of.append(None)
            continue
        music, reached = note.written.music, note.written.number + 1
        last = found[-1] if found and found[-1].music == music else None
        if last is None or (reached == 1 and last.reached > 1):
            number = analysis.musics[music].asked.pass_number if last is None else last.number + 1
            last = Pass(music, number, note.start_us, note.end_us, 0, 0)
            found.append(last)
        right = note.note == _asked(analysis, note).note
        found[-1] = last._replace(end_us=note.end_us, reached=max(last.reached, reached), right=last.right + right)
        pass_of.append(len(found) - 1)
    return found, pass_of


def misread(analysis: Analysis) -> list[Misread]:
    """What was not read as written, in order of time."""
    return list(_misread(analysis))


def _misread(analysis: Analysis) -> Iterator[Misread]:
    notes = analysis.held
    for note in notes[:1]:
        yield from _note_misread(analysis, None, note)
    for before, note in pairwise(notes):
        yield from _note_misread(analysis, before, note)


def _note_misread(analysis: Analysis, before: Held | None, note: Held) -> Iterator[Misread]:
    at = note.written
    if at is None:
        music = next((m for m in analysis.musics if m.start_us <= note.start_us < m.end_us), None)
        if music is not None and music.is_known and music.asked.judged:
            again = before is not None and before.note == note.note
            kind: MisreadKind = "repeated" if again else "extra"
            gist = f"{NOTES[note.note]} twice." if again else f"{NOTES[note.note]} that is not written."
            yield Misread(kind, None, note.note, note.start_us, gist)
        return
    music = analysis.musics[at.music]
    if not music.asked.judged:
        return
    if before is not None and before.written is not None and before.written.music == at.music:
        for number in range(before.written.number + 1, at.number):
            missed = music.notes[number]
            words = f"{_bar(missed)}{NOTES[missed.note]} was left out."
            yield Misread("missed", missed.note, None, note.start_us, words)
    asked = music.notes[at.number]
    if asked.note != note.note:
        words = f"{_bar(asked)}{NOTES[note.note]} instead of {NOTES[asked.note]}."
        yield Misread("wrong", asked.note, note.note, note.start_us, words)


def _bar(asked: WrittenNote) -> str:
    return "" if asked.bar is None else f"Bar {asked.bar}: "


def _asked(analysis: Analysis, note: Held) -> WrittenNote:
    assert note.written is not None
    return analysis.musics[note.written.music].notes[note.written.number]
