"""The numbers of a report: a row for each change of each player, and each change before and since a day."""

import csv
import io
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from fingering.holes import FINGERS
from fingering.moves import change_text
from fingering.notes import NOTES
from fingerlead.phrases import capital, day_words
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.findings import share_words
from fingerlead.timing.measured_words import ms
from fingerlead.timing.progress import Difference, Side, Tally, compare, holm, mann_whitney, tally, together
from fingerlead.timing.results import UNPLAIN
from fingerlead.timing.summary import CONFIDENCE, stands_out, wilson

Change = tuple[int, int]
# Fewer strays than this on either side say nothing of their usual length; our own choice.
FEWEST_STRAYS = 4


def divided(sessions: list[tuple[Analysis, str]], divide: str) -> dict[str, Any]:
    """The table of a report: every change played on both sides of the ISO day `divide`, the clearest first.

    `timing.progress` says how sure that is.
    """
    sides: list[dict[Change, list[Tally]]] = [{}, {}]
    for analysis, day in sessions:
        if day:
            for each in tally(analysis):
                sides[day >= divide].setdefault((each.from_note, each.to_note), []).append(each)
    both = sorted(sides[0].keys() & sides[1].keys())
    found = compare([(_side(sides[0][change]), _side(sides[1][change])) for change in both])
    lengths = _lengths(sides, both)
    rows = sorted(zip(both, found, strict=True), key=lambda row: (row[1].chance, row[0]))
    return {
        "day": day_words(divide),
        "undated": sum(not day for _, day in sessions),
        "too_little": sum(each.trend == "too little" for each in found),
        "rows": [
            {**difference_row(change, each), "lengths": lengths.get(change, "too few to compare")}
            for change, each in rows
            if each.trend != "too little"
        ],
    }


def difference_row(change: tuple[int, int], difference: Difference) -> dict[str, str]:
    """One change before and since a day, as a row of a table: its counts, the difference, the judgement."""
    low, high = difference.interval
    return {
        "name": capital(change_text(*change)),
        "before": share_words(difference.before.astray, difference.before.plain),
        "after": share_words(difference.after.astray, difference.after.plain),
        "interval": f"{100 * low:+.0f} to {100 * high:+.0f}",
        "trend": difference.trend,
    }


def _lengths(sides: list[dict[Change, list[Tally]]], both: list[Change]) -> dict[Change, str]:
    """Whether strays have grown or shrunk, where there are enough of them on both sides."""
    pairs = {change: tuple(together(side[change])[change] for side in sides) for change in both}
    enough = {change: pair for change, pair in pairs.items() if min(tally.astray for tally in pair) >= FEWEST_STRAYS}
    chances = holm([mann_whitney(before.strays_us, after.strays_us) for before, after in enough.values()])
    told = {}
    for (change, (before, after)), chance in zip(enough.items(), chances, strict=True):
        lengths = f"{ms(before.typical_stray_us)} before, {ms(after.typical_stray_us)} since"
        longer = "longer" if after.typical_stray_us > before.typical_stray_us else "shorter"
        told[change] = f"{lengths}: {'no clear change' if chance >= 1 - CONFIDENCE else longer}"
    return told


def _side(tallies: list[Tally]) -> Side:
    return Side(sum(each.plain for each in tallies), sum(each.astray for each in tallies), len(tallies))


SCHEMA = "fingerlead-numbers-2"
COLUMNS = (
    "who", "from", "to", "plain", "astray", "astray_low", "astray_high", "heard_us", "heard_us_a_minute",
    "typical_stray_us", "apart", *UNPLAIN, "stands_out", "finger", "how", "first", "second",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Player:
    """A pupil or a file, by its name, and its playing."""

    name: str
    playing_us: int
    tallies: tuple[Tally, ...]


def rows(players: Iterable[Player]) -> list[dict[str, Any]]:
    """A row for each change of each player, the most heard stray time per minute of playing first."""
    found = [_row(player, tally) for player in players for tally in player.tallies]
    return sorted(found, key=lambda row: (-row["heard_us_a_minute"], row["who"], row["from"], row["to"]))


def as_csv(found: list[dict[str, Any]]) -> str:
    """Rows as CSV (RFC 4180). A text that a spreadsheet would take for a formula is quoted with an apostrophe."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    writer.writerows({name: _harmless(value) for name, value in row.items()} for row in found)
    return out.getvalue()


def as_json(found: list[dict[str, Any]]) -> str:
    """Rows as one JSON object."""
    return json.dumps({"schema": SCHEMA, "changes": found}, ensure_ascii=False, indent=1) + "\n"


def _row(player: Player, tally: Tally) -> dict[str, Any]:
    low, high = wilson(tally.astray, tally.plain)
    fault = tally.faults[0].cause if tally.faults else None
    return {
        "who": player.name,
        "from": NOTES[tally.from_note],
        "to": NOTES[tally.to_note],
        "plain": tally.plain,
        "astray": tally.astray,
        "astray_low": round(low, 4),
        "astray_high": round(high, 4),
        "heard_us": tally.heard_us,
        "heard_us_a_minute": round(tally.heard_us / player.playing_us * 60_000_000) if player.playing_us else 0,
        "typical_stray_us": tally.typical_stray_us,
        "apart": tally.apart,
        **dict(zip(UNPLAIN, tally.beside, strict=True)),
        "stands_out": stands_out(tally.astray, tally.plain),
        "finger": FINGERS[fault[0]] if fault else "",
        "how": ("early" if fault[1] else "late") if fault else "",
        "first": FINGERS[fault[2]] if fault else "",
        "second": FINGERS[fault[3]] if fault else "",
    }


def _harmless(value: Any) -> Any:
    return f"'{value}" if isinstance(value, str) and value.startswith(tuple("=+-@\t\r\n")) else value
