"""Where in the music the learner is: states become held notes, and these are aligned with what is written.

A held note here is a stretch of one sounding note of at least `steady_us`, as in `timing.segment`. It is taken in as
soon as it is steady, so that the next note lights up at once, and anew, at its true length, when it is over.
"""

from collections import Counter, deque

from fingerlead.music.align import Aligner, Item, PlayedNote
from fingerlead.music.tune import Expectation
from fingerlead.practice.events import Edges, Lit
from fingerlead.timing.results import Held, Settings
from fingerlead.timing.timeline import HELD_CODE, NO_NOTE

_CODE: list[int] = HELD_CODE.tolist()
# How much of the playing is kept at hand: some minutes.
EDGES_KEPT = 4_096
HELD_KEPT = 64
# A note that sounds still is read as if it were to go on for so long; longer than any price of `align` looks at.
GOES_ON_US = 1_000_000
# After so many notes the aligner starts anew where the music does, so that it never grows without end.
RENEW_AFTER, AT_MOST = 512, 20_000


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
    """Where in some music the playing is. `sounding` is a note that is held when it begins: taken in if it is the first
    one, else left out.
    """

    def __init__(self, what: Expectation, sounding: Held | None = None) -> None:
        self.expectation = what
        self.times = 0  # how often the end was reached
        self._aligner = Aligner(what)
        self._peeked = False
        self._left_out_us: int | None = None
        if sounding is not None:
            if sounding.note == what.notes[0].note:
                self.begun(sounding)
            else:
                self._left_out_us = sounding.start_us

    @property
    def is_under_way(self) -> bool:
        """Whether a note has been played in it."""
        return len(self._aligner) > 0

    def begun(self, held: Held) -> None:
        """A note is steady."""
        if held.start_us != self._left_out_us:
            self._feed(held, held.start_us + GOES_ON_US)
            self._peeked = True

    def over(self, held: Held) -> Item | None:
        """The note that was steady is over; how it reads now (None where it is left out)."""
        if held.start_us == self._left_out_us:
            return None
        if self._peeked:
            self._aligner.take_back()
            self._peeked = False
        item = self._feed(held, held.end_us)
        ended = self._done() == len(self.expectation.notes)
        if ended:
            self.times += 1
        if len(self._aligner) >= (RENEW_AFTER if ended else AT_MOST):
            self._aligner = Aligner(self.expectation)
            if held.note == self.expectation.notes[0].note:
                self._feed(held, held.end_us)
        return item

    def lit(self) -> Lit:
        """The note to play next. It stays where a wrong note was played; after the end comes the beginning."""
        wanted = self.expectation.notes
        index = self._done()
        if len(self._aligner):
            last = self._aligner.recent(1)[-1]
            if last.kind == "wrong" and last.expected is not None:
                index = last.expected
        if index == len(wanted):
            # Where the last note is also the first, it sounds already.
            goes_on = len(wanted) > 2 and wanted[0].note == wanted[-1].note and not wanted[0].graces
            index = 1 if goes_on else 0
        return Lit(index, wanted[index].place, wanted[index].note)

    def at_end(self) -> bool:
        """Whether the last note has been played, or sounds now."""
        return self._done() == len(self.expectation.notes)

    def _done(self) -> int:
        return self._aligner.done_before(0)

    def _feed(self, held: Held, end_us: int) -> Item:
        return self._aligner.feed(PlayedNote(held.note, held.start_us, end_us))
