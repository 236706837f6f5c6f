"""Moments of a session or a passage: a change or a movement with its place in time, its words and its strip."""

from typing import Any

from markupsafe import Markup

from fingering.moves import change_text
from fingering.notes import NOTES
from fingerlead.faces.strip import strip_svg
from fingerlead.faces.words import clock_text, movement_sentence, what_happened
from fingerlead.phrases import capital
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.mended import trusted_diagnosis
from fingerlead.timing.results import Change, PlayedMovement


def moment(analysis: Analysis, change: Change, number: str) -> dict[str, Any]:
    """A change with its strip; `number` tells its strip from the others of the page."""
    return {
        "number": change.number,
        "at": clock_text(change.start_us),
        "at_us": change.start_us,
        "name": capital(change_text(change.from_note, change.to_note)),
        "words": capital(what_happened(change, analysis.timing)),
        "svg": Markup(strip_svg(change, analysis.timing, number)),
        "stray": change.verdict == "stray",
        "mendable": trusted_diagnosis(change, analysis.timing, analysis.table, analysis.settings) is not None,
    }


def movement_moment(analysis: Analysis, movement: PlayedMovement, number: str) -> dict[str, Any]:
    """A movement that was not as written; its picture is that of the change it stands in, where there is one."""
    strip = ""
    if movement.change is not None and movement.notes:
        strip = strip_svg(analysis.changes[movement.change], analysis.timing, number, advise=False)
    name = f"{capital(movement.written or movement.name)} on {NOTES[movement.to_note]}"
    return {
        "number": None,
        "at": clock_text(movement.start_us),
        "at_us": movement.start_us,
        "name": name,
        "words": movement_sentence(movement).removeprefix(f"{name}: ").removeprefix(name).lstrip(",. "),
        "svg": Markup(strip),
        "stray": False,
        "mendable": False,
    }
