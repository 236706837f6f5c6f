from __future__ import annotations

from types import SimpleNamespace

import mido
import pytest

from fingerlead.ports.base import PortLost, PortRefused
from fingerlead.ports.catalogue import midi_ports, open_port
from fingerlead.ports.midi_port import LOOK_EVERY_US, SETTLE_US, SILENCE_US, MidiPort
from fingerlead.wire.carriers import to_sysex
from tests.ports.port_contract import some_bytes

FRAME = to_sysex(bytes([0x02, 1, 0, 9, 9, 9, 9, 255]))


class End:
    def __init__(self, name: str) -> None:
        self.name, self.sent, self.closed = name, [], False
        self._rt = None

    def send(self, message) -> None:
        if self.closed:
            raise OSError("closed")
        self.sent.append(message)

    def close(self) -> None:
        self.closed = True


class FakeMidi:
    """mido's backend as far as the port uses it, with devices that can be unplugged."""

    def __init__(self, inputs: list[str], outputs: list[str] | None = None) -> None:
        self.inputs, self.outputs = inputs, outputs or []
        self.opened: dict[str, End] = {}
        self.error: Exception | None = None
        self.lists = 0

    def load(self) -> None:
        pass

    def get_input_names(self) -> list[str]:
        self.lists += 1
        if self.error:
            raise self.error
        return self.inputs

    def get_output_names(self) -> list[str]:
        return self.outputs

    def open_input(self, name, callback):
        if self.error:
            raise self.error
        self.callback = callback
        self.opened["in"] = End(name)
        # Where mido keeps the library's own port, which has a list too.
        self.opened["in"]._rt = SimpleNamespace(get_ports=self.get_input_names)
        return self.opened["in"]

    def open_output(self, name):
        self.opened["out"] = End(name)
        return self.opened["out"]

    def say(self, data: bytes) -> None:
        for message in mido.parse_all(data):
            self.callback(message)


class Watch:
    def __init__(self) -> None:
        self.now_us = 1_000_000

    def __call__(self) -> int:
        return self.now_us


@pytest.fixture
def plugged(monkeypatch):
    def plug(*inputs: str, outputs: tuple[str, ...] = ()) -> tuple[FakeMidi, Watch]:
        fake = FakeMidi(list(inputs), list(outputs))
        monkeypatch.setattr(mido, "backend", fake)
        return fake, Watch()

    return plug


def read(port) -> bytes:
    return b"".join(chunk.data for chunk in port.read(0))


def test_part_of_the_name_will_do_in_any_case(plugged):
    fake, _ = plugged("Hub:Hub 20:0", "Oak Chanter:Oak Chanter MIDI 1 24:0")
    open_port("midi:oak ch").close()
    assert fake.opened["in"].name == "Oak Chanter:Oak Chanter MIDI 1 24:0"
    assert fake.opened["in"].closed


def test_the_whole_name_wins_over_longer_ones(plugged):
    fake, _ = plugged("Oak 2", "Oak", "Oak 3")
    open_port("midi:Oak")
    assert fake.opened["in"].name == "Oak"


def test_several_or_none_of_that_name_are_refused_with_what_there_is(plugged):
    plugged("Oak 2", "Oak 3")
    with pytest.raises(PortRefused, match=r"midi:Oak: several MIDI inputs .*: Oak 2; Oak 3; write more of it"):
        open_port("midi:Oak")
    with pytest.raises(PortRefused, match=r"no MIDI input of that name \(there are: Oak 2; Oak 3\)"):
        open_port("midi:Elm")
    plugged()
    with pytest.raises(PortRefused, match=r"there is none at all"):
        open_port("midi:Elm")


def test_frames_come_as_they_are_and_other_messages_are_passed_over(plugged):
    fake, watch = plugged("Oak")
    port = MidiPort("midi:Oak", watch)
    fake.say(b"\xf8" + FRAME + b"\xfe" + bytes([0xB0, 1, 2]) + FRAME + bytes([0x90, 60, 1]))
    assert read(port) == FRAME * 2
    assert port.carrier == "sysex"


def test_a_whole_chanter_comes_through(plugged):
    fake, watch = plugged("Oak")
    port = MidiPort("midi:Oak", watch)
    data = some_bytes("sysex")
    fake.say(data)
    assert read(port) == data


def test_notes_alone_make_it_a_plain_port(plugged):
    fake, watch = plugged("Oak")
    port = MidiPort("midi:Oak", watch)
    watch.now_us += SETTLE_US
    fake.say(bytes([0x9F, 24, 64, 0x9F, 25, 0, 0x8F, 26, 3]))
    (first, *rest) = port.read(0)
    assert port.carrier == "plain"
    assert (first.data, first.host_us) == (bytes([0x9F, 24, 64]), watch.now_us)
    assert [chunk.data for chunk in rest] == [bytes([0x9F, 25, 0]), bytes([0x8F, 26, 3])]
    fake.say(FRAME)
    assert read(port) == b""


