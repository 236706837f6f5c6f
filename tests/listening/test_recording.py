from __future__ import annotations

import time
from dataclasses import replace

import pytest

from fingering.table import standard_table
from fingerlead.listening.listening import Listening
from fingerlead.listening.reader import Back, Ended, Lost, Reader
from fingerlead.listening.recording import Recording, record
from fingerlead.listening.sources import meet, open_source, session_pieces
from fingerlead.ports.base import Chunk, PortEnded, PortLost, PortRefused
from fingerlead.ports.replay_port import ReplayPort, wire_pieces
from fingerlead.simulated.chanter import Chanter, setup_for
from fingerlead.simulated.hands import NOTHING_PLAYED
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.script import write_script
from fingerlead.store.intake import load
from fingerlead.store.session_file import SessionWriter
from fingerlead.store.session_reading import read_session, session_record
from fingerlead.timing.results import KnownSeal, KnownSkew
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.events import Doubt, Doubted, State


def some_chanter(carrier: str = "stream") -> Chanter:
    pupil = SimulatedPupil()
    return Chanter(perform(pupil, write_script(pupil, 3, for_us=20_000_000), 3), setup_for(3), carrier=carrier)


class Watch:
    def __init__(self) -> None:
        self.now_us = 1_000_000

    def __call__(self) -> int:
        return self.now_us

    def sleep(self, seconds: float) -> None:
        self.now_us += round(seconds * 1_000_000)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "a.session"


@pytest.fixture
def recording(path):
    recording = Recording(SessionWriter(path, "stream", "x"))
    yield recording
    recording.writer.close()


def replayed(data: bytes, carrier: str = "stream"):
    return lambda: ReplayPort("replay", wire_pieces(data, carrier), carrier, None)


@pytest.mark.parametrize("carrier", ["stream", "sysex"])
def test_a_replay_is_recorded_to_its_end_and_byte_for_byte(path, carrier):
    data = some_chanter(carrier).due(10_000_000)
    shown = []
    reader = Reader(replayed(data, carrier)).start()
    kept = record(reader, Recording(SessionWriter(path, "stream", "x")), lambda r: shown.append(r.bytes), lambda: False)
    session = read_session(path)
    assert session.data == data
    assert session.carrier == carrier
    assert (kept.bytes, kept.chanter, kept.intake.bad_frames) == (len(data), "simulated chanter", 0)
    assert shown[-1] == len(data)


def test_being_told_to_end_keeps_what_the_reader_still_held(path):
    data = some_chanter().due(3_000_000)
    reader = Reader(replayed(data)).start()
    while reader.running:
        time.sleep(0.01)
    kept = record(reader, Recording(SessionWriter(path, "stream", "x")), lambda r: None, lambda: True)
    assert kept.bytes == len(data)
    assert read_session(path).data == data


def test_it_ends_by_the_clock(path):
    watch = Watch()
    reader = Reader(lambda: ReplayPort("replay", [(3_600_000_000, b"late")])).start()

    def show(kept):
        watch.now_us += 100_000

    kept = record(reader, Recording(SessionWriter(path, "stream", "x")), show, lambda: False, 1_000_000, watch)
    assert kept.bytes == 0
    assert watch.now_us == 2_000_000


def test_losses_and_returns_are_marked_and_seen(recording, path):
    data = some_chanter().due(200_000)
    assert recording.take(Chunk(data, 10), "stream")
    assert recording.covered_mask is not None
    assert recording.take(Lost("unplugged", 20), "stream")
    assert (recording.away, recording.covered_mask, recording.losses) == (True, None, 1)
    assert recording.take(Back(30), "stream")
    assert not recording.away
    assert not recording.take(Ended(PortEnded("over")), "stream")
    recording.close()
    assert [(mark.kind, mark.host_us, mark.cause) for mark in read_session(path).marks] == [
        ("lost", 20, "unplugged"),
        ("back", 30, ""),
    ]


def test_an_error_of_the_reader_is_raised_here(recording):
    with pytest.raises(PortRefused):
        recording.take(Ended(PortRefused("x", "busy", "close it")), "stream")


def test_no_chanter_is_refused_two_seconds_after_its_first_bytes_and_not_before(recording):
    recording.take(Chunk(b"G28 X0 Y0\n", 5_000_000), "stream")
    recording.tick(6_999_999)
    with pytest.raises(NotAChanter) as refused:
        recording.tick(7_000_000)
    assert "\n" not in str(refused.value)


def test_other_instruments_notes_are_refused_as_well(recording):
    recording.take(Chunk(bytes([0x90, 60, 64]), 5_000_000), "plain")
    recording.tick(6_999_999)
    with pytest.raises(NotAChanter, match="notes 24 to 31 on channel 16"):
        recording.tick(7_000_000)


def test_a_plain_chanters_notes_are_counted(recording):
    for hole in range(8):
        recording.take(Chunk(bytes([0x9F, 24 + hole, 64]), 5_000_000), "plain")
    recording.tick(9_000_000)
    assert recording.plain
    assert (recording.intake.frames, recording.covered_mask) == (8, 255)


