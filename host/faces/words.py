"""What happened, why it sounds, what to try: in words for somebody of ten years with a chanter in their hands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fingering.holes import FINGERS
from fingering.notes import NOTES
from host.timing.blame import Blame, blame
from host.timing.summary import heard_stray_us

if TYPE_CHECKING:
    from host.timing.analysis import Analysis
    from host.timing.results import Change, Ornament, Stray, Timing
    from host.timing.summary import ChangeSummary, Summary
    from host.wire.messages import Hello
    from host.wire.record import Doubt

NOTHING_STANDS_OUT = "Nothing stands out: no change goes astray more often than now and then."


def ms(us: int) -> str:
    """A duration for people; whole milliseconds are finer than any finger can be timed."""
    return f"{round(us / 1_000)} ms"


def clock_text(t_us: int) -> str:
    """A time in a recording, minutes and seconds."""
    tenths = t_us // 100_000
    return f"{tenths // 600}:{tenths // 10 % 60:02}.{tenths % 10}"


def finger_name(finger: int) -> str:
    """A finger with its article."""
    return f"the {FINGERS[finger]}"


def listed(names: list[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def change_name(from_note: int, to_note: int) -> str:
    """A change by its notes."""
    return f"{NOTES[from_note]} to {NOTES[to_note]}"


def change_sentence(change: Change, timing: Timing) -> str:
    """One change: its name, then what happened and what to try."""
    return f"{_capital(change_name(change.from_note, change.to_note))}: {what_happened(change, timing)}"


def what_happened(change: Change, timing: Timing) -> str:
    """What happened in a change and what to try, without its name."""
    if change.verdict == "uncertain":
        return "uncertain, as frames were lost or the chanter was away meanwhile; it is not counted."
    told = []
    heard = [stray for stray in change.strays if stray.heard]
    if heard:
        told.append(_astray(change, heard))
    elif change.verdict == "perhaps":
        told.append("a very short note beside it may be a slow stray, or may be meant; it is not counted as clean.")
    elif change.verdict == "ornamented":
        told.append("a grace note sounded in it; it is not counted with the plain changes.")
    else:
        told.append("clean." if not change.loose else "nothing else sounded.")
    if change.loose:
        last = change.fingers[-1]
        told.append(
            f"The fingers were loose: {finger_name(last.finger)} came {ms(last.after_start_us)} after the first. "
            "Move them as one."
        )
    if change.verdict in ("clean", "stray") and change.loose is not None:
        told.append(_who_led(change, timing))
    told += _slips(change)
    return " ".join(part for part in told if part)


def _astray(change: Change, heard: list[Stray]) -> str:
    sounded = listed([_article(NOTES[stray.note]) for stray in heard])
    lasted = f"sounded for {listed([ms(stray.duration_us) for stray in heard])}"
    blamed = blame(change)
    if blamed is None:
        return f"{_capital(sounded)} {lasted} in between."
    return f"{_capital(order_sentence(change, blamed))}, so {sounded} {lasted}. {advice(blamed)}"


def order_sentence(change: Change, blamed: Blame) -> str:
    """Which finger moved before which, and by how much."""
    verb = {finger.finger: "lifted" if finger.motion == "lift" else "came down" for finger in change.fingers}
    other = "" if verb[blamed.first] == verb[blamed.second] else f" {verb[blamed.first]}"
    return (
        f"{finger_name(blamed.second)} {verb[blamed.second]} {ms(blamed.apart_us)} before "
        f"{finger_name(blamed.first)}{other}"
    )


def advice(blamed: Blame) -> str:
    """What to try; tried on the finger times themselves before it is said."""
    lead = f"Let {finger_name(blamed.first)} go first."
    return lead if blamed.mends_all else f"{lead} That mends a part of it; the other fingers were not together either."


def _who_led(change: Change, timing: Timing) -> str:
    if len(change.fingers) < 2 or change.verdict == "stray":
        return ""
    if change.lead is None:
        return "Which finger led is too close to call."
    return f"{_capital(finger_name(change.lead))} led by {ms(change.fingers[1].after_start_us)}."


def _slips(change: Change) -> list[str]:
    names = [finger_name(finger) for finger in dict.fromkeys(slip.finger for slip in change.slips)]
    if not names or change.verdict == "ornamented":
        return []
    return [f"{_capital(listed(names))} moved too, though it has no part in this change."]


def passing_words(first: Change, second: Change) -> str:
    """A very short note between two changes."""
    return f"{_article(NOTES[first.to_note])} stood between for {ms(second.start_us - first.end_us)}."


def ornament_sentence(ornament: Ornament) -> str:
    """An ornament as played."""
    return f"{_capital(ornament.name)} on {NOTES[ornament.on]}, {ms(ornament.end_us - ornament.start_us)}."


def work_on_first(summary: Summary) -> str:
    """What to work on first, in a sentence or two."""
    first = summary.first()
    if first is None:
        return NOTHING_STANDS_OUT
    astray = first.astray
    text = (
        f"Work on {change_name(first.from_note, first.to_note)} first: in {len(astray)} of {first.count} "
        f"{'another note' if len(first.strays()) > 1 else _article(NOTES[next(iter(first.strays()))])} sounded in "
        f"between, typically for {ms(first.typical_stray_us)}."
    )
    usual = usual_blame(first)
    return f"{text} {usual_advice(first, usual)}" if usual else text


def usual_blame(of: ChangeSummary) -> tuple[Blame, int] | None:
    """The commonest fault in the instances that went astray, weighed by what was heard, and in how many it was."""
    found: dict[tuple[int, bool, int, int], list[tuple[int, Blame]]] = {}
    for change in of.astray:
        blamed = blame(change)
        if blamed is not None:
            key = (blamed.finger, blamed.early, blamed.first, blamed.second)
            found.setdefault(key, []).append((heard_stray_us(change), blamed))
    if not found:
        return None
    commonest = max(found.values(), key=lambda group: sum(heard_us for heard_us, _ in group))
    ranked = sorted((blamed for _, blamed in commonest), key=lambda blamed: blamed.apart_us)
    return ranked[len(ranked) // 2], len(ranked)


def usual_advice(of: ChangeSummary, usual: tuple[Blame, int]) -> str:
    """The commonest fault and what to try."""
    blamed, times = usual
    how = "early" if blamed.early else "late"
    return (
        f"{_capital(finger_name(blamed.finger))} was {how} in {times} of them, typically by {ms(blamed.apart_us)}: "
        f"let {finger_name(blamed.first)} go before {finger_name(blamed.second)}."
    )


def timing_sentence(timing: Timing) -> str:
    """How far the times can be trusted."""
    clock = "the chanter's own clock" if timing.clock == "chanter" else "the times at which its messages arrived"
    skew = {
        "assumed": "assumed, as this chanter's has not been measured",
        "given": "as you gave it",
        "measured": "as measured",
    }[timing.skew]
    scans = f"two scans of {timing.scan_us / 1_000:g} ms and " if timing.scan_us else ""
    return (
        f"Finger times are from {clock}, to within {ms(timing.uncertainty_us)} "
        f"({scans}a sensor skew of {timing.skew_us / 1_000:g} ms, {skew}); nearer than that is too close to call."
    )


def intake_sentence(analysis: Analysis) -> str:
    """What was lost, or that nothing was."""
    intake = analysis.record.intake
    found = [
        _count(intake.lost_frames, "frame was lost", "frames were lost"),
        _count(intake.bad_frames, "came damaged", "came damaged"),
        _count(intake.restarts, "time the chanter started anew", "times the chanter started anew"),
        _count(sum(doubt.cause == "gap" for doubt in analysis.doubts), "time it fell silent", "times it fell silent"),
    ]
    told = [part for part in found if part]
    if not told:
        return "Nothing was lost on the way."
    uncertain = sum(change.verdict == "uncertain" for change in analysis.changes)
    touched = _count(uncertain, "change is uncertain for it", "changes are uncertain for it") or "no change was touched"
    return f"{_capital(listed(told))}; {touched}."


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
    return f"{_capital(NOTES[note])}: {' and '.join(parts)}."


def _article(note: str) -> str:
    return f"{'an' if note[0] in 'EF' else 'a'} {note}"


def _count(count: int, one: str, many: str) -> str:
    return "" if not count else f"{count} {one if count == 1 else many}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
