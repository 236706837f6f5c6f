"""A whole performance's bytes at once: what a listener that is there from power-up to the end would receive."""

from __future__ import annotations

from collections.abc import Callable

from host.simulated.chanter import Chanter, Setup
from host.simulated.performance import Performance
from host.simulated.sensing import Sensors

Frames = list[tuple[int, bytes]]


def wire_frames(
    performance: Performance, setup: Setup | None = None, sensors_: Sensors | None = None, carrier: str = "stream"
) -> Frames:
    """(true time at which it was ready, whole frame), in order; `setup` None is a chanter whose clock starts at 0."""
    chanter = Chanter(performance, setup, sensors_, carrier)
    return chanter.due_frames(performance.end_us)


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
