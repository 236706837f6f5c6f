"""The whole report: every change with its fingers, every music, and all that was noticed beside them."""

from collections import Counter
from typing import Any

from fingering.holes import FINGERS
from fingering.moves import change_text
from fingering.notes import ABC_LETTERS, NOTES
from fingerlead.faces import words
from fingerlead.faces.report.against import KEY, MOST_STAVES, against
from fingerlead.faces.report.comparison import divided
from fingerlead.faces.report.learner import Played
from fingerlead.faces.report.numbers import movement_rows
from fingerlead.faces.report.pulse import pulse_page
from fingerlead.faces.strip import change_strip
from fingerlead.faces.strip_svg import StripPage
from fingerlead.phrases import capital
from fingerlead.timing.findings import usual_advice, usual_diagnosis
from fingerlead.timing.measured_words import ms, whole_ms
from fingerlead.timing.pulse import OnsetOf
from fingerlead.timing.results import Change, Held
from fingerlead.timing.summary import ChangeSummary, Spread, Summary, heard_stray_us, passing_notes, summarise
from fingerlead.wire.events import Doubt

# Of single moments only so many are listed, the worst; `fingerlead analyse` has them all.
MOST_MOMENTS = 12
# The first so many changes stand open, and are printed.
OPEN = 3


def whole(played: list[Played], strips: StripPage, divide: str = "", onset: OnsetOf = "theme") -> dict[str, Any]:
    """What the whole report shows of some playing: each change, each music, all that was noticed beside them.

    `divide` is an ISO day, and what was played before it is compared with the rest. `onset` is what of an embellished
    note is on the beat.
    """
    summary = summarise((each.analysis for each in played), onset)
    return {
        "unsure": ms(summary.uncertainty_us),
        "totals": _totals(summary),
        "notes": [{"name": name, "letter": letter} for name, letter in zip(NOTES, ABC_LETTERS, strict=True)],
        "grid": _grid(summary),
        "changes": [_change(played, summary, each, strips) for each in _in_order(summary)],
        "open": OPEN,
        "against": _against(played),
        "against_key": KEY,
        "embellishments": movement_rows(summary.by_movement.values()),
        "pulse": [{"file": each.name, **one} for each in played for one in pulse_page(each.analysis, onset)],
        "in_time": [
            {"file": each.name, "words": told} for each in played for told in words.in_time_told(each.analysis)
        ],
        "divided": divided([(each.analysis, each.day) for each in played], divide) if divide else None,
        "passing": _passing(played),
        "apart": _moments(played, _apart_or_slipped),
        "beside_graces": _moments(played, lambda c: c.verdict == "stray" and bool(c.slips)),
        "false_fingerings": _false_fingerings(played),
        "files": [_file(each) for each in played],
    }


def _against(played: list[Played]) -> list[dict[str, Any]]:
    """The musics of all sessions with their staves, as many as a page has."""
    shown: list[dict[str, Any]] = []
    for each in played:
        left = MOST_STAVES - sum(bool(one["staff"]) for one in shown)
        shown += ({"file": each.name, **one} for one in against(each.analysis, left))
    return shown


def _apart_or_slipped(change: Change) -> bool:
    return change.verdict == "apart" or (change.is_plain and bool(change.slips) and not change.strays)


def _in_order(summary: Summary) -> list[ChangeSummary]:
    """All changes that were played, the most heard stray time first, then those most often apart."""
    some = [change for change in summary.by_change.values() if change.count]
    return sorted(some, key=lambda c: (-c.heard_us, -c.apart, c.from_note, c.to_note))


def _totals(summary: Summary) -> dict[str, Any]:
    return {
        "minutes": f"{summary.playing_us / 60_000_000:.1f}",
        "plain": summary.plain,
        "astray": summary.astray,
        "share": _percent(1 - summary.astray / summary.plain) if summary.plain else "–",
        "heard": _a_minute(summary.heard_a_minute_us),
        "beside": words.not_counted(sum((change.beside for change in summary.by_change.values()), Counter())),
    }


def _anchor(change: ChangeSummary) -> str:
    return f"change-{ABC_LETTERS[change.from_note]}-{ABC_LETTERS[change.to_note]}-{change.from_note}{change.to_note}"


def _grid(summary: Summary) -> list[list[dict[str, Any] | None]]:
    notes = range(len(NOTES))
    return [[_cell(summary, summary.by_change.get((from_note, to_note))) for to_note in notes] for from_note in notes]


def _cell(summary: Summary, change: ChangeSummary | None) -> dict[str, Any] | None:
    if change is None or not change.count:
        return None
    return {
        "anchor": _anchor(change),
        "count": change.count,
        "clean": _percent(change.clean_share),
        "stray": whole_ms(change.typical_stray_us, summary.uncertainty_us) if change.astray else None,
        "state": "often" if change.stands_out else "some" if change.astray else "none",
        "name": change_text(change.from_note, change.to_note),
    }


