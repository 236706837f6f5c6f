"""A live lesson at the pupil's end: joined by a code, agreed to by a click, and left at any time.

What is played goes into the lesson from the beginning of a session of its own, which ends with the lesson; recording
and sound never wait for it.
"""

from collections.abc import Callable
from threading import Lock
from typing import Any

from fingerlead.faces.pages.practice.messages import say
from fingerlead.faces.words import clock_text, practised_name, practised_names
from fingerlead.lesson.code import LessonCode
from fingerlead.lesson.copying import copy_into
from fingerlead.lesson.end import LessonEnd, LessonEvent, Took, Turned
from fingerlead.lesson.entries import (
    ActDone,
    Consent,
    Ending,
    Entry,
    PinRemark,
    PointAt,
    SayWord,
    SetRung,
)
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.relay import RelayTicket
from fingerlead.lesson.relay_line import RelayLine
from fingerlead.lesson.running import LessonRun
from fingerlead.phrases import capital
from fingerlead.plain_text import plain_line
from fingerlead.ports.base import now_us
from fingerlead.practice import inbox

Message = dict[str, Any]
MOST_ACTS = 6
CLOSES_WITHIN_US, LOOK_S = 3_000_000, 0.02
# What a teacher's act was, and its text; a text of the page says it.
WORDS = {"slowly": "lesson_slowly", "mended": "lesson_mended"}


class PupilLesson:
    """The pupil's end of at most one lesson. `ask` asks the practice, `tell` gets the message of how the lesson stands.

    `plays` is what the other end has to know of the chanter and the movements; it gets the name.
    """

    def __init__(
        self, ask: Callable[[inbox.Request], bool], tell: Callable[[Message], object], consent: Callable[[str], Consent]
    ) -> None:
        self._ask, self._tell, self._consent = ask, tell, consent
        self._lock = Lock()
        self._run: LessonRun | None = None
        self._state, self._who = "none", ""
        self._acts: list[str] = []
        self._show("")

    def join(self, ticket: RelayTicket, code: LessonCode) -> None:
        """Go to the lesson of a code by a relay; waits for the relay. Raises LessonError, LineRefused."""
        with self._lock:
            if self._run is not None and self._run.running and self._state != "none":
                raise LessonError("expected no lesson that is on already; leave it first")
            self._stop()
            line = RelayLine(ticket, code.subject, "pupil")
            end = LessonEnd("pupil", code.secret, now_us(), ends_by_itself=False)
            self._who, self._acts = "", []
            self._state = "joining"
            self._run = LessonRun(end, line, self._heard).start()
            self._show("")

    def agree(self, name: str) -> None:
        """The pupil agrees to be listened to, by this name; raises LessonError."""
        with self._lock:
            run = self._run
            if run is None or self._state != "asks":
                raise LessonError("expected a teacher who waits for your answer; join the lesson first")
            self._state = "agreed"
        run.ask(self._consent(name))
        self._show("")
        ending = Ending("the pupil's session ended")
        self._ask(inbox.CopySession(lambda recording: copy_into(recording, run.ask), lambda: run.ask(ending)))

    def leave(self) -> None:
        """Leave; what was played until now still goes to the teacher, whose copy is whole then."""
        run, before = self._run, self._state
        if run is None or before == "none":
            return
        if before in ("joining", "asks"):
            self._state = "none"
            with self._lock:
                self._stop()
            self._show(say("lesson_not_agreed"))
            return
        self._end_copy()

    def close(self) -> None:
        """The page ends; what was played until now may still go to the teacher, for a moment."""
        with self._lock:
            run, until_us = self._run, now_us() + CLOSES_WITHIN_US
            while run is not None and run.running and self._state == "leaving" and now_us() < until_us:
                run.wait(LOOK_S)
            self._stop()

    def _end_copy(self) -> None:
        """The session that is copied ends, and with it the lesson."""
        self._state = "leaving"
        self._show("")
        run = self._run
        if not self._ask(inbox.EndCopy()) and run is not None:
            run.ask(Ending("the pupil left"))

    def _stop(self) -> None:
        run, self._run = self._run, None
        if run is not None:
            run.stop()

    # --- in the lesson's thread ---

    def _heard(self, event: LessonEvent, now_us: int) -> None:
        if isinstance(event, Turned):
            self._turn(event)
        elif isinstance(event, Took):
            self._take(event.number, event.entry)

    def _turn(self, event: Turned) -> None:
        if event.phase == "refused":
            self._state = "none"
            self._show(capital(event.why).rstrip(".") + ".")
        elif event.phase == "over":
            self._state = "none"
            self._ask(inbox.EndCopy())
            self._show(capital(event.why).rstrip(".") + "." if event.why else say("lesson_over"))
        elif event.phase in ("open", "away") and self._state != "leaving":
            self._state = "listens" if event.phase == "open" else "away"
            self._show("")

    def _take(self, number: int, entry: Entry) -> None:
        run = self._run
        if isinstance(entry, Consent):
            self._who, self._state = plain_line(entry.name), "asks"
            self._show("")
        elif isinstance(entry, Ending):
            self._end_copy()
        elif isinstance(entry, SetRung | PointAt | SayWord | PinRemark) and run is not None:
            done = self._carry_out(entry)
            run.ask(ActDone(number, done, "" if done else say("lesson_unknown_rung")))
            self._show("")

    def _carry_out(self, act: SetRung | PointAt | SayWord | PinRemark) -> bool:
        """Do what the teacher asks, and show it; whether it could be done."""
        if isinstance(act, SetRung):
            if act.key not in practised_names() or not self._ask(inbox.ChooseRung(act.key)):
                return False
            text = say("lesson_rung", name=practised_name(act.key))
        elif isinstance(act, PointAt):
            text = say("lesson_point", at=clock_text(act.at_us))
        elif isinstance(act, PinRemark):
            text = say("lesson_remark", at=clock_text(act.at_us), text=plain_line(act.text))
        else:
            text = say(WORDS[act.word]) if act.word in WORDS else plain_line(act.word)
        self._acts = [*self._acts, text][-MOST_ACTS:]
        return True

    def _show(self, sentence: str) -> None:
        who = self._who or say("lesson_teacher")
        self._tell(
            {
                "kind": "lesson",
                "state": self._state,
                "who": who,
                "named": bool(self._who),
                "sentence": sentence,
                "acts": list(self._acts),
            }
        )
