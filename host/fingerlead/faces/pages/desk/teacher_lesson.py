"""A live lesson at the teacher's end: what a pupil's fingers do far away, kept and told as it comes.

    the lesson's thread ─► events ─► here: kept, analysed ─► hub ─► the page
                     acts ◄─ the page

What lies beyond a hole in the line is told as uncertain; when the hole is filled it is taken back, and told anew.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fingering.table import standard_table
from fingerlead.actor import Actor
from fingerlead.faces.pages.kit.hub import Hub
from fingerlead.faces.strip import change_strip, scale_words, shared_scale
from fingerlead.faces.strip_svg import strip_svg
from fingerlead.faces.words import change_sentence, clock_text, movement_sentence, practised_name, practised_names
from fingerlead.lesson.code import LessonCode
from fingerlead.lesson.end import LessonEnd, LessonEvent, Took, Turned
from fingerlead.lesson.entries import ActDone, Consent, Ending, MusicAsked, PinRemark, PointAt, SayWord, SetRung
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.line import LessonLine
from fingerlead.lesson.running import LessonRun
from fingerlead.lesson.watching import Sureness, Watched
from fingerlead.listening.listening import Heard
from fingerlead.phrases import capital
from fingerlead.plain_text import plain_line
from fingerlead.ports.base import now_us
from fingerlead.store.session_file import SessionWriter
from fingerlead.timing.live import LiveResult
from fingerlead.timing.results import Change, Timing
from fingerlead.version import __version__
from fingerlead.wire.events import State

MOST_EVENTS = 1 << 16
TICK_S = 0.02
SHOWS_EVERY_US = 500_000
ENDS_WITHIN_US = 30_000_000
MOST_ACTS = 30
MOST_REMARKS = 1_000
MOST_NUMBERED = 1_000
Act = SetRung | PointAt | SayWord | PinRemark
STATES = {"waiting": "waiting", "agreed": "asked", "open": "open", "away": "away", "over": "over", "refused": "over"}


@dataclass(slots=True)
class SentAct:
    """An act of the teacher's, in words, and whether the pupil's page did it (None: not known yet), or why not."""

    act: Act
    text: str
    done: bool | None = None
    why: str = ""


class TeacherLesson(Actor[LessonEvent]):
    """The teacher's end of one lesson with the pupil of `key`, which `keep` keeps at `path`; `hub` tells the page.

    `name` is what the pupil is told; `at_us` is the time of the last state that came.
    """

    def __init__(
        self, key: str, code: LessonCode, line: LessonLine, path: Path, keep: SessionWriter, hub: Hub, name: str
    ) -> None:
        super().__init__("teacher lesson", self._watch, MOST_EVENTS)
        self.key, self.code, self.path = key, code, path
        self.at_us = 0
        self._keep, self._hub, self._name = keep, hub, name
        self._table = standard_table()
        self._watched = Watched(self._table, self._hear, keep)
        self._lesson = LessonRun(LessonEnd("teacher", code.secret, now_us()), line, self._came)
        self._state, self._why, self._music = "waiting", "", ""
        self._acts: list[SentAct] = []
        self._number = 0  # of what is told
        self._numbers: dict[tuple[str, int], int] = {}
        self._ahead: list[int] = []
        self._shown_us = 0
        self._ends_us: int | None = None

    @property
    def heard(self) -> bool:
        """Whether anything of the pupil's chanter came."""
        return self._watched.listening is not None and self._watched.listening.bytes > 0

    @property
    def remarks(self) -> list[PinRemark]:
        """What was pinned to moments."""
        return [each.act for each in self._acts if isinstance(each.act, PinRemark)]

    def do(self, act: Act) -> None:
        """Have the pupil's page do something; raises LessonError."""
        if self._state not in ("open", "away"):
            raise LessonError("expected a pupil who has agreed and is there; wait until they play")
        if isinstance(act, SetRung) and act.key not in practised_names():
            raise LessonError("expected a rung or tune that there is; choose another")
        if len(self._acts) >= MOST_REMARKS:
            raise LessonError(f"expected at most {MOST_REMARKS} words and remarks in a lesson; begin another")
        self._acts.append(SentAct(act, act_words(act)))
        self._lesson.ask(act)
        self._show()

    def finish(self) -> None:
        """End the lesson: what the pupil plays until they hear of it still comes."""
        if self._ends_us is None:
            self._ends_us = now_us() + (ENDS_WITHIN_US if self._state in ("open", "away") else 0)
            self._lesson.ask(Ending("the teacher ended it"))

    # --- in the thread ---

    def _came(self, event: LessonEvent, now_us: int) -> None:
        """In the lesson's own thread."""
        self.ask(event)

    def _watch(self) -> None:
        try:
            with self._lesson:
                self._show()
                while self._state != "over" and not self._given_up():
                    self._look()
        finally:
            if self._watched.listening is None:
                self._keep.discard()
            self._watched.close()
            self._state = "over"
            self._show()

    def _given_up(self) -> bool:
        self._lesson.check()
        return self.stopping or (self._ends_us is not None and now_us() >= self._ends_us)

    def _look(self) -> None:
        events = self.receive_all(TICK_S)
        for event in events:
            self._take(event)
        if not events:
            self._watched.idle()
        if now_us() - self._shown_us >= SHOWS_EVERY_US:
            self._show()

    def _take(self, event: LessonEvent) -> None:
        if isinstance(event, Turned):
            self._state, self._why = STATES[event.phase], event.why
            if event.phase == "agreed":
                self._lesson.ask(Consent(self._name, f"fingerlead {__version__}"))
            self._show()
            return
        entry = event.entry if isinstance(event, Took) else None
        if isinstance(entry, ActDone):
            self._answered(entry)
        elif isinstance(entry, MusicAsked):
            self._music = plain_line(entry.name)[:80]
        self._watched.take(event)

    def _answered(self, answer: ActDone) -> None:
        # This end's log begins with its consent; all after it are acts.
        if 1 <= answer.act <= len(self._acts):
            one = self._acts[answer.act - 1]
            one.done, one.why = answer.done, plain_line(answer.why)[:200]
            self._show()

    def _hear(self, what: Heard | None, timing: Timing | None, sureness: Sureness) -> None:
        if what is None or timing is None:
            for number in self._ahead:
                self._hub.publish({"kind": "change", "number": number, "gone": True})
            self._ahead.clear()
        elif isinstance(what, State):
            self.at_us = max(self.at_us, what.t_us)
            note = self._table.verdict(what.covered_mask).note if what.covered_mask else None
            told = {"covered_mask": what.covered_mask, "note": note, "t_us": what.t_us, "sure": sureness == "sure"}
            self._hub.publish({"kind": "holes", **told})
        elif isinstance(what, LiveResult) and sureness == "ahead":
            self._number += 1
            self._ahead.append(self._number)
            self._tell(self._number, what, timing, sure=False)
        elif isinstance(what, LiveResult):
            self._tell(self._numbered(what), what, timing, sure=True)

    def _numbered(self, what: LiveResult) -> int:
        """The number under which a result is told: the same one again where it is judged anew."""
        of = what.result
        key = ("change", of.number) if isinstance(of, Change) else ("movement", of.start_us)
        if key not in self._numbers:
            self._number += 1
            self._numbers[key] = self._number
            if len(self._numbers) > MOST_NUMBERED:
                del self._numbers[next(iter(self._numbers))]
        return self._numbers[key]

    def _tell(self, number: int, what: LiveResult, timing: Timing, *, sure: bool) -> None:
        of = what.result
        message: dict[str, Any] = {"kind": "change", "number": number, "sure": sure, "gone": what.taken_back}
        message |= {"verdict": of.verdict, "at": clock_text(of.start_us), "at_us": of.start_us, "until_us": of.end_us}
        if isinstance(of, Change):
            strip = change_strip(of, timing)
            scale_us = shared_scale([strip])
            message |= {
                "sentence": change_sentence(of, timing),
                "strip_svg": strip_svg(strip, scale_us, f"lesson-{number}"),
                "strip_words": scale_words(scale_us, "This strip"),
            }
        else:
            message["sentence"] = movement_sentence(of)
        self._hub.publish(message)

    def _show(self) -> None:
        self._shown_us = now_us()
        end, why = self._lesson.end, self._watched.problem or self._why
        round_us = end.outgoing.round_us
        self._hub.publish(
            {
                "kind": "lesson",
                "state": self._state,
                "ending": self._ends_us is not None,
                "who": "" if end.theirs is None else plain_line(end.theirs.name)[:80],
                "why": f"{capital(why).rstrip('.')}." if why else "",
                "trouble": self._lesson.line.trouble,
                # One way is half of there and back, as well as can be known.
                "late_ms": None if round_us is None else round(round_us / 2_000),
                "music": self._music,
                "acts": [[each.text, each.done, each.why] for each in self._acts[-MOST_ACTS:]],
            }
        )


def act_words(act: Act) -> str:
    """What an act of the teacher's says."""
    match act:
        case SetRung(key):
            return f"Play {practised_name(key)}"
        case SayWord(word):
            return capital(word)
        case PinRemark(at_us, text):
            return f"{clock_text(at_us)}: {text}"
        case PointAt(at_us):
            return f"Look at {clock_text(at_us)}"
