from __future__ import annotations

import contextlib
import json
import os
import pickle
import random
import statistics
import subprocess
import sys
import time
from array import array
from functools import partial
from multiprocessing import Pipe
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.ports import sound_port
from fingerlead.ports.sound_device import MARGIN_US, Output, SoundClock, SoundRefused, chosen
from fingerlead.ports.sound_port import SoundOut, list_outputs
from fingerlead.ports.sound_process import SILENCE, STATE, Gone, OutputFill, Report, never_wait
from tests.ports.sound_stub import SquareEngine, refusing_engine
from tests.waiting import PATIENCE_S, wait_for

START_NS = 5_000_000_000_000


def asked(clock, blocks, frames, lateness_ns, start_ns=START_NS, first=0, drift=1.0):
    """A device asks for blocks; each so late. Where it was asked, and when."""
    at = []
    for number in range(blocks):
        frame = first + number * frames
        host_ns = start_ns + round(number * frames * 1e9 / clock.rate_hz * drift) + lateness_ns(number)
        clock.asked(frame, frames, host_ns)
        at.append((frame, host_ns))
    return at


# -- the clock -------------------------------------------------------------------------------------------------------


@given(
    frames=st.sampled_from([64, 128, 256, 441, 1024]),
    rate_hz=st.sampled_from([44_100, 48_000, 96_000]),
    ahead=st.integers(0, 64),
    within_us=st.lists(st.integers(0, 20_000), min_size=1),
)
def test_on_a_punctual_device_everything_sounds_equally_late_to_the_sample(frames, rate_hz, ahead, within_us):
    clock = SoundClock(rate_hz, ahead)
    asked(clock, 400, frames, lambda _: 0)
    latency_us = frames * 1e6 / rate_hz + ahead * 1e6 / rate_hz + MARGIN_US
    for after_us in within_us:
        arrived_us = START_NS // 1_000 + 100_000 + after_us
        sounds_us = (START_NS + clock.frame_at(arrived_us) * 1e9 / rate_hz) / 1_000
        # To the next whole frame, and with the microseconds that whole numbers lose.
        assert latency_us - 3 <= sounds_us - arrived_us <= latency_us + 1e6 / rate_hz + 3


