"""What the page says of the playing: one thing, the one that matters most now, or nothing.

A change that goes well is told by the count alone; which finger led is told of a fault only. What went wrong is told
until the same goes well. Meanwhile only a heavier fault takes its place, or any once the same was not played for a
while. Of a change that the music does not ask for, as when the chanter is picked up, nothing is told. While a tune goes
by in time nothing is told either: how it went, at its end.
"""

from collections.abc import Callable, Hashable
from itertools import pairwise
from typing import Any

from fingering.diagnosis import Diagnosis
from fingering.moves import hair, hair_finger
from fingering.notes import a_note
from fingering.table import Table
from fingerlead.faces.words import false_fingering
from fingerlead.phrases import capital, listed
from fingerlead.practice import events
from fingerlead.timing.fault_words import fault_sentence
from fingerlead.timing.findings import together_words
from fingerlead.timing.measured_words import finger_name
from fingerlead.timing.playthrough import playthrough_sentence

Message = dict[str, Any]
Say = Callable[..., str]

# What goes wrong in a change, by how much it matters: a stray is heard, a false fingering colours the note; what is off
# the beat alone comes last.
_WEIGHTS: dict[events.Outcome, int] = {"stray": 3, "false fingering": 2, "apart": 1}
A_WHILE = 6  # other tries
NOTHING: Message = {
    "what": "", "sentence": "", "take": None, "notes": [], "lead": None, "hair": None, "fingers": [], "mendable": False,
    "bar": [], "next": None,
}  # fmt: skip


