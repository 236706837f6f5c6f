"""A JACK server with its dummy driver, which carries MIDI where there is no sound card and no ALSA sequencer."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.end_to_end.capture import JackServer
from tests.end_to_end.chromium import CHROMIUM, FLAGS
from tests.waiting import PATIENCE_S

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
    with JackServer("midi"), pytest.MonkeyPatch.context() as patch:
        patch.setenv("MIDO_BACKEND", BACKEND)
        backend = mido.Backend(BACKEND)
        patch.setattr(mido, "backend", backend)
        for function in ("open_input", "open_output", "get_input_names", "get_output_names"):
            patch.setattr(mido, function, getattr(backend, function))
        backend.get_input_names()
        yield


@pytest.fixture(scope="module")
def browser():
    """A real Chromium."""
    playwright = pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")
    if not Path(CHROMIUM).exists():
        pytest.skip("needs the Debian package chromium")
    playwright.expect.set_options(timeout=1_000 * PATIENCE_S)
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()
