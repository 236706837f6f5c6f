"""The first page of a report, for a parent: dates, what is cleaner, what to do this week, a strip before and one since.

It names the learner and nothing else that is private: no note of the teacher's, no file, no place on a machine.
"""

from collections.abc import Iterable, Sequence
from datetime import date
from itertools import groupby
from typing import Any

from fingerlead.faces.report.compared import Compared
from fingerlead.faces.report.comparison import rough
from fingerlead.faces.report.instances import Instance, typical_fault, typical_right
from fingerlead.faces.report.learner import GivenPiece, Learner, Played
from fingerlead.faces.report.staff import NOTHING, staff_of, staff_of_rung
from fingerlead.faces.strip_svg import StripPage
from fingerlead.faces.words import practised_name, practised_words
from fingerlead.phrases import capital, counted, date_text, day_words, listed, small
from fingerlead.timing.evenings import Side, What, what_title
from fingerlead.timing.fault_words import short_words
from fingerlead.timing.findings import findings, together_words, usual_diagnosis, work_on_first
from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.summary import ChangeSummary, Summary, playing_us
from fingerlead.timing.worth import PairsSummary, WrittenSummary

# So much fits on one page of paper, with the longest of names and notes.
MOST_CLEANER, MOST_PIECES, MOST_NOTES, LONGEST_NOTE, MOST_DAYS = 4, 4, 2, 240, 12


def front(learner: Learner, summary: Summary, rows: Sequence[Compared], strips: StripPage) -> dict[str, Any]:
    """What the first page shows; `summary` is of what was played since the day."""
    cleaner = [row for row in rows if row.verdict == "better"]
    return {
        "dates": dates_sentences(learner),
        "cleaner": list(map(better_sentence, cleaner[:MOST_CLEANER])),
        "more_cleaner": max(0, len(cleaner) - MOST_CLEANER),
        "not_cleaner": [] if cleaner else not_cleaner_sentences(learner, rows),
        "passed": pieces_words(learner.passed),
        "passed_again": pieces_words(learner.passed_again),
        "week": week(summary, learner.given),
        "given": given(learner.given),
        "pair": pair(learner, rows, cleaner, strips),
    }


def dates_sentences(learner: Learner) -> list[str]:
    """When it was played since the day, how often and how long; and how often before."""
    if not learner.since:
        return [f"{_amount(learner.played)}{days_words(learner.played)}."]
    told, day = [], day_words(learner.since)
    if learner.after:
        told.append(f"Since {day}: {_amount(learner.after)}{days_words(learner.after)}.")
    else:
        told.append(f"Nothing was played since {day}.")
    if learner.before:
        told.append(f"Before that: {_amount(learner.before)}{_from_to(learner.before)}.")
    elif learner.after:
        told.append("No playing from before that is known here, so nothing can be compared with it yet.")
    return told


def days_words(played: Iterable[Played]) -> str:
    """The days of some playing, after a comma: `, on 6, 8 and 13 November 2026`; nothing where none is known."""
    days = sorted({date.fromisoformat(each.day) for each in played if each.day})
    if len(days) > MOST_DAYS:
        return f", on {len(days)} days from {date_text(days[0])} to {date_text(days[-1])}"
    months = [(month, [str(day.day) for day in of]) for month, of in groupby(days, key=lambda day: f"{day:%B %Y}")]
    return f", on {listed([f'{listed(of)} {month}' for month, of in months])}" if months else ""


def _from_to(played: Sequence[Played]) -> str:
    days = sorted({each.day for each in played})
    return f", from {day_words(days[0])} to {day_words(days[-1])}" if len(days) > 1 else f", on {day_words(days[0])}"


def _amount(played: Sequence[Played]) -> str:
    minutes = sum(playing_us(each.analysis) for each in played) / 60_000_000
    return f"{counted(len(played), 'session')} with {counted(max(1, round(minutes)), 'minute')} of playing"


def what_name(what: What) -> str:
    """What a change or a movement is called, with a capital."""
    return capital(what_title(what))


def better_sentence(row: Compared) -> str:
    """A change or movement that is clearly better than before, with its counts."""
    return f"{what_name(row.what)}: {wrong_words(row.what, row.since)}; before, {_times(row.before)}."


def wrong_words(what: What, side: Side) -> str:
    """How often something went wrong, in words for those who do not play."""
    return f"{'not as written' if isinstance(what[0], str) else 'a stray note'} in {_times(side)}"


def _times(side: Side) -> str:
    return f"{side.astray or 'none'} of {side.plain}"


