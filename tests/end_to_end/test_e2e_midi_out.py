"""A chanter's playing at another program, note by note, over JACK; and silence there when this one ends."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from itertools import groupby

import pytest

from fingering.notes import SOUNDING
from fingerlead.sound.tuning import BAGPIPE, MidiVoice, Tuning
from fingerlead.store.session_reading import read_session, session_record
from tests.waiting import PATIENCE_S, wait_for

FINGERLEAD = [sys.executable, "-m", "fingerlead.faces.cli.main"]
VOICE = MidiVoice(Tuning(480).note_hz())
KEYS = VOICE.keys


class Synth:
    """A listener: what came, and what is on."""

    def __init__(self) -> None:
        self.came: list[bytes] = []
        self.on: set[int] = set()
        self.notes: list[int] = []
        self._lock = threading.Lock()
        self.port = None

    def hear(self, message) -> None:
        with self._lock:
            self.came.append(bytes(message.bytes()))
            if message.type == "note_on":
                self.on.add(message.note)
                self.notes.append(message.note)
            elif message.type == "note_off":
                self.on.discard(message.note)

    def ready(self) -> bool:
        """Whether it was told the program and the tuning."""
        with self._lock:
            return bytes([0xC0, BAGPIPE]) in self.came and VOICE.opening()[-1] in self.came


def start(*words) -> subprocess.Popen:
    command = [*FINGERLEAD, *map(str, words)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def a_port(simulator: subprocess.Popen) -> str:
    line = simulator.stdout.readline()
    assert line.startswith("listening on "), line
    return line.removeprefix("listening on ").strip()


def listen_to_ours(synth: Synth) -> None:
    """Connect to the port of its own that the program makes, as soon as it is there."""
    import mido

    def ours() -> list[str]:
        return [name for name in mido.get_input_names() if "fingerlead" in name]

    wait_for(ours, "a port of the program's own")
    synth.port = mido.open_input(ours()[0], callback=synth.hear)


@pytest.fixture
def ends():
    """Processes and ports that are ended whatever happens."""
    held = []
    yield held
    for each in held:
        if isinstance(each, subprocess.Popen):
            each.kill()
            each.communicate()
        elif each.port is not None:
            each.port.close()


@pytest.mark.usefixtures("jack")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_playing_arrives_note_by_note_and_no_note_is_left(tmp_path, ends, number):
    synth = Synth()
    simulator = start("simulate", "--on", "pty", "--seed", 5, "--changes", 500)
    kept = tmp_path / "kept.session"
    program = start("live", a_port(simulator), "--no-strips", "--midi-out", "own", "-o", kept)
    ends += [simulator, program, synth]
    listen_to_ours(synth)
    joined_at = len(synth.notes)
    wait_for(lambda: len(synth.notes) >= 12 and synth.on, "twelve notes and one that sounds")
    program.send_signal(number)
    out, err = program.communicate(timeout=PATIENCE_S)
    assert (program.returncode, "Traceback" in err) == (0, False)
    assert out.startswith("Playing on MIDI output fingerlead.\n")
    wait_for(lambda: not synth.on, "silence")

    # All that was kept sounded, but for what came before we listened. A busy machine may hold a frame up until the note
    # is silenced, and strikes it again then.
    record = session_record(read_session(kept))
    played = [key for key, _ in groupby(KEYS[SOUNDING[mask]] for mask in record.covered.tolist() if mask)]
    heard = [key for key, _ in groupby(synth.notes[joined_at:])]
    assert played[-len(heard) :] == heard
    assert len(played) - len(heard) <= 3


@pytest.fixture
def elm(jack):
    """A synthesiser with a MIDI input of its own."""
    import mido

    synth = Synth()
    synth.port = mido.open_input("elm synth", virtual=True, callback=synth.hear)
    yield synth
    synth.port.close()


def test_a_chosen_output_is_made_ready_and_played(elm, ends):
    program = start("live", "sim", "--no-strips", "--midi-out", "elm", "--for", 60)
    ends.append(program)
    wait_for(elm.ready, "the program and the tuning")
    wait_for(lambda: len(elm.notes) >= 5, "notes")
    assert set(elm.notes) <= set(KEYS)
    program.terminate()
    program.communicate(timeout=PATIENCE_S)
    wait_for(lambda: not elm.on, "silence")


def test_a_chanter_that_is_pulled_out_leaves_no_note_while_the_program_waits(elm, ends):
    simulator = start("simulate", "--on", "pty", "--seed", 5, "--changes", 500)
    program = start("live", a_port(simulator), "--no-strips", "--midi-out", "elm")
    ends += [simulator, program]
    wait_for(lambda: len(elm.notes) >= 3 and elm.on, "a note that sounds")
    simulator.kill()
    wait_for(lambda: not elm.on, "silence")
    assert program.poll() is None


def test_an_output_that_goes_is_told_and_listening_goes_on(elm, ends):
    program = start("live", "sim", "--no-strips", "--midi-out", "elm")
    ends.append(program)
    wait_for(lambda: len(elm.notes) >= 2, "notes")
    elm.port.close()
    line = program.stderr.readline()
    assert "elm synth is gone (unplugged, or the other side is gone). Listening goes on without it" in line
    program.terminate()
    out, err = program.communicate(timeout=PATIENCE_S)
    assert (program.returncode, err) == (0, "")
    assert out.splitlines()[-1].startswith("Too little was played")


def test_outputs_are_listed_under_names_that_open_them(elm, ends):
    listed = subprocess.run(
        [*FINGERLEAD, "devices"], capture_output=True, text=True, timeout=PATIENCE_S, check=True
    ).stdout
    (name,) = (line.split("\t")[0] for line in listed.splitlines() if "--midi-out" in line and "elm synth" in line)
    program = start("live", "sim", "--no-strips", "--midi-out", name)
    ends.append(program)
    wait_for(lambda: elm.notes, "notes")