def test_the_time_a_plain_chanter_was_away_is_doubted_as_it_is_when_read_again(path):
    heard = []
    recording = Recording(SessionWriter(path, "plain", "x"), heard.append)
    for hole in range(8):
        recording.take(Chunk(bytes([0x9F, 24 + hole, 64]), 5_000_000 + hole), "plain")
    recording.take(Lost("unplugged", 6_000_000), "plain")
    recording.take(Back(7_000_000), "plain")
    recording.take(Chunk(bytes([0x8F, 30, 0]), 7_000_000), "plain")
    recording.take(Chunk(bytes([0x9F, 30, 1]), 7_500_000), "plain")
    recording.close()
    stored = session_record(read_session(path))
    told = [each for each in heard if isinstance(each, (Doubted, State))]
    assert [each.doubt for each in told if isinstance(each, Doubted)] == stored.doubts
    assert [each.t_us for each in told if isinstance(each, State)] == stored.t_us.tolist()
    assert stored.doubts == [Doubt(7, 2_000_000, "gap")]
    assert isinstance(told[1], Doubted)


def test_a_silent_port_is_waited_for(recording):
    for second in range(100):
        recording.tick(second * 1_000_000)


# -- playing a session again ----------------------------------------------------------------------------------------


def test_a_session_is_a_source_too(path):
    with SessionWriter(path, "sysex", "x") as writer:
        for i in range(10):
            writer.append(bytes([i]) * (i + 1), 1_000 + i * 50_000)
    pieces = list(session_pieces(read_session(path)))
    assert pieces == [(i * 50_000, bytes([i]) * (i + 1)) for i in range(10)]
    with open_source(f"replay:{path}@all") as port:
        assert port.carrier == "sysex"
        assert [chunk.data for chunk in port.read(0)] == [data for _, data in pieces]


def test_a_damaged_session_is_refused_as_a_source(path):
    with SessionWriter(path, "stream", "x") as writer:
        writer.append(b"x", 0)
    path.write_bytes(path.read_bytes()[:5000])
    with pytest.raises(PortRefused, match="this one is damaged"):
        open_source(f"replay:{path}")


# -- who is there ---------------------------------------------------------------------------------------------------


class Someone:
    """A port with a clock of its own: what `says` gives for the time since it was opened, then what was written."""

    name = "x"

    def __init__(self, says, carrier="stream") -> None:
        self.watch, self.says, self.carrier = Watch(), says, carrier
        self.written: list[bytes] = []

    def read(self, timeout_s):
        self.watch.sleep(timeout_s)
        data = self.says(self.watch.now_us - 1_000_000, self.written)
        return [Chunk(data, self.watch.now_us)] if data else []

    def write(self, data):
        self.written.append(data)


def test_a_chanter_says_its_name():
    chanter = some_chanter()
    port = Someone(lambda t_us, written: chanter.due(t_us))
    met = meet(port, port.watch)
    assert met.kind == "chanter"
    assert met.hello is not None
    assert met.sentence.startswith("simulated chanter, firmware 1.0.0, device ")
    assert port.watch.now_us < 1_300_000


def test_a_board_that_starts_anew_when_opened_is_waited_for():
    chanter = some_chanter()
    port = Someone(lambda t_us, written: chanter.due(t_us - 2_600_000) if t_us >= 2_600_000 else b"")
    assert meet(port, port.watch).kind == "chanter"
    assert len(port.written) == 3


def test_a_chanter_that_does_not_hear_is_one_all_the_same():
    chanter = some_chanter()
    chanter.due(1_000_000)
    port = Someone(lambda t_us, written: chanter.due(1_000_000 + t_us))
    met = meet(port, port.watch)
    assert (met.kind, met.sentence) == ("chanter", "a chanter that did not say its name within 3 s")


def test_a_stranger_is_named_as_such_in_one_sentence():
    port = Someone(lambda t_us, written: b"ok T:21.3\n")
    met = meet(port, port.watch)
    assert met.kind == "stranger"
    assert "does not look like a chanter" in met.sentence
    assert "\n" not in met.sentence
    late = Someone(lambda t_us, written: b"\x55" if t_us > 2_800_000 else b"")
    assert meet(late, late.watch).kind == "stranger"


def test_a_port_that_sends_back_what_it_is_told_is_no_chanter():
    port = Someone(lambda t_us, written: written.pop() if written and t_us > 1_500_000 else b"")
    met = meet(port, port.watch)
    assert met.kind == "stranger"
    assert "no frame in them" in met.sentence


def test_silence_is_called_silence():
    port = Someone(lambda t_us, written: b"")
    assert meet(port, port.watch).sentence == "silent for 3 s: no chanter, or not switched on"
    assert port.watch.now_us >= 4_000_000


def test_notes_may_be_a_plain_chanter():
    port = Someone(lambda t_us, written: bytes([0x9F, 24, 64]), "plain")
    assert meet(port, port.watch).kind == "notes"


def test_a_port_that_vanishes_meanwhile_is_said():
    def says(t_us, written):
        raise PortLost("x", "unplugged")

    port = Someone(says)
    met = meet(port, port.watch)
    assert (met.kind, met.sentence) == ("refused", "x: the connection is lost (unplugged)")


