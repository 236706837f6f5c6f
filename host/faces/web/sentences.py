"""The sentences in the host's messages: of chanter, progress, Tonight, a sitting. Their words are the catalogue's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fingering.notes import NOTES
from host.faces.web.texts import catalogue
from host.faces.words import capital, change_name, false_fingering, finger_name, listed, what_happened

if TYPE_CHECKING:
    from fingering.table import Table
    from host.live.happenings import ChanterNow, Over
    from host.live.practice_events import HoldJudged, Judged, Progressed, Snapshot, Turn

SHOWN_CHANGES = 5


def say(key: str, **parts: object) -> str:
    """A text of the catalogue with its names filled in."""
    return str(catalogue()["host"][key]).format(**parts)


def chanter_sentence(chanter: ChanterNow) -> str:
    """Who is listened to, and how that goes."""
    if chanter.place == "none":
        return say("none")
    if chanter.place in ("away", "refused"):
        return say(chanter.place, cause=chanter.cause.rstrip("."))
    return say(f"{chanter.place}_{chanter.origin}", name=chanter.name or say("port"))


def change_sentence(judged: Judged, table: Table) -> str:
    """One change. Advice is given only where obeying it takes every stray away."""
    change, timing = judged.change, judged.timing
    unsure = change.verdict == "stray" and judged.blame is None
    told = [f"{capital(change_name(change.from_note, change.to_note))}: {what_happened(change, timing, not unsure)}"]
    if unsure:
        told.append(say("cannot_tell"))
    if judged.outcome == "false fingering":
        verdict = table.verdict(change.to_mask)
        if verdict.wrong_fingers:
            told.append(false_fingering(verdict.note, verdict.wrong_fingers, change.to_mask))
    return " ".join(told)


def hold_sentence(hold: HoldJudged) -> str:
    """One try at a note alone."""
    note = NOTES[hold.note]
    fingers = listed([finger_name(finger) for finger in hold.fingers]) if hold.fingers else ""
    return say(f"hold_{hold.end.replace(' ', '_')}", note=capital(note), fingers=fingers)


def row_names(snapshot: Snapshot) -> tuple[str, str]:
    """What the rows out and back are called."""
    notes = tuple(dict.fromkeys(note for note, _ in snapshot.notes))
    if snapshot.progressed.back is None or len(notes) < 2:
        return snapshot.name, ""
    return change_name(notes[0], notes[1]), change_name(notes[1], notes[0])


def progress_sentence(progressed: Progressed, out_name: str, back_name: str) -> str:
    """What the counted rows do not show by themselves of the way to passing the rung; often nothing."""
    if not progressed.needed:
        return say("free")
    if progressed.passed:
        return say("passed_today")
    if progressed.waits_for_beat:
        return say("wait_beat")
    rows = ((out_name, progressed.out), (back_name, progressed.back))
    full = [name for name, count in rows if count is not None and count >= progressed.needed]
    short = [name for name, count in rows if count is not None and count < progressed.needed]
    if full and short:
        return say("row_full", name=capital(full[0]), needed=progressed.needed, other=short[0])
    return ""


def turn_sentence(turn: Turn) -> str:
    """What comes next tonight."""
    if turn.item is None:
        return say("tonight_over")
    told = say("tonight_rest") if turn.item.rest else say("tonight_turn", name=turn.item.name)
    return f"{told} {say('tonight_little')}" if turn.too_little and turn.number <= 1 else told


def summary_lines(over: Over, names: dict[str, str]) -> list[str]:
    """A sitting in a few sentences. `names` are the rungs' names by key."""
    summary: Any = over.summary
    lines = [say("summary_played" if summary.kept else "summary_simulated", minutes=length(summary.playing_us))]
    if summary.worth_work is not None:
        worst = summary.worth_work
        name = change_name(worst.from_note, worst.to_note)
        lines.append(say("summary_work", name=name, stray=worst.stray, tried=worst.tried))
    counts = sorted(summary.changes, key=lambda count: -count.tried)[:SHOWN_CHANGES]
    for count in counts:
        name = capital(change_name(count.from_note, count.to_note))
        lines.append(say("summary_change", name=name, clean=count.clean, tried=count.tried))
    for passed in summary.passed:
        key = {"without a beat": "without", "again without a beat": "again"}.get(passed.what, passed.what)
        name = capital(names.get(passed.rung_key, passed.rung_key))
        lines.append(say("summary_passed", name=name, what=say(f"passed_{key}")))
    return lines


def length(us: int) -> str:
    """A time in whole minutes, in words."""
    minutes = round(us / 60_000_000)
    if minutes < 1:
        return say("less")
    return say("minute") if minutes == 1 else say("minutes", minutes=minutes)
