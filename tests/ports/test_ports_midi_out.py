"""MIDI out: the output is found or refused in words, and whatever becomes of it, no note stays on."""

from __future__ import annotations

import contextlib
from types import SimpleNamespace

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.notes import SOUNDING
from fingering.table import standard_table
from fingerlead.listening.listening import MidiPlaying
from fingerlead.listening.reader import Back, Lost
from fingerlead.ports.base import PortRefused
from fingerlead.ports.midi_out import LOOK_EVERY_US, READY_EVERY_US, MidiOut, list_outputs
from fingerlead.sound.tuning import MidiVoice, Tuning
from fingerlead.wire.account import GAP_US
from fingerlead.wire.events import RawState, State

LOW_A_MASK = standard_table().standard[1]
KEYS = MidiVoice(Tuning(480).note_hz()).keys


class End:
    """One opened output; what is on at it, as a synthesiser would have it."""

    def __init__(self, midi: FakeMidi, name: str) -> None:
        self.name, self.closed, self.sent, self.on = name, False, [], set()
        self.fails: Exception | None = None
        self._rt = SimpleNamespace(get_ports=midi.get_output_names)

    def send(self, message) -> None:
        if self.fails:
            raise self.fails
        assert not self.closed
        self.sent.append(message)
        if message.type == "note_on":
            self.on.add(message.note)
        elif message.type == "note_off":
            self.on.discard(message.note)
        elif message.is_cc(120) or message.is_cc(123):
            self.on.clear()

    def close(self) -> None:
        self.closed = True


class FakeMidi:
    """mido's backend as far as an output uses it."""

    def __init__(self, *outputs: str) -> None:
        self.outputs, self.opened, self.error, self.lists, self.own = list(outputs), [], None, 0, True

    def load(self) -> None:
        pass

    def get_output_names(self) -> list[str]:
        self.lists += 1
        if self.error:
            raise self.error
        return self.outputs

    def open_output(self, name, virtual=False):
        if virtual and not self.own:
            raise NotImplementedError("virtual ports are not supported")
        if name == "Busy":
            raise OSError("in use")
        self.opened.append(End(self, name))
        return self.opened[-1]


class Watch:
    def __init__(self) -> None:
        self.now_us = 1_000_000

    def __call__(self) -> int:
        return self.now_us


@pytest.fixture
def plugged(monkeypatch):
    def plug(*outputs: str) -> tuple[FakeMidi, Watch]:
        fake = FakeMidi(*outputs)
        monkeypatch.setattr(mido, "backend", fake)
        return fake, Watch()

    return plug


def voice(tuned_by="tuning standard") -> MidiVoice:
    return MidiVoice(Tuning(480).note_hz(), tuned_by)


def test_it_is_chosen_by_part_of_its_name_and_made_ready(plugged):
    fake, watch = plugged("Through 14:0", "Rack Synth 20:0")
    with contextlib.closing(MidiOut("midi:rack", voice(), watch)) as out:
        assert out.name == "Rack Synth 20:0"
        (end,) = fake.opened
        kinds = [message.type for message in end.sent]
        assert (kinds[0], kinds[-1]) == ("program_change", "sysex")
        assert end.sent[0].program == 109
        out.cover(0xFF)
        assert end.on == {KEYS[0]}
    assert end.closed
    assert end.on == set()


def test_a_port_of_our_own_is_called_by_our_name(plugged):
    fake, watch = plugged()
    with contextlib.closing(MidiOut("own", voice(), watch)) as out:
        assert (out.name, fake.opened[0].name) == ("fingerlead", "fingerlead")
        # Nothing to look for: our own port is always there.
        watch.now_us += LOOK_EVERY_US
        out.tick()
        assert (out.lost, fake.lists) == ("", 0)


def refused(name: str) -> str:
    with pytest.raises(PortRefused) as error:
        MidiOut(name, voice())
    assert "\n" not in str(error.value)
    return str(error.value)


def test_what_cannot_be_opened_is_refused_in_a_sentence(plugged):
    fake, _ = plugged("Oak 1", "Oak 2", "Busy")
    assert "several MIDI outputs have that in their names: Oak 1; Oak 2; write more of it" in refused("oak")
    assert "no MIDI output of that name (there are: Oak 1; Oak 2; Busy); see what there is" in refused("elm")
    assert "it is busy: another program may have it (in use)" in refused("Busy")
    fake.own = False
    assert "no program make a MIDI port of its own" in refused("own")
    assert "name an output that there is" in refused("own")
    fake.error = OSError("no sequencer")
    assert "this system offers no MIDI (no sequencer)" in refused("oak")