def _change(played: list[Played], summary: Summary, change: ChangeSummary, strips: StripPage) -> dict[str, Any]:
    unsure_us = summary.uncertainty_us
    usual = usual_diagnosis(change)
    low, high = change.clean_interval
    return {
        "anchor": _anchor(change),
        "name": change_text(change.from_note, change.to_note),
        "count": change.count,
        "astray": len(change.astray),
        "clean": _percent(change.clean_share),
        "interval": f"{_percent(low)} to {_percent(high)}",
        "stands_out": change.stands_out,
        "per_minute": _a_minute(summary.per_minute_us(change)),
        "apart": change.apart,
        "advice": usual_advice(change, usual, unsure_us) if usual else "",
        "strips": _strips(played, summary, change, strips),
        "led": [
            {"finger": "too close to call" if finger is None else FINGERS[finger], "times": times}
            for finger, times in sorted(change.led().items(), key=lambda item: (item[0] is None, -item[1]))
        ],
        "lags": [_spread_row(FINGERS[finger], spread, unsure_us) for finger, spread in change.lags().items()],
        "stray_name": words.stray_name(change.from_note, change.to_note),
        "strays": [_spread_row(NOTES[note], spread, unsure_us) for note, spread in change.strays().items()],
        "beside": words.not_counted(change.beside),
    }


def _strips(played: list[Played], summary: Summary, change: ChangeSummary, strips: StripPage) -> list[dict[str, Any]]:
    """The typical and the worst fault with their strips; one where they are the same, none where all were clean."""
    typical, worst = change.typical(), change.worst()
    if typical is None or worst is None:
        return []
    far = "Worst" if change.astray else "Widest"
    kinds = [("Typical", typical), (far, worst)] if typical != worst else [("The only one", worst)]
    if typical == worst and len(change.faults) > 1:
        kinds = [(f"Typical and {far.lower()}", worst)]
    found: list[dict[str, Any]] = []
    for kind, instance in kinds:
        of = played[summary.session_of(instance)]
        timing = of.analysis.timing
        found.append(
            {
                "kind": kind,
                "svg": strips.add(change_strip(instance, timing)),
                "at": words.clock_text(instance.start_us),
                "file": of.name,
                "words": capital(words.what_happened(instance, timing)),
            }
        )
    return found


def _spread_row(name: str, spread: Spread, uncertainty_us: int) -> dict[str, Any]:
    def from_to(pair_us: tuple[int, int]) -> str:
        low, high = (whole_ms(us, uncertainty_us) for us in pair_us)
        return f"{low} to {high}" if low != high else str(low)

    return {
        "name": name,
        "count": spread.count,
        "median": whole_ms(spread.median_us, uncertainty_us),
        "quartiles": from_to(spread.quartiles_us),
        "interval": from_to(spread.interval_us) if spread.interval_us else "too few",
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
                "name": change_text(change.from_note, change.to_note),
                "words": capital(words.what_happened(change, each.analysis.timing)),
            }
            for each, change in shown
        ],
    }


def _passing(played: list[Played]) -> dict[str, Any]:
    """Very short notes between two changes: what may be a slow stray of the direct change."""
    found = [
        {
            "file": each.name,
            "at": words.clock_text(before.end_us),
            "name": change_text(before.from_note, after.to_note),
            "words": capital(words.passing_words(before, short_us)),
        }
        for each in played
        for before, short_us, after in passing_notes(each.analysis.changes)
    ]
    return {"count": len(found), "more": max(0, len(found) - MOST_MOMENTS), "rows": found[:MOST_MOMENTS]}


def _false_fingerings(played: list[Played]) -> list[dict[str, Any]]:
    found: dict[tuple[int, int], list[Held]] = {}
    for each in played:
        for held in each.analysis.held:
            if held.fingering == "false":
                found.setdefault((held.note, held.covered_mask), []).append(held)
    return [
        {
            "words": words.false_fingering(same[0].note, same[0].wrong_fingers, same[0].covered_mask),
            "times": len(same),
            "held": f"{sum(held.end_us - held.start_us for held in same) / 1_000_000:.1f}",
        }
        for same in sorted(found.values(), key=len, reverse=True)[:MOST_MOMENTS]
    ]


def _told(doubts: list[Doubt]) -> list[Doubt]:
    """Those to be shown: of a trouble that lasts and is told again and again, the first."""
    shown: list[Doubt] = []
    until_us: dict[tuple[int, int], int] = {}
    for doubt in doubts:
        key = (doubt.code, doubt.hole)
        if doubt.cause != "trouble" or doubt.start_us > until_us.get(key, -1):
            shown.append(doubt)
        until_us[key] = doubt.end_us
    return shown


def _file(each: Played) -> dict[str, Any]:
    doubts = _told(each.analysis.doubts)
    return {
        "name": each.name,
        "changes": len(each.analysis.changes),
        "totals": _totals(summarise([each.analysis])),
        "doubts": [
            {"at": words.clock_text(doubt.start_us), "words": words.doubt_sentence(doubt)}
            for doubt in doubts[:MOST_MOMENTS]
        ],
        "more_doubts": max(0, len(doubts) - MOST_MOMENTS),
        "timing": words.timing_sentence(each.analysis.timing, each.analysis.moved),
        "intake": words.intake_sentence(each.analysis),
    }


def _a_minute(us: float) -> str:
    """An average: two figures are as much as it can bear."""
    whole = round(us / 1_000)
    return f"{round(whole, 2 - len(str(whole)))} ms"


def _percent(share: float) -> str:
    return f"{round(100 * share)} %"
