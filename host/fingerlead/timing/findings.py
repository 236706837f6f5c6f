"""What to work on, worst first, in sentences; and what is said before that.

Question: of all that goes wrong more than now and then, what does a teacher say first? The order is that of
`Summary.worth_work`. Each share stands with Wilson's interval, each length with no more digits than it can bear.
"""

from collections import Counter
from dataclasses import replace
from statistics import median
from typing import NamedTuple

from fingering.diagnosis import Diagnosis
from fingering.holes import FINGERS
from fingering.moves import change_text, hair, hair_finger, hair_words
from fingering.notes import NOTES, a_note
from fingerlead.phrases import capital
from fingerlead.timing.fault_words import short_words
from fingerlead.timing.measured_words import finger_name, ms
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.progress import Cause, cause_of
from fingerlead.timing.pulse_words import pairs_name, unpointed_words
from fingerlead.timing.summary import (
    ChangeSummary,
    Summary,
    heard_stray_us,
    wilson,
)
from fingerlead.timing.worth import (
    CONFIDENCE,
    FEWEST,
    NOW_AND_THEN,
    DirectedChange,
    PairsSummary,
    WorthWork,
    WrittenSummary,
    at_least,
)

NOTHING_STANDS_OUT = "Nothing stands out: no change goes astray more often than now and then."
MUSIC_UNKNOWN = "The music is not known: in {unread} changes a short note may have been meant or may have slipped in."
NAME_IT = "Name what was played (--expect, or --music as you record), and they can be judged."
TOO_LITTLE = "Too little was played to say what to work on first: play each change at least {fewest} times."
# So many short notes are named, the most frequent first.
MOST_PASSING = 3


class Finding(NamedTuple):
    """Something to work on: `times` of `of_all`, typically by `size_us`; `interval` is where the true share lies.

    `subject` and `rest` are its words: "low G to B", "in 6 of 8 ...".
    """

    of: ChangeSummary | MovementSummary | WrittenSummary | PairsSummary
    times: int
    of_all: int
    size_us: int
    interval: tuple[float, float]
    subject: str
    rest: str

    @property
    def words(self) -> str:
        """The sentence."""
        return f"{capital(self.subject)}: {self.rest}"


def findings(summary: Summary) -> list[Finding]:
    """What to work on, worst first; empty where nothing stands out."""
    return [_finding(worth, summary.uncertainty_us) for worth in summary.worth_work()]


def work_on_first(summary: Summary) -> str:
    """What to work on first, in a sentence or two; before it that the music is not known, where that decides much."""
    worth = summary.worth_work()
    told = _music_unknown(summary) if summary.music_decides else []
    if worth:
        first = _finding(worth[0], summary.uncertainty_us)
        told.append(f"Work on {first.subject} first: {first.rest}")
    # Where much cannot be judged, that nothing stands out would be no comfort.
    return " ".join(told) or _no_first(summary)


def together_words(from_note: int, to_note: int, order: tuple[int, int] | None = None) -> str:
    """What to try in a change, without a capital: `together, the bottom ring a hair ahead`.

    `order` are two fingers, the first of which should go before the second; if None, those of the standard fingerings.
    """
    one = hair(from_note, to_note, *order) if order else hair_finger(from_note, to_note)
    if one is None:
        return "move the fingers together"
    return f"together, {finger_name(one)} {hair_words(from_note, to_note)}"


def share_words(times: int, of_all: int) -> str:
    """How many of how many, and where the true share is 19 times in 20: `6 of 8 (41 to 93 %)`."""
    low, high = wilson(times, of_all)
    return f"{times} of {of_all} ({100 * low:.0f} to {100 * high:.0f} %)" if of_all else "none"


def _music_unknown(summary: Summary) -> list[str]:
    """That the music is not known, and which short notes would be judged if it were."""
    passing = sorted(summary.passing.items(), key=lambda one: (-len(one[1]), one[0]))
    named = []
    for (before, note, after), lengths in passing[:MOST_PASSING]:
        direct = summary.by_change.get((before, after))
        of_all = len(lengths) + (0 if direct is None else direct.count)
        named.append(
            f"A{a_note(note)[1:]} of {ms(median(lengths), summary.uncertainty_us)} sounded between {NOTES[before]} and "
            f"{NOTES[after]}, {len(lengths)} of {of_all}."
        )
    return [MUSIC_UNKNOWN.format(unread=summary.unread), *named, NAME_IT]


