"""The simulated chanter at an outlet: the only part of it that knows the time of day.

One loop, no threads: take what the host says, let the chanter's clock come up to now, hand over what fits. Power comes
on when the first reader is there.
"""

import time
from collections.abc import Callable

from fingerlead.simulated.chanter import Chanter, Setup
from fingerlead.simulated.outlets import Outlet
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.sensing import Sensors

TICK_S = 0.002
IDLE_S = 0.02
GREETING_S = 0.25
# At full speed the chanter's clock moves in steps of this, while its outbox has room for what they bring.
STEP_US = 50_000
ROOM_BYTES = 1_024


def _first_words(outlet: Outlet, clock: Callable[[], float]) -> bytes:
    """What the host says first, or nothing for a host that only listens.

    A serial library empties its input while it opens a port; what a chanter said before that would be lost.
    """
    until_s = clock() + GREETING_S
    while clock() < until_s:
        if data := outlet.read():
            return data
        outlet.wait(TICK_S, False)
    return b""


def serve(
    chanter: Chanter,
    outlet: Outlet,
    speed: float | None = 1.0,
    clock: Callable[[], float] = time.monotonic,
) -> None:
    """Play to the end of the performance. `speed` None: as fast as the reader takes it, and only while there is one."""
    while not outlet.connected():
        outlet.wait(IDLE_S, False)
    asked = _first_words(outlet, clock)
    start_s = clock()
    chanter.hear(asked, 0)
    rest = b""
    was_there = True
    while True:
        there = outlet.connected()
        if there and not was_there:
            rest = b"\0"  # whatever the last reader got of a frame, the next one starts afresh
        elif not there:
            rest = b""
        was_there = there
        if speed is not None:
            now_us = round((clock() - start_s) * 1_000_000 * speed)
        else:
            has_room = there and not rest and chanter.waiting_bytes < ROOM_BYTES
            now_us = chanter.now_us + (STEP_US if has_room else 0)
        now_us = min(now_us, chanter.end_us)
        chanter.hear(outlet.read(), now_us)
        if there:
            rest = rest or chanter.take(outlet.mouthful)
            rest = rest[outlet.write(rest) :] if rest else b""
        left = bool(rest or chanter.waiting_bytes)
        if chanter.now_us >= chanter.end_us and not (there and left):
            break
        if rest or (speed is not None and not left):
            outlet.wait(TICK_S if there else IDLE_S, bool(rest))
        elif not there:
            outlet.wait(IDLE_S, False)
    outlet.drain()


# --- A whole performance's bytes at once: what a listener that is there from power-up to the end would receive.

Frames = list[tuple[int, bytes]]


def wire_frames(
    performance: Performance, setup: Setup | None = None, sensors_: Sensors | None = None, carrier: str = "stream"
) -> Frames:
    """(true time at which it was ready, whole frame), in order; `setup` None is a chanter whose clock starts at 0."""
    return Chanter(performance, setup, sensors_, carrier).due_frames(performance.end_us)


def wire_bytes(
    performance: Performance,
    setup: Setup | None = None,
    sensors_: Sensors | None = None,
    carrier: str = "stream",
    damage: Callable[[list[bytes]], list[bytes]] | None = None,
) -> bytes:
    """The byte stream. `damage` gets the list of whole frames and gives back what arrives of them."""
    frames = [frame for _, frame in wire_frames(performance, setup, sensors_, carrier)]
    return b"".join(frames if damage is None else damage(frames))
