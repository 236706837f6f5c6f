"""What the practice page is sent: each event of practice as a message in words, published through the hub.

The words are those of the catalogue, section `host`. All of this runs in the thread of the practice actor.
"""

from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from typing import Any

from fingering.holes import FINGERS
from fingering.moves import advice, change_text, hair_finger
from fingering.notes import NOTES
from fingering.orders import every_rung
from fingering.table import Table
from fingerlead.faces.pages.kit.hub import Hub
from fingerlead.faces.pages.kit.templates import catalogue
from fingerlead.faces.pages.practice.telling import NOTHING, Telling
from fingerlead.faces.sheet.piece import note_id
from fingerlead.faces.strip import LETTERS, change_strip, scale_words, shared_scale
from fingerlead.faces.strip_svg import strip_svg
from fingerlead.faces.words import false_fingering, practised_name, what_happened
from fingerlead.music.tune import Tune
from fingerlead.phrases import capital, listed
from fingerlead.practice import events
from fingerlead.practice.course import CourseNow
from fingerlead.store.practice_log import Week
from fingerlead.store.session_file import seconds_text
from fingerlead.timing.fault_words import fault_sentence
from fingerlead.timing.measured_words import finger_name

PACKAGE = "fingerlead.faces.pages.practice"
SHOWN_CHANGES = 3

Message = dict[str, Any]


def say(key: str, **parts: object) -> str:
    """A text of the catalogue with its names filled in."""
    return str(catalogue(PACKAGE)["host"][key]).format(**parts)


def join_lines(fingerprint: str) -> list[str]:
    """For who joins by a phone: what to do, what it warns of and why, what to tap, and what to compare."""
    return [say(f"join_{what}", fingerprint=fingerprint) for what in ("scan", "warning", "tap", "compare")]


def chanter_sentence(chanter: events.ChanterNow) -> str:
    """Who is listened to, and how that goes."""
    if chanter.place == "none":
        return say("none")
    if chanter.place in ("away", "refused"):
        return say(chanter.place, cause=chanter.cause.rstrip("."))
    return say(f"{chanter.place}_{chanter.origin}", name=chanter.name or say("port"))


def change_sentence(judged: events.Judged, table: Table) -> str:
    """One change. Advice is given only where obeying it takes every stray away."""
    change, timing = judged.change, judged.timing
    unsure = change.verdict == "stray" and judged.diagnosis is None
    name = capital(change_text(change.from_note, change.to_note))
    sentences = [f"{name}: {what_happened(change, timing, not unsure)}"]
    if unsure:
        sentences.append(say("cannot_tell"))
    if judged.off_beat_us is not None:
        key = "after_beat" if judged.off_beat_us > 0 else "before_beat"
        sentences.append(say(key, ms=round(abs(judged.off_beat_us) / 1_000)))
    if judged.outcome == "false fingering":
        verdict = table.verdict(change.to_mask)
        if verdict.wrong_fingers:
            sentences.append(false_fingering(verdict.note, verdict.wrong_fingers, change.to_mask))
    return " ".join(sentences)


def hold_sentence(hold: events.HoldJudged) -> str:
    """One try at a note alone."""
    note = NOTES[hold.note]
    fingers = listed([finger_name(finger) for finger in hold.fingers]) if hold.fingers else ""
    return say(f"hold_{hold.end.replace(' ', '_')}", note=capital(note), fingers=fingers)


def movement_sentence(judged: events.MovementJudged) -> str:
    """One try at an embellishment."""
    played = judged.played
    name = f"{capital(played.written or played.name)} on {NOTES[played.to_note]}"
    if judged.outcome in ("clean", "too slow"):
        ratio, most = played.tempo_ratio, f"{judged.slowest or 0:g}"
        tempo = "" if ratio is None else say("movement_tempo", times=f"{ratio:.1f}")
        return say(f"movement_{judged.outcome.replace(' ', '_')}", name=name, tempo=tempo, most=most)
    if judged.outcome == "not counted":
        return say("movement_not_counted", name=name)
    if played.faults:
        return fault_sentence(played, played.faults[0])
    return say(f"movement_{played.verdict.replace(' ', '_')}", name=name, other=played.name)


def row_names(snapshot: events.Snapshot) -> tuple[str, str]:
    """What the rows out and back are called."""
    notes = tuple(dict.fromkeys(note for note, _ in snapshot.notes))
    if snapshot.progressed.back is None or len(notes) < 2:
        return snapshot.name, ""
    if snapshot.key in every_rung() and len(every_rung()[snapshot.key].notes) > 2:
        return say("row_there"), say("row_back")
    return change_text(notes[0], notes[1]), change_text(notes[1], notes[0])