def test_early_notes_wait_for_a_heartbeat_and_are_kept_if_none_comes(plugged):
    fake, watch = plugged("Oak")
    port = MidiPort("midi:Oak", watch)
    fake.say(bytes([0x9F, 24, 64]))
    arrived_us = watch.now_us
    assert read(port) == b""
    watch.now_us += SETTLE_US
    (chunk,) = port.read(0)
    assert (chunk.data, chunk.host_us, port.carrier) == (bytes([0x9F, 24, 64]), arrived_us, "plain")


def test_a_note_before_the_first_frame_does_not_make_it_plain(plugged):
    fake, watch = plugged("Oak")
    port = MidiPort("midi:Oak", watch)
    fake.say(bytes([0x90, 60, 64]))
    assert read(port) == b""
    fake.say(FRAME)
    assert read(port) == FRAME
    watch.now_us += SETTLE_US
    fake.say(bytes([0x90, 60, 64]))
    assert read(port) == b""
    assert port.carrier == "sysex"


def test_requests_go_out_at_the_output_of_the_same_name(plugged):
    fake, watch = plugged("Oak MIDI 1", outputs=("Hub", "Oak MIDI 1"))
    port = MidiPort("midi:Oak", watch)
    port.write(FRAME)
    assert [bytes(message.bytes()) for message in fake.opened["out"].sent] == [FRAME]
    fake.opened["out"].close()
    with pytest.raises(PortLost):
        port.write(FRAME)


def test_a_device_that_only_talks_is_written_to_in_vain(plugged):
    fake, watch = plugged("Oak", outputs=("Hub",))
    port = MidiPort("midi:Oak", watch)
    port.write(FRAME)
    assert "out" not in fake.opened


def test_unplugging_is_noticed_within_a_second_or_two(plugged):
    fake, watch = plugged("Oak")
    port = MidiPort("midi:Oak", watch)
    fake.inputs = []
    assert port.read(0) == []
    watch.now_us += LOOK_EVERY_US
    with pytest.raises(PortLost, match=r"midi:Oak: the connection is lost .*unplugged"):
        port.read(0)


def test_the_list_of_ports_is_asked_for_once_a_second_at_most(plugged):
    fake, watch = plugged("Oak")
    port = MidiPort("midi:Oak", watch)
    fake.lists = 0
    for _ in range(100):
        watch.now_us += LOOK_EVERY_US // 20
        port.read(0)
    assert fake.lists == 5


def test_a_dead_midi_system_is_a_loss(plugged):
    fake, watch = plugged("Oak")
    port = MidiPort("midi:Oak", watch)
    fake.error = OSError("server not running")
    watch.now_us += LOOK_EVERY_US
    with pytest.raises(PortLost, match="server not running"):
        port.read(0)


def test_a_chanter_that_falls_silent_is_a_loss_but_a_silent_port_is_not(plugged):
    fake, watch = plugged("Oak")
    port = MidiPort("midi:Oak", watch)
    for _ in range(10):
        watch.now_us += SILENCE_US
        assert port.read(0) == []
    fake.say(FRAME)
    assert read(port) == FRAME
    watch.now_us += SILENCE_US - 1
    assert port.read(0) == []
    watch.now_us += 1
    with pytest.raises(PortLost, match="silent for 3 s"):
        port.read(0)


def test_a_plain_chanter_may_be_silent_for_ever(plugged):
    fake, watch = plugged("Oak")
    port = MidiPort("midi:Oak", watch)
    watch.now_us += SETTLE_US
    fake.say(bytes([0x9F, 24, 64]))
    assert read(port)
    watch.now_us += 100 * SILENCE_US
    assert port.read(0) == []


def test_a_busy_device_is_named_with_what_to_do(plugged, monkeypatch):
    fake, watch = plugged("Oak")

    def busy(name, callback):
        raise OSError("error creating Windows MM MIDI input port")

    monkeypatch.setattr(fake, "open_input", busy)
    with pytest.raises(PortRefused, match=r"midi:Oak: it is busy: another program may have it .*close that program"):
        MidiPort("midi:Oak", watch)


def test_no_midi_system_is_said_once_and_is_no_error_in_the_list(plugged):
    fake, _ = plugged("Oak")
    fake.error = OSError("no sequencer")
    with pytest.raises(PortRefused, match="offers no MIDI"):
        open_port("midi:Oak")
    found, why = midi_ports()
    assert found == []
    assert "no sequencer" in why


def test_without_the_library_the_user_is_told_what_to_install(plugged, monkeypatch):
    fake, _ = plugged("Oak")

    def missing():
        raise ImportError("No module named 'rtmidi'")

    monkeypatch.setattr(fake, "load", missing)
    with pytest.raises(PortRefused) as refused:
        open_port("midi:Oak")
    for words in ("midi:Oak", "pip install python-rtmidi", "From Python 3.13 on", "libasound2-dev libjack-jackd2-dev"):
        assert words in str(refused.value).replace(" and ", " ")
    found, why = midi_ports()
    assert found == []
    assert "python-rtmidi" in why