def _finding(worth: WorthWork[ChangeSummary], uncertainty_us: int) -> Finding:
    of, share = worth.of, share_words(worth.times, worth.of_all)
    if isinstance(of, MovementSummary):
        subject, rest = f"the {of.title}", f"{share} were not as written{_mostly(of)}."
    elif isinstance(of, PairsSummary):
        subject, rest = f"the {pairs_name(of.dotted)}", pairs_rest(of, share)
    elif isinstance(of, WrittenSummary):
        subject, rest = change_text(of.from_note, of.to_note), wrong_rest(of, share)
    else:
        subject = change_text(of.from_note, of.to_note)
        size = ms(worth.size_us, uncertainty_us)
        if worth.kind == "apart":
            rest = apart_rest(of, share, size, worth.times)
        else:
            strays = list(of.strays())
            sounded = "another note" if len(strays) > 1 else a_note(strays[0])
            rest = f"in {share} {sounded} sounded in between, typically for {size}."
            usual = usual_diagnosis(of)
            rest += f" {usual_advice(of, usual, uncertainty_us)}" if usual else ""
    return Finding(of, worth.times, worth.of_all, worth.size_us, wilson(worth.times, worth.of_all), subject, rest)


def apart_rest(of: DirectedChange, share: str, size: str, times: int) -> str:
    """What is said of fingers apart, in `share` of the changes, so many `times`, by `size`, and what to try."""
    advice = capital(together_words(of.from_note, of.to_note))
    usual = "typically " if times > 1 else ""
    return f"in {share} the fingers were not together, {usual}{size} apart. {advice}."


def wrong_rest(of: WrittenSummary, share: str) -> str:
    """What is said of wrong notes on a written step."""
    return f"in {share} {instead_words(of)}."


def instead_words(of: WrittenSummary) -> str:
    """What was played instead of the second note of a step."""
    ((most, _), *others) = Counter(note for note, _ in of.wrong).most_common()
    mostly = f"another note was played, mostly {a_note(most)}," if others else f"{NOTES[most]} was played"
    return f"{mostly} instead of {NOTES[of.to_note]}"


def pairs_rest(of: PairsSummary, share: str) -> str:
    """What is said of pairs that were not pointed."""
    return f"{share} were {unpointed_words(of.unpointed, of.written_ratio)}."


def _mostly(of: MovementSummary) -> str:
    """The commonest fault of a movement, and in how many it is."""
    if not of.faults:
        return ""
    ((what, times),) = of.faults.most_common(1)
    name = short_words(what, of.to_note)
    return f": {name}, in {times} of them" if of.wrong > 1 else f": {name}"


def _no_first(summary: Summary) -> str:
    if all(change.count < FEWEST for change in summary.by_change.values()):
        return TOO_LITTLE.format(fewest=FEWEST)
    if at_least(summary.astray, summary.plain, NOW_AND_THEN) >= 1 - CONFIDENCE:
        return NOTHING_STANDS_OUT
    return (
        f"Nothing stands out yet: strays sounded in {summary.astray} of {summary.plain} changes, but spread so widely "
        "that no one change is sure to be the trouble. Longer playing, or the same few notes again, will tell."
    )


def usual_diagnosis(of: ChangeSummary) -> tuple[Diagnosis, int] | None:
    """The commonest fault in the instances that went astray, weighed by what was heard, and in how many it was.

    `apart_us` is the middle one of all of them.
    """
    found: dict[Cause, list[tuple[int, Diagnosis]]] = {}
    for change in of.astray:
        diagnosis = diagnose_change(change)
        if diagnosis is not None:
            found.setdefault(cause_of(diagnosis), []).append((heard_stray_us(change), diagnosis))
    if not found:
        return None
    commonest = max(found.values(), key=lambda group: sum(heard_us for heard_us, _ in group))
    apart_us = round(median(diagnosis.apart_us for _, diagnosis in commonest))
    return replace(commonest[0][1], apart_us=apart_us), len(commonest)


def usual_advice(of: ChangeSummary, usual: tuple[Diagnosis, int], uncertainty_us: int = 0) -> str:
    """The commonest fault of some changes that went astray, and what to try."""
    diagnosis, times = usual
    often = "once, by" if times == 1 else f"in {times} of them, typically by"
    return (
        f"The {FINGERS[diagnosis.finger]} was {diagnosis.how} {often} {ms(diagnosis.apart_us, uncertainty_us)}: "
        f"{together_words(of.from_note, of.to_note, (diagnosis.first, diagnosis.second))}."
    )
