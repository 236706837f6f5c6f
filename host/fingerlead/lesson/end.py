"""One end of a lesson, sans-IO: packets and entries in, packets and events out; time is an argument.

    waiting ──they have met──► agreed ──both consent──► open ──both have finished, and have all──► over
       └──► refused                                     ▲ └──3 s of silence──► away
                                                        └──────────────────────┘

Before this end has consented, nothing of its player leaves. Each end has a log of its own, which is whole at the other
in the end. Forged, repeated and broken packets change nothing and are counted; beyond MOST_A_SECOND they are not looked
at. Nothing here waits, and nothing grows without bound.
"""

import hashlib
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from os import urandom
from typing import Literal

from fingerlead.lesson.code import GOOD_FOR_US
from fingerlead.lesson.delay import PlayoutDelay
from fingerlead.lesson.entries import Consent, Ending, Entry, Read, decode_entry, encode_entry
from fingerlead.lesson.errors import LessonError, unexpected
from fingerlead.lesson.keys import Opener, Role, Sealer
from fingerlead.lesson.meeting import Meeting
from fingerlead.lesson.packets import Content, Lane, Sealed, decode_content, decode_packet, encode_content
from fingerlead.lesson.receiving import Came, OtherLog
from fingerlead.lesson.sending import OwnLog

Phase = Literal["waiting", "agreed", "open", "away", "over", "refused"]
# An acknowledgement waits for as long for others to go with it; without anything to say an end says so this often.
TELL_US, BEAT_US = 40_000, 250_000
SILENT_US = 3_000_000
# What is sent to an end that was not heard for so long is no more than probes.
FAINT_US = 1_000_000
# What is shown beyond a hole waits so long for the hole to be filled.
HOLE_US = 150_000
MOST_A_SECOND = 2_000
FULL = "the other end has been away for too long, and the lesson ends here; what was played is kept on this machine"


@dataclass(frozen=True, slots=True)
class Took:
    """The other end's next entry; `number` counts them."""

    number: int
    entry: Entry


@dataclass(frozen=True, slots=True)
class Glimpsed:
    """Entries beyond a hole, uncertain until it is filled; `anew` where those seen before are to be forgotten."""

    entries: tuple[Entry, ...]
    anew: bool


@dataclass(frozen=True, slots=True)
class Turned:
    """The lesson is in another phase now; `why` is a sentence where there is something to say."""

    phase: Phase
    why: str = ""


LessonEvent = Took | Glimpsed | Turned