@given(st.integers(0, 10**9), st.sampled_from([64, 128, 480]))
def test_an_unpunctual_device_moves_a_sound_by_far_less_than_it_is_late_itself(seed, frames):
    chance = random.Random(seed)

    def late(_):
        return min(2_500_000, round(chance.expovariate(1 / 200_000)))

    clock = SoundClock(48_000)
    asked(clock, 300, frames, late)
    sounds_us = []
    for number in range(300, 600):
        asked(clock, 1, frames, late, START_NS + number * frames * 1_000_000_000 // 48_000, number * frames)
        sounds_us.append(clock.frame_at(START_NS // 1_000) * 1_000 / 48)
    # The calls vary by 200 µs (standard deviation) and by up to 2 500.
    assert statistics.pstdev(sounds_us) < 50
    assert max(sounds_us) - min(sounds_us) < 150


@given(st.lists(st.integers(0, 200_000), min_size=600, max_size=600), st.integers(-100, 100))
def test_no_state_is_too_late_for_its_frame(lateness_ns, drift_ppm):
    """Whenever a state arrives, its frame lies after all that was given out, on a device that drifts, too."""
    clock = SoundClock(48_000)
    given_out = 0
    for number in range(600):
        host_ns = START_NS + round(number * 128 * 1e9 / 48_000 * (1 + drift_ppm / 1e6)) + lateness_ns[number]
        clock.asked(number * 128, 128, host_ns)
        given_out = (number + 1) * 128
        if number > 50:
            assert clock.frame_at(host_ns // 1_000) >= given_out


@given(st.integers(3_000, 3_000_000), st.booleans())
def test_after_a_gap_the_clock_is_right_again_within_ten_blocks(gap_us, backwards):
    clock = SoundClock(48_000)
    asked(clock, 300, 128, lambda _: 0)
    begins_ns = START_NS + 300 * 128 * 1_000_000_000 // 48_000 + (-gap_us if backwards else gap_us) * 1_000
    at = asked(clock, 10, 128, lambda _: 0, begins_ns, first=300 * 128)
    frame, host_ns = at[-1]
    assert abs(clock.host_us_of(frame) - host_ns // 1_000) <= 2


def test_one_late_call_is_no_gap():
    clock = SoundClock(48_000)
    asked(clock, 300, 128, lambda number: 2_000_000 if number in (250, 251, 290) else 0)
    assert abs(clock.host_us_of(0) - START_NS // 1_000) <= 1


@given(st.integers(0, 10**9))
def test_frames_and_times_are_each_others_inverse(frame):
    clock = SoundClock(48_000)
    asked(clock, 40, 128, lambda _: 0)
    assert abs(clock.frame_at(clock.host_us_of(frame) - clock.latency_us) - frame) <= 1


# -- which output ----------------------------------------------------------------------------------------------------


def output(name, way="ALSA", latency_s=0.01, by_default=False):
    return Output(0, name, way, 2, latency_s, 48_000, by_default)


def test_a_part_of_the_name_will_do_and_the_quickest_way_is_taken():
    found = [output("USB Headphones", "MME", 0.09), output("USB Headphones", "WASAPI", 0.003), output("Monitor")]
    assert chosen(found, "usb") == found[1]
    assert chosen(found, "Monitor") == found[2]


def test_without_a_name_the_quickest_usual_output_is_taken_and_never_one_that_silences_the_rest():
    found = [
        output("a", "MME", 0.09, by_default=True),
        output("b", "WASAPI", 0.003, by_default=True),
        output("c", "Windows WDM-KS", 0.001, by_default=True),
        output("d", "WASAPI", 0.002),
    ]
    assert chosen(found, None).name == "b"


def test_an_exact_name_wins_over_parts():
    found = [output("Head"), output("Headphones")]
    assert chosen(found, "Head").name == "Head"


@pytest.mark.parametrize(
    ("found", "wanted", "says"),
    [
        ([], None, ["There is no sound output at all", "plug in"]),
        ([], "USB", ["USB: there is no sound output at all"]),
        (["Screen", "Speakers"], "USB", ["of that name", "Screen; Speakers", "plug in"]),
        (["USB one", "USB two"], "usb", ["several", "USB one; USB two", "write more"]),
    ],
)
def test_an_output_that_is_not_there_is_refused_in_one_sentence(found, wanted, says):
    with pytest.raises(SoundRefused) as refused:
        chosen([output(name) for name in found], wanted)
    for part in says:
        assert part in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_refusal_survives_the_way_between_processes():
    refused = pickle.loads(pickle.dumps(SoundRefused("USB", "it is gone", "plug it in")))
    assert (str(refused), refused.device) == ("USB: it is gone; plug it in", "USB")


# -- what the device's thread does -----------------------------------------------------------------------------------

TIMES = SimpleNamespace(currentTime=1.0, outputBufferDacTime=1.010)
WELL = SimpleNamespace(output_underflow=False)


@pytest.fixture
def playing():
    """A Playing with two channels, its engine, where states go in, and where reports come out."""
    far_states, states = Pipe(duplex=False)
    reports, far_reports = Pipe(duplex=False)
    made = OutputFill(far_states, far_reports, 2)
    engine = SquareEngine(48_000)
    made.play(engine, SoundClock(48_000))
    yield SimpleNamespace(fill=made.fill, end=made.end, engine=engine, states=states, reports=reports, far=far_reports)
    for end in (far_states, states, reports, far_reports):
        end.close()


def block(playing, status=WELL, frames=128):
    out = bytearray(8 * frames)
    playing.fill(out, frames, TIMES, status)
    return array("f", bytes(out))


def test_both_channels_hold_the_same_samples_of_the_engine(playing):
    playing.states.send_bytes(STATE.pack(1, 0))
    samples = block(playing)
    same = SquareEngine(48_000)
    same.cover(1, 0)
    assert samples[0::2] == samples[1::2] == same.render(128)


def test_each_state_comes_to_the_engine_in_order_and_silence_as_none(playing):
    for mask in (3, SILENCE, 0, 255):
        playing.states.send_bytes(STATE.pack(mask, time.perf_counter_ns() // 1_000))
    told = []
    playing.engine.cover = lambda mask, at_frame: told.append((mask, at_frame))
    block(playing)
    assert [mask for mask, _ in told] == [3, None, 0, 255]
    assert all(frame >= 128 for _, frame in told)


def test_a_report_tells_the_delay_and_the_gaps(playing):
    block(playing, SimpleNamespace(output_underflow=True))
    report = playing.reports.recv()
    assert isinstance(report, Report)
    assert (report.frame, report.under_runs, report.delay_us) == (128, 1, 10_000)


def test_a_broken_engine_makes_silence_and_is_told_once(playing):
    playing.states.send_bytes(STATE.pack(1, 0))
    block(playing)
    playing.reports.recv()
    playing.engine.fail()
    assert set(block(playing)) == set(block(playing)) == {0.0}
    gone = playing.reports.recv()
    assert isinstance(gone, Gone)
    assert "TypeError" in gone.cause
    assert not playing.reports.poll()


def test_a_listener_that_does_not_read_does_not_hold_the_device_up(playing):
    never_wait(playing.far)
    for _ in range(5_000):
        playing.end()


# -- a process of its own, on a sound system that goes wrong ---------------------------------------------------------


@pytest.fixture
def fake(monkeypatch):
    """Sets up a sound system that other processes find in place of the real one."""
    monkeypatch.syspath_prepend(str(Path(__file__).parent / "fake_sound"))
    monkeypatch.setattr("sys.dont_write_bytecode", True)
    monkeypatch.setattr(sound_port, "ANSWER_S", PATIENCE_S)

    def set_up(**says):
        monkeypatch.setenv("FAKE_SOUND", json.dumps({"outputs": [{"name": "Speakers"}], **says}))

    return set_up


def test_outputs_are_listed_once_with_all_their_ways(fake):
    fake(outputs=[{"name": "Speakers", "way": "A"}, {"name": "Speakers", "way": "B"}, {"name": "Screen", "way": "B"}])
    found, why = list_outputs()
    assert [(one.spec, one.description) for one in found] == [("sound:Speakers", "A or B"), ("sound:Screen", "B")]
    assert why == ""


@pytest.mark.parametrize(
    ("says", "part"),
    [
        ({"missing": True}, "The PortAudio library is missing (PortAudio library not found); install it"),
        ({"silent": True}, "The sound system does not answer (Error querying devices)"),
        ({"outputs": []}, "no sound output at all"),
        ({"outputs": [{"name": "Microphone", "channels": 0}]}, "no sound output at all"),
    ],
)
def test_where_there_is_no_sound_one_sentence_says_why(fake, says, part):
    fake(**says)
    found, why = list_outputs()
    assert found == []
    assert part in why
    with pytest.raises(SoundRefused) as refused:
        SoundOut(SquareEngine).start()
    assert part in str(refused.value)
    assert "\n" not in str(refused.value) + why


def test_a_device_that_cannot_be_opened_is_named(fake):
    fake(broken=True)
    with pytest.raises(SoundRefused, match=r"^Speakers: it cannot be opened \(.*unavailable\); try another one$"):
        SoundOut(SquareEngine).start()


def test_a_refused_rate_falls_back_to_the_devices_own_and_says_so(fake):
    fake(outputs=[{"name": "Speakers", "own_rate": 44_100.0}], takes=[44_100])
    with contextlib.closing(SoundOut(SquareEngine).start()) as out:
        assert out.health().sentence == "Speakers plays 44100 samples a second, not 48000."
        assert out.health().state == "sounding"


def test_where_every_rate_is_refused_both_are_named(fake):
    fake(outputs=[{"name": "Speakers", "own_rate": 44_100.0}], takes=[])
    with pytest.raises(SoundRefused, match="neither 48000 nor 44100 samples a second"):
        SoundOut(SquareEngine).start()


def test_an_engine_that_refuses_is_one_sentence(fake):
    fake()
    with pytest.raises(SoundRefused, match=r"^Expected a rate that suits; got 48000; choose other settings$"):
        SoundOut(refusing_engine).start()


def test_delay_under_runs_and_state_are_told(fake):
    fake(delay_s=0.18)
    out = SoundOut(SquareEngine).start()
    wait_for(lambda: out.health().under_runs == 1)
    health = out.health()
    assert (health.state, health.device) == ("sounding", "Speakers")
    assert health.delay_ms == pytest.approx(180, abs=0.01)
    report = out._report
    # In the air: the device's own delay after it was given out.
    assert report is not None
    assert out.host_us_of(report.frame) - report.host_us == pytest.approx(180_000, abs=30)
    out.close()
    out.close()
    assert out.health().state == "silent"


def test_a_device_that_goes_away_is_told_and_found_again_and_the_note_goes_on(fake, tmp_path):
    kept = tmp_path / "played"
    fake(blocks=40, kept=str(kept))
    changes = []
    out = SoundOut(SquareEngine, on_change=lambda: changes.append(out.health()), retry_s=0.05).start()
    out.cover(1, 0)
    wait_for(lambda: len(changes) >= 4)
    out.close()
    assert [health.state for health in changes[:2]] == ["lost", "sounding"]
    assert changes[0].sentence == (
        "The sound stopped: Speakers: it was taken away. It goes on by itself when the output is back."
    )
    played = array("f", kept.read_bytes())
    one_life = 40 * 256
    # Told once; it sounds in the second life as it did in the first.
    assert any(played[one_life : 2 * one_life])


def test_a_sound_process_that_dies_is_started_again(fake):
    fake()
    changes = []
    with contextlib.closing(
        SoundOut(SquareEngine, on_change=lambda: changes.append(out.health()), retry_s=0.05).start()
    ) as out:
        out._process.kill()
        wait_for(lambda: len(changes) >= 2)
        assert [health.state for health in changes[:2]] == ["lost", "sounding"]


def test_a_broken_engine_is_lost_with_its_cause_and_the_next_one_is_made_anew(fake):
    fake()
    changes = []
    with contextlib.closing(
        SoundOut(SquareEngine, on_change=lambda: changes.append(out.health()), retry_s=0.05).start()
    ) as out:
        out.make_engine = partial(SquareEngine)
        out.tell("fail")
        wait_for(lambda: len(changes) >= 2)
    assert "TypeError" in changes[0].sentence
    assert changes[1].state == "sounding"


def test_a_call_never_waits_nor_fails_in_any_state(fake):
    fake()
    out = SoundOut(SquareEngine)
    out.cover(1, 0)
    out.tell("fail")
    assert (out.host_us_of(5), out.beats()) == (0, [])
    out.start()
    out._process.kill()
    for _ in range(20_000):
        out.cover(3, 0)
    out.close()
    out.cover(1, 0)
    out.tell("fail")


DIES = """
import sys, time
sys.path[:0] = {path!r}
from tests.ports.sound_stub import SquareEngine
from fingerlead.ports import sound_port
from fingerlead.ports.sound_port import SoundOut
if __name__ == "__main__":
    out = SoundOut(SquareEngine).start()
    print(out._process.pid, flush=True)
    time.sleep(60)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="looks for a process by its number")
def test_when_the_program_is_killed_the_sound_ends(fake, tmp_path):
    fake()
    script = tmp_path / "dies.py"
    script.write_text(DIES.format(path=sys.path))
    with subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True) as program:
        sound = int(program.stdout.readline())
        assert _alive(sound)
        program.kill()
    wait_for(lambda: not _alive(sound))


def _alive(number):
    kept = Path(f"/proc/{number}/stat")
    try:
        os.kill(number, 0)
        # One that has ended may wait to be asked how.
        return not kept.parent.parent.exists() or kept.read_text().rpartition(")")[2].split()[0] != "Z"
    except (ProcessLookupError, FileNotFoundError):
        return False
