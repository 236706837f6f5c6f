"""One end of a lesson at work: an actor between an end and its line, which is asked to do what a player does.

What is asked is done in order and never waited for; where more than MOST_ASKED waits, `ask` says that there is no room.
`tell` is called in the actor's thread, with each event and the time.
"""

from collections.abc import Callable

from fingerlead.actor import Actor
from fingerlead.lesson.end import LessonEnd, LessonEvent
from fingerlead.lesson.entries import Consent, Ending, Entry
from fingerlead.lesson.line import LessonLine
from fingerlead.ports.base import now_us

TICK_S = 0.005
MOST_ASKED = 1 << 16
# After a lesson is over its end still answers, so that the other's is over too: until that one is silent, for a while.
LINGERS_US, LONGEST_US = 1_500_000, 30_000_000


class LessonRun(Actor[Entry]):
    """Runs an end over a line, which it closes at the end. Ask it for entries; `Consent` and `Ending` are acts too."""

    def __init__(
        self,
        end: LessonEnd,
        line: LessonLine,
        tell: Callable[[LessonEvent, int], None],
        clock: Callable[[], int] = now_us,
    ) -> None:
        super().__init__("lesson", self._run_lesson, MOST_ASKED)
        self.end, self.line = end, line
        self._tell, self._clock = tell, clock

    def _run_lesson(self) -> None:
        try:
            over_us: int | None = None
            while not self._is_done(over_us):
                self._work_once(TICK_S)
                if over_us is None and self.end.phase in ("over", "refused"):
                    over_us = self._clock()
            self._work_once(0)
        finally:
            self.line.close()

    def _is_done(self, over_us: int | None) -> bool:
        if over_us is None:
            return self.stopping
        now_us = self._clock()
        return now_us - max(over_us, self.end.heard_us) >= LINGERS_US or now_us - over_us >= LONGEST_US

    def _work_once(self, wait_s: float) -> None:
        end, line = self.end, self.line
        for entry in self.receive_all(0):
            self._carry_out(entry)
        for packet in line.receive(wait_s):
            self._tell_all(end.receive(packet, self._clock()))
        self._tell_all(end.poll(self._clock()))
        for lane, packet in end.take_packets():
            line.send(lane, packet)

    def _carry_out(self, entry: Entry) -> None:
        now_us = self._clock()
        if isinstance(entry, Consent):
            self._tell_all(self.end.consent(entry, now_us))
        elif isinstance(entry, Ending):
            self.end.finish(now_us, entry.why)
        else:
            self.end.add(entry, now_us)

    def _tell_all(self, events: list[LessonEvent]) -> None:
        for event in events:
            self._tell(event, self._clock())
