"""The second page of a report, for the teacher: what to work on first and why, every change, movements and pulse."""

from collections.abc import Sequence
from typing import Any

from fingering.moves import change_text
from fingerlead.faces.report.compared import Compared
from fingerlead.faces.report.front import what_name
from fingerlead.faces.report.instances import Instance, typical_fault, worst_fault
from fingerlead.faces.report.learner import Learner
from fingerlead.faces.report.numbers import faults_words
from fingerlead.faces.report.pulse import pulse_page
from fingerlead.faces.strip_svg import StripPage
from fingerlead.faces.words import in_time_told
from fingerlead.phrases import day_words, listed
from fingerlead.timing.evenings import Side, What
from fingerlead.timing.findings import work_on_first
from fingerlead.timing.measured_words import whole_ms
from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.pulse import OnsetOf
from fingerlead.timing.summary import ChangeSummary, Summary

# So much fits on one page of paper; the whole report has the rest.
MOST_CHANGES, MOST_MOVEMENTS, MOST_PULSE, MOST_BARS_DRAWN, MOST_IN_TIME, MOST_APART = 20, 6, 4, 6, 2, 4


def overleaf(
    learner: Learner, summary: Summary, rows: Sequence[Compared], strips: StripPage, onset: OnsetOf
) -> dict[str, Any]:
    """What the second page shows; `summary` is of what was played since the day."""
    changes = [row for row in rows if not isinstance(row.what[0], str)]
    told = [row for row in changes if row.since.astray or row.before.astray or row.verdict in ("better", "worse")]
    movements = [row for row in rows if isinstance(row.what[0], str)]
    return {
        "divided": bool(learner.since),
        "work_on_first": work_on_first(summary),
        "strips": _strips(learner, summary, strips),
        "changes": [_change_row(row, summary) for row in told[:MOST_CHANGES]],
        "more_changes": max(0, len(told) - MOST_CHANGES),
        "never_astray": len(changes) - len(told),
        "apart": listed(_apart(summary)),
        "movements": [_movement_row(row, summary) for row in movements[:MOST_MOVEMENTS]],
        "more_movements": max(0, len(movements) - MOST_MOVEMENTS),
        "pulse": _pulse(learner, onset),
        "in_time": _in_time(learner),
        "remarks": list(learner.remarks),
    }


def _apart(summary: Summary) -> list[str]:
    """The changes of which nothing was heard and whose fingers were apart more than now and then, the worst first."""
    found = [
        f"{change_text(one.of.from_note, one.of.to_note)} ({one.times} of {one.of_all})"
        for one in summary.worth_work()
        if one.kind == "apart" and isinstance(one.of, ChangeSummary)
    ]
    more = len(found) - MOST_APART
    return found[:MOST_APART] + ([f"{more} more"] if more > 0 else [])


def _strips(learner: Learner, summary: Summary, strips: StripPage) -> list[dict[str, Any]]:
    """The typical fault and the worst one of what to work on first, where that is a change or a movement."""
    first = next((worth.of for worth in summary.worth_work()), None)
    if isinstance(first, ChangeSummary):
        what: What = (first.from_note, first.to_note)
    elif isinstance(first, MovementSummary):
        what = (first.name, first.to_note)
    else:
        return []
    typical, worst = typical_fault(learner.after, what), worst_fault(learner.after, what)
    shown: list[tuple[str, Instance]] = [("Typical", typical)] if typical else []
    if worst and (typical is None or worst.at != typical.at):
        shown.append(("Worst", worst))
    return [{"kind": kind, "svg": strips.add(one.strip), "at": one.at, "words": one.words} for kind, one in shown]


def _change_row(row: Compared, summary: Summary) -> dict[str, Any]:
    of = summary.by_change.get(row.what)  # type: ignore[arg-type]
    stray_us = of.typical_stray_us if of else 0
    return {
        **_counted(row),
        "stray": whole_ms(stray_us, summary.uncertainty_us) if stray_us else "–",
        "apart": (of.apart if of else 0) or "–",
    }


def _movement_row(row: Compared, summary: Summary) -> dict[str, Any]:
    of = summary.by_movement.get(row.what)  # type: ignore[arg-type]
    return {**_counted(row), "faults": faults_words(of) if of else ""}


def _counted(row: Compared) -> dict[str, Any]:
    return {
        "name": what_name(row.what),
        "before": _share(row.before),
        "since": _share(row.since),
        "verdict": row.verdict,
        "mark": row.stands_out,
    }


def _share(side: Side) -> str:
    return f"{side.astray} of {side.plain}" if side.plain else "–"


def _pulse(learner: Learner, onset: OnsetOf) -> list[dict[str, Any]]:
    """What is said of the pulse in the latest session of which it can be told; of its first music the picture too."""
    for each in reversed(learner.after):
        if told := pulse_page(each.analysis, onset, MOST_BARS_DRAWN)[:2]:
            day = day_words(each.day) if each.day else ""
            return [
                {**one, "day": day, "words": one["words"][:MOST_PULSE], "drawn": number == 0}
                for number, one in enumerate(told)
            ]
    return []


def _in_time(learner: Learner) -> list[str]:
    """What is said of the tunes that went by in time in the latest session that has one, the latest of them."""
    return next((told[-MOST_IN_TIME:] for each in reversed(learner.after) if (told := in_time_told(each.analysis))), [])