def test_outputs_are_listed_or_it_is_said_why_not(plugged):
    fake, _ = plugged("Oak", "Elm", "Oak")
    found, why = list_outputs()
    assert [each.spec for each in found] == ["midi:Oak", "midi:Elm"]
    assert why == ""
    fake.error = OSError("no sequencer")
    found, why = list_outputs()
    assert found == []
    assert "no sequencer" in why


class Trip(Exception):
    pass


@settings(max_examples=50, deadline=None)
@given(st.lists(st.none() | st.integers(0, 255), max_size=30), st.sampled_from([None, Trip, KeyboardInterrupt]))
def test_one_note_at_a_time_and_none_left_whichever_way_it_ends(masks, ends):
    with pytest.MonkeyPatch.context() as patch:
        fake = FakeMidi("Synth")
        patch.setattr(mido, "backend", fake)

        def play() -> None:
            with contextlib.closing(MidiOut("Synth", voice(), Watch())) as out:
                for mask in masks:
                    out.cover(mask)
                    assert fake.opened[0].on == ({KEYS[SOUNDING[mask]]} if mask else set())
                if ends is not None:
                    raise ends

        if ends is None:
            play()
        else:
            with pytest.raises(ends):
                play()
        assert fake.opened[0].on == set()
        assert fake.opened[0].closed


def test_closing_twice_is_once_and_closing_a_broken_output_raises_nothing(plugged):
    fake, watch = plugged("Synth")
    out = MidiOut("Synth", voice(), watch)
    out.cover(0xFF)
    fake.opened[0].fails = OSError("gone")
    out.close()
    out.close()
    assert fake.opened[0].closed


def test_an_output_that_takes_nothing_any_more_is_lost_and_left_alone(plugged):
    fake, watch = plugged("Synth")
    out = MidiOut("Synth", voice(), watch)
    fake.opened[0].fails = OSError("gone")
    out.cover(0xFF)
    assert out.lost == "gone"
    fake.opened[0].fails = None
    before = len(fake.opened[0].sent)
    out.cover(LOW_A_MASK)
    watch.now_us += 10 * READY_EVERY_US
    out.tick()
    assert len(fake.opened[0].sent) == before
    out.close()


def test_unplugging_is_noticed_within_a_second_and_said_once(plugged):
    fake, watch = plugged("Synth")
    said = []
    playing = MidiPlaying(MidiOut("Synth", voice(), watch), said.append, watch)
    fake.outputs = []
    watch.now_us += LOOK_EVERY_US - 1
    playing.tick()
    assert said == []
    for _ in range(3):
        watch.now_us += LOOK_EVERY_US
        playing.tick()
    (sentence,) = said
    assert sentence.startswith("The MIDI output Synth is gone (unplugged, or the other side is gone).")


def test_who_connects_later_is_made_ready_while_nothing_sounds(plugged):
    fake, watch = plugged()
    out = MidiOut("own", voice(), watch)
    (end,) = fake.opened
    opening, end.sent = end.sent, []
    watch.now_us += READY_EVERY_US
    out.tick()
    assert end.sent == opening
    out.cover(0xFF)
    end.sent = []
    watch.now_us += READY_EVERY_US
    out.tick()
    assert end.sent == []
    assert end.on == {KEYS[0]}


def state(mask: int) -> State:
    return State(0, mask, 0)


def test_a_chanter_that_is_lost_or_silent_leaves_no_note(plugged):
    fake, watch = plugged("Synth")
    playing = MidiPlaying(MidiOut("Synth", voice(), watch), print, watch)
    (end,) = fake.opened
    playing.hear(state(0xFF))
    assert end.on == {KEYS[0]}
    playing.hear(Lost("unplugged", 0))
    assert end.on == set()
    playing.hear(Back(1))
    assert end.on == set()
    playing.hear(state(LOW_A_MASK))
    assert end.on == {KEYS[1]}
    # Any frame is a sign of life.
    watch.now_us += GAP_US - 1
    playing.hear(RawState(0, (0,) * 8, 0))
    watch.now_us += GAP_US - 1
    playing.tick()
    assert end.on == {KEYS[1]}
    watch.now_us += 1
    playing.tick()
    assert end.on == set()
    # A heartbeat brings it back.
    playing.hear(state(LOW_A_MASK))
    assert end.on == {KEYS[1]}


def test_a_chanter_of_plain_notes_may_hold_one_as_long_as_it_likes(plugged):
    fake, watch = plugged("Synth")
    playing = MidiPlaying(MidiOut("Synth", voice(), watch), print, watch)
    playing.hear(state(0xFF))
    watch.now_us += 100 * GAP_US
    playing.tick(plain=True)
    assert fake.opened[0].on == {KEYS[0]}
