"""Before and since a day, over the sessions of a report: see `timing.progress` for how sure that is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from host.faces.studio_words import day_words, difference_row
from host.faces.words import ms
from host.timing.progress import Side, compare, holm, mann_whitney
from host.timing.summary import CONFIDENCE
from host.timing.tally import Tally, tally, together

if TYPE_CHECKING:
    from host.timing.analysis import Analysis

Change = tuple[int, int]
# Fewer strays than this on either side say nothing of their usual length; our own choice.
FEWEST_STRAYS = 4


def turned(sessions: list[tuple[Analysis, str]], turn: str) -> dict[str, Any]:
    """The table of a report: every change played on both sides of the ISO day `turn`, the clearest first."""
    sides: list[dict[Change, list[Tally]]] = [{}, {}]
    for analysis, day in sessions:
        if day:
            for each in tally(analysis):
                sides[day >= turn].setdefault((each.from_note, each.to_note), []).append(each)
    both = sorted(sides[0].keys() & sides[1].keys())
    found = compare([(_side(sides[0][change]), _side(sides[1][change])) for change in both])
    lengths = _lengths(sides, both)
    rows = sorted(zip(both, found, strict=True), key=lambda row: (row[1].chance, row[0]))
    return {
        "day": day_words(turn),
        "undated": sum(not day for _, day in sessions),
        "too_little": sum(each.trend == "too little" for each in found),
        "rows": [
            {**difference_row(change, each), "lengths": lengths.get(change, "too few to compare")}
            for change, each in rows
            if each.trend != "too little"
        ],
    }


def _lengths(sides: list[dict[Change, list[Tally]]], both: list[Change]) -> dict[Change, str]:
    """Whether strays have grown or shrunk, where there are enough of them on both sides."""
    pairs = {change: tuple(together(side[change])[change] for side in sides) for change in both}
    enough = {
        change: pair for change, pair in pairs.items() if min(tally.astray for tally in pair) >= FEWEST_STRAYS
    }
    chances = holm([mann_whitney(before.strays_us, after.strays_us) for before, after in enough.values()])
    told = {}
    for (change, (before, after)), chance in zip(enough.items(), chances, strict=True):
        lengths = f"{ms(before.typical_stray_us)} before, {ms(after.typical_stray_us)} since"
        if chance >= 1 - CONFIDENCE:
            told[change] = f"{lengths}: no clear change"
        else:
            longer = after.typical_stray_us > before.typical_stray_us
            told[change] = f"{lengths}: {'longer' if longer else 'shorter'}"
    return told


def _side(tallies: list[Tally]) -> Side:
    return Side(sum(each.plain for each in tallies), sum(each.astray for each in tallies), len(tallies))
