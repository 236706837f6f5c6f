"""The program's log: quiet unless asked for, useful for a bug report, and without the name of any pupil."""

from __future__ import annotations

import json
import logging
import os
import re
import signal
import subprocess
import sys
import urllib.error
import urllib.parse
import urllib.request
import zipfile
from pathlib import Path

import pytest

from fingerlead import log
from fingerlead.actor import Actor
from fingerlead.simulated.chanter import setup_for
from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.sensing import sensors
from fingerlead.simulated.serve import wire_bytes
from fingerlead.studio.studio import Studio

MAIN = [sys.executable, "-m", "fingerlead.faces.cli.main"]
# None of them is a word that the program itself might log.
NAMES = ("Zuzka Qvortrup", "Ægidius ø'Xyle", "Wbxk<b>Hjørdis")
LINE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z (DEBUG|INFO|WARNING|ERROR) \S+( \S+)* [a-z_.]+: .+")


@pytest.fixture
def logged(tmp_path):
    """A log begun into a file; gives what is in it so far."""
    before = {name: list(logging.getLogger(name).handlers) for name in ("fingerlead", "uvicorn.error")}
    path = tmp_path / "it.log"
    log.begin("", path)
    yield lambda: path.read_text(encoding="utf-8")
    for name, handlers in before.items():
        logger = logging.getLogger(name)
        for handler in set(logger.handlers) - set(handlers):
            logger.removeHandler(handler)
            handler.close()
        logger.setLevel(logging.NOTSET)


def environment(folder: Path, **more: str) -> dict[str, str]:
    without = {name: value for name, value in os.environ.items() if name != log.VARIABLE}
    return {**without, "XDG_DATA_HOME": str(folder / "data"), **more}


def run(folder: Path, *arguments: str, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*MAIN, *arguments], cwd=folder, env=environment(folder, **more), capture_output=True, text=True, timeout=120
    )


def record(path: Path) -> None:
    """Bytes from a simulated chanter's wire."""
    pupil = load_scenario("mixed").pupil
    performance = perform(pupil, write_script(pupil, 5, 6, None), 5)
    path.write_bytes(wire_bytes(performance, setup_for(5, 1_000, None), sensors("ideal")))


def test_a_line_has_its_time_level_thread_and_module(logged):
    logging.getLogger("fingerlead.ports.catalogue").info("something of %s", "use")
    head, first, second = logged().splitlines()
    assert head + "\n" == log.HEAD
    assert LINE.fullmatch(first)
    assert f" fingerlead.log: {log.versions()}" in first
    assert LINE.fullmatch(second)
    assert second.endswith("INFO MainThread fingerlead.ports.catalogue: something of use")


def test_an_exception_is_logged_by_type_and_places_without_its_words(logged, tmp_path):
    def fails() -> None:
        try:
            (tmp_path / NAMES[0]).read_text()
        except OSError as error:
            raise ValueError(f"no pupil is called {NAMES[1]}") from error

    actor: Actor = Actor("the actor", fails).start()
    actor.stop()
    assert isinstance(actor.failed, ValueError)
    text = logged()
    assert "ERROR the actor fingerlead.actor: failed" in text
    assert "\n  FileNotFoundError: No such file or directory\n" in text
    assert "\n  ValueError\n" in text
    assert re.search(r"\n  at tests/test_log\.py, line \d+, in fails\n", text)
    assert str(tmp_path) not in text
    assert not any(name in text for name in NAMES)


def test_words_that_name_nothing_are_kept(logged):
    try:
        None.pupil  # noqa: B018
    except AttributeError:
        logging.getLogger("fingerlead.actor").exception("failed")
    assert "AttributeError: 'NoneType' object has no attribute 'pupil'" in logged()


def test_a_server_s_own_warnings_come_too_but_not_its_addresses(logged):
    logging.getLogger("uvicorn.error").warning("Invalid HTTP request received.")
    logging.getLogger("uvicorn.error").info("WebSocket /live?token=secret [accepted]")
    assert "WARNING MainThread uvicorn.error: Invalid HTTP request received." in logged()
    assert "secret" not in logged()


