"""Playing kept as it comes: what a reader brings goes into a session, and is decoded enough to see that it is sound.

`record` is the loop; `Recording` is one step of it, without a clock or a thread. A session that is begun without a name
given lies in a folder of sessions, each named by its date and time.
"""

import contextlib
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from fingering.movements import Repertoire
from fingerlead.listening.reader import Back, Ended, Item, Lost, Reader
from fingerlead.ports.base import Chunk, PortEnded, now_us
from fingerlead.reading.asked import Clicks, SessionMusic
from fingerlead.reading.between import STANDARD
from fingerlead.store.session_clicks import MOST
from fingerlead.store.session_file import SessionError, SessionWriter
from fingerlead.store.session_music import MusicAt, written_notes
from fingerlead.store.session_reading import movements_meta, seal_meta
from fingerlead.store.skews import measured_skew_us, seal_of
from fingerlead.timing.results import KnownSeal
from fingerlead.wire.carriers import Carrier
from fingerlead.wire.clock import ClockFit
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.events import Doubt, Doubted, Event, Intake, Seen, State
from fingerlead.wire.link import PATIENCE_US, HostLink
from fingerlead.wire.plain_midi import NoteNumbers, PlainNotes

ENDING = ".session"
# Often enough that no byte is unsaved for longer than 250 ms.
TICK_S = 0.05
# A port that names itself by more ids than this has no skew looked up for the others.
MOST_CHANTERS = 100
MOST_CLICKS = 8_192  # of a music: more than half an hour of the quickest

