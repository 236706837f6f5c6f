"""An emulated chanter that is led: its fingers do what they do because of what it has said."""

from __future__ import annotations

import socket
from itertools import pairwise
from pathlib import Path

import numpy as np

from fingering.holes import HOLES
from fingerlead.wire.carriers import StreamReader
from fingerlead.wire.messages import Holes, decode
from tests.firmware.firmware_tools import needs
from tests.firmware.led_chanter import BATCH, SAMPLE_US, powered

STEP_US = 10  # a scan may start later than planned by one turn of the main loop
TIMES = 20


def test_fingers_move_once_they_are_seen_and_are_timed_when_they_did(elf: Path, storage: Path) -> None:
    needs("qemu-system-arm")
    moved_us: list[int] = []
    seen: list[tuple[int, int]] = []
    reader = StreamReader()
    with powered(elf, storage.parent) as (leading, port, _), socket.socket() as host:
        host.connect(("127.0.0.1", int(port.rsplit(":", 1)[1])))
        host.settimeout(0)

        def see(at_us):
            # All fingers at once, in the middle of what is fed next.
            middle = len(at_us) // 2
            samples = np.full((len(at_us), HOLES), 900 if len(moved_us) % 2 else 100, np.uint16)
            if len(seen) == len(moved_us) + 1 and len(moved_us) < TIMES:
                samples[middle:] = 1_000 - samples[middle:]
                moved_us.append(int(at_us[middle]))
            return samples

        def going_on():
            try:
                items = reader.feed(host.recv(4096))
            except BlockingIOError:
                items = []
            for message in (decode(item) for item in items if isinstance(item, bytes)):
                if isinstance(message, Holes) and (not seen or message.covered_mask != seen[-1][1]):
                    seen.append((message.ticks32, message.covered_mask))
            return len(seen) <= TIMES

        leading.lead(see, going_on)
    assert [mask for _, mask in seen] == [0x00, 0xFF] * (TIMES // 2) + [0x00]
    assert all(0 <= told - us <= SAMPLE_US + STEP_US for us, (told, _) in zip(moved_us, seen[1:], strict=True))
    # It cannot be told sooner than it is fed.
    assert all(after - before >= BATCH * SAMPLE_US for before, after in pairwise(moved_us))
