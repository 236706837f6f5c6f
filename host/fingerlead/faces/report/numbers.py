"""The numbers of a report: a row for each change and each movement of each player."""

import csv
import io
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from fingering.holes import FINGERS
from fingering.notes import NOTES
from fingerlead.phrases import capital, harmless_cell
from fingerlead.timing.fault_words import short_words
from fingerlead.timing.movement_sums import COUNTED, MovementSummary
from fingerlead.timing.progress import Tally
from fingerlead.timing.results import UNPLAIN
from fingerlead.timing.summary import wilson
from fingerlead.timing.worth import stands_out

MOST_FAULTS = 3  # told of one movement


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


def numbers(players: Sequence[Player], ending: str, progress: Sequence[dict[str, Any]] = ()) -> str:
    """The numbers of some players, as the ending of a file's name asks: `.csv`, of the changes alone, or `.json`.

    `progress` are rows of `comparison.progress_dicts`.
    """
    found = rows(players)
    return as_csv(found) if ending == ".csv" else as_json(found, movement_dicts(players), progress)


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
    writer.writerows({name: harmless_cell(value) for name, value in row.items()} for row in found)
    return out.getvalue()


def as_json(
    found: list[dict[str, Any]], movements: Sequence[dict[str, Any]] = (), progress: Sequence[dict[str, Any]] = ()
) -> str:
    """Rows, movements and what came of them since a day, as one JSON object."""
    told = {"schema": SCHEMA, "changes": found, "movements": list(movements), "progress": list(progress)}
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