def test_a_recording_is_logged_without_its_name():
    assert log.port_words(f"replay:/home/{NAMES[0]}.session") == "replay"
    assert log.port_words("replay:x@all") == "replay"
    assert log.port_words("midi:oak") == "midi:oak"
    assert log.port_words("/dev/ttyACM0") == "/dev/ttyACM0"


def test_it_is_quiet_unless_asked_for(tmp_path):
    record(tmp_path / "it.wire")
    ran = run(tmp_path, "live", "replay:it.wire@all")
    assert (ran.returncode, ran.stderr) == (0, "")
    assert [path.name for path in tmp_path.iterdir()] == ["it.wire"]


def test_the_variable_sends_it_to_stderr(tmp_path):
    told = {log.VARIABLE: "info"}
    record(tmp_path / "it.wire")
    ran = run(tmp_path, "live", "replay:it.wire@all", "-o", "x.session", **told)
    lines = ran.stderr.splitlines()
    assert ran.returncode == 0
    assert all(LINE.fullmatch(line) for line in lines)
    for said in ("replay opened, carrier stream", "session begun", "session closed", "live begins", "live ends"):
        assert sum(said in line for line in lines) == 1


@pytest.mark.parametrize("level", ["loud", "10", "DEBUGGING"])
def test_an_unknown_level_is_a_problem(tmp_path, level):
    told = {log.VARIABLE: level}
    ran = run(tmp_path, "moves", **told)
    assert ran.returncode == 1
    assert ran.stderr == (f"fingerlead: expected one of debug, info, warning, error in FINGERLEAD_LOG; got {level!r}\n")


def test_a_log_is_added_to_and_no_other_file_is_written_into(tmp_path):
    for count in (1, 2):
        assert run(tmp_path, "--log", "a.log", "moves").returncode == 0
        text = (tmp_path / "a.log").read_text()
        assert text.startswith(log.HEAD)
        assert text.count(log.HEAD) == 1
        assert text.count("moves begins") == count
    (tmp_path / "mine.session").write_bytes(b"SQLite format 3\0 and playing")
    ran = run(tmp_path, "--log", "mine.session", "moves")
    assert (ran.returncode, ran.stdout) == (1, "")
    assert "expected a new file or an older log" in ran.stderr
    assert (tmp_path / "mine.session").read_bytes() == b"SQLite format 3\0 and playing"
    ran = run(tmp_path, "--log", "nowhere/a.log", "moves")
    assert ran.returncode == 1
    assert "the log cannot be written: No such file or directory" in ran.stderr


def test_a_problem_is_logged_without_its_words(tmp_path):
    ran = run(tmp_path, "--log", "a.log", "analyse", f"{NAMES[0]}.session")
    assert NAMES[0] in ran.stderr
    text = (tmp_path / "a.log").read_text()
    assert "Problem" in text
    assert NAMES[0] not in text


