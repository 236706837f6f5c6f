from __future__ import annotations

import pytest

from fingerlead.ports.base import PortRefused
from fingerlead.ports.catalogue import midi_ports, open_port
from fingerlead.wire.events import State
from fingerlead.wire.link import HostLink
from fingerlead.wire.plain_midi import PlainNotes
from tests.ports.port_contract import FarSide, PortContract, Pump, count, listen, some_chanter


class MidiSide(FarSide):
    """A chanter behind two virtual ports of JACK, opened as midi:NAME."""

    spec = "midi:oak chanter"
    carrier = "sysex"

    def __init__(self) -> None:
        import mido

        self._mido = mido
        self._output = mido.open_output("oak chanter", virtual=True)
        self._input = mido.open_input("oak chanter", virtual=True)
        self._pump = Pump(some_chanter(self.carrier), self._send, self._take)

    def port(self):
        return open_port(self.spec)

    def start(self) -> None:
        self._pump.start()

    def _send(self, frame: bytes) -> None:
        for message in self._mido.parse_all(frame):
            self._output.send(message)

    def _take(self) -> bytes:
        return b"".join(bytes(message.bytes()) for message in self._input.iter_pending())

    def vanish(self) -> None:
        self._pump.stop()
        self._output.close()
        self._input.close()

    def close(self) -> None:
        self.vanish()


class PlainSide(MidiSide):
    carrier = "plain"


@pytest.mark.usefixtures("jack")
class TestMidiOverJack(PortContract):
    side = MidiSide


@pytest.mark.usefixtures("jack")
def test_a_chanter_of_plain_notes_is_told_by_what_it_plays():
    side = PlainSide()
    notes, states = PlainNotes(), []
    try:
        with open_port(side.spec) as port:
            side.start()
            for _ in range(200):
                for chunk in port.read(0.05):
                    states += notes.receive_bytes(chunk.data, chunk.host_us)
                if len(states) >= 5:
                    break
            assert port.carrier == "plain"
    finally:
        side.close()
    assert len(states) >= 5


@pytest.mark.usefixtures("jack")
def test_a_midi_port_that_comes_back_is_opened_again():
    for _ in range(2):
        side = MidiSide()
        try:
            with open_port(side.spec) as port:
                side.start()
                listen(port, HostLink("sysex"), lambda got: count(got, State) >= 1)
        finally:
            side.close()
    with pytest.raises(PortRefused, match="no MIDI input of that name"):
        open_port(side.spec)


@pytest.mark.usefixtures("jack")
def test_midi_inputs_are_listed_under_the_names_that_open_them():
    side = MidiSide()
    try:
        found, why = midi_ports()
        assert why == ""
        (ours,) = (each for each in found if "oak chanter" in each.spec)
        open_port(ours.spec).close()
    finally:
        side.close()