class LessonEnd:
    """The pupil's end, or the teacher's. Feed it packets and entries, and `poll` it at least every 20 ms.

    `whole` is whether the other's log, once finished, is to the bit what was sent; None before. `ignored` counts
    packets that were broken, came too early or too many; `heard_us` is when the other end was heard last. With
    `ends_by_itself` this end finishes as soon as the other has; without, its owner does, who has more to add.
    """

    def __init__(
        self,
        role: Role,
        secret: bytes,
        now_us: int,
        random: Callable[[int], bytes] = urandom,
        good_for_us: int = GOOD_FOR_US,
        ends_by_itself: bool = True,
    ) -> None:
        self.role: Role = role
        self._ends_by_itself = ends_by_itself
        self.phase: Phase = "waiting"
        self.meeting = Meeting(role, secret, now_us, random, good_for_us)
        self.outgoing, self.incoming, self.delay = OwnLog(), OtherLog(), PlayoutDelay()
        self.ignored = 0
        self.added = 0  # entries in this end's log
        self.theirs: Consent | None = None
        self.whole: bool | None = None
        self._consented = self._finished = self._they_finished = False
        self._packets: deque[tuple[Lane, bytes]] = deque()
        self._sealers: dict[Lane, Sealer] = {}
        self._openers: dict[Lane, Opener] = {}
        self.heard_us = now_us
        self._stamp_us = self._stamp_came_us = 0
        self._said_us = now_us
        self._to_tell = False
        self._digest, self._their_digest = hashlib.sha256(), hashlib.sha256()
        self._second_us, self._this_second = now_us, 0

    @property
    def refused(self) -> int:
        """Packets that were forged, or here before."""
        return sum(opener.forged + opener.repeated for opener in self._openers.values())

    # --- what the player does ---

    def consent(self, consent: Consent, now_us: int) -> list[LessonEvent]:
        """The player agrees: from now on entries may go. Raises LessonError where nothing waits for it."""
        if self.phase != "agreed" or self._consented:
            raise unexpected("a lesson that waits for consent", f"one that is {self.phase}")
        self._consented = True
        self.add(consent, now_us)
        return self._look(now_us)

    def add(self, entry: Entry, now_us: int) -> int | None:
        """Put an entry into this end's log; its number, or None where it may not go, or there is no room left."""
        if not self._consented or self._finished:
            return None
        data = encode_entry(entry)
        if not self.outgoing.add(data, now_us):
            return None
        _count_in(self._digest, data)
        self.added += 1
        return self.added - 1

    def finish(self, now_us: int, why: str = "") -> None:
        """Nothing more will be added; the lesson is over when both ends have finished, and have all."""
        self.add(Ending(why, self._digest.hexdigest()), now_us)
        self._finished = True

    # --- what the line brings, and takes ---

    def receive(self, data: bytes, now_us: int) -> list[LessonEvent]:
        """Take in a packet, whatever it is."""
        if now_us - self._second_us >= 1_000_000:
            self._second_us, self._this_second = now_us, 0
        self._this_second += 1
        if self._this_second > MOST_A_SECOND:
            self.ignored += 1
            return []
        try:
            packet = decode_packet(data)
            if isinstance(packet, Sealed):
                return self._open(packet, now_us)
            if packet is not None:
                self._packets.extend((Lane.NOW, answer) for answer in self.meeting.receive(packet, now_us))
                return self._look(now_us)
        except LessonError:
            self.ignored += 1
        return []

    def poll(self, now_us: int) -> list[LessonEvent]:
        """Time goes by; what is to be sent now is in `take_packets`."""
        self._packets.extend((Lane.NOW, packet) for packet in self.meeting.poll(now_us))
        events = self._look(now_us)
        if self._sealers and self.phase != "refused":
            self._send(now_us)
            beyond = self.incoming.beyond(now_us, HOLE_US)
            if beyond is not None:
                entries = (self._decoded(data) for data in beyond.entries)
                events.append(Glimpsed(tuple(entry for entry in entries if entry is not None), beyond.anew))
        return events

    def take_packets(self) -> list[tuple[Lane, bytes]]:
        """What is to be sent, each with its lane, in order; the line may lose any of it."""
        packets, self._packets = list(self._packets), deque()
        return packets

    def _open(self, packet: Sealed, now_us: int) -> list[LessonEvent]:
        if not self._openers:
            self.ignored += 1
            return []
        body = self._openers[packet.lane].open(packet)
        if body is None:
            return []
        content = decode_content(body)
        self.heard_us = now_us
        if content.echo_us:
            self.outgoing.took(max(0, now_us - content.echo_us - content.held_us))
        if content.stamp_us > self._stamp_us:
            self._stamp_us, self._stamp_came_us = content.stamp_us, now_us
        self.outgoing.acknowledged(content.have, content.spans)
        came = self.incoming.take(content.first, content.blocks, content.made, now_us)
        self._to_tell = self._to_tell or bool(content.blocks)
        events: list[LessonEvent] = []
        for one in came:
            entry = self._took(one)
            if isinstance(entry, Read) and packet.lane == Lane.NOW:
                self.delay.came(entry.host_us, now_us)
            if entry is not None:
                events.append(Took(one.number, entry))
        return events + self._look(now_us)

    def _took(self, came: Came) -> Entry | None:
        entry = self._decoded(came.entry)
        if isinstance(entry, Consent) and came.number == 0:
            self.theirs = entry
        if isinstance(entry, Ending):
            self._they_finished, self.whole = True, entry.digest == self._their_digest.hexdigest()
        _count_in(self._their_digest, came.entry)
        return entry

    def _decoded(self, data: bytes) -> Entry | None:
        try:
            return decode_entry(data)
        except LessonError:
            self.ignored += 1
            return None

    def _look(self, now_us: int) -> list[LessonEvent]:
        """Go on to the next phase where it is time."""
        keys, silent = self.meeting.keys, now_us - self.heard_us >= SILENT_US
        if self.phase == "waiting" and self.meeting.refused:
            return self._turn("refused", self.meeting.refused)
        if self.phase == "waiting" and keys is not None:
            self._sealers = {lane: keys.sealer(lane) for lane in Lane}
            self._openers = {lane: keys.opener(lane) for lane in Lane}
            self.heard_us = now_us
            return self._turn("agreed")
        if self.phase == "agreed" and self._consented and self.theirs is not None:
            return self._turn("open") + self._look(now_us)
        if self.phase in ("open", "away"):
            if self._they_finished and self._ends_by_itself and not self._finished:
                self.finish(now_us)
            if self._they_finished and self._finished and self.outgoing.have == self.outgoing.made:
                return self._turn("over")
            if self.outgoing.full:
                return self._turn("over", FULL)
            if silent != (self.phase == "away"):
                return self._turn("away" if silent else "open")
        return []

    def _turn(self, phase: Phase, why: str = "") -> list[LessonEvent]:
        self.phase = phase
        return [Turned(phase, why)]

    def _send(self, now_us: int) -> None:
        heard = now_us - self.heard_us < FAINT_US
        run = self.outgoing.now(now_us) if heard else None
        if run is not None:
            self._say(Lane.NOW, now_us, *run)
        for run in self.outgoing.due(now_us, heard=heard):
            self._say(Lane.LOG, now_us, *run)
        wait_us = TELL_US if self._to_tell else BEAT_US
        if now_us - self._said_us >= wait_us and (self.phase != "over" or self._to_tell):
            self._say(Lane.NOW, now_us)

    def _say(self, lane: Lane, now_us: int, first: int = 0, blocks: tuple[bytes, ...] = ()) -> None:
        stamp_us = max(now_us, self._said_us, 1)
        held_us = now_us - self._stamp_came_us if self._stamp_us else 0
        have, spans = self.incoming.have, self.incoming.spans
        content = Content(stamp_us, self._stamp_us, held_us, self.outgoing.made, have, spans, first, blocks)
        self._packets.append((lane, self._sealers[lane].seal(encode_content(content))))
        self._said_us, self._to_tell = now_us, False


def _count_in(digest: "hashlib._Hash", entry: bytes) -> None:
    digest.update(len(entry).to_bytes(4, "little") + entry)
