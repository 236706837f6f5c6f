"""A JACK server with its dummy driver, which carries MIDI where there is no sound card and no ALSA sequencer."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from pathlib import Path

import pytest

from tests.end_to_end.chromium import CHROMIUM, FLAGS

BACKEND = "mido.backends.rtmidi/UNIX_JACK"


@pytest.fixture(scope="session")
def jack():
    """The environment in which programs find this server; this process has it too."""
    if shutil.which("jackd") is None:
        pytest.skip("needs the Debian package jackd2")
    rtmidi = pytest.importorskip("rtmidi", reason="needs python-rtmidi, which has no wheel from Python 3.13 on")
    if rtmidi.API_UNIX_JACK not in rtmidi.get_compiled_api():
        pytest.skip("needs a python-rtmidi with JACK in it: libjack-jackd2-dev")
    import mido

    # A server of our own name stays out of the way of any other.
    name = f"fingerlead-{os.getpid()}"
    ours = {"JACK_DEFAULT_SERVER": name, "JACK_NO_START_SERVER": "1", "MIDO_BACKEND": BACKEND}
    server = subprocess.Popen(
        ["jackd", "-n", name, "-R", "-P", "10", "-S", "-d", "dummy", "-r", "48000", "-p", "128"],
        env={**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    with pytest.MonkeyPatch.context() as patch:
        for key, value in ours.items():
            patch.setenv(key, value)
        backend = mido.Backend(BACKEND)
        patch.setattr(mido, "backend", backend)
        for function in ("open_input", "open_output", "get_input_names", "get_output_names"):
            patch.setattr(mido, function, getattr(backend, function))
        try:
            _wait_for(server, backend)
            yield dict(os.environ)
        finally:
            server.terminate()
            server.wait()


def _wait_for(server: subprocess.Popen, backend) -> None:
    give_up = time.monotonic() + 10
    while server.poll() is None and time.monotonic() < give_up:
        try:
            backend.get_input_names()
            return
        except OSError:
            time.sleep(0.1)
    pytest.fail("jackd is installed but does not start with its dummy driver")


@pytest.fixture(scope="module")
def browser():
    """A real Chromium."""
    playwright = pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")
    if not Path(CHROMIUM).exists():
        pytest.skip("needs the Debian package chromium")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()
