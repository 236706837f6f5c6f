"""A simulated pupil's playing through the firmware, and the lives that the fuzzer found worth keeping."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.sensing import levels_of, sensors
from fingerlead.wire.carriers import to_stream
from fingerlead.wire.messages import Holes, SetThresholds, encode
from hardware_notes.firmware import scripts
from tests.firmware.firmware_tools import Played, made, needs
from tests.simulated.known import sense

CORPUS = sorted((Path(__file__).parent / "corpus").iterdir())


def test_a_pupils_playing_comes_out_as_the_simulated_chanter_tells_it(play: Callable[[bytes], Played]) -> None:
    script = scripts.pupil_script("mixed", 5, 40, 500)
    script.host_says(0, to_stream(encode(SetThresholds(1, levels_of(sensors())))))
    found: list[tuple[int, int]] = []
    for message in play(script.as_bytes()).messages():
        if isinstance(message, Holes) and (not found or message.covered_mask != found[-1][1]):
            found.append((message.ticks32, message.covered_mask))
    performance = perform(load_scenario("mixed").pupil, write_script(load_scenario("mixed").pupil, 5, changes=40), 5)
    expected = sense(performance, sensors(), scan_us=500)
    assert [mask for _, mask in found] == [mask for _, mask in expected]
    assert len(found) > 100
    # Its scans lie anywhere between those of the simulated chanter.
    assert all(0 <= seen - told <= 510 for (seen, _), (told, _) in zip(found[1:], expected[1:], strict=True))


def test_a_pupil_that_is_not_there_is_refused_in_a_sentence() -> None:
    command = [sys.executable, scripts.__file__, "--pupil", "unknown"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "unknown" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.fixture(scope="module")
def fuzzers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    needs("make", "gcc")
    folder = tmp_path_factory.mktemp("fuzz")
    made(folder, f"{folder}/fuzz_stream", "CLANG=")
    made(folder, f"{folder}/fuzz_sysex", "CLANG=")
    return folder


@pytest.mark.parametrize("carrier", ["stream", "sysex"])
def test_every_life_of_the_corpus_holds(fuzzers: Path, carrier: str) -> None:
    assert CORPUS
    command = [str(fuzzers / f"fuzz_{carrier}"), "0", *map(str, CORPUS)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=fuzzers)
    assert done.returncode == 0, done.stderr
    assert done.stdout == f"{len(CORPUS)} files and 0 other lives, nothing found\n"
