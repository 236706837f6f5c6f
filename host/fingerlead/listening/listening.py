"""One chanter listened to: each state handed on at once, and each change as soon as it can be told.

A `Listening` keeps and decodes as a `Recording` does, and tells all of it, and what the analysis makes of it, to one
listener. It runs in the thread that feeds it, waits for nothing, and never holds up what is kept. `MidiPlaying` is a
listener that plays the states on a MIDI output at once, with no analysis in between and no note left on.
"""

import copy
from collections.abc import Callable

from fingering.movements import Repertoire
from fingering.table import Table
from fingerlead.listening.reader import Lost
from fingerlead.listening.recording import Heard as Decoded
from fingerlead.listening.recording import Known, Recording, known_here
from fingerlead.ports.base import now_us
from fingerlead.ports.midi_out import MidiOut
from fingerlead.reading.asked import Clicks, SessionMusic
from fingerlead.reading.between import STANDARD
from fingerlead.store.session_file import SessionWriter
from fingerlead.store.session_music import written_notes
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.live import LiveAnalysis, LiveResult, Placed
from fingerlead.timing.results import KnownSkew, Settings, Timing
from fingerlead.wire.account import GAP_US
from fingerlead.wire.events import Doubted, RawState, Seen, SlopeSeen, State
from fingerlead.wire.messages import CAN_SLOPES
from fingerlead.wire.plain_midi import NoteNumbers

Heard = Decoded | LiveResult | Placed


class Listening(Recording):
    """A recording whose playing is analysed as it comes; `tell` gets everything heard, and how good its times are.

    `skew_us` is how far apart the sensors may fire, in place of what was measured or is assumed. `scan_us` is for a
    source that tells no scan, and whose states are too rare to guess it from. Without `remember` there is no
    `analysis` in the end.
    """

    def __init__(
        self,
        table: Table,
        tell: Callable[[Heard, Timing], None],
        *,
        skew_us: int | None = None,
        scan_us: int | None = None,
        remember: bool = True,
        keep: SessionWriter | None = None,
        plays: NoteNumbers = NoteNumbers(),
        known: Repertoire = STANDARD,
        know: Callable[[bytes], Known] = known_here,
    ) -> None:
        super().__init__(keep, self._analyse, plays, known, know)
        self._table, self._known = table, known
        self._tell = tell
        self._measuring = skew_us is None
        skew = None if skew_us is None else KnownSkew(skew_us)
        self._live = LiveAnalysis(table, Settings(), self._pass_on, skew=skew, remember=remember, known=known)
        self._live.scan(scan_us)

    def begin_music(self, music: SessionMusic) -> None:
        """From the last state on this is asked for, in the session and in the analysis of it as it comes."""
        super().begin_music(music)
        self._live.begin_music(written_notes(music), music, at_us=self.state_us)

    def beyond_hole(self, tell: Callable[[Heard, Timing], None]) -> "Listening":
        """Another listening, which goes on from here with what comes later than what is missing, and keeps nothing.

        What it takes for lost may yet come: to this one, which stays as it is.
        """
        ahead = Listening(self._table, tell, remember=False, plays=self._plays, known=self._known, know=self._know_of)
        ahead.bytes, ahead.carrier, ahead.state_us = self.bytes, self.carrier, self.state_us
        ahead._link, ahead._notes = copy.deepcopy((self._link, self._notes))
        ahead.skew_us, ahead.seal, ahead._skews_us = self.skew_us, self.seal, dict(self._skews_us)
        ahead._live.timed_as(self._live)
        return ahead

    def played_in_time(self) -> Analysis:
        """The playing of the music that goes by in time; ValueError where it waits for the player."""
        return self._live.played_in_time(tuple(Clicks(beat_us, (at_us,)) for beat_us, at_us in self.clicks))

    def idle(self) -> bool:
        """Nothing came for a while: catch up a little with the analysis; whether there is more to do."""
        return self._live.idle()

    def close(self) -> None:
        """Nothing more will come."""
        super().close()
        self._live.close(self.end_us)

    def analysis(self) -> Analysis:
        """All that was settled."""
        return self._live.analysis(self.intake)

    def _pass_on(self, what: Heard) -> None:
        self._tell(what, self._live.timing)

    def _analyse(self, what: Decoded) -> None:
        if isinstance(what, Doubted):
            self._live.doubt(what.doubt)
        elif isinstance(what, SlopeSeen):
            self._live.slope(what.t_us, what.slope.hole, what.slope.rise_raw, what.slope.level_raw)
        elif isinstance(what, Seen):
            self._live.scan(self.scan_us, what.hello.raw_bits, slopes=what.hello.abilities & CAN_SLOPES != 0)
            if self._measuring:
                skew = None if self.skew_us is None else KnownSkew(self.skew_us, "measured")
                self._live.skew(skew, self.seal)
        if self.plain:
            self._live.clock = "host"
        self._pass_on(what)
        if isinstance(what, State):
            self._live.state(what.t_us, what.covered_mask)


class MidiPlaying:
    """Plays what a `Listening` tells; `say` gets a sentence when the output is lost.

    Frames come at least every 100 ms, so a chanter of frames that is not heard for GAP_US is silenced; a chanter of
    plain notes says nothing while nothing moves, and is silenced only when its port is lost.
    """

    def __init__(self, out: MidiOut, say: Callable[[str], None], clock: Callable[[], int] = now_us) -> None:
        self._out, self._say, self._clock = out, say, clock
        self._heard_us = clock()
        self._told = False

    def hear(self, what: Heard) -> None:
        """Take in what was heard."""
        if isinstance(what, (State, RawState)):
            self._heard_us = self._clock()
        if isinstance(what, State):
            self._out.cover(what.covered_mask)
        elif isinstance(what, Lost):
            self._out.cover(None)

    def tick(self, plain: bool = False) -> None:
        """Time goes by. `plain` says that the chanter plays plain notes."""
        if not plain and self._clock() - self._heard_us >= GAP_US:
            self._out.cover(None)
        self._out.tick()
        if self._out.lost and not self._told:
            self._told = True
            self._say(
                f"The MIDI output {self._out.name} is gone ({self._out.lost}). Listening goes on without it; "
                "to play on it again, plug it in and start anew."
            )