class Telling:
    """Takes events in; `now` is the message of what is told, `take_in` says whether it is another one."""

    def __init__(
        self,
        table: Table,
        say: Say,
        hold: Callable[[events.HoldJudged], str],
        movement: Callable[[events.MovementJudged], str],
    ) -> None:
        self._table, self._say, self._hold, self._movement = table, say, hold, movement
        self.now: Message = NOTHING
        self._key: Hashable = None
        self._weight = self._others = 0
        self._music: tuple[str | None, str] | None = None
        self._in_time = False  # whether a tune goes by
        self._asked: set[tuple[int, int]] = set()  # the changes that the music asks for

    def take_in(self, event: events.Event) -> bool:
        """Take an event in; whether something else is told now."""
        before = self.now
        match event:
            case events.InTime(now):
                self._in_time = now is not None
                if now is not None and now.state == "waiting":
                    self._clear()
            case events.PlayedInTime():
                self._clear()
                self.now = _played_in_time(event)
            case events.Lit(index=index) if self.now["what"] == "in time" and index > 1:
                self._clear()  # it is played again
            case events.MusicNow(snapshot):
                music = snapshot.key, snapshot.name
                # What passed a rung, and how a tune went, is told as long as its music stands.
                if music != self._music or not (snapshot.progressed.passed or self.now["what"] == "in time"):
                    self._clear()
                notes = [note for note, _ in snapshot.notes]
                self._music, self._asked = music, set(pairwise(notes[-1:] + notes))
                self._see(snapshot.progressed)
            case events.Judged():
                self._judged(event)
            case events.TakenBack(take):
                if self.now["take"] == take:
                    self._clear()
            case events.HoldJudged(end=end):
                fault = end not in ("held", "uncertain")
                # All of them are off where the hands were taken off: none is to blame.
                fingers = [] if end == "let go" else list(event.fingers)
                self._tell("hold", 1, fault, lambda: self._of(self._hold(event), fingers=fingers))
            case events.MovementJudged(outcome=outcome):
                if outcome != "not counted":
                    key, fault = event.played.written, outcome != "clean"
                    self._tell(key, 1, fault, lambda: self._of(self._movement(event)))
            case events.Progressed():
                self._see(event)
        return self.now is not before

    def _see(self, progressed: events.Progressed) -> None:
        if progressed.needed and progressed.passed and self.now["what"] != "passed":
            self._clear()
            sentence = self._say("passed_again" if progressed.again else "passed_now")
            self.now = {**NOTHING, "what": "passed", "sentence": sentence}
        elif not progressed.passed and self.now["what"] == "passed":
            self._clear()

    def _judged(self, judged: events.Judged) -> None:
        key = judged.change.from_note, judged.change.to_note
        if judged.take == self.now["take"]:
            self._clear()  # it is something else after all
        if judged.outcome != "not counted" and key in self._asked:
            fault = judged.outcome != "clean" or judged.off_beat_us is not None
            self._tell(key, _WEIGHTS.get(judged.outcome, 0), fault, lambda: self._fault(judged))

    def _tell(self, key: Hashable, weight: int, fault: bool, message: Callable[[], Message]) -> None:
        if self._in_time or self.now["what"] == "in time":
            return
        gives_way = self._key in (None, key) or weight > self._weight or self._others >= A_WHILE
        self._others += key != self._key
        if not fault:
            if key == self._key:
                self._clear()
        elif self.now["what"] != "passed" and gives_way:
            self.now, self._key, self._weight, self._others = message(), key, weight, 0

    def _clear(self) -> None:
        self.now, self._key, self._weight, self._others = NOTHING, None, 0, 0

    def _of(self, sentence: str, **parts: Any) -> Message:
        return {**NOTHING, "what": "fault", "sentence": sentence, **parts}

    def _fault(self, judged: events.Judged) -> Message:
        change, diagnosis, (from_note, to_note) = judged.change, judged.diagnosis, _notes(judged)
        wrong: list[int] = []
        one = hair_finger(from_note, to_note) if judged.outcome == "apart" else None
        if judged.outcome == "false fingering":
            wrong = list(self._table.verdict(change.to_mask).wrong_fingers)
        elif judged.outcome == "stray" and diagnosis is not None:
            one = hair(from_note, to_note, diagnosis.first, diagnosis.second)
        return self._of(
            self._sentence(judged), take=judged.take, notes=[from_note, to_note], lead=change.lead, hair=one,
            fingers=wrong, mendable=diagnosis is not None,
        )  # fmt: skip

    def _sentence(self, judged: events.Judged) -> str:
        """One change that went wrong, and what to try: as far as it is known."""
        change = judged.change
        if judged.outcome == "false fingering":
            verdict = self._table.verdict(change.to_mask)
            return false_fingering(verdict.note, verdict.wrong_fingers, change.to_mask)
        if judged.outcome == "apart":
            finger = finger_name(change.fingers[-1].finger)
            return self._say("apart", finger=capital(finger), advice=together_words(*_notes(judged)))
        if judged.outcome == "clean":
            off_us = judged.off_beat_us or 0
            return self._say("after_beat" if off_us > 0 else "before_beat", ms=round(abs(off_us) / 1_000))
        strays = capital(listed([a_note(stray.note) for stray in change.strays if stray.heard]))
        if judged.diagnosis is None:
            return self._say("stray_unsure", strays=strays)
        how = self._say(f"moved_{judged.diagnosis.how}")
        advice = _advice(judged, judged.diagnosis)
        return self._say("stray", strays=strays, finger=finger_name(judged.diagnosis.finger), how=how, advice=advice)


def _played_in_time(event: events.PlayedInTime) -> Message:
    """How a tune went that went by in time, with the notes of its worst bar."""
    played, following = event.played, event.next
    bar = [{"note": one.note, "how": one.how, "off_us": one.off_us} for one in played.place]
    sentences = [playthrough_sentence(played), *(fault_sentence(one, one.faults[0]) for one in event.aside[:1])]
    return {
        **NOTHING, "what": "in time", "sentence": " ".join(sentences), "bar": bar,
        "next": None if following is None else {"key": following.key, "name": following.name},
    }  # fmt: skip


def _notes(judged: events.Judged) -> tuple[int, int]:
    return judged.change.from_note, judged.change.to_note


def _advice(judged: events.Judged, diagnosis: Diagnosis) -> str:
    return together_words(*_notes(judged), (diagnosis.first, diagnosis.second))
