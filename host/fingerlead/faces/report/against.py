"""Played against written: the staff of a tune with a mark, a shape and a word, at each note that was not as written."""

from collections import Counter
from collections.abc import Container, Iterator
from typing import Any

from markupsafe import Markup

from fingering.notes import ABC_LETTERS, NOTES
from fingerlead.faces.report.staff import drawn
from fingerlead.faces.sheet.piece import Shape, SheetError, StaffMark
from fingerlead.faces.sheet.sheets import staff_svg
from fingerlead.faces.words import ALL_AS_WRITTEN, music_name
from fingerlead.music.tune import Tune, expect
from fingerlead.store.session_music import tune_in
from fingerlead.timing.against import DepartureKind, departures, notes_embellished, notes_led_to, played_musics
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.movement_beats import placed_movements
from fingerlead.timing.results import PlayedMovement

Place = tuple[int, int]

# What each kind looks like and is called; notes that were as written have no mark.
_LOOKS: dict[DepartureKind, tuple[Shape, str]] = {
    "wrong": ("square", "was {played}"),
    "missed": ("cross", "missed"),
    "extra": ("triangle", "extra {played}"),
    "repeated": ("ring", "twice"),
    "restart": ("ring", "from here"),
    "idle": ("ring", "idle finger"),
}
# Each takes about two seconds to engrave, once for paper and once for a phone.
MOST_STAVES = 6
PHONE_MM = 90
KEY: tuple[tuple[str, str], ...] = (
    ("□", "another note was played"),
    ("✕", "missed, or its grace notes left out"),
    ("△", "a note before it that is not written, a stray, or a fault in its grace notes"),
    ("○", "played twice, taken up again from here, or a finger that has no part"),
)


def against(analysis: Analysis, most_staves: int) -> list[dict[str, Any]]:
    """What the page shows of each music that a session was read against, of the first ones with a staff.

    Rungs are many and short: one alone has a staff, among others a tune has. Without LilyPond, the words alone and why.
    """
    shown: list[dict[str, Any]] = []
    musics = played_musics(analysis)
    for played in musics:
        if not played.asked.abc or (played.asked.kind != "tune" and len(musics) > 1):
            continue
        tune = tune_in(played.asked.abc)
        made = marks(analysis, tune, played.musics)
        staff, narrow, missing = Markup(""), Markup(""), f"Its staff is not shown: a page has at most {MOST_STAVES}."
        if len(shown) < most_staves:
            try:
                staff, narrow = drawn(staff_svg(tune, made)), drawn(staff_svg(tune, made, width_mm=PHONE_MM))
                missing = ""
            except SheetError as error:
                missing = f"The staff is not shown: {error}."
        shown.append(
            {
                "name": music_name(played.asked.name),
                "right": played.right,
                "played": played.played,
                "words": played.words or [ALL_AS_WRITTEN],
                "staff": staff,
                "narrow": narrow,
                "missing": missing,
                "marked": marked_words(made),
            }
        )
    return shown


def marks(analysis: Analysis, tune: Tune, musics: Container[int]) -> dict[Place, StaffMark]:
    """For each written note the most frequent thing that was not as written, or strayed before it, and how often.

    `musics` are the numbers of those that ask for the tune.
    """
    wanted = expect(tune).notes
    counts: dict[Place, Counter[tuple[Shape, str]]] = {}
    for music, number, look in _looks(analysis):
        place = wanted[number].place if music in musics and number < len(wanted) else None
        if place is not None:
            counts.setdefault(place, Counter())[look] += 1
    made = {}
    for place, looks in counts.items():
        ((shape, word), times), *_ = looks.most_common(1)
        made[place] = StaffMark(shape, word if times == 1 else f"{word} {times}×")
    return made


def _looks(analysis: Analysis) -> Iterator[tuple[int, int, tuple[Shape, str]]]:
    """The numbers of musics and of their written notes, and what is marked there."""
    for one in departures(analysis):
        look = _LOOKS.get(one.kind)
        if look is not None and not one.uncertain:
            yield one.music, one.number, (look[0], look[1].format(played="" if one.note is None else _short(one.note)))
    held = analysis.held
    for change, led_to in zip(analysis.changes, notes_led_to(analysis), strict=True):
        written = held[led_to].written
        if change.judged and change.verdict == "stray" and written is not None:
            longest = max(change.strays, key=lambda stray: stray.duration_us)
            yield written.music, written.number, ("triangle", f"stray {_short(longest.note)}")
    for movement, led_to in zip(placed_movements(analysis), notes_embellished(analysis), strict=True):
        written = held[led_to].written if led_to < len(held) else None
        if written is not None and analysis.musics[written.music].asked.judged:
            yield from ((written.music, written.number, look) for look in _looks_of(movement))


def _looks_of(movement: PlayedMovement) -> list[tuple[Shape, str]]:
    """What is marked at the note that a movement leads to: its first fault."""
    if movement.written is None:
        return []
    if movement.verdict == "left out":
        return [("cross", "no grace note" if len(movement.written.split()) > 2 else f"no {movement.written}")]
    if movement.verdict == "another":
        return [("square", f"was {movement.name}")]
    return [("triangle", movement.faults[0].kind)] if movement.verdict == "faulty" and movement.faults else []


def marked_words(made: dict[Place, StaffMark]) -> str:
    """The marks in words, for readers who cannot see the staff."""
    said = (f"bar {bar + 1}, note {place + 1}: {mark.word}" for (bar, place), mark in sorted(made.items()))
    return "; ".join(said) or "every note was as written"


def _short(note: int) -> str:
    name = NOTES[note]
    return name if " " in name else ABC_LETTERS[note].upper()
