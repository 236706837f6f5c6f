"""The program's log: quiet unless asked for, useful for a bug report, and without the name of any pupil."""

from __future__ import annotations

import logging
import re

import pytest

from fingerlead import log
from fingerlead.actor import Actor

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


def test_a_line_has_its_time_level_thread_and_module(logged):
    logging.getLogger("fingerlead.ports.find").info("something of %s", "use")
    head, first, second = logged().splitlines()
    assert head + "\n" == log.HEAD
    assert LINE.fullmatch(first)
    assert f" fingerlead.log: {log.versions()}" in first
    assert LINE.fullmatch(second)
    assert second.endswith("INFO MainThread fingerlead.ports.find: something of use")


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
