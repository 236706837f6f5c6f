"""The report: one self-contained page for a teacher who has never seen it, good on screen, phone and paper."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fingering.holes import FINGERS
from fingering.notes import ABC_LETTERS, NOTES
from host.faces import words
from host.faces.strip import strip_svg
from host.timing.reading import VERDICTS
from host.timing.summary import ChangeSummary, Spread, Summary, heard_stray_us, summarise

if TYPE_CHECKING:
    from host.timing.analysis import Analysis
    from host.timing.results import Change, Timing

# Lists of single moments are for looking things up, not for reading through.
MOST_MOMENTS = 40


@dataclass(frozen=True, slots=True)
class Played:
    """One file of playing and what came of it."""

    name: str
    analysis: Analysis


def write_report(files: list[tuple[Path, Analysis]], page: Path) -> None:
    """Write the page, dated today; OSError where it cannot be written."""
    played = [Played(path.name, analysis) for path, analysis in files]
    page.write_text(render(played, date.today()), encoding="utf-8")


def render(played: list[Played], made_on: date) -> str:
    """The page as HTML. All text is escaped but for the strips, which are made here."""
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

    summary = summarise(each.analysis for each in played)
    template = Environment(
        loader=PackageLoader("host.faces.report", "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    ).get_template("page.html")
    first = summary.first()
    ranked = _in_order(summary)
    return template.render(
        title=played[0].name if len(played) == 1 else f"{len(played)} sessions",
        work_on_first=words.work_on_first(summary),
        first=_change(summary, first, played[0].analysis.timing) if first else None,
        totals=_totals(summary),
        notes=[{"name": name, "letter": letter} for name, letter in zip(NOTES, ABC_LETTERS, strict=True)],
        grid=_grid(summary),
        changes=[_change(summary, each, played[0].analysis.timing) for each in ranked],
        passing=_passing(played),
        loose=_moments(played, lambda c: bool(c.loose) or (bool(c.slips) and c.verdict in ("clean", "stray"))),
        beside_graces=_moments(played, lambda c: c.verdict == "stray" and c.loose is None),
        false=_false_fingerings(played),
        files=[_file(each) for each in played],
        settings=asdict(played[0].analysis.settings),
        table=played[0].analysis.table.name,
        made_on=f"{made_on.day} {made_on:%B %Y}",
    )


def _in_order(summary: Summary) -> list[ChangeSummary]:
    """All changes that were played, the most heard stray time first, then the loosest."""
    some = [change for change in summary.by_change.values() if change.count]
    return sorted(some, key=lambda c: (-c.heard_us, -c.loose, c.from_note, c.to_note))


def _totals(summary: Summary) -> dict[str, Any]:
    changes = summary.by_change.values()
    plain = sum(change.count for change in changes)
    astray = sum(len(change.astray) for change in changes)
    heard_us = sum(change.heard_us for change in changes)
    return {
        "minutes": f"{summary.playing_us / 60_000_000:.1f}",
        "plain": plain,
        "clean": plain - astray,
        "share": _percent(1 - astray / plain) if plain else "–",
        "heard": words.ms(round(heard_us / summary.playing_us * 60_000_000)) if summary.playing_us else "–",
        "ornamented": sum(change.ornamented for change in changes),
        "perhaps": sum(change.perhaps for change in changes),
        "uncertain": sum(change.uncertain for change in changes),
    }


def _anchor(change: ChangeSummary) -> str:
    return f"change-{ABC_LETTERS[change.from_note]}-{ABC_LETTERS[change.to_note]}-{change.from_note}{change.to_note}"


def _grid(summary: Summary) -> list[list[dict[str, Any] | None]]:
    rows: list[list[dict[str, Any] | None]] = []
    for from_note in range(len(NOTES)):
        row: list[dict[str, Any] | None] = []
        for to_note in range(len(NOTES)):
            change = summary.by_change.get((from_note, to_note))
            if change is None or not change.count:
                row.append(None)
                continue
            state = "often" if change.stands_out else "some" if change.astray else "none"
            row.append(
                {
                    "anchor": _anchor(change),
                    "count": change.count,
                    "clean": _percent(change.clean_share),
                    "stray": round(change.typical_stray_us / 1_000) if change.astray else None,
                    "state": state,
                    "name": words.change_name(from_note, to_note),
                }
            )
        rows.append(row)
    return rows


def _change(summary: Summary, change: ChangeSummary, timing: Timing) -> dict[str, Any]:
    usual = words.usual_blame(change)
    low, high = change.clean_interval
    led = change.led()
    return {
        "anchor": _anchor(change),
        "name": words.change_name(change.from_note, change.to_note),
        "count": change.count,
        "astray": len(change.astray),
        "clean": _percent(change.clean_share),
        "interval": f"{_percent(low)} to {_percent(high)}",
        "stands_out": change.stands_out,
        "per_minute": words.ms(round(summary.per_minute_us(change))),
        "loose": change.loose,
        "advice": words.usual_advice(change, usual) if usual else "",
        "worst": _strip(change.worst(), timing, f"{_anchor(change)}-worst"),
        "typical": _strip(change.typical(), timing, f"{_anchor(change)}-typical"),
        "led": [
            {"finger": "too close to call" if finger is None else FINGERS[finger], "times": times}
            for finger, times in sorted(led.items(), key=lambda item: (item[0] is None, -item[1]))
        ],
        "lags": [_spread_row(FINGERS[finger], spread) for finger, spread in change.lags().items()],
        "strays": [_spread_row(NOTES[note], spread) for note, spread in change.strays().items()],
        "beside": {"ornamented": change.ornamented, "perhaps": change.perhaps, "uncertain": change.uncertain},
    }


def _strip(change: Change | None, timing: Timing, number: str) -> dict[str, str] | None:
    if change is None:
        return None
    from markupsafe import Markup

    # Made by `strip_svg` from numbers and its own escaped words.
    return {
        "svg": Markup(strip_svg(change, timing, number)),
        "at": words.clock_text(change.start_us),
        "words": words.what_happened(change, timing),
    }


def _spread_row(name: str, spread: Spread) -> dict[str, Any]:
    low, high = spread.quartiles_us
    interval = spread.interval_us
    return {
        "name": name,
        "count": spread.count,
        "median": round(spread.median_us / 1_000),
        "quartiles": f"{round(low / 1_000)} to {round(high / 1_000)}",
        "interval": f"{round(interval[0] / 1_000)} to {round(interval[1] / 1_000)}" if interval else "too few",
    }


def _moments(played: list[Played], wanted: Any) -> dict[str, Any]:
    """Single changes with their times, the most heard first where there are too many to list."""
    found = [(each, change) for each in played for change in each.analysis.changes if wanted(change)]
    shown = sorted(found, key=lambda pair: (-heard_stray_us(pair[1]), -pair[1].spread_us))[:MOST_MOMENTS]
    shown.sort(key=lambda pair: (pair[0].name, pair[1].start_us))
    return {
        "count": len(found),
        "more": len(found) - len(shown),
        "rows": [
            {
                "file": each.name,
                "at": words.clock_text(change.start_us),
                "name": words.change_name(change.from_note, change.to_note),
                "words": words.what_happened(change, each.analysis.timing),
            }
            for each, change in shown
        ],
    }


def _passing(played: list[Played]) -> dict[str, Any]:
    """Very short notes between two changes: what may be a slow stray of the direct change."""
    found = [
        {
            "file": each.name,
            "at": words.clock_text(first.end_us),
            "name": words.change_name(first.from_note, second.to_note),
            "words": words.passing_words(first, second),
        }
        for each in played
        for first, second in pairwise(each.analysis.changes)
        if first.verdict == second.verdict == "perhaps" and first.to_note == second.from_note
    ]
    return {"count": len(found), "more": max(0, len(found) - MOST_MOMENTS), "rows": found[:MOST_MOMENTS]}


def _false_fingerings(played: list[Played]) -> list[dict[str, Any]]:
    found: dict[tuple[int, int], dict[str, Any]] = {}
    for each in played:
        for held in each.analysis.held:
            if held.fingering != "false":
                continue
            row = found.setdefault(
                (held.note, held.covered_mask),
                {
                    "words": words.false_fingering(held.note, held.wrong_fingers, held.covered_mask),
                    "times": 0,
                    "held_us": 0,
                },
            )
            row["times"] += 1
            row["held_us"] += held.end_us - held.start_us
    ordered = sorted(found.values(), key=lambda row: -row["times"])
    return [{**row, "held": f"{row['held_us'] / 1_000_000:.1f}"} for row in ordered[:MOST_MOMENTS]]


def _file(each: Played) -> dict[str, Any]:
    verdicts = each.analysis.arrays.verdict.tolist()
    return {
        "name": each.name,
        "changes": len(verdicts),
        "clean": sum(VERDICTS[verdict] == "clean" for verdict in verdicts),
        "timing": words.timing_sentence(each.analysis.timing),
        "intake": words.intake_sentence(each.analysis),
    }


def _percent(share: float) -> str:
    return f"{round(100 * share)} %"
