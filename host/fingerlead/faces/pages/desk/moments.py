"""Moments of a session or a passage: a change or a movement with its place in time, its words and its strip."""

from typing import Any

from fingering.moves import change_text
from fingering.notes import NOTES
from fingerlead.faces.strip import change_strip, movement_strip
from fingerlead.faces.strip_svg import StripPage
from fingerlead.faces.words import clock_text, movement_sentence, what_happened
from fingerlead.phrases import capital
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.mended import trusted_diagnosis
from fingerlead.timing.results import Change, PlayedMovement


def moment(analysis: Analysis, change: Change, strips: StripPage, number: str) -> dict[str, Any]:
    """A change with its strip, one of `strips` on its page; `number` tells it from the others there."""
    return {
        "number": change.number,
        "at": clock_text(change.start_us),
        "at_us": change.start_us,
        "name": capital(change_text(change.from_note, change.to_note)),
        "words": capital(what_happened(change, analysis.timing)),
        "svg": strips.add(change_strip(change, analysis.timing), number),
        "stray": change.verdict == "stray",
        "mendable": trusted_diagnosis(change, analysis.timing, analysis.table, analysis.settings) is not None,
    }


def movement_moment(analysis: Analysis, movement: PlayedMovement, strips: StripPage, number: str) -> dict[str, Any]:
    """A movement that was not as written, with its strip where it was played."""
    strip = movement_strip(analysis, movement)
    name = f"{capital(movement.written or movement.name)} on {NOTES[movement.to_note]}"
    return {
        "number": None,
        "at": clock_text(movement.start_us),
        "at_us": movement.start_us,
        "name": name,
        "words": movement_sentence(movement).removeprefix(f"{name}: ").removeprefix(name).lstrip(",. "),
        "svg": strips.add(strip, number) if strip else "",
        "stray": False,
        "mendable": False,
    }