class Page:
    """A command that serves a page, asked as its own page asks."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        command = [*MAIN, "--log", str(folder / "it.log"), *arguments, "--no-browser"]
        self._serving = subprocess.Popen(
            command, cwd=folder, env=environment(folder), stdout=subprocess.PIPE, text=True
        )
        assert self._serving.stdout is not None
        said = self._serving.stdout.readline()
        self.url = re.search(r"http://\S+", said)[0]
        self._address, _, self.token = self.url.partition("/#")
        self.secret = ""
        self.secret = self._asked("/enter", self.token.encode())

    def ask(self, path: str = "/", **form: str) -> str:
        """Ask for a page, or send a form."""
        return self._asked(path, urllib.parse.urlencode(form).encode() if form else None)

    def _asked(self, path: str, data: bytes | None) -> str:
        request = urllib.request.Request(self._address + path, data)
        request.add_header("Authorization", f"Bearer {self.secret}")
        if data is not None:
            request.add_header("Origin", self._address)
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                return answer.read().decode()
        except urllib.error.HTTPError as error:
            return error.read().decode()

    def end(self) -> None:
        """Ctrl-C."""
        self._serving.send_signal(signal.SIGINT)
        assert self._serving.wait(60) == 0


@pytest.mark.skipif(sys.platform == "win32", reason="ends a program by SIGINT")
def test_no_name_of_a_pupil_and_no_token_is_ever_in_it(tmp_path):
    folder = tmp_path / NAMES[0]
    folder.mkdir()
    desk = Page(tmp_path, "studio", str(folder / "studio"))
    assert "<html" in desk.ask()
    for name in NAMES:
        desk.ask("/pupil", name=name)
    with Studio(folder / "studio") as studio:
        keys = {pupil.name: pupil.key for pupil in studio.pupils()}
    assert set(keys) == set(NAMES)
    for name in NAMES:
        assert "<html" in desk.ask(f"/pupil/{keys[name]}")
        desk.ask(f"/pupil/{urllib.parse.quote(name)}")
    desk.end()
    recording = folder / f"{NAMES[2]}.session"
    record(recording)
    practice = Page(
        tmp_path,
        "practice",
        f"replay:{recording}",
        "--no-sound",
        "--studio",
        str(folder / "studio"),
        "--pupil",
        NAMES[1],
    )
    assert "<html" in practice.ask()
    practice.end()
    refused = run(tmp_path, "--log", "it.log", "practice", "--studio", str(folder / "studio"), "--pupil", "Nnx Vrk")
    assert (refused.returncode, "Nnx Vrk" in refused.stderr) == (1, True)
    text = (tmp_path / "it.log").read_text(encoding="utf-8")
    assert text.count("serving at 127.0.0.1, port ") == 2
    assert "replay opened" in text
    assert "chanter: waiting" in text
    for hidden in (*NAMES, *keys.values(), "Nnx", *(part for name in NAMES for part in re.findall(r"\w{4,}", name))):
        assert hidden not in text
    for page in (desk, practice):
        for secret in (page.token, page.secret):
            assert re.fullmatch(r"[\w-]{32}", secret)
            assert secret not in text


def test_a_bug_report_holds_versions_ports_settings_and_the_log(tmp_path):
    assert run(tmp_path, "--log", "trouble.log", "moves").returncode == 0
    ran = run(tmp_path, "bug-report", "trouble.log", "-o", "it.zip")
    assert ran.returncode == 0, ran.stderr
    with zipfile.ZipFile(tmp_path / "it.zip") as packed:
        held = {name: packed.read(name).decode() for name in packed.namelist()}
    assert sorted(held) == ["log.txt", "ports.json", "settings.json", "versions.json"]
    assert held["log.txt"] == (tmp_path / "trouble.log").read_text()
    versions = json.loads(held["versions.json"])
    assert versions["python"] == sys.version
    assert versions["libraries"]["numpy"]
    assert "pytest" not in versions["libraries"]
    assert json.loads(held["settings.json"])["hand_on_top"] == "left"
    assert set(json.loads(held["ports.json"])) == {"serial", "midi_in", "midi_out", "sound"}
    for name in held:
        assert name in ran.stdout
    assert "No pupil of a studio, no session and no token is in it." in ran.stdout


def test_a_bug_report_packs_nothing_that_is_no_log(tmp_path):
    (tmp_path / "mine.session").write_bytes(b"SQLite format 3\0 and playing")
    for other in ("mine.session", "not there", "."):
        ran = run(tmp_path, "bug-report", other, "-o", "it.zip")
        assert ran.returncode == 1
        assert "log" in ran.stderr
        assert not (tmp_path / "it.zip").exists()
    ran = run(tmp_path, "bug-report", "-o", "it.zip")
    assert "It holds no log." in ran.stdout
    with zipfile.ZipFile(tmp_path / "it.zip") as packed:
        assert "log.txt" not in packed.namelist()
