"""Played against written: the staff of a tune with a mark, a shape and a word, at each note that was not as written."""

from collections import Counter
from typing import Any

from markupsafe import Markup

from fingering.notes import ABC_LETTERS, NOTES
from fingerlead.faces.sheet.piece import Shape, SheetError, StaffMark
from fingerlead.faces.sheet.sheets import staff_svg
from fingerlead.music.compare import Comparison, compare_analysis
from fingerlead.music.tune import Tune
from fingerlead.timing.analysis import Analysis

Place = tuple[int, int]

# What each kind looks like and is called; notes that were as written have no mark.
_LOOKS: dict[str, tuple[Shape, str]] = {
    "wrong": ("square", "was {played}"),
    "missed": ("cross", "missed"),
    "extra": ("triangle", "extra {played}"),
    "slow stray": ("triangle", "stray {played}"),
    "repeated": ("ring", "twice"),
    "restart": ("ring", "from here"),
    "idle": ("ring", "idle finger"),
}
KEY: tuple[tuple[str, str], ...] = (
    ("□", "another note was played"),
    ("✕", "missed"),
    ("△", "a note before it that is not written, or a stray that lasted"),
    ("○", "played twice, taken up again from here, or a finger that has no part"),
)


def against(analysis: Analysis, tune: Tune) -> dict[str, Any]:
    """What the page shows of one session held against a tune; without LilyPond, the words alone and why."""
    comparison = compare_analysis(analysis, tune)
    found = comparison.as_dict()
    try:
        # Engraved by the program's own notation from notes; texts in it are LilyPond's own escaped ones.
        staff, missing = Markup(staff_svg(tune, marks(comparison))), ""
    except SheetError as error:
        staff, missing = Markup(""), f"The staff is not shown: {error}."
    return {
        "name": comparison.expectation.name,
        "right": found["right"],
        "played": found["played"],
        "words": comparison.summary,
        "staff": staff,
        "missing": missing,
        "marked": marked_words(comparison),
    }


def marks(comparison: Comparison) -> dict[Place, StaffMark]:
    """For each written note the most frequent thing that was not as written, and how often."""
    made: dict[Place, StaffMark] = {}
    for place, counts in _by_place(comparison).items():
        (shape, word), times = counts.most_common(1)[0]
        made[place] = StaffMark(shape, word if times == 1 else f"{word} {times}×")
    return made


def marked_words(comparison: Comparison) -> str:
    """The marks in words, for readers who cannot see the staff."""
    made = sorted(marks(comparison).items())
    said = (f"bar {bar + 1}, note {place + 1}: {mark.word}" for (bar, place), mark in made)
    return "; ".join(said) or "every note was as written"


def _by_place(comparison: Comparison) -> dict[Place, Counter[tuple[Shape, str]]]:
    wanted = comparison.expectation.notes
    # What has no written note of its own is marked at the written note that comes next.
    following: dict[int, int] = {}
    upcoming: int | None = None
    for item in reversed(comparison.items):
        if item.expected is not None:
            upcoming = item.expected
        elif item.held is not None and upcoming is not None:
            following[item.held] = upcoming
    found: dict[Place, Counter[tuple[Shape, str]]] = {}
    for finding in comparison.findings:
        look, expected = _LOOKS.get(finding.kind), finding.expected
        if expected is None and finding.held is not None:
            expected = following.get(finding.held)
        if look is None or finding.uncertain or expected is None or expected >= len(wanted):
            continue
        place = wanted[expected].place
        if place is not None:
            played = "" if finding.played is None else _short(finding.played)
            found.setdefault(place, Counter())[look[0], look[1].format(played=played)] += 1
    return found


def _short(note: int) -> str:
    name = NOTES[note]
    return name if " " in name else ABC_LETTERS[note].upper()
