"""The same program on an emulated Cortex-M3 (QEMU mps2-an385, 15.6 million instructions a second)."""

from __future__ import annotations

import random
import socket
import subprocess
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from fingerlead.wire import messages as m
from fingerlead.wire.carriers import to_stream
from fingerlead.wire.events import Answered
from fingerlead.wire.link import HostLink
from hardware_notes.firmware import scripts
from hardware_notes.firmware.scripts import Script
from tests.firmware.firmware_tools import EMULATOR, FIRMWARE, NS_PER_INSTRUCTION, Played, made, needs, sizes_of

Player = Callable[..., Played]
SCAN_US = 500
SETTLE_US = 2_000
STEP_US = 10  # a scan may start later than planned by one turn of the main loop
NS_PER_TICK = 40  # of the board's 25 MHz timer


def eventful(seed: int) -> Script:
    """Fingers, requests, garbage, an absent reader, a restart: on the counted clock, the same on every board."""
    chance = random.Random(seed)
    script = Script(start_us=2**32 - 1_000_000)
    requests: list[m.Message] = [
        m.Who(1), m.Stream(2, m.STREAM_BOTH, 700), m.SetThresholds(3, ((520, 480),) * 8), m.GetThresholds(4), m.Keep(5),
        m.Clock(6, 2**40), m.Stream(7, m.STREAM_HOLES), m.Unknown(0x90, b"\7"), m.SetThresholds(8, ((1, 1),) * 8),
        m.Restart(9), m.GetThresholds(10),
    ]  # fmt: skip
    for number, request in enumerate(requests):
        script.host_says(100_000 + 150_000 * number, chance.randbytes(20) + b"\0" + to_stream(m.encode(request)))
    for at_us in range(0, 2_000_000, 3_000):
        script.samples(at_us, [chance.choice((0, 400, 470, 530, 600, 1023)) for _ in range(8)])
    script.happens(700_000, scripts.AWAY)
    script.happens(1_000_000, scripts.BACK)
    script.happens(2_000_000, scripts.END)
    return script


def test_the_cortex_m3_says_byte_for_byte_what_the_host_build_says(
    emulate: Player, play: Player, storage: Path
) -> None:
    for seed in range(2):
        script = eventful(seed)
        kept = storage.read_bytes()
        emulated = emulate(script.as_bytes()).data
        kept_emulated = storage.read_bytes()
        storage.write_bytes(kept)
        assert emulated == play(script.as_bytes()).data
        assert kept_emulated == storage.read_bytes()
        assert len(emulated) > 5_000


def test_the_watchdog_of_the_board_ends_a_hang(emulate: Player) -> None:
    script = Script(counted=False)
    script.happens(20_000, scripts.HANG)
    script.happens(60_000, scripts.END)
    messages = emulate(script.as_bytes()).messages()
    boots = [message.boot for message in messages if isinstance(message, m.Hello)]
    assert boots == [1, 2]
    assert [message.code for message in messages if isinstance(message, m.Trouble)] == [m.WATCHDOG]


def test_the_watchdog_is_fed_while_a_page_is_stored(emulate: Player) -> None:
    """At the start nothing is scanned before the boot number is stored; here that takes 300 ms, the watchdog 100."""
    script = Script(counted=False)
    script.happens(0, scripts.STORAGE, 2)
    script.happens(700_000, scripts.END)
    messages = emulate(script.as_bytes()).messages()
    assert [message.boot for message in messages if isinstance(message, m.Hello)] == [1]
    assert not any(isinstance(message, m.Trouble) for message in messages)
    assert 300_000 <= next(message.ticks32 for message in messages if isinstance(message, m.Holes)) < 400_000


def test_thresholds_outlast_a_power_cycle(emulate: Player) -> None:
    levels = tuple((600 + hole, 300 + hole) for hole in range(8))
    first, second = Script(counted=False), Script(counted=False)
    first.host_says(10_000, to_stream(m.encode(m.SetThresholds(1, levels))) + to_stream(m.encode(m.Keep(2))))
    second.host_says(10_000, to_stream(m.encode(m.GetThresholds(1))))
    for script in (first, second):
        script.happens(30_000, scripts.END)
    emulate(first.as_bytes())
    messages = emulate(second.as_bytes()).messages()
    (answer,) = [message for message in messages if isinstance(message, m.Answer)]
    assert m.encode(m.SetThresholds(0, levels))[2:] == answer.body