def progress_sentence(progressed: events.Progressed, out_name: str, back_name: str) -> str:
    """What the counted rows do not show by themselves of the way to passing the rung; often nothing."""
    if not progressed.needed:
        return say("free")
    if progressed.passed:
        return "" if progressed.next is None else say("passed_next")
    if progressed.first:
        return say("comes_first", names=listed(list(progressed.first)))
    rows = ((out_name, progressed.out), (back_name, progressed.back))
    full = [name for name, count in rows if count is not None and count >= progressed.needed]
    short = [name for name, count in rows if count is not None and count < progressed.needed]
    if full and short:
        return say("row_full", name=capital(full[0]), needed=progressed.needed, other=short[0])
    return ""


def together_sentence(together_us: int | None) -> str:
    """How close together the fingers are to move; empty where no change is asked for."""
    return "" if together_us is None else say("together", ms=f"{together_us / 1_000:g}")


def turn_sentence(turn: events.TonightTurn) -> str:
    """What comes next tonight."""
    if turn.item is None:
        return say("tonight_over")
    turn_key = "tonight_unclean" if turn.item.unclean else "tonight_turn"
    sentence = say("tonight_rest") if turn.item.rest else say(turn_key, name=turn.item.name)
    return f"{sentence} {say('tonight_little')}" if turn.too_little and turn.number <= 1 else sentence


def keeping_of(keeping: events.KeepingNow) -> Message:
    """That something is not saved, what to do, and where; empty where all is saved."""
    if not keeping.why:
        return {"sentence": "", "advice": "", "where": ""}
    key = "losing" if keeping.losing else "unkept"
    return {"sentence": say(key, why=keeping.why), "advice": say(f"{key}_advice"), "where": keeping.where}


def loss_lines(lost_us: int, held_us: int, log_us: int) -> list[str]:
    """What is not saved at the end, in seconds; often nothing."""
    said = (("lost", lost_us), ("held", held_us), ("log_lost", log_us))
    return [say(key, seconds=seconds_text(us)) for key, us in said if us]


def summary_lines(over: events.Over, names: dict[str, str], losses: Sequence[str]) -> list[str]:
    """A session in a few sentences, the losses early, then one thing for tomorrow. `names` are the rungs' by key."""
    summary = over.summary
    lines = [say("summary_played" if summary.kept else "summary_simulated", minutes=length(summary.playing_us))]
    lines += losses
    for count in sorted(summary.changes, key=lambda count: -count.tried)[:SHOWN_CHANGES]:
        name = capital(change_text(count.from_note, count.to_note))
        lines.append(say("summary_change", name=name, clean=count.clean, tried=count.tried))
    for passed in summary.passed:
        name = capital(names.get(passed.rung_key, passed.rung_key))
        lines.append(say("summary_passed", name=name, what=say(f"passed_{passed.what}")))
    lines += [say("summary_left", name=capital(name)) for name in summary.left]
    return [*lines, *_for_tomorrow(summary)]


def _for_tomorrow(summary: events.SessionSummary) -> list[str]:
    """One thing for tomorrow; none for a simulated pupil."""
    worst = summary.worth_work
    if not summary.kept:
        return []
    if worst is not None:
        name, wrong = change_text(worst.from_note, worst.to_note), worst.tried - worst.clean
        return [say("tomorrow_work", name=name, wrong=wrong, tried=worst.tried)]
    if summary.tomorrow is None:
        return []
    name, again = summary.tomorrow
    return [say("tomorrow_again" if again else "tomorrow_next", name=name)]


def week_lines(week: Week) -> list[str]:
    """Seven days in a few sentences; none where nothing was played."""
    if not week.played_us:
        return []
    found = (("week_clean", week.became_clean), ("week_back", week.came_back))
    named = [say(key, names=listed([practised_name(one) for one in keys])) for key, keys in found if keys]
    return [say("week_played", minutes=length(week.played_us)), *named]


def length(us: int) -> str:
    """A time in whole minutes, in words."""
    minutes = round(us / 60_000_000)
    if minutes < 1:
        return say("less")
    return say("minute") if minutes == 1 else say("minutes", minutes=minutes)