Heard = Event | Lost | Back


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a chanter that names itself: how far apart its sensors may fire, and its levels."""

    device_id: bytes
    skew_us: int | None
    seal: KnownSeal | None


@dataclass(frozen=True, slots=True)
class Clicked:
    """A metronome of this tempo sounded a beat at each of these host times."""

    host_us: tuple[int, ...]
    beat_us: int


# What a copy of a recording is made of, in its order; of a chanter, what is known comes before the bytes that name it.
Copied = Chunk | Lost | Back | MusicAt | Clicked | Known


def known_here(device_id: bytes) -> Known:
    """What this machine has measured of a chanter."""
    return Known(device_id, measured_skew_us(device_id), seal_of(device_id))


def begin_session(
    folder: Path, port: str, carrier: Carrier, settings: Mapping[str, object], started: datetime
) -> SessionWriter:
    """A new session in a folder of sessions; where it cannot be begun now, it is as soon as it can be."""
    path = folder / f"{started:%Y-%m-%d-%H%M%S}{ENDING}"
    return SessionWriter(path, carrier, port, settings, started.astimezone(), patient=True)


class Recording:
    """What has been taken in so far, kept where there is a writer; `hear` gets everything as it is decoded.

    `plays` says which notes a chanter of plain notes plays; a teacher's own movements, where `known` has any, are kept
    with the session. `know` says what is known of a chanter. All that a second recording needs to come out the same
    goes to `copy` as well, where there is one: it must not wait, and must not fail.
    """

    def __init__(
        self,
        writer: SessionWriter | None,
        hear: Callable[[Heard], object] = lambda what: None,
        plays: NoteNumbers = NoteNumbers(),
        known: Repertoire = STANDARD,
        know: Callable[[bytes], Known] = known_here,
    ) -> None:
        self.writer, self._hear, self._plays, self._know_of = writer, hear, plays, know
        self.copy: Callable[[Copied], None] | None = None
        self.carrier: Carrier = "stream"
        if writer is not None and known.own:
            writer.tell(**movements_meta(known))
        self.skew_us: int | None = None  # where it was measured
        self.seal: KnownSeal | None = None  # what is known of all chanters' levels
        self._skews_us: dict[bytes, int | None] = {}
        self.bytes = 0
        self.covered_mask: int | None = None
        self.state_us = 0  # the time of the last state
        self._asked: list[MusicAt] = []  # what is still to be asked for
        self.chanter = ""
        self.losses = 0
        self.away = False
        self._link: HostLink | None = None
        self._notes: PlainNotes | None = None
        self._first_us = 0
        self._clock = ClockFit()  # the host's and the chanter's
        # Of a metronome, not kept yet: its tempo, then when its beats sounded; and the host time of the first.
        self._clicks: list[int] = []
        self._clicks_us, self._kept_to_us = 0, -1
        self.clicks: deque[tuple[int, int]] = deque(maxlen=MOST_CLICKS)  # the last ones: tempo, and when
        # Of a plain chanter: the time of its last state, and of the last one before it went away.
        self._last_state_us: int | None = None
        self._away_from_us: int | None = None

    @property
    def intake(self) -> Intake:
        """What has been taken in; of a plain chanter, its notes."""
        decoder = self._link or self._notes
        return Intake() if decoder is None else decoder.intake

    @property
    def scan_us(self) -> int | None:
        """The chanter's scan period, where a hello told it."""
        return None if self._link is None else self._link.scan_us

    @property
    def end_us(self) -> int:
        """The time of the last timed frame, or of the last note of a plain chanter."""
        decoder = self._link or self._notes
        return 0 if decoder is None else decoder.end_us

    @property
    def plain(self) -> bool:
        """Whether the chanter plays plain notes."""
        return self._notes is not None

    def take(self, item: Item, carrier: Carrier) -> bool:
        """Keep what came; whether more is to come. Raises NotAChanter, and the port's own errors."""
        if isinstance(item, Chunk):
            if not self.bytes:
                self._meet(carrier)
                self._first_us = item.host_us
            self.bytes += len(item.data)
            if self.writer is not None:
                self.writer.append(item.data, item.host_us)
            try:
                self._decode(item.data, item.host_us)
            finally:
                self._pass_copy(item)
        elif isinstance(item, Lost):
            self.losses += 1
            self.away, self.covered_mask = True, None
            self._away_from_us = self._last_state_us
            if self.writer is not None:
                self.writer.mark("lost", item.host_us, item.cause)
            self._pass_copy(item)
            self._hear(item)
        elif isinstance(item, Back):
            self.away = False
            if self.writer is not None:
                self.writer.mark("back", item.host_us)
            self._pass_copy(item)
            self._hear(item)
        elif isinstance(item, Ended):
            if item.error is not None and not isinstance(item.error, PortEnded):
                raise item.error
            return False
        return True

    def begin_music(self, music: SessionMusic) -> None:
        """From the last state on this is asked for. Raises MusicError, SessionError, and keeps nothing then."""
        written_notes(music)
        if self.writer is not None:
            self.writer.begin_music(self.state_us, music)
        self._pass_copy(MusicAt(self.state_us, music))

    def clicked(self, host_us: Sequence[int], beat_us: int) -> None:
        """A metronome of this tempo sounded a beat at each of these host times; kept a few at a time."""
        if host_us:
            self._pass_copy(Clicked(tuple(host_us), beat_us))
        fit = self._clock.fit() if host_us and not self.away else None
        if fit is None:
            return
        for at_host_us in host_us:
            t_us = fit.chanter_us(at_host_us)
            if self._clicks and (self._clicks[0] != beat_us or len(self._clicks) > MOST or t_us <= self._clicks[-1]):
                self.keep_clicks()
            if not self._clicks:
                self._clicks, self._clicks_us = [beat_us], at_host_us
            if t_us > self._kept_to_us:
                self._clicks.append(t_us)
                self.clicks.append((beat_us, t_us))

    def chanter_us(self, host_us: int) -> int | None:
        """When that is on the chanter's clock; None where it is not known."""
        fit = None if self.away else self._clock.fit()
        return None if fit is None else fit.chanter_us(host_us)

    def keep_clicks(self) -> None:
        """Keep the clicks so far."""
        clicks, self._clicks = self._clicks, []
        if self.writer is not None and len(clicks) > 1:
            self._kept_to_us = clicks[-1]
            self.writer.click(self._clicks_us, Clicks(clicks[0], tuple(clicks[1:])))

    def follow(self, asked: Sequence[MusicAt]) -> None:
        """Ask for each of these from the first state on that is not before its time: the music of a replay."""
        self._asked = list(asked)

    def ask_from(self, asked: MusicAt) -> None:
        """Ask for this from the state at its time on, which may have come already. Raises as `begin_music` does."""
        if self._asked or self.state_us < asked.at_us:
            self._asked.append(asked)
        else:
            self.begin_music(asked.music)

    def stream(self, what: int, raw_hz: int) -> bytes:
        """The bytes that ask the chanter to stream holes, raw samples or both; none where it has no such requests."""
        return b"" if self._link is None else self._link.stream(what, raw_hz)

    def tick(self, host_us: int) -> None:
        """Time goes by. Raises NotAChanter."""
        if self.writer is not None:
            self.writer.tick(host_us)
        if self._link is not None:
            self._link.receive(b"", host_us)
        elif self._notes is not None and not self._notes.intake.frames and host_us - self._first_us >= PATIENCE_US:
            raise NotAChanter(
                f"{self._plays}, one for each hole",
                "other notes alone",
                "check that this is the chanter's port, and what notes it plays (--first-note, --channel)",
            )

    def idle(self) -> bool:
        """Nothing came for a while; there is nothing to catch up with."""
        return False

    def close(self) -> None:
        """Nothing more will come; `writer.loss` says what could not be kept."""
        if self._link is not None:
            self._link.close()
        if self.writer is not None:
            self.keep_clicks()
            with contextlib.suppress(SessionError):
                self.writer.close()

    def _pass_copy(self, what: Copied) -> None:
        if self.copy is not None:
            self.copy(what)

    def _meet(self, carrier: Carrier) -> None:
        self.carrier = carrier
        if self.writer is not None:
            self.writer.tell(carrier=carrier)
        if carrier == "plain":
            self._notes = PlainNotes(*self._plays)
        else:
            self._link = HostLink(carrier)

    def _decode(self, data: bytes, host_us: int) -> None:
        events: list[Event] = []
        if self._link is not None:
            events = self._link.receive(data, host_us)
        elif self._notes is not None:
            events += self._doubted(self._notes.receive_bytes(data, host_us))
        for event in events:
            if isinstance(event, State):
                self.covered_mask, self.state_us = event.covered_mask, event.t_us
                self._clock.add_arrival(event.t_us, host_us)
                while self._asked and self._asked[0].at_us <= event.t_us:
                    self.begin_music(self._asked.pop(0).music)
            elif isinstance(event, Doubted) and event.doubt.cause == "restart":
                self._clock.reset()
            elif isinstance(event, Seen):
                self.chanter = event.hello.name
                self._know(event.hello.device_id)
            self._hear(event)

    def _know(self, device_id: bytes) -> None:
        """A chanter has named itself: its skew goes into the session, where it was measured."""
        if device_id in self._skews_us or len(self._skews_us) >= MOST_CHANTERS:
            return
        known = self._know_of(device_id)
        self._pass_copy(known)
        self._skews_us[device_id], seal = known.skew_us, known.seal
        # What is not known of one of several chanters is not known of the session.
        if len(self._skews_us) > 1 and seal != self.seal:
            seal = None if seal is None or self.seal is None else KnownSeal()
        self.seal = seal
        known_us = [skew_us for skew_us in self._skews_us.values() if skew_us is not None]
        # Of several chanters, one that was never measured makes it unknown for all.
        self.skew_us = max(known_us) if len(known_us) == len(self._skews_us) else None
        if self.writer is not None and known_us:
            self.writer.tell(measured_skew_us="" if self.skew_us is None else str(self.skew_us))
        if self.writer is not None and (seal is not None or len(self._skews_us) > 1):
            self.writer.tell(**seal_meta(seal))

    def _doubted(self, states: list[State]) -> list[Event]:
        """A plain chanter's states; a doubt before the first since it was away, as it has no clock that could tell."""
        if not states:
            return []
        doubts: list[Event] = []
        if self._away_from_us is not None:
            doubts.append(Doubted(Doubt(self._away_from_us, states[0].t_us, "gap")))
            self._away_from_us = None
        self._last_state_us = states[-1].t_us
        return [*doubts, *states]


Taker = TypeVar("Taker", bound=Recording)


def record(
    reader: Reader,
    recording: Taker,
    show: Callable[[Taker], None],
    told_to_end: Callable[[], bool],
    for_us: int | None = None,
    clock: Callable[[], int] = now_us,
) -> Taker:
    """Record from a started reader until `for_us` has gone by, a replay ends, or `told_to_end`: all three keep all.

    Closes reader and recording, whatever happens. Raises what `Recording.take` does.
    """
    started_us = clock()
    more, behind = True, False
    try:
        while more and not told_to_end() and (for_us is None or clock() - started_us < for_us):
            item = reader.get(0 if behind else TICK_S)
            behind = item is None and recording.idle()
            if item is not None:
                more = recording.take(item, reader.carrier)
            recording.tick(clock())
            show(recording)
        for item in reader.drain():
            more = more and recording.take(item, reader.carrier)
    finally:
        reader.stop()
        recording.close()
    return recording
