"""What every test shares: marks, an order for parallel runs, golden files, and skips that can be made failures."""

from __future__ import annotations

import gc
import os
import signal
import tempfile
from pathlib import Path

import pytest
from hypothesis import settings

HERE = Path(__file__).parent
# The pure rooms: `pytest -m fast` runs them, but for what is marked slow there.
FAST_ROOMS = {"fingering", "wire", "timing", "reading", "music", "sound"}
# A test that asks for one of these fixtures gets its mark, and may be left out on a machine that has not got the thing.
MARKS = {"build": "firmware", "elf": "firmware", "jack": "jack", "sound_server": "jack", "browser": "chromium"}
# JACK servers that start at the same time disturb each other: all that need one run in one worker.
NEED_JACK = {
    f"tests/end_to_end/test_{name}.py" for name in ("e2e_midi_out", "e2e_midi_port", "e2e_record", "e2e_sound", "truth")
}
# Rooms with long tests come first, so that all workers end at about the same time.
LONG_FIRST = ("end_to_end", "faces", "studio", "workbench", "firmware")
IN_MEMORY, LEAST_MEMORY = Path("/dev/shm"), 4 << 30
# Time limits come from a slow machine under load; speed is measured by `make bench` alone.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def pytest_configure(config):
    """Keep tests away from what is kept on this machine, and let signals be as a terminal gives them.

    All workers share one cache: LilyPond engraves a sheet once. What started the tests may ignore signals, and programs
    inherit that.
    """
    if _offers_memory(IN_MEMORY) and "TMPDIR" not in os.environ:
        os.environ["TMPDIR"] = str(IN_MEMORY)
        tempfile.tempdir = None
    kept = tempfile.TemporaryDirectory(prefix="fingerlead-tests-")
    config.add_cleanup(kept.cleanup)
    os.environ["XDG_DATA_HOME"] = kept.name
    if not hasattr(config, "workerinput"):
        os.environ["XDG_CACHE_HOME"] = f"{kept.name}/cache"
    for name, usual in (("SIGINT", signal.default_int_handler), ("SIGHUP", signal.SIG_DFL)):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, usual)


def _offers_memory(folder: Path) -> bool:
    """Whether tests can write, and run what they build, in a folder of memory: thousands of files wait for no disk."""
    if not hasattr(os, "statvfs") or not os.access(folder, os.W_OK):
        return False
    of = os.statvfs(folder)
    return of.f_bavail * of.f_frsize > LEAST_MEMORY and not of.f_flag & getattr(os, "ST_NOEXEC", 0)


def pytest_addoption(parser):
    parser.addoption("--renew-golden", action="store_true", help="write the golden files anew instead of comparing")


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """What is collected stays to the end: a search for garbage that passed over it each time would take a third of all.

    So there is none meanwhile, and none in it afterwards.
    """
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Mark each test by its room and its fixtures, before `-m` chooses; rooms with long tests come first."""
    for item in items:
        for mark in {MARKS[name] for name in item.fixturenames if name in MARKS}:
            item.add_marker(mark)
        if item.get_closest_marker("jack") is not None and _module(item.nodeid) not in NEED_JACK:
            raise pytest.UsageError(
                f"{item.nodeid} needs a JACK server: put its module into NEED_JACK of tests/conftest.py"
            )
        if _room(item) in FAST_ROOMS and item.get_closest_marker("slow") is None:
            item.add_marker("fast")
    items.sort(key=lambda item: LONG_FIRST.index(_room(item)) if _room(item) in LONG_FIRST else len(LONG_FIRST))


def _room(item) -> str:
    return item.path.relative_to(HERE).parts[0]


def _module(nodeid: str) -> str:
    return nodeid.partition("::")[0]


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """A module runs whole in one worker, as its fixtures are dear."""
    from xdist.scheduler import LoadScopeScheduling

    class ByModule(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            module = _module(nodeid)
            return "jack" if module in NEED_JACK else module

    return ByModule(config, log)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config):
    """A worker for each processor, as sound needs one; where none is captured one more computes while others wait."""
    if not hasattr(os, "sched_getaffinity"):
        return None
    return len(os.sched_getaffinity(0)) + ("not jack" in config.option.markexpr)


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
    """Where FINGERLEAD_SKIPS=fail, a skipped test is a failure: the full checks install all they need.

    In a parallel run this is the one that gathers the workers' reports; a worker has no reporter.
    """
    if os.environ.get("FINGERLEAD_SKIPS") != "fail":
        return
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if reporter is not None and reporter.stats.get("skipped"):
        reporter.write_line("skipped tests count as failures here", red=True)
        session.exitstatus = 1
