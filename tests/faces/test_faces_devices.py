from __future__ import annotations

import io
import json

import pytest
import typer
from typer.testing import CliRunner

from fingerlead.faces.cli import devices as devices_command
from fingerlead.faces.cli.devices import devices
from fingerlead.ports import catalogue, midi_out, sound_port
from fingerlead.ports.base import Found
from fingerlead.wire.carriers import to_stream
from fingerlead.wire.messages import Hello, encode

HELLO = Hello(
    device_id=bytes(range(8)),
    firmware=(1, 2, 3),
    abilities=0,
    scan_rate_hz=1000,
    raw_bits=10,
    name="[red]oak[/red]",
    boot=7,
)


@pytest.fixture
def app(monkeypatch, tmp_path):
    """The command where one port has a chanter, one is missing, there is no MIDI and one loudspeaker."""
    (tmp_path / "oak.wire").write_bytes(b"\0" + to_stream(encode(HELLO)))
    found = [Found(f"replay:{tmp_path}/oak.wire@all", "USB thing"), Found("/dev/ttyNOPE9", "")]
    monkeypatch.setattr(catalogue, "serial_ports", lambda: found)
    no_midi = "MIDI: none here; serial ports work without"
    monkeypatch.setattr(catalogue, "midi_ports", lambda: ([], no_midi))
    monkeypatch.setattr(midi_out, "list_outputs", lambda: ([], no_midi))
    monkeypatch.setattr(sound_port, "list_outputs", lambda: ([Found("sound:[b]Desk[/b]", "ALSA")], ""))
    app = typer.Typer()
    app.command()(devices)
    return app


def test_a_pipe_gets_plain_lines(app):
    ran = CliRunner().invoke(app)
    assert ran.exit_code == 0
    first, second, simulated, last = ran.stdout.splitlines()
    spec, says, description = first.split("\t")
    assert spec.endswith("oak.wire@all")
    # A chanter's own name is not taken for a colour.
    assert says == "[red]oak[/red], firmware 1.2.3, device 0001020304050607, 1000 scans a second"
    assert description == "USB thing"
    assert second.startswith("/dev/ttyNOPE9\tthere is no such port; plug the chanter in")
    assert simulated == "sim\tthe simulated chanter in this program, always here"
    assert last == "sound:[b]Desk[/b]\tan output for the sound of fingerlead practice\tALSA"
    # What inputs and outputs lack for the same reason is said once.
    assert ran.stderr == "MIDI: none here; serial ports work without\n"


def test_a_program_gets_json(app):
    ran = CliRunner().invoke(app, ["--format", "json", "/dev/ttyNOPE8"])
    listed = json.loads(ran.stdout)
    assert listed["schema"] == "fingerlead-devices-1"
    named, oak, missing, sim = listed["devices"]
    assert (named["port"], named["kind"]) == ("/dev/ttyNOPE8", "refused")
    assert (oak["kind"], oak["name"], oak["device_id"]) == ("chanter", HELLO.name, "0001020304050607")
    assert (missing["kind"], missing["name"]) == ("refused", None)
    assert sim["port"] == "sim"
    (output,) = listed["outputs"]
    assert (output["output"], output["description"]) == ("sound:[b]Desk[/b]", "ALSA")


def test_midi_outputs_are_listed_under_names_that_open_them(app, monkeypatch):
    monkeypatch.setattr(midi_out, "list_outputs", lambda: ([Found("midi:Synth", "MIDI output")], ""))
    assert "midi:Synth\tan output for fingerlead live --midi-out\tMIDI output" in CliRunner().invoke(app).stdout


def test_a_terminal_gets_a_table(app, monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    shown = Terminal()
    monkeypatch.setattr(devices_command.sys, "stdout", shown)
    monkeypatch.setenv("COLUMNS", "200")
    devices()
    text = shown.getvalue()
    assert "who is there" in text
    assert "[red]oak[/red], firmware 1.2.3" in text
    assert "always here" in text
    assert "sound:[b]Desk[/b]" in text
