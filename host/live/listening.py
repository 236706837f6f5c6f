"""One chanter listened to: what its port brings becomes states, changes and, if wanted, a session on disk.

Runs in whichever thread calls it, does no waiting of its own, and tells everything to one listener. The order within
one piece of data is: keep it, decode it, hand on each state at once, then what the analysis makes of it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from host.timing.live import LiveAnalysis, Told
from host.timing.results import Settings
from host.wire.events import Answered, Doubted, RawState, Seen, State, TroubleSeen
from host.wire.link import HostLink
from host.wire.plain_midi import PlainNotes
from host.wire.record import Intake

if TYPE_CHECKING:
    from fingering.table import Table
    from host.ports.base import Carrier
    from host.store.session_file import SessionWriter
    from host.timing.analysis import Analysis

Heard = State | Told | Seen | TroubleSeen | Doubted | Answered | RawState
Hear = Callable[[Heard], None]


class Listening:
    """Feed it what the port brings; it hears and tells. `link` is None for plain notes."""

    def __init__(
        self,
        carrier: Carrier,
        table: Table,
        hear: Hear,
        settings: Settings = Settings(),
        *,
        skew_us: int | None = None,
        keep: SessionWriter | None = None,
    ) -> None:
        self.hear, self._keep = hear, keep
        self.link = None if carrier == "plain" else HostLink(carrier, gap_us=settings.gap_us)
        self._notes = PlainNotes()
        self._first_us: int | None = None
        self._end_us = 0
        clock = "host" if carrier == "plain" else "chanter"
        self.live = LiveAnalysis(table, settings, hear, clock=clock, skew_us=skew_us)

    def take(self, data: bytes, host_us: int) -> None:
        """What one read brought, at its arrival; b"" where a read timed out. Raises NotAChanter."""
        if self._keep is not None and data:
            self._keep.append(data, host_us)
        if self.link is None:
            self._take_notes(data, host_us)
            return
        for event in self.link.receive(data, host_us):
            if isinstance(event, Doubted):
                self.live.doubt(event.doubt)
            elif isinstance(event, Seen):
                self.live.scan(self.link.scan_us)
            self.hear(event)
            if isinstance(event, State):
                self.live.state(event.t_us, event.covered_mask)

    def close(self) -> Analysis:
        """Nothing more will come: settle the rest and give the whole."""
        if self.link is None:
            self.live.close(self._end_us)
            return self.live.analysis()
        intake: Intake = self.link.close()
        self.live.close(self.link.end_us)
        return self.live.analysis(intake)

    def _take_notes(self, data: bytes, host_us: int) -> None:
        for place in range(0, len(data) - 2, 3):
            for state in self._notes.receive(data[place], data[place + 1], data[place + 2], host_us):
                if self._first_us is None:
                    self._first_us = state.t_us
                self._end_us = state.t_us - self._first_us
                self.hear(State(self._end_us, state.covered_mask, host_us))
                self.live.state(self._end_us, state.covered_mask)
