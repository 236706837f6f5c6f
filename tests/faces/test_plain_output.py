"""Names from outside on a terminal: whatever is in them, every command prints them so that nothing obeys."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rich.live import Live
from rich.text import Text

from fingerlead.faces.cli import main
from fingerlead.faces.cli.console import PlainConsole
from fingerlead.faces.cli.output import PlainStream
from fingerlead.plain_text import plain
from tests.faces.command_line import ran, streams

EVIL = "\x1b]0;x\x07\x9b31m\u202e\u2066\u2028\x85\r\n\t\x7f\udcff\udc9b\ufeff"
NAMES = st.text(st.sampled_from(EVIL + "ab é"), min_size=3, max_size=12).map(lambda text: f"n{text}ZZ")
PLAYING = "time_us,holes\n0,xxxxxxxx\n600000,xxxxxxxo\n1200000,xxxxxxoo\n1900000,xxxxxxxx\n"
# Each command with a name from outside where it takes one: a port, a file that is not there, one that is wrong.
DOORS = {
    "practice": ["--listen", "NAME"],
    "live": ["NAME"],
    "record": ["NAME", "-o", "NAME.session"],
    "analyse": ["NAME.csv"],
    "studio": ["NAME.csv", "--no-browser"],
    "report": ["NAME.csv", "-o", "NAME.html"],
    "unison": ["NAME.csv", "NAME"],
    "keep": ["NAME.csv", "-o", "NAME.session", "--music", "NAME"],
    "send": ["NAME.csv"],
    "open": ["NAME"],
    "bundle": ["take-in", "NAME.csv", "--folder", "NAME", "--words", "NAME"],
    "lesson": ["join", "NAME", "-o", "NAME.session", "--ticket", "NAME.csv", "--code", "NAME"],
    "relay": ["NAME.csv", "--address", "NAME"],
    "export": ["NAME.csv", "-o", "NAME.mid"],
    "ladder": ["--rungs", "NAME.csv"],
    "sheet": ["NAME.csv", "-o", "NAME.pdf"],
    "movements": ["NAME", "--own", "NAME.csv"],
    "moves": ["NAME", "NAME", "NAME"],
    "fingering": ["--table", "NAME.csv"],
    "heard": ["--card", "NAME.html"],
    "devices": ["--format", "NAME"],
    "calibrate": ["NAME"],
    "check": ["NAME"],
    "rig": ["NAME.csv", "-o", "NAME.html"],
    "simulate": ["--pupil", "NAME.csv"],
    "bug-report": ["NAME.csv"],
    "demo": ["studio", "--folder", "NAME.csv"],
}


def test_every_command_has_its_door_here():
    assert list(DOORS) == list(main.COMMANDS)


def printed(*words, encoding="utf-8"):
    """What a command prints on both streams, and its exit code."""
    done = ran(*words, encoding=encoding)
    return done.stdout + done.stderr, done.returncode


def assert_plain(text):
    for sign in text:
        assert sign == "\n" or unicodedata.category(sign) not in ("Cc", "Cf", "Cs", "Zl", "Zp"), ascii(text)


@pytest.mark.parametrize("command", DOORS)
def test_a_name_comes_out_harmless(command, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FINGERLEAD_LOG", "error")

    @settings(max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(NAMES, st.sampled_from(["utf-8", "ascii", "latin-1"]))
    def holds(name, encoding):
        Path(f"{name}.csv").write_text(PLAYING)
        words = [word.replace("NAME", name) for word in DOORS[command]]
        text, code = printed(command, *words, encoding=encoding)
        assert code in (0, 1, 2)
        assert "Traceback" not in text
        assert_plain(text)
        # A line end within a name begins no line of its own. (Of a wrong usage the library prints the words as typed.)
        if code != 2 and "\n" in name:
            assert not any(line.startswith(plain(name.rsplit("\n", 1)[1])) for line in text.splitlines())

    holds()


@given(NAMES)
@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_commands_json_gives_the_name_back(tmp_path_factory, name):
    path = tmp_path_factory.mktemp("json") / f"{name}.csv"
    path.write_text(PLAYING)
    text, code = printed("analyse", str(path), "--format", "json")
    rows, _ = printed("analyse", str(path), "--format", "csv")
    assert code == 0
    assert json.loads(text)["source"]["path"] == str(path)
    assert_plain(text + rows)


@given(NAMES)
def test_wrong_usage_and_a_crash_quote_a_name_harmlessly(name):
    for words in ([name], [f"--{name}"], ["analyse", "a", name], ["fingering", f"--{name}"]):
        text, code = printed(*words)
        assert code == 2
        assert_plain(text)


def test_a_tunes_title_and_a_log_line_come_out_harmless(tmp_path, monkeypatch):
    tune = tmp_path / "tune.abc"
    tune.write_text("X:1\nT:a\x1b[2J\u202eb\nK:Amix \x1b]0;t\x07\x9b\nA\x1b[2J|\n")
    text, code = printed("--log", str(tmp_path / "log"), "simulate", "--on", "pty", "--tune", str(tune))
    assert code == 1
    assert_plain(text)
    printed("--log", str(tmp_path / "log"), "check", "no\nport\x1b[2J")
    log = (tmp_path / "log").read_text()
    assert_plain(log)


@given(st.text(st.sampled_from(EVIL + "ab\n"), max_size=30))
def test_what_rich_draws_has_only_its_own_codes(text):
    with streams() as (out, err):
        sys.stdout, sys.stderr = PlainStream(sys.stdout), PlainStream(sys.stderr)
        PlainConsole(stderr=True).print(Text(text), soft_wrap=True)
        assert_plain(out.getvalue().decode() + err.getvalue().decode())


def test_what_is_printed_while_rich_draws_is_plain_too():
    with streams() as (out, _):
        sys.stdout, sys.stderr = PlainStream(sys.stdout), PlainStream(sys.stderr)
        console = PlainConsole()
        console._force_terminal = True
        with Live(Text("waiting"), console=console, auto_refresh=False):
            print("a\x1b]0;title\x07b\x9b31mc\u202ed")
        text = out.getvalue().decode()
    assert "\x9b" not in text
    assert "\u202e" not in text
    assert "\x1b]0" not in text
    assert "\\u009b31mc\\u202ed" in text


def test_a_terminal_without_utf_8_gets_what_it_has(tmp_path):
    path = os.fsencode(tmp_path) + b"/\xffn\x1b[2J\xc2\x9b.csv"
    with open(path, "w") as file:
        file.write(PLAYING)
    for encoding in ("ascii", "latin-1", "utf-8"):
        done = subprocess.run(
            [sys.executable, "-m", "fingerlead.faces.cli.main", "analyse", path],
            capture_output=True,
            env={**os.environ, "PYTHONIOENCODING": encoding},
        )
        assert done.returncode == 0
        assert_plain(done.stdout.decode(encoding))
        assert done.stderr == b""