def not_cleaner_sentences(learner: Learner, rows: Sequence[Compared]) -> list[str]:
    """What is said where nothing is clearly better; nothing where there is no day, or nothing on one side of it."""
    if not (learner.since and learner.before and learner.after and rows):
        return []
    told = [row for row in rows if row.verdict in ("worse", "no clear change")]
    worse = [what_name(row.what) for row in told if row.verdict == "worse"]
    if worse:
        return [f"Less clean than before: {listed(worse[:MOST_CLEANER])}. Nothing is clearly cleaner."]
    if told:
        return ["No change is clearly cleaner, or less clean, than before."]
    first = rows[0]
    return [
        f"It is too early to tell what has changed: for {what_title(first.what)}, that takes about "
        f"{rough(first.evenings)} evenings of playing before {day_words(learner.since)} and as many since."
    ]


def pieces_words(keys: Iterable[str]) -> str:
    """Rungs and tunes by their names, the first of them."""
    some = list(keys)
    more = f"; {len(some) - MOST_PIECES} more" if len(some) > MOST_PIECES else ""
    return practised_words(some[:MOST_PIECES]) + more


def week(summary: Summary, pieces: Sequence[GivenPiece]) -> dict[str, Any]:
    """What to work on this week: in a sentence, why, and as a little staff, else that of the homework."""
    found = next(iter(findings(summary)), None)
    staves = (staff_of_rung(piece.key) for piece in pieces)
    if found is None:
        staff = next((staff for staff in staves if staff.words), NOTHING)
        # Where nothing was played, the homework alone says what to do.
        why = "" if pieces and not summary.playing_us else work_on_first(summary)
        return {"do": "", "why": why, "staff": staff.svg, "notes": staff.words}
    what = _what_of(found.of)
    staff = staff_of(what) if what else NOTHING
    name = capital(found.subject.removeprefix("the "))
    do, why = f"{name}, slowly.", capital(found.rest)
    if isinstance(found.of, ChangeSummary):
        usual = usual_diagnosis(found.of)
        order = (usual[0].first, usual[0].second) if usual else None
        do = f"{name}, slowly: {together_words(found.of.from_note, found.of.to_note, order)}."
        kind = "a stray note slipped in" if found.of.astray else "the fingers were not together"
        why = f"In {found.times} of {found.of_all} {kind}."
    elif isinstance(found.of, MovementSummary):
        why = f"It was not as written in {found.times} of {found.of_all}{_mostly(found.of)}."
    return {"do": do, "why": why, "staff": staff.svg, "notes": staff.words}


def _what_of(of: ChangeSummary | MovementSummary | WrittenSummary | PairsSummary) -> What | None:
    if isinstance(of, ChangeSummary | WrittenSummary):
        return of.from_note, of.to_note
    return (of.name, of.to_note) if isinstance(of, MovementSummary) else None


def _mostly(of: MovementSummary) -> str:
    return f": mostly {short_words(of.faults.most_common(1)[0][0], of.to_note)}" if of.faults else ""


def given(pieces: Sequence[GivenPiece]) -> dict[str, Any]:
    """The homework that stands: its pieces with their days, and the teacher's lines."""
    dues = {piece.due for piece in pieces}
    notes = list(dict.fromkeys(piece.note for piece in pieces if piece.note))[:MOST_NOTES]
    longest = LONGEST_NOTE // max(1, len(notes))
    one_due = next(iter(dues)) if len(dues) == 1 else ""
    return {
        "due": day_words(one_due) if one_due else "",
        "pieces": [
            capital(practised_name(piece.key))
            + (f" (until {day_words(piece.due)})" if piece.due and not one_due else "")
            for piece in pieces[:MOST_PIECES]
        ],
        "more": max(0, len(pieces) - MOST_PIECES),
        "notes": [note if len(note) <= longest else note[:longest].rsplit(" ", 1)[0] + " …" for note in notes],
    }


def pair(learner: Learner, rows: Sequence[Compared], cleaner: Sequence[Compared], strips: StripPage) -> dict[str, Any]:
    """A strip before and one since: of what is clearest better, else of what goes wrong most."""
    row = next(iter(cleaner), None) or next((row for row in rows if row.weight_us), None)
    if row is None:
        return {"name": "", "figures": []}
    # What most tries come to is what is shown of something that is better: by now it may well be right.
    is_right_now = row in cleaner and 2 * row.since.astray < row.since.plain
    before = typical_fault(learner.before, row.what) or typical_right(learner.before, row.what)
    since = None if is_right_now else typical_fault(learner.after, row.what)
    shown = (
        (f"Before {day_words(learner.since)}", row.before, before),
        ("Since then" if learner.since else "", row.since, since or typical_right(learner.after, row.what)),
    )
    figures = [_figure(title, row.what, side, one, strips) for title, side, one in shown if one]
    return {"name": what_name(row.what), "is_change": not isinstance(row.what[0], str), "figures": figures}


def _figure(title: str, what: What, side: Side, one: Instance, strips: StripPage) -> dict[str, Any]:
    one_of = "One of these" if one.is_fault else "One of the others" if side.astray else "One of them"
    return {
        "title": title,
        "svg": strips.add(one.strip),
        "counts": f"{capital(wrong_words(what, side))}.",
        "words": f"{one_of}: {small(one.words)}",
    }
