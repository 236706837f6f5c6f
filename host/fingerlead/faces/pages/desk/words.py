"""What a studio says of its pupils, in plain sentences for their teacher."""

from collections.abc import Collection, Sequence

from fingering.holes import FINGERS
from fingering.moves import change_text
from fingerlead.phrases import capital, counted, day_words, listed
from fingerlead.studio.overview import Glance, Shared, Work
from fingerlead.timing.evenings import What, what_title
from fingerlead.timing.fault_words import short_words
from fingerlead.timing.findings import apart_rest, instead_words, pairs_rest, together_words, wrong_rest
from fingerlead.timing.measured_words import ms
from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.progress import Fault, Tally
from fingerlead.timing.pulse_words import pairs_name, unpointed_words
from fingerlead.timing.worth import PairsSummary, WrittenSummary

# Named of sessions with a day that cannot be.
MOST_DAYS = 3


def glance_sentence(glance: Glance) -> str:
    """One pupil in one sentence: what changed since the last lesson, and what to work on first."""
    since = "since the lesson" if glance.pupil.lesson == glance.since else f"since {day_words(glance.since)}"
    if not glance.sessions:
        return f"Nothing was played {since}."
    trends = [each for trend in ("worse", "better") if (each := _trend(glance, trend))]
    if trends:
        worse = {each.what for each in glance.changed if each.difference.trend == "worse"}
        return f"{capital(listed(trends))}; {work_clause(glance, worse)}."
    work = work_clause(glance)
    nothing = "no clear change" if glance.is_enough else "not enough was played yet to tell a change"
    return f"{capital(work)}; {nothing} {since}."


def work_clause(glance: Glance, named: Collection[What] = ()) -> str:
    """What to work on first, without a capital; where the sentence has named that alone as worse, it is "it"."""
    first = glance.first
    if first is None:
        return "nothing stands out now"
    what = "it" if set(named) == {first.key} else work_name(first)
    return f"work on {what} first{_why_clause(first)}"


def work_name(work: Work) -> str:
    """What is worth work, without a capital."""
    if isinstance(work.of, MovementSummary):
        return f"the {work.of.title}"
    if isinstance(work.of, PairsSummary):
        return f"the {pairs_name(work.of.dotted)}"
    return change_text(work.of.from_note, work.of.to_note)


def _why_clause(work: Work) -> str:
    """What goes wrong, and what to try, after a colon; nothing where nothing can be said."""
    of, share = work.of, f"{work.times} of {work.of_all}"
    if isinstance(of, MovementSummary):
        return most_clause(of)
    if isinstance(of, PairsSummary):
        return f": {share} {unpointed_words(of.unpointed, of.written_ratio)}"
    if isinstance(of, WrittenSummary):
        return f": in {share} {instead_words(of)}"
    if work.kind == "apart":
        return f": in {share} the fingers were not together; {together_words(of.from_note, of.to_note)}"
    return fault_clause((of.from_note, of.to_note), of.faults[0] if of.faults else None)


def most_clause(movement: MovementSummary) -> str:
    """What is not as written in a movement most, after a colon; nothing where nothing is said of it."""
    if not movement.faults:
        return ""
    ((what, times),) = movement.faults.most_common(1)
    return f": {short_words(what, movement.to_note)}, in {times} of {movement.count}"


def fault_clause(change: tuple[int, int], fault: Fault | None) -> str:
    """What to try where a finger of a change goes out of turn, after a colon; nothing if it cannot be said."""
    if fault is None:
        return ""
    return f": {together_words(*change, fault.cause[2:])}"


def misdated_sentence(days: Sequence[str]) -> str:
    """What is said of sessions with days, ISO, that cannot be; empty where there are none."""
    if not days:
        return ""
    named = listed([day_words(day) for day in sorted(set(days))[:MOST_DAYS]])
    verb, each = ("says", "It counts") if len(days) == 1 else ("say", "They count")
    return (
        f"{counted(len(days), 'session')} {verb} {named}: the clock was wrong. {each} in no span of days; set the "
        "clock of the machine that records"
    )


def shared_fault_name(fault: Shared | None) -> str:
    """What pupils of a group share."""
    if fault is None:
        return "Nothing stands out"
    if isinstance(fault, str):
        return capital(fault)
    finger, early = fault
    return f"{capital(FINGERS[finger])} too {'early' if early else 'late'}"


def work_sentence(work: Work) -> str:
    """One thing that is worth work over some sessions: how often it goes wrong, and how."""
    of, share = work.of, f"{work.times} of {work.of_all}"
    if isinstance(of, MovementSummary):
        return movement_sentence_of(of)
    if work.kind == "stray" and isinstance(of, Tally):
        return tally_sentence(of)
    if isinstance(of, PairsSummary):
        rest = pairs_rest(of, share)
    elif isinstance(of, WrittenSummary):
        rest = wrong_rest(of, share)
    else:
        rest = apart_rest(of, share, ms(work.size_us), work.times)
    return f"{capital(work_name(work))}: {rest}"


def tally_sentence(tally: Tally) -> str:
    """One change over some sessions: how often and how long it goes astray, and by which finger."""
    name = capital(change_text(tally.from_note, tally.to_note))
    if not tally.astray:
        return f"{name}: {tally.plain} played, none astray."
    usual = "typically for" if tally.astray > 1 else "for"
    return (
        f"{name}: {tally.astray} of {tally.plain} astray, {usual} {ms(tally.typical_stray_us)}"
        f"{fault_clause((tally.from_note, tally.to_note), tally.faults[0] if tally.faults else None)}."
    )


def movement_sentence_of(movement: MovementSummary) -> str:
    """One movement over some sessions: how often it is as written, and what is not most."""
    right = movement.verdicts["as written"]
    return f"{capital(movement.title)}: {right} of {movement.count} as written{most_clause(movement)}."


def _trend(glance: Glance, trend: str) -> str:
    names = [what_title(each.what) for each in glance.changed if each.difference.trend == trend]
    if not names:
        return ""
    rest = f" and {len(names) - 2} more" if len(names) > 3 else ""
    named = listed(names) if not rest else ", ".join(names[:2]) + rest
    return f"{named} {'has' if len(names) == 1 else 'have'} got {trend}"