DEVICE = setup_for(3).device_id
OTHER = bytes(8)
MEASURED = "fingerlead.listening.recording.measured_skew_us"


def hellos(*devices: bytes) -> bytes:
    """Bytes in which chanters of these ids say who they are."""
    return b"".join(Chanter(NOTHING_PLAYED, replace(setup_for(3), device_id=device)).due(100_000) for device in devices)


@pytest.mark.parametrize(
    ("devices", "measured", "skew_us"),
    [
        ((DEVICE,), {DEVICE: 2_100}, 2_100),
        ((DEVICE,), {OTHER: 2_100}, None),
        ((DEVICE, OTHER), {DEVICE: 2_100, OTHER: 2_500}, 2_500),
        ((DEVICE, OTHER), {DEVICE: 2_100}, None),
    ],
)
def test_what_was_measured_with_a_chanter_goes_into_its_sessions(path, devices, measured, skew_us, monkeypatch):
    monkeypatch.setattr(MEASURED, measured.get)
    recording = Recording(SessionWriter(path, "stream", "x"))
    recording.take(Chunk(hellos(*devices), 0), "stream")
    recording.close()
    assert recording.skew_us == skew_us
    assert load(path).skew == (None if skew_us is None else KnownSkew(skew_us, "measured"))


SEAL = KnownSeal(tuple(range(8)), tuple(range(-4, 4)), "2026-11-05T18:30:00+00:00", "all holes", 0.016)
FRONT = SEAL._replace(heights="front holes", apart_mm=0.0)


@pytest.mark.parametrize(
    ("devices", "others", "seal"),
    [
        ((DEVICE,), None, SEAL),
        ((OTHER,), None, None),
        ((DEVICE, OTHER), None, None),
        ((OTHER, DEVICE), None, None),
        ((DEVICE, OTHER), SEAL, SEAL),
        ((OTHER,), FRONT, FRONT),
        ((OTHER,), KnownSeal((3,) * 8, (4,) * 8), KnownSeal((3,) * 8, (4,) * 8)),
        ((DEVICE, OTHER), KnownSeal((3,) * 8, (4,) * 8), KnownSeal()),
    ],
)
def test_a_session_says_how_far_its_chanter_s_levels_lie_beyond_the_seal(path, devices, others, seal, monkeypatch):
    monkeypatch.setattr("fingerlead.listening.recording.seal_of", {DEVICE: SEAL, OTHER: others}.get)
    recording = Recording(SessionWriter(path, "stream", "x"))
    recording.take(Chunk(hellos(*devices), 0), "stream")
    recording.close()
    assert recording.seal == load(path).seal == seal


@pytest.mark.parametrize("told", ["", "1 2 3", "x" * 80, " ".join(["1"] * 17), " ".join(["123456"] * 16), "1 " * 16])
def test_levels_that_a_session_does_not_tell_as_it_should_are_near_the_seal_and_no_more(path, told):
    recording = Recording(SessionWriter(path, "stream", "x"))
    recording.take(Chunk(hellos(DEVICE), 0), "stream")
    recording.writer.tell(levels_at="seal", beyond_seal=told)
    recording.close()
    assert load(path).seal == KnownSeal()


@pytest.mark.parametrize("heights", ["", "all holes", "all holes -3", "all holes 1234", "front", "x" * 80])
@pytest.mark.parametrize("calibrated", ["", "yesterday", "2026-13-01"])
def test_heights_and_a_day_that_a_session_does_not_tell_as_it_should_are_not_known(path, heights, calibrated):
    """So it is too of a session from before they were told: how far its levels lie beyond the seal counts as before."""
    recording = Recording(SessionWriter(path, "stream", "x"))
    recording.take(Chunk(hellos(DEVICE), 0), "stream")
    beyond = " ".join(["7"] * 16)
    recording.writer.tell(levels_at="seal", beyond_seal=beyond, heights=heights, calibrated=calibrated)
    recording.close()
    assert load(path).seal == KnownSeal((7,) * 8, (7,) * 8)


def test_one_that_calls_itself_anew_in_each_hello_is_not_looked_up_without_end(monkeypatch):
    looked_up = []
    monkeypatch.setattr(MEASURED, looked_up.append)
    recording = Recording(None)
    recording.take(Chunk(hellos(*(number.to_bytes(8, "big") for number in range(1_000))), 0), "stream")
    assert len(looked_up) == 100
    assert recording.skew_us is None


@pytest.mark.parametrize(("given_us", "expected"), [(None, (2_100, "measured")), (900, (900, "given"))])
def test_live_results_know_what_was_measured_unless_it_is_given(given_us, expected, monkeypatch):
    monkeypatch.setattr(MEASURED, {DEVICE: 2_100}.get)
    timings = []
    listening = Listening(standard_table(), lambda what, timing: timings.append(timing), skew_us=given_us)
    listening.take(Chunk(hellos(DEVICE), 0), "stream")
    assert (timings[-1].skew_us, timings[-1].skew) == expected
