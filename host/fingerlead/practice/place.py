"""Where in the music the learner is: the notes that are held, and what the live reading makes of them.

A held note here is a stretch of one sounding note of at least `steady_us`. As soon as it is steady the reading says
where it is written, so that the next note lights up at once.
"""

from collections import Counter, deque

from fingerlead.music.tune import Expectation
from fingerlead.practice.events import Edges, Lit
from fingerlead.timing.live import Placed
from fingerlead.timing.results import Held, Settings
from fingerlead.timing.timeline import HELD_CODE, NO_NOTE

_CODE: list[int] = HELD_CODE.tolist()
# How much of the playing is kept at hand: some minutes.
EDGES_KEPT = 4_096
HELD_KEPT = 64


class Playing:
    """The states as notes; `closed` are the last held notes that are over, `steady` the one that is not."""

    def __init__(self, settings: Settings) -> None:
        self._steady_us = settings.steady_us
        self.edges: deque[tuple[int, int]] = deque(maxlen=EDGES_KEPT)
        self.closed: deque[Held] = deque(maxlen=HELD_KEPT)
        self.steady: Held | None = None
        self.now_us = 0
        self.sounding_us = 0  # of all notes that are over
        self._note, self._start_us = NO_NOTE, 0

    @property
    def covered_mask(self) -> int | None:
        """The mask now."""
        return self.edges[-1][1] if self.edges else None

    def state(self, t_us: int, covered_mask: int) -> tuple[Held | None, Held | None]:
        """The note that is known to be steady with this state, and the one that is over with it; often none, at most
        one and the same.
        """
        self.now_us = t_us = max(t_us, self.now_us)
        begun = over = None
        if self.steady is None and self._note != NO_NOTE and t_us - self._start_us >= self._steady_us:
            begun = self.steady = self._held(t_us)
        if _CODE[covered_mask] != self._note or not self.edges:
            if self.steady is not None:
                over, self.steady = self._held(t_us), None
                self.closed.append(over)
                self.sounding_us += over.end_us - over.start_us
            self._note, self._start_us = _CODE[covered_mask], t_us
        if covered_mask != self.covered_mask:
            self.edges.append((t_us, covered_mask))
        return begun, over

    def between(self, start_us: int, end_us: int) -> Edges:
        """The mask at `start_us`, at the least that is known, and the edges from there to before `end_us`."""
        inside = [edge for edge in self.edges if start_us < edge[0] < end_us]
        before = [edge for edge in self.edges if edge[0] <= start_us]
        return ((start_us, before[-1][1]), *inside) if before else tuple(inside)

    def _held(self, end_us: int) -> Held:
        """The note that sounds, until now, with the mask that stood longest."""
        lasted: Counter[int] = Counter()
        until_us = end_us
        for at_us, mask in reversed(self.edges):
            lasted[mask] += until_us - max(at_us, self._start_us)
            until_us = at_us
            if at_us <= self._start_us:
                break
        return Held(self._note, max(lasted, key=lasted.__getitem__), self._start_us, end_us, "standard", ())


class Following:
    """Where in some music the playing is. `sounding` is a note that is held when it begins: the first one, or none of
    it.
    """

    def __init__(self, what: Expectation, sounding: Held | None = None) -> None:
        self.expectation = what
        self.times = 0  # how often the end was reached
        self.is_under_way = sounding is not None and sounding.note == what.notes[0].note  # a note was played in it
        self._done = int(self.is_under_way)
        self._is_wrong = False

    def place(self, placed: Placed) -> None:
        """A note is steady, and reads so."""
        self._done, self._is_wrong = placed.done, False
        if placed.notes and placed.notes[-1].is_written:
            self._is_wrong = placed.notes[-1].note != self.expectation.notes[placed.done - 1].note

    def over(self) -> None:
        """The note that was steady is over."""
        self.times += self.at_end()

    def lit(self) -> Lit:
        """The note to play next. It stays where a wrong note was played; after the end comes the beginning."""
        wanted = self.expectation.notes
        index = self._done - self._is_wrong
        if index == len(wanted):
            # Where the last note is also the first, it sounds already.
            goes_on = len(wanted) > 2 and wanted[0].note == wanted[-1].note and not wanted[0].graces
            index = 1 if goes_on else 0
        return Lit(index, wanted[index].place, wanted[index].note)

    def at_end(self) -> bool:
        """Whether the last note has been played, or sounds now."""
        return self._done == len(self.expectation.notes)
