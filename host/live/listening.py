"""One chanter listened to: each state handed on at once, and each change as soon as it can be told.

Sits behind a `Recording` (which keeps and decodes) and tells everything to one listener. Runs in whichever thread feeds
the recording, does no waiting of its own, and never holds up what is kept.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from host.live.recording import Heard as Decoded
from host.live.recording import Recording
from host.timing.live import LiveAnalysis, Told
from host.timing.results import KnownSkew, Settings
from host.wire.events import Doubted, Seen, State
from host.wire.plain_midi import NoteNumbers

if TYPE_CHECKING:
    from fingering.table import Table
    from host.live.reader import Item
    from host.ports.base import Carrier
    from host.store.session_file import SessionWriter
    from host.timing.analysis import Analysis
    from host.timing.results import Timing

Heard = Decoded | Told


class Listening:
    """`recording` takes in what a reader brings; `tell` hears all of it, and what the analysis makes of it.

    `skew_us` is how far apart the sensors may fire, in place of what was measured or is assumed. `scan_us` is for a
    source that tells no scan, and whose states are too rare to guess it from. Without `remember` there is no
    `analysis` in the end.
    """

    def __init__(
        self,
        table: Table,
        tell: Callable[[Heard, Timing], None],
        settings: Settings = Settings(),
        *,
        skew_us: int | None = None,
        scan_us: int | None = None,
        remember: bool = True,
        keep: SessionWriter | None = None,
        plays: NoteNumbers = NoteNumbers(),
    ) -> None:
        self.recording = Recording(keep, self._hear, plays)
        self._tell = tell
        self._measuring = skew_us is None
        skew = None if skew_us is None else KnownSkew(skew_us)
        self._live = LiveAnalysis(table, settings, self._pass_on, skew=skew, remember=remember)
        self._live.scan(scan_us)

    def take(self, item: Item, carrier: Carrier) -> bool:
        """Take in what a reader brings; whether more is to come. Raises as `Recording.take` does."""
        return self.recording.take(item, carrier)

    def idle(self) -> None:
        """Nothing came for a while."""
        self._live.idle()

    def tick(self, host_us: int) -> None:
        """Time goes by."""
        self.recording.tick(host_us)

    def close(self) -> None:
        """Nothing more will come."""
        self.recording.close()
        self._live.close(self.recording.end_us)

    def analysis(self) -> Analysis:
        """All that was settled."""
        return self._live.analysis(self.recording.intake)

    def _pass_on(self, what: Heard) -> None:
        self._tell(what, self._live.timing)

    def _hear(self, what: Decoded) -> None:
        if isinstance(what, Doubted):
            self._live.doubt(what.doubt)
        elif isinstance(what, Seen):
            self._live.scan(self.recording.scan_us)
            if self._measuring:
                skew_us = self.recording.skew_us
                self._live.skew(None if skew_us is None else KnownSkew(skew_us, "measured"))
        if self.recording.plain:
            self._live.clock = "host"
        self._pass_on(what)
        if isinstance(what, State):
            self._live.state(what.t_us, what.covered_mask)