class Publisher:
    """Publishes a message for each event it is called with.

    `staff_of` gives the staff of some music as far as it has been engraved, and sees to it that it will be.
    """

    def __init__(self, hub: Hub, table: Table, staff_of: Callable[[str, Tune], str | None]) -> None:
        self._hub, self._table, self._staff_of = hub, table, staff_of
        self._snapshot: events.Snapshot | None = None
        self._names: dict[str, str] = {}
        self._staff_missing = False
        self._unkept = False
        self._telling = Telling(table, say, hold_sentence, movement_sentence)
        hub.remember(
            notes=list(NOTES), fingers=list(FINGERS), chart=list(table.standard), hand_on_top="left", ladder=[], due=[],
            tunes=[], week=[], tonight=None, summary=None, remarks=[], order="taught", told=NOTHING,
            in_time=in_time_of(None),
        )  # fmt: skip

    def __call__(self, event: events.Event) -> None:
        """Publish what happened, then what is told of it."""
        self._happened(event)
        if self._telling.take_in(event):
            self._publish("told", **self._telling.now)

    def _happened(self, event: events.Event) -> None:
        snapshot = self._snapshot
        match event:
            case events.HolesNow(covered_mask, note, fingering, t_us):
                self._publish("holes", covered_mask=covered_mask, note=note, fingering=fingering, t_us=t_us)
            case events.ChanterNow():
                self._chanter(event)
            case events.MusicNow():
                self._music(event.snapshot, event.anew)
            case events.StaffNow(name, why_not):
                self._staff(name, why_not)
            case events.SoundNow(settings):
                self._publish("sound", **settings)
            case events.MetronomeNow(settings):
                self._publish("metronome", **settings)
            case events.HandNow(hand):
                self._hub.remember(hand_on_top=hand)
            case events.OrderNow(order):
                self._hub.remember(order=order)
            case events.RestDue(played_us):
                self._publish("remind", sentence=say("rest", minutes=round(played_us / 60_000_000)))
            case events.Notice(sentence):
                self._publish("say", sentence=sentence)
            case events.UprightNow(seems_turned):
                self._publish("upright", sentence=say("upside_down") if seems_turned else "")
            case events.KeepingNow():
                self._keeping(event)
            case events.Over():
                self._publish("summary", **summary_of(event, self._names))
            case events.Lit():
                self._publish("lit", **lit_of(event))
            case events.Judged():
                self._publish("change", **change_of(event, self._table))
            case events.TakenBack(take):
                self._publish("change", number=take, take=take, again=True, gone=True)
            case events.Progressed() if snapshot is not None:
                self._snapshot = snapshot = replace(snapshot, progressed=event)
                self._publish("progress", **progress_of(snapshot))
            case events.Holding(held_us, needed_us):
                self._publish("held", held_us=held_us, needed_us=needed_us)
            case events.GoingOn(held_us, needed_us):
                self._publish("going", held_us=held_us, needed_us=needed_us)
            case events.InTime(now):
                self._publish("in_time", **in_time_of(now))
            case events.Due(rungs):
                self._hub.remember(due=list(rungs))
            case events.TonightTurn() if snapshot is not None:
                self._snapshot = replace(snapshot, turn=event)
                self._publish("tonight", **tonight_of(event))

    def _publish(self, kind: str, **parts: Any) -> None:
        self._hub.publish({"kind": kind, **parts})

    def _chanter(self, chanter: events.ChanterNow) -> None:
        if chanter.place == "waiting":
            self._hub.remember(summary=None)
        self._publish(
            "chanter",
            state=chanter.place,
            source=chanter.origin,
            name=chanter.name if chanter.origin in (None, "port") else say(chanter.origin),
            sentence=chanter_sentence(chanter),
            uncertainty_us=None if chanter.timing is None else chanter.timing.uncertainty_us,
            kept=chanter.kept,
            found=[{"spec": found.spec, "description": found.description} for found in chanter.found],
        )

    def _keeping(self, keeping: events.KeepingNow) -> None:
        if self._unkept and not keeping.why:
            lost = seconds_text(keeping.lost_us)
            self._publish("say", sentence=say("kept_but", seconds=lost) if keeping.lost_us else say("kept_again"))
        self._unkept = bool(keeping.why)
        self._publish("keeping", **keeping_of(keeping))

    def _music(self, snapshot: events.Snapshot, anew: bool) -> None:
        self._snapshot = snapshot
        self._names = {rung.key: rung.name for rung in snapshot.ladder}
        if anew:
            self._hub.forget_changes()
        self._publish("rung", **self._rung(snapshot))
        self._publish("lit", **lit_of(snapshot.lit))
        self._publish("progress", **progress_of(snapshot))
        if snapshot.turn is None:
            self._hub.remember(tonight=None)
        else:
            self._publish("tonight", **tonight_of(snapshot.turn))
        self._hub.remember(
            tunes=[asdict(tune) for tune in snapshot.tunes],
            week=week_lines(snapshot.week),
            ladder=[ladder_entry(rung) for rung in snapshot.ladder],
            due=list(snapshot.due),
        )

    def _staff(self, name: str, why_not: str) -> None:
        if why_not and not self._staff_missing:
            self._staff_missing = True
            self._publish("say", sentence=say("no_staff", why=why_not.rstrip(".")))
        if self._snapshot is not None and name == self._snapshot.name:
            self._publish("rung", **self._rung(self._snapshot))
            self._publish("lit", **lit_of(self._snapshot.lit))

    def _rung(self, snapshot: events.Snapshot) -> Message:
        return {
            "key": snapshot.key,
            "name": snapshot.name,
            "number": snapshot.number,
            "of": snapshot.of,
            "trains": snapshot.trains,
            "staff_svg": self._staff_of(snapshot.name, snapshot.tune),
            "notes": [asked_note(snapshot, index) for index in range(len(snapshot.notes))],
            "help": list(snapshot.help),
            "passed_text": snapshot.passed_text,
            "together": together_sentence(snapshot.together_us),
            "tune": snapshot.is_tune,
            "can_go_by": snapshot.can_go_by,
        }