def test_ten_thousand_known_crossings_come_out_in_order_within_a_scan(emulate: Player) -> None:
    chance = random.Random(6)
    script, mask = Script(counted=False), 0xFF
    crossings: list[tuple[int, int]] = []
    script.mask(0, mask)
    at_us, last_us = 20_000, [0] * 8
    while len(crossings) < 10_000:
        at_us += chance.randrange(300, 1_200)
        hole = chance.choice([hole for hole in range(8) if at_us - last_us[hole] > SETTLE_US + 2 * SCAN_US])
        last_us[hole] = at_us
        mask ^= 1 << hole
        script.mask(at_us, mask)
        crossings.append((hole, at_us))
    script.happens(at_us + 10_000, scripts.END)
    found: list[tuple[int, int]] = []
    holes = [message for message in emulate(script.as_bytes()).messages() if isinstance(message, m.Holes)]
    for before, after in pairwise(holes):
        moved = before.covered_mask ^ after.covered_mask
        found += [(hole, after.ticks32) for hole in range(8) if moved >> hole & 1]
    assert len(found) == 10_000
    assert [before.ticks32 <= after.ticks32 for before, after in pairwise(holes)].count(False) == 0
    for hole in range(8):
        true_us = [t_us for which, t_us in crossings if which == hole]
        seen_us = [t_us for which, t_us in found if which == hole]
        assert all(0 <= seen - true <= SCAN_US + STEP_US for true, seen in zip(true_us, seen_us, strict=True)), hole
    # Crossings that lie a scan or more apart keep their order.
    times = {(hole, i): t for hole in range(8) for i, t in enumerate(t for which, t in found if which == hole)}
    counts = [0] * 8
    ordered = []
    for hole, true_us_ in crossings:
        ordered.append((true_us_, times[hole, counts[hole]]))
        counts[hole] += 1
    assert all(b[1] >= a[1] for a, b in pairwise(ordered))


def test_a_request_makes_no_scan_late_at_whatever_moment_it_comes(emulate: Player) -> None:
    chance = random.Random(3)
    script = Script(counted=False)
    script.host_says(5_000, to_stream(m.encode(m.Stream(1, m.STREAM_BOTH, 2_000))))
    for number in range(200):
        at_us = 10_000 * (number + 1) + chance.randrange(SCAN_US)
        script.host_says(at_us, to_stream(m.encode(m.Clock(number, at_us))))
    script.happens(2_020_000, scripts.END)
    messages = emulate(script.as_bytes()).messages()
    assert sum(isinstance(message, m.Answer) for message in messages) == 1 + 200
    raw = [message for message in messages if isinstance(message, m.Raw)]
    steps_us = [after.ticks32 - before.ticks32 for before, after in pairwise(raw)]
    assert len(steps_us) > 3_900
    assert max(abs(step_us - SCAN_US) for step_us in steps_us) <= SCAN_US // 15


