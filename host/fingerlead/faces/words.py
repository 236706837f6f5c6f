"""What happened, why it sounds, what to try: in words for a player of ten years with a chanter in their hands."""

from collections.abc import Mapping
from dataclasses import replace
from statistics import median

from fingering.diagnosis import Diagnosis
from fingering.holes import FINGERS
from fingering.ladder import ladder
from fingering.moves import change_text, hair, hair_words, move
from fingering.notes import NOTES
from fingering.tunes import easy_tunes
from fingerlead.faces.phrases import capital, listed
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.progress import Turn, turn_of
from fingerlead.timing.results import Change, PlayedMovement, Stray, Timing, Verdict
from fingerlead.timing.summary import (
    CONFIDENCE,
    FEWEST,
    NOW_AND_THEN,
    ChangeSummary,
    MovementSummary,
    Summary,
    WorthWork,
    at_least,
    heard_stray_us,
)
from fingerlead.wire.events import Doubt
from fingerlead.wire.messages import Hello

NOTHING_STANDS_OUT = "Nothing stands out: no change goes astray more often than now and then."
MUSIC_UNKNOWN = (
    "In {unread} changes a short note may have been meant or may have slipped in: name the music that was played, and "
    "they can be judged. "
)
TOO_LITTLE = "Too little was played to say what to work on first: play each change at least {fewest} times."


