"""What every test shares: golden files with one command to renew them, and skips that can be made failures."""

from __future__ import annotations

import os
import signal
import tempfile
from pathlib import Path

import pytest
from hypothesis import settings

# How long something takes is measured by the bench alone: a busy machine must not fail a test.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def pytest_configure(config):
    """No test reads or writes what is kept on this machine. And signals are as a terminal gives them.

    Whoever started the tests may have them ignored, and programs inherit that.
    """
    data = tempfile.TemporaryDirectory(prefix="fingerlead-tests-")
    config.add_cleanup(data.cleanup)
    os.environ["XDG_DATA_HOME"] = data.name
    for name, usual in (("SIGINT", signal.default_int_handler), ("SIGHUP", signal.SIG_DFL)):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, usual)


def pytest_addoption(parser):
    parser.addoption("--renew-golden", action="store_true", help="write the golden files anew instead of comparing")


@pytest.fixture
def golden(request):
    """Compare text with a golden file beside the test, or renew it with `make golden`."""

    def compare(name: str, text: str) -> None:
        path = Path(request.path).parent / "golden" / name
        if request.config.getoption("--renew-golden"):
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        assert path.exists(), f"{path.name} is missing; run: make golden"
        assert text == path.read_text(encoding="utf-8")

    return compare


def pytest_sessionfinish(session, exitstatus):
    """Where FINGERLEAD_SKIPS=fail, a skipped test is a failure: the full checks install all they need."""
    if os.environ.get("FINGERLEAD_SKIPS") != "fail":
        return
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if reporter is not None and reporter.stats.get("skipped"):
        reporter.write_line("skipped tests count as failures here", red=True)
        session.exitstatus = 1