def test_two_thousand_scans_a_second_fit_into_a_small_processor_whatever_comes(
    emulate: Player, record_property: Callable[[str, object], None]
) -> None:
    """Raw frames at every other scan, all fingers chattering, garbage at 500 000 baud: no scan is missed."""
    chance = random.Random(2)
    script = Script(counted=False)
    # The reader asks for all, then the line is never silent.
    script.host_says(5_000, to_stream(m.encode(m.Stream(1, m.STREAM_BOTH, 1_000))))
    for at_us in range(10_000, 1_000_000, 1_000):
        script.samples(at_us, [chance.choice((100, 900)) for _ in range(8)])
        if at_us % 10_000:
            script.host_says(at_us, chance.randbytes(50))
        else:
            script.host_says(at_us, chance.randbytes(25) + b"\0" + to_stream(m.encode(m.Who(1))) + chance.randbytes(18))
    script.happens(1_000_000, scripts.END)
    played = emulate(script.as_bytes())
    messages = played.messages()
    assert [message for message in messages if isinstance(message, m.Trouble)] == []
    # Garbage may stand right before a request's zero or make a frame of it by chance: nearly all are answered.
    assert sum(isinstance(message, m.Answer) for message in messages) == 1 + 99
    raw = [message for message in messages if isinstance(message, m.Raw)]
    assert [frame.sequence for frame in raw] == list(range(len(raw)))
    # Every second scan has its raw frame, none later than the next scan would have been.
    assert all(abs(after.ticks32 - before.ticks32 - 2 * SCAN_US) < SCAN_US for before, after in pairwise(raw))
    longest, scans, ticks, longest_scan, depth, most = (int(number) for number in played.told.split())
    instructions = [count * NS_PER_TICK // NS_PER_INSTRUCTION for count in (ticks // scans, longest_scan, longest)]
    record_property("instructions: mean scan, longest scan, longest step", instructions)
    print("instructions: mean scan, longest scan, longest step:", instructions)
    print("stack: depth, size in bytes:", depth, most)
    assert 200 < depth < most / 2
    # 16 MHz give 8 000 cycles to each of 2 000 scans a second.
    assert scans >= 1_950
    assert max(instructions) < 8_000


def test_a_host_at_the_line_is_answered(elf: Path, storage: Path) -> None:
    """Requests over the emulated UART itself, not from the script; virtual time runs as fast as it can."""
    needs("qemu-system-arm")
    script = Script(counted=False)
    script.mask(0, 0xFF)
    script.happens(60_000_000, scripts.END)
    line = storage.parent / "line"
    command = [*EMULATOR, "-kernel", str(elf), "-serial", f"unix:{line},server=on,wait=on", "-serial", "stdio"]
    with (
        subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, cwd=storage.parent) as emulator,
        socket.socket(socket.AF_UNIX) as host,
    ):
        try:
            assert emulator.stdin is not None
            host.settimeout(30)
            connected(host, line)
            emulator.stdin.write(script.as_bytes())
            emulator.stdin.flush()
            link = HostLink()
            levels = tuple((500 + hole, 300) for hole in range(8))
            host.sendall(link.who() + link.set_thresholds(levels) + link.keep() + link.get_thresholds())
            answered: list[Answered] = []
            while len(answered) < 4:
                events = link.receive(host.recv(4096), 0)
                answered += [event for event in events if isinstance(event, Answered)]
        finally:
            emulator.kill()
    assert [event.answer.status for event in answered] == [m.DONE] * 4
    assert answered[3].value == levels
    assert storage.read_bytes().count(b"FL") == 2


def connected(host: socket.socket, line: Path) -> None:
    """Wait for the emulator to open its line."""
    for _ in range(1_000):
        try:
            host.connect(str(line))
            return
        except (FileNotFoundError, ConnectionRefusedError):
            time.sleep(0.01)
    raise AssertionError("the emulator did not open its line")


def test_the_core_fits_its_budget(tmp_path: Path) -> None:
    """arm-none-eabi-size over the whole core: at most 8 KiB of flash and 1 KiB of memory, but for sensors' own care.

    `health` and its `troubles` have a budget of their own, and so have `light`, `baseline` and `travel`.
    """
    needs("make", "arm-none-eabi-gcc")
    command = ["make", "-s", "-C", str(FIRMWARE), f"BUILD={tmp_path}", "size"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    text, data, bss, *_, name = done.stdout.splitlines()[-1].split()
    print(done.stdout)
    apart = [sizes_of(tmp_path, module) for module in ("health", "light", "baseline", "travel")]
    flash, memory = (sum(sizes) for sizes in zip(*apart, strict=True))
    memory -= apart[-1][1]  # which is in that of health
    flash += sizes_of(tmp_path, "troubles")[0]
    assert name == "(TOTALS)"
    assert int(text) + int(data) - flash <= 8_192
    # The outbox alone is 504: a smaller figure would be no measurement.
    assert 500 < int(data) + int(bss) - memory <= 1_024


@pytest.mark.parametrize(
    ("module", "flash", "memory"), [("light", 1_664, 288), ("baseline", 640, 112), ("travel", 256, 24)]
)
def test_what_mends_sensors_is_within_its_budget(tmp_path: Path, module: str, flash: int, memory: int) -> None:
    needs("arm-none-eabi-gcc")
    needed = sizes_of(tmp_path, module)
    assert 100 < needed[0] <= flash
    assert 10 < needed[1] <= memory


def test_the_layer_for_a_hobby_board_compiles(tmp_path: Path) -> None:
    needs("make", "arm-none-eabi-gcc")
    made(tmp_path, "samd21")
    assert 2_000 < (tmp_path / "samd21.bin").stat().st_size < 16_384
