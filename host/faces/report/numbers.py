"""The numbers of a report for those who reckon on: one row for each directed change of whoever played."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fingering.holes import FINGERS
from fingering.notes import NOTES
from host.timing.summary import stands_out, wilson

if TYPE_CHECKING:
    from host.timing.tally import Tally

SCHEMA = "fingerlead-numbers-1"
COLUMNS = (
    "who", "from", "to", "plain", "astray", "astray_low", "astray_high", "heard_us", "heard_us_a_minute",
    "typical_stray_us", "loose", "ornamented", "perhaps", "uncertain", "stands_out", "finger", "how", "first", "second",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Player:
    """Whoever played: a pupil, or a file's name."""

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
    fault = tally.faults[0].turn if tally.faults else None
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
        "loose": tally.loose,
        "ornamented": tally.ornamented,
        "perhaps": tally.perhaps,
        "uncertain": tally.uncertain,
        "stands_out": stands_out(tally.astray, tally.plain),
        "finger": FINGERS[fault[0]] if fault else "",
        "how": ("early" if fault[1] else "late") if fault else "",
        "first": FINGERS[fault[2]] if fault else "",
        "second": FINGERS[fault[3]] if fault else "",
    }


def _harmless(value: Any) -> Any:
    if isinstance(value, str) and value[:1] in tuple("=+-@\t\r\n"):
        return "'" + value
    return value
