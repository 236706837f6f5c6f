from __future__ import annotations

import queue
import threading

import pytest

from fingerlead.listening.reader import FIRST_PAUSE_S, LONGEST_PAUSE_S, WHO, Back, Ended, Lost, Reader
from fingerlead.ports.base import Chunk, PortEnded, PortLost, PortRefused
from fingerlead.wire.carriers import to_stream, to_sysex

MISSING = PortRefused("x", "there is no such port", "plug it in")


class ScriptedPort:
    """Reads what the script says: bytes, or an error to raise; then waits until the reader is stopped."""

    name = "x"

    def __init__(self, *script, carrier: str = "stream") -> None:
        self.carrier = carrier
        self.script = list(script)
        self.written: list[bytes] = []
        self.closed = 0
        self.threads = {threading.get_ident()}

    def read(self, timeout_s):
        self.threads.add(threading.get_ident())
        if not self.script:
            threading.Event().wait(0.001)
            return []
        step = self.script.pop(0)
        if isinstance(step, Exception):
            raise step
        return [Chunk(data, host_us) for data, host_us in step]

    def write(self, data):
        if self.closed:
            raise PortLost("x", "closed")
        self.written.append(data)

    def close(self):
        self.threads.add(threading.get_ident())
        self.closed += 1


class Rig:
    """A reader over ports (or refusals) in order; pauses are noted, not waited."""

    def __init__(self, *ports, size: int = 100) -> None:
        self.ports, self.opened, self.pauses = list(ports), [], []
        self.clock_us = 0
        self.done = threading.Event()
        self.reader = Reader(self.open, lambda: self.clock_us, self.wait, size)

    def open(self):
        if not self.ports:
            self.done.set()
            raise MISSING
        port = self.ports.pop(0)
        if isinstance(port, Exception):
            raise port
        self.opened.append(port)
        return port

    def wait(self, seconds: float) -> bool:
        self.pauses.append(seconds)
        return self.done.is_set()

    def items(self, count: int) -> list:
        got = []
        while len(got) < count:
            item = self.reader.get(5)
            assert item is not None, f"expected {count} items, got {got}"
            got.append(item)
        return got


LOSS = PortLost("x", "unplugged")


def test_data_comes_in_order_from_one_thread():
    port = ScriptedPort([(b"a", 1)], [], [(b"b", 2), (b"c", 3)])
    rig = Rig(port)
    with rig.reader:
        assert rig.items(3) == [Chunk(b"a", 1), Chunk(b"b", 2), Chunk(b"c", 3)]
    assert port.closed == 1
    # Opened, read and closed in the reader's thread; this one only made the object.
    assert len(port.threads - {threading.get_ident()}) == 1


def test_a_loss_is_an_item_in_the_same_queue_and_the_port_is_picked_up_again():
    first = ScriptedPort([(b"a", 1)], LOSS)
    second = ScriptedPort([], [(b"b", 9)])
    rig = Rig(first, MISSING, MISSING, second)
    rig.clock_us = 5
    with rig.reader:
        assert rig.items(4) == [Chunk(b"a", 1), Lost("unplugged", 5), Back(9), Chunk(b"b", 9)]
    assert (first.closed, second.closed) == (1, 1)


def test_pauses_grow_and_are_short_again_after_a_return():
    rig = Rig(
        ScriptedPort([(b"a", 1)], LOSS),
        *[MISSING] * 7,
        ScriptedPort([(b"b", 2)], LOSS),
        MISSING,
    )
    with rig.reader:
        rig.items(5)
        assert rig.done.wait(5)
    assert rig.pauses[:8] == [min(FIRST_PAUSE_S * 2**i, LONGEST_PAUSE_S) for i in range(8)]
    assert rig.pauses[8:10] == [FIRST_PAUSE_S, 2 * FIRST_PAUSE_S]


def test_a_port_that_opens_but_says_nothing_before_it_is_lost_again_was_never_back():
    rig = Rig(ScriptedPort([(b"a", 1)], LOSS), *[ScriptedPort(LOSS) for _ in range(5)], ScriptedPort([(b"b", 2)]))
    with rig.reader:
        assert rig.items(4) == [Chunk(b"a", 1), Lost("unplugged", 0), Back(2), Chunk(b"b", 2)]
    assert rig.pauses == sorted(rig.pauses)


def test_a_port_that_cannot_be_opened_at_first_is_the_end():
    rig = Rig(MISSING)
    with rig.reader:
        assert rig.items(1) == [Ended(MISSING)]


def test_the_end_of_a_replay_is_the_end():
    end = PortEnded("over")
    rig = Rig(ScriptedPort([(b"a", 1)], end))
    with rig.reader:
        assert rig.items(2) == [Chunk(b"a", 1), Ended(end)]


def test_a_fault_of_the_program_is_handed_over():
    fault = RuntimeError("a bug")
    port = ScriptedPort([(b"a", 1)], fault)
    with Rig(port).reader as reader:
        assert [reader.get(5), reader.get(5)] == [Chunk(b"a", 1), Ended(fault)]
    assert port.closed == 1


def test_the_chanter_is_asked_who_it_is_each_time():
    first, second = ScriptedPort([(b"a", 1)], LOSS), ScriptedPort([(b"b", 2)], carrier="sysex")
    rig = Rig(first, second)
    with rig.reader:
        rig.items(4)
    assert first.written == [b"\0" + to_stream(WHO)]
    assert second.written == [to_sysex(WHO)]


def test_writing_reaches_the_port_and_is_quiet_while_it_is_away():
    port = ScriptedPort([(b"a", 1)])
    rig = Rig(port)
    rig.reader.write(b"too soon")
    with rig.reader:
        rig.items(1)
        rig.reader.write(b"now")
        port.closed = 1
        rig.reader.write(b"broken")
    rig.reader.write(b"too late")
    assert port.written[1:] == [b"now"]


def test_the_carrier_is_known_before_the_first_chunk():
    rig = Rig(ScriptedPort([(b"a", 1)], carrier="plain"))
    with rig.reader:
        rig.items(1)
        assert rig.reader.carrier == "plain"


def test_a_full_queue_holds_the_reader_up_and_loses_nothing():
    reads = [[(bytes([i]), i)] for i in range(50)]
    rig = Rig(ScriptedPort(*reads), size=3)
    with rig.reader:
        assert b"".join(item.data for item in rig.items(50)) == bytes(range(50))


def test_stopping_gives_what_was_read_and_not_taken():
    port = ScriptedPort(*[[(bytes([i]), i)] for i in range(50)])
    rig = Rig(port, size=8)
    rig.reader.start()
    rig.items(1)
    rest = rig.reader.drain()
    assert rest[-1] == Ended(None)
    data = b"".join(item.data for item in rest[:-1])
    assert data == bytes(range(1, 1 + len(data)))
    assert rig.reader.drain() == []
    with pytest.raises(queue.Empty):
        rig.reader._items.get_nowait()
