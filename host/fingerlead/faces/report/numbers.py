"""The numbers of a report: a row for each change and each movement of each player, and both before and since a day."""

import csv
import io
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from fingering.holes import FINGERS
from fingering.moves import change_text
from fingering.notes import NOTES
from fingerlead.phrases import capital, day_words
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.fault_words import short_words
from fingerlead.timing.findings import share_words
from fingerlead.timing.measured_words import ms
from fingerlead.timing.movement_sums import COUNTED, MovementOn, MovementSummary, movement_sums, movement_title
from fingerlead.timing.progress import Difference, Side, Tally, compare, holm, mann_whitney, tally, together
from fingerlead.timing.results import UNPLAIN
from fingerlead.timing.summary import CONFIDENCE, stands_out, wilson

Change = tuple[int, int]
# Fewer strays than this on either side say nothing of their usual length; our own choice.
FEWEST_STRAYS = 4
MOST_FAULTS = 3  # told of one movement


def divided(sessions: list[tuple[Analysis, str]], divide: str) -> dict[str, Any]:
    """The table of a report: all changes and movements played on both sides of the ISO day `divide`, clearest first.

    `timing.progress` says how sure that is.
    """
    sides: list[dict[Change, list[Tally]]] = [{}, {}]
    movements: list[dict[MovementOn, list[MovementSummary]]] = [{}, {}]
    for analysis, day in sessions:
        if day:
            for each in tally(analysis):
                sides[day >= divide].setdefault((each.from_note, each.to_note), []).append(each)
            for one in movement_sums(analysis):
                movements[day >= divide].setdefault((one.name, one.to_note), []).append(one)
    both = sorted(sides[0].keys() & sides[1].keys())
    moved = sorted(movements[0].keys() & movements[1].keys())
    pairs = [(_side(sides[0][change]), _side(sides[1][change])) for change in both]
    pairs += [(_movement_side(movements[0][on]), _movement_side(movements[1][on])) for on in moved]
    found = compare(pairs)
    lengths = _lengths(sides, both)
    names = [*(change_text(*change) for change in both), *map(movement_title, moved)]
    told = [lengths.get(change, "too few to compare") for change in both] + [""] * len(moved)
    rows = sorted(zip(names, found, told, strict=True), key=lambda row: row[1].chance)
    return {
        "day": day_words(divide),
        "undated": sum(not day for _, day in sessions),
        "too_little": sum(each.trend == "too little" for each in found),
        "rows": [
            {**difference_row(name, each), "lengths": lengths_of}
            for name, each, lengths_of in rows
            if each.trend != "too little"
        ],
    }


def movement_rows(sums: Iterable[MovementSummary]) -> list[dict[str, Any]]:
    """Each movement that was asked for, the worst first: how often it was as written, and what was not, as a table."""
    return [
        {
            "name": capital(one.title),
            "asked": one.count,
            "right": one.verdicts["as written"],
            "faulty": one.verdicts["faulty"],
            "other": one.verdicts["left out"] + one.verdicts["another"],
            "faults": faults_words(one),
        }
        for one in sorted(sums, key=lambda one: (-one.wrong, -one.count, one.name, one.to_note))
    ]


def faults_words(one: MovementSummary) -> str:
    """What was not as written in a movement most, and how often: `the second low G is missing, 4×`."""
    most = one.faults.most_common(MOST_FAULTS)
    return "; ".join(f"{short_words(what, one.to_note)}, {times}×" for what, times in most)


def difference_row(name: str, difference: Difference) -> dict[str, str]:
    """A change or movement before and since a day, as a row of a table: its counts, the difference, the judgement."""
    low, high = difference.interval
    return {
        "name": capital(name),
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


def _movement_side(sums: list[MovementSummary]) -> Side:
    return Side(sum(each.count for each in sums), sum(each.wrong for each in sums), len(sums))


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
    movements: tuple[MovementSummary, ...] = ()


def rows(players: Iterable[Player]) -> list[dict[str, Any]]:
    """A row for each change of each player, the most heard stray time per minute of playing first."""
    found = [_row(player, tally) for player in players for tally in player.tallies]
    return sorted(found, key=lambda row: (-row["heard_us_a_minute"], row["who"], row["from"], row["to"]))


def numbers(players: Sequence[Player], ending: str) -> str:
    """The numbers of some players, as the ending of a file's name asks: `.csv`, of the changes alone, or `.json`."""
    found = rows(players)
    return as_csv(found) if ending == ".csv" else as_json(found, movement_dicts(players))


def movement_dicts(players: Iterable[Player]) -> list[dict[str, Any]]:
    """An object for each movement of each player, on each melody note; the one that was not as written most first."""
    found = [(player.name, one) for player in players for one in player.movements]
    return [
        {
            "who": who,
            "movement": one.name,
            "on": NOTES[one.to_note],
            "asked": one.count,
            **{verdict.replace(" ", "_"): one.verdicts[verdict] for verdict in COUNTED},
            "faults": [
                {
                    "kind": what.kind,
                    "form": what.form,
                    "note": what.note,
                    "sounded": None if what.sounded is None else NOTES[what.sounded],
                    "words": short_words(what, one.to_note),
                    "times": times,
                }
                for what, times in one.faults.most_common()
            ],
        }
        for who, one in sorted(found, key=lambda row: (-row[1].wrong, row[0], row[1].name, row[1].to_note))
    ]


def as_csv(found: list[dict[str, Any]]) -> str:
    """Rows as CSV (RFC 4180). A text that a spreadsheet would take for a formula is quoted with an apostrophe."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    writer.writerows({name: _harmless(value) for name, value in row.items()} for row in found)
    return out.getvalue()


def as_json(found: list[dict[str, Any]], movements: Sequence[dict[str, Any]] = ()) -> str:
    """Rows and movements as one JSON object."""
    told = {"schema": SCHEMA, "changes": found, "movements": list(movements)}
    return json.dumps(told, ensure_ascii=False, indent=1) + "\n"


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