def ladder_entry(rung: events.LadderRung) -> Message:
    """One rung of the ladder."""
    return {**asdict(rung), "tunes": [{"key": key, "name": name} for key, name in rung.tunes]}


def asked_note(snapshot: events.Snapshot, index: int) -> Message:
    """A note of the music, and how the fingers come to it from the note before; after the last comes the first."""
    (before, _), (note, place), graces = snapshot.notes[index - 1], snapshot.notes[index], snapshot.graces[index]
    plain = not graces and before != note
    return {
        "id": None if place is None else note_id(*place),
        "note": note,
        "letter": LETTERS[note],
        "graces": list(graces),
        "from": before,
        "words": advice(before, note) if plain else "",
        "hair": hair_finger(before, note) if plain else None,
    }


def lit_of(lit: events.Lit) -> Message:
    """The note to play next."""
    return {"id": None if lit.place is None else note_id(*lit.place), "note": lit.note, "index": lit.index}


def in_time_of(now: CourseNow | None) -> Message:
    """Where a tune is that goes by in time; no state where it waits for the player."""
    return {"state": "", "count": 0, "of": 0} if now is None else {"state": now.state, "count": now.count, "of": now.of}


def change_of(judged: events.Judged, table: Table) -> Message:
    """One change, in words and as its strip."""
    change = judged.change
    strip = change_strip(change, judged.timing, advise=judged.diagnosis is not None)
    scale_us = shared_scale([strip])
    return {
        "number": judged.take,
        "take": judged.take,
        "from": change.from_note,
        "to": change.to_note,
        "verdict": change.verdict,
        "sentence": change_sentence(judged, table),
        "strip_svg": strip_svg(strip, scale_us, f"take-{judged.take}"),
        "strip_words": scale_words(scale_us, "This strip"),
        "off_beat_us": judged.off_beat_us,
        "mendable": judged.diagnosis is not None,
        "slow": change.verdict != "uncertain",
        "again": judged.again,
        "gone": False,
    }


def progress_of(snapshot: events.Snapshot) -> Message:
    """How many in a row, and what the rows do not show by themselves."""
    progressed = snapshot.progressed
    out_name, back_name = row_names(snapshot)
    counted = progressed.needed > 0

    def row(name: str, count: int) -> Message:
        return {"name": name, "in_a_row": min(count, progressed.needed), "needed": progressed.needed}

    return {
        "out": row(out_name, progressed.out) if counted else None,
        "back": row(back_name, progressed.back) if counted and progressed.back is not None else None,
        "again": progressed.again,
        "unclean": progressed.unclean,
        "next": None if progressed.next is None else asdict(progressed.next),
        "sentence": progress_sentence(progressed, out_name, back_name),
        "passed": progressed.passed,
    }


def tonight_of(turn: events.TonightTurn) -> Message:
    """What comes next tonight."""
    item = turn.item
    return {
        "minutes_left": max(0, -(-turn.left_us // 60_000_000)),
        "item": item and {"name": item.name, "notes": list(item.notes), "rest": item.rest, "unclean": item.unclean},
        "sentence": turn_sentence(turn),
    }


def summary_of(over: events.Over, names: dict[str, str]) -> Message:
    """A session summed up."""
    losses = loss_lines(over.lost_us, over.held_us, over.log_us)
    return {
        "lines": summary_lines(over, names, losses),
        "session_file": None if over.session is None else over.session.name,
        "simulated": not over.summary.kept,
    }
