"""The seal while a note alone is held: raw samples beside the holes show a finger that leaves its hole a little.

Question: a hole counts as covered long before it is closed; did each one stay as closed as it was? Only where the
chanter streams raw samples and a calibration of it is kept; else nothing is looked at, and nothing claimed.

Pure: takes what `Listening` hears; says what to ask the chanter for, and whether a stretch of time was sealed. While
the hands are off it looks at the open holes too: where they no longer read as they did, it proposes to calibrate again.
"""

import contextlib
from collections import deque
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HANDS_OFF
from fingerlead.listening.listening import Heard
from fingerlead.listening.reader import Back, Lost
from fingerlead.store.chanters import Calibration, drift_words
from fingerlead.wire import messages as wire
from fingerlead.wire.events import Answered, Doubted, RawState, Seen, State
from fingerlead.workbench.seal import leaks

RAW_HZ = 200  # a finger that loosens takes longer than 40 ms; at 115 200 baud there is room for twice as many
KEPT = RAW_HZ * 30
ARRIVED_US = 150_000  # a finger that comes down, or begins to lift, has not loosened
OPEN_US = 400_000
OPEN_TIMES = 3  # one time the hands may hover


class SealWatch:
    """One chanter's. `calibration_of` a device id gives its calibration, None where none is kept."""

    def __init__(self, calibration_of: Callable[[bytes], Calibration | None]) -> None:
        self._calibration_of = calibration_of
        self._device: bytes | None = None
        self._calibration: Calibration | None = None
        self._wanted = False  # whether a note alone is practised
        self._asked: bool | None = None  # for raw samples or not; None where the chanter does as it does by itself
        self._raw: deque[RawState] = deque(maxlen=KEPT)
        self._open: deque[NDArray[np.float64]] = deque(maxlen=OPEN_TIMES)
        self._open_since_us: int | None = None
        self._proposed = False

    def watch(self, wanted: bool) -> None:
        """Whether a note alone is practised from now on."""
        self._wanted = wanted

    def new_stream(self) -> int | None:
        """What the chanter is to stream from now on (STREAM_BOTH, STREAM_HOLES), where that is news to it."""
        wanted = self._wanted and self._calibration is not None
        if wanted == bool(self._asked):
            return None
        self._asked = wanted
        return wire.STREAM_BOTH if wanted else wire.STREAM_HOLES

    def hear(self, what: Heard) -> str | None:
        """Take in what is heard; a proposal, once, where the open holes have drifted."""
        if isinstance(what, RawState):
            self._raw.append(what)
            if self._asked is None:
                self._asked = True  # by an earlier program, which never took it back
        elif isinstance(what, State):
            return self._state(what)
        elif isinstance(what, Seen):
            self._meet(what.hello)
        elif isinstance(what, Answered):
            if isinstance(what.asked, wire.Stream) and what.answer.status != wire.DONE:
                self._calibration = None  # its link is too slow for both
        elif isinstance(what, (Lost, Back)) or (isinstance(what, Doubted) and what.doubt.cause == "restart"):
            self._asked, self._open_since_us = None, None
            self._raw.clear()
        return None

    def loosened(self, since_us: int, until_us: int) -> tuple[int, ...]:
        """The holes that loosened in a stretch in which all were covered; none where nothing is known."""
        found = self._calibration
        rows = self._rows(since_us + ARRIVED_US, until_us)
        if found is None or not len(rows):
            return ()
        t_us = np.array([row.t_us for row in rows], dtype=np.int64)
        samples = np.array([row.samples for row in rows], dtype=np.uint16)
        low, high = np.array(found.open_raw), np.array(found.covered_raw)
        # A light finger may be a small one: what counts is whether it stays as it is.
        usual = np.median(samples, axis=0)
        high = np.where(usual - low > (high - low) / 2, usual, high)
        with contextlib.suppress(ValueError):
            leaking = leaks(t_us, samples, low.tolist(), high.tolist())
            return tuple(sorted({leak.hole for leak in leaking if leak.start_us <= until_us - ARRIVED_US}))
        return ()

    def _meet(self, hello: wire.Hello) -> None:
        if hello.device_id == self._device:
            return
        self._device, self._asked = hello.device_id, None
        self._calibration = self._calibration_of(hello.device_id) if hello.abilities & wire.CAN_RAW else None

    def _state(self, state: State) -> str | None:
        if state.covered_mask == HANDS_OFF:
            self._open_since_us = state.t_us if self._open_since_us is None else self._open_since_us
            return None
        since_us, self._open_since_us = self._open_since_us, None
        return None if since_us is None else self._drift(since_us, state.t_us)

    def _drift(self, since_us: int, until_us: int) -> str | None:
        """The hands are on again; what the open holes read meanwhile."""
        rows = self._rows(since_us + ARRIVED_US, until_us - ARRIVED_US)
        if self._calibration is None or self._proposed or not rows or rows[-1].t_us - rows[0].t_us < OPEN_US:
            return None
        self._open.append(np.median([row.samples for row in rows], axis=0))
        if len(self._open) < OPEN_TIMES:
            return None
        words = drift_words(self._calibration, tuple(np.median(list(self._open), axis=0).tolist()))
        self._proposed = words is not None
        return words

    def _rows(self, since_us: int, until_us: int) -> list[RawState]:
        def latest() -> Iterator[RawState]:
            for row in reversed(self._raw):
                if row.t_us < since_us:
                    return
                if row.t_us <= until_us:
                    yield row

        return list(latest())[::-1]