def whole_ms(us: float, uncertainty_us: int = 0) -> int:
    """A duration in milliseconds with no more digits than the uncertainty allows: in tens where it is 10 ms or more."""
    step = int(10 ** max(0, len(str(uncertainty_us // 1_000)) - 1))
    return round(us / (1_000 * step)) * step


def ms(us: float, uncertainty_us: int = 0) -> str:
    """A duration for people."""
    return f"{whole_ms(us, uncertainty_us)} ms"


def clock_text(t_us: int) -> str:
    """A time in a recording, minutes and seconds."""
    tenths = t_us // 100_000
    return f"{tenths // 600}:{tenths // 10 % 60:02}.{tenths % 10}"


def finger_name(finger: int) -> str:
    """A finger with its article."""
    return f"the {FINGERS[finger]}"


def stray_name(from_note: int, to_note: int) -> str:
    """What pipers call the stray notes of a change."""
    return "runs" if move(from_note, to_note).way == "one-way" else "crossing noise"


def practised_names() -> dict[str, str]:
    """The names of all rungs, and the titles of the easy tunes, by their keys."""
    return {rung.key: rung.name for rung in ladder()} | {tune.key: tune.title for tune in easy_tunes()}


# What is said of changes that are shown and not counted with the plain ones.
UNPLAIN_SENTENCES: dict[str, str] = {
    "unclear": "what sounded about it can be read in two ways; it is not counted.",
    "perhaps": "a very short note beside it may be a slow stray, or may be meant; it is not counted as clean.",
    "extra": "another note sounded in between that these fingers do not sound by moving apart; it is not counted.",
    "embellished": "a grace note or an embellishment was played in it; it is not counted with the plain changes.",
}


# How changes are counted that no statistic counts.
UNPLAIN_KINDS: dict[Verdict, str] = {
    "embellished": "with a grace note or an embellishment in it",
    "extra": "with a note too many",
    "perhaps": "with a very short note beside it that may be a stray",
    "unclear": "that can be read in two ways",
    "uncertain": "uncertain, as something was lost",
}


def not_counted(beside: Mapping[Verdict, int]) -> str:
    """How many changes are in no statistic, each kind for itself; nothing where all count."""
    told = [f"{beside[verdict]} {what}" for verdict, what in UNPLAIN_KINDS.items() if beside.get(verdict)]
    return f"Not counted: {listed(told)}." if told else ""


def change_sentence(change: Change, timing: Timing) -> str:
    """One change: its name, then what happened and what to try."""
    return f"{capital(change_text(change.from_note, change.to_note))}: {what_happened(change, timing)}"


def what_happened(change: Change, timing: Timing, advise: bool = True) -> str:
    """What happened in a change and what to try, without its name; what alone where `advise` is False."""
    if change.verdict == "uncertain":
        return "uncertain, as frames were lost or the chanter was away meanwhile; it is not counted."
    told = []
    heard = [stray for stray in change.strays if stray.heard]
    if heard:
        told.append(_astray(change, heard, timing.uncertainty_us, diagnose_change(change) if advise else None))
    elif change.verdict in UNPLAIN_SENTENCES:
        told.append(UNPLAIN_SENTENCES[change.verdict])
    else:
        told.append(_clean(change))
    if change.verdict == "apart":
        last = change.fingers[-1]
        told.append(
            f"The fingers were not together: {finger_name(last.finger)} came "
            f"{ms(last.after_start_us, timing.uncertainty_us)} after the first. "
            f"{capital(together(change.from_note, change.to_note))}."
        )
    elif change.verdict == "clean" and len(change.fingers) > 1:
        told.append(_who_led(change, timing))
    if change.slips and change.verdict != "extra":
        names = _slipped(change)
        it_has = "it has" if len(names) == 1 else "they have"
        told.append(f"{capital(listed(names))} moved too, though {it_has} no part in this change.")
    return " ".join(told)


def _clean(change: Change) -> str:
    if not change.strays:
        return "clean." if change.verdict == "clean" else "nothing else sounded."
    notes = listed([_article(name) for name in dict.fromkeys(NOTES[stray.note] for stray in change.strays)])
    clean = "clean; " if change.verdict == "clean" else ""
    return f"{clean}{notes} in between {'was' if len(change.strays) == 1 else 'were'} too short to be heard."


def _astray(change: Change, heard: list[Stray], uncertainty_us: int, diagnosis: Diagnosis | None) -> str:
    sounded = listed([_article(NOTES[stray.note]) for stray in heard])
    lasted = f"sounded for {listed([ms(stray.duration_us, uncertainty_us) for stray in heard])}"
    if diagnosis is None:
        return f"{capital(sounded)} {lasted} in between."
    order = order_sentence(change, diagnosis, uncertainty_us)
    return f"{capital(order)}, so {sounded} {lasted}. {advice(change, diagnosis)}"


def order_sentence(change: Change, diagnosis: Diagnosis, uncertainty_us: int = 0) -> str:
    """Which finger moved before which, and by how much."""
    verb = {finger.finger: "lifted" if finger.motion == "lift" else "came down" for finger in change.fingers}
    other = "" if verb[diagnosis.first] == verb[diagnosis.second] else f" {verb[diagnosis.first]}"
    return (
        f"{finger_name(diagnosis.second)} {verb[diagnosis.second]} {ms(diagnosis.apart_us, uncertainty_us)} before "
        f"{finger_name(diagnosis.first)}{other}"
    )


def advice(change: Change, diagnosis: Diagnosis) -> str:
    """What to try; tried on the finger times themselves before it is said."""
    return f"{capital(together(change.from_note, change.to_note, (diagnosis.first, diagnosis.second)))}."


def together(from_note: int, to_note: int, order: tuple[int, int] | None = None) -> str:
    """What to try in a change, without a capital: `together, the bottom ring a hair ahead`.

    `order` are two fingers, the first of which should go before the second; if None, those of the standard fingerings.
    """
    pair = order or next(iter(move(from_note, to_note).before), None)
    if pair is None:
        return "move the fingers together"
    return f"together, {finger_name(hair(from_note, to_note, *pair))} {hair_words(from_note, to_note)}"


def _who_led(change: Change, timing: Timing) -> str:
    if change.lead is None:
        return "Which finger led is too close to call."
    return f"{capital(finger_name(change.lead))} led by {ms(change.fingers[1].after_start_us, timing.uncertainty_us)}."


def _slipped(change: Change) -> list[str]:
    return [finger_name(finger) for finger in dict.fromkeys(slip.finger for slip in change.slips)]


def passing_words(first: Change, second: Change) -> str:
    """A very short note between two changes."""
    return f"{_article(NOTES[first.to_note])} stood between for {ms(second.start_us - first.end_us)}."


def movement_sentence(movement: PlayedMovement) -> str:
    """A movement as played, or as it was left out."""
    name = f"{capital(movement.name)} on {NOTES[movement.to_note]}"
    if not movement.notes:
        return f"{name}: it was left out."
    said = {
        "faulty": "not quite as written",
        "another": f"where a {movement.written} is written",
        "unclear": "if it was one",
        "uncertain": "uncertain, as something was lost",
    }.get(movement.verdict)
    return f"{name}, {ms(movement.end_us - movement.start_us)}{f' ({said})' if said else ''}."


def work_on_first(summary: Summary) -> str:
    """What to work on first, in a sentence or two; before it that the music is not known, where that decides much."""
    worth = summary.worth_work()
    unknown = MUSIC_UNKNOWN.format(unread=summary.unread) if summary.music_decides else ""
    return unknown + (_worth_work(worth[0], summary) if worth else _no_first(summary))


def _worth_work(worth: WorthWork, summary: Summary) -> str:
    first = worth.of
    if isinstance(first, MovementSummary):
        return (
            f"Work on the {first.name} on {NOTES[first.to_note]} first: {worth.times} of {worth.of_all} were not as "
            "written."
        )
    change = change_text(first.from_note, first.to_note)
    if worth.kind == "apart":
        return (
            f"Work on {change} first: in {worth.times} of {worth.of_all} the fingers were not together, typically "
            f"{ms(worth.size_us, summary.uncertainty_us)} apart. {capital(together(first.from_note, first.to_note))}."
        )
    astray = first.astray
    text = (
        f"Work on {change} first: in {len(astray)} of {first.count} "
        f"{'another note' if len(first.strays()) > 1 else _article(NOTES[next(iter(first.strays()))])} sounded in "
        f"between, typically for {ms(first.typical_stray_us, summary.uncertainty_us)}."
    )
    usual = usual_diagnosis(first)
    return f"{text} {usual_advice(first, usual, summary.uncertainty_us)}" if usual else text


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
    found: dict[Turn, list[tuple[int, Diagnosis]]] = {}
    for change in of.astray:
        diagnosis = diagnose_change(change)
        if diagnosis is not None:
            found.setdefault(turn_of(diagnosis), []).append((heard_stray_us(change), diagnosis))
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
        f"{capital(finger_name(diagnosis.finger))} was {diagnosis.how} {often} "
        f"{ms(diagnosis.apart_us, uncertainty_us)}: "
        f"{together(of.from_note, of.to_note, (diagnosis.first, diagnosis.second))}."
    )


def timing_sentence(timing: Timing) -> str:
    """How far the times can be trusted."""
    clock = "the chanter's own clock" if timing.clock == "chanter" else "the times at which its messages arrived"
    whose = "this chanter's" if timing.scan_us else "it"
    skew = {
        "assumed": f"assumed, as {whose} has not been measured",
        "given": "as you gave it",
        "measured": "as measured with a bar on the front holes",
    }[timing.skew]
    if not timing.scan_us:
        # A list of times, from whatever wrote it.
        return (
            f"Finger times are as the file lists them, to within {ms(timing.uncertainty_us)} ({skew}); "
            "nearer than that is too close to call."
        )
    scans = f"two scans of {timing.scan_us / 1_000:g} ms and " if timing.scan_us else ""
    return (
        f"Finger times are from {clock}, to within {ms(timing.uncertainty_us)} "
        f"({scans}a sensor skew of {timing.skew_us / 1_000:g} ms, {skew}); nearer than that is too close to call."
    )


def intake_sentence(analysis: Analysis) -> str:
    """What was lost, or that nothing was; and what is wrong with the music."""
    intake = analysis.record.intake
    found = [
        _count(intake.lost_frames, "frame was lost", "frames were lost"),
        _count(intake.bad_frames, "came damaged", "came damaged"),
        _count(intake.restarts, "time the chanter started anew", "times the chanter started anew"),
        _count(sum(doubt.cause == "gap" for doubt in analysis.doubts), "time it fell silent", "times it fell silent"),
    ]
    told = [part for part in found if part]
    problem = f" {analysis.music_problem}" if analysis.music_problem else ""
    if not told:
        return f"Nothing was lost on the way.{problem}"
    uncertain = sum(change.verdict == "uncertain" for change in analysis.changes)
    touched = _count(uncertain, "change is uncertain for it", "changes are uncertain for it") or "no change was touched"
    return f"{capital(listed(told))}; {touched}.{problem}"


def doubt_sentence(doubt: Doubt) -> str:
    """Something may be missing."""
    length = ms(doubt.end_us - doubt.start_us)
    return {
        "lost": f"{_count(doubt.count, 'frame', 'frames')} lost within {length}; what happened in it is not known.",
        "gap": f"The chanter was silent for {length}; what happened in it is not known.",
        "restart": "The chanter has started anew; what happened meanwhile is not known.",
    }[doubt.cause]


def chanter_sentence(hello: Hello) -> str:
    """Who it is that is heard."""
    return f"Listening to {hello.name or 'a chanter without a name'} ({hello.device_id.hex()})."


def false_fingering(note: int, wrong: tuple[int, ...], covered_mask: int) -> str:
    """What is wrong with a fingering that sounds its note."""
    down = [finger_name(finger) for finger in wrong if covered_mask >> finger & 1]
    up = [finger_name(finger) for finger in wrong if not covered_mask >> finger & 1]
    parts = ([f"{listed(down)} should be up"] if down else []) + ([f"{listed(up)} should be down"] if up else [])
    return f"{capital(NOTES[note])}: {' and '.join(parts)}."


def _article(note: str) -> str:
    return f"{'an' if note[0] in 'EF' else 'a'} {note}"


def _count(count: int, one: str, many: str) -> str:
    return "" if not count else f"{count} {one if count == 1 else many}"
