from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead.simulated import chanter, play, script
from fingerlead.simulated import scenario as pupil_file
from fingerlead.wire import messages as wire
from fingerlead.wire.carriers import StreamReader, carry, new_reader, to_stream
from fingerlead.wire.link import ChanterLink
from fingerlead.workbench.bring_up import HELD_US, BringUp
from fingerlead.workbench.selftest import SelfTest, longest_gap_us, scans, trips

STEP_US = 5_000
DELAY_US = 700


class Line:
    """A chanter at the end of a line: `broken` changes the frames it sends, `deaf` the bytes it hears."""

    def __init__(self, broken=None, deaf=None, drift_ppm=0.0, **setup):
        pupil = pupil_file.load_scenario("mixed").pupil
        performance = play.perform(pupil, script.write_script(pupil, 3, for_us=60_000_000), 3)
        self.chanter = chanter.Chanter(performance, chanter.setup_for(3, **setup))
        self.broken, self.deaf, self.drift = broken, deaf, drift_ppm
        self.reader = StreamReader()

    def chanter_us(self, now_us: int) -> int:
        return round(now_us * (1 + self.drift / 1e6))

    def due(self, now_us: int) -> bytes:
        return self._sent(self.chanter.due(self.chanter_us(now_us)))

    def hear(self, data: bytes, now_us: int) -> bytes:
        data = self.deaf(data) if self.deaf else data
        return self._sent(self.chanter.receive(data, self.chanter_us(now_us)))

    def _sent(self, data: bytes) -> bytes:
        if self.broken is None:
            return data
        out = b""
        for payload in self.reader.feed(data):
            for changed in self.broken(bytes(payload)):
                out += to_stream(changed)
        return out


def examined(line: Line, watch_us: int = 3_000_000, restart: bool = False) -> SelfTest:
    test = SelfTest("stream", watch_us, restart)
    now_us = 100_000
    asked = test.begin(now_us)
    while not test.done:
        assert now_us < 60_000_000
        back = line.hear(asked, now_us + DELAY_US // 2) if asked else b""
        asked = test.hear(back, now_us + DELAY_US) if back else b""
        now_us += STEP_US
        asked += test.hear(line.due(now_us), now_us)
    return test


def bad(test: SelfTest) -> set[str]:
    return {trial.what for trial in test.trials if trial.verdict == "bad"}


def not_good(test: SelfTest) -> dict[str, str]:
    return {trial.what: trial.verdict for trial in test.trials if trial.verdict != "good"}


@pytest.mark.parametrize("scan_us", [500, 1_000, 2_000])
def test_the_simulated_chanter_passes_everything(scan_us):
    test = examined(Line(scan_us=scan_us), restart=True)
    assert bad(test) == set()
    assert test.good
    assert not_good(test) == {"time wrap": "not seen"}


def test_drift_and_round_trips_are_measured():
    test = examined(Line(drift_ppm=50), watch_us=20_000_000)
    assert test.trips.median_us == DELAY_US
    # The fit speaks of the host's clock against the chanter's.
    assert test.fit.drift_ppm == pytest.approx(-50, abs=20)


def answers(status: int, to: int):
    """A chanter that answers requests of one number of its own with another status."""

    def broken(payload: bytes):
        if payload[0] == 0x04 and payload[1] == to:
            return [bytes([0x04, to, status])]
        return [payload]

    return broken


def dropping(every: int):
    seen = [0]

    def broken(payload: bytes):
        seen[0] += payload[0] == 0x02
        return [] if payload[0] == 0x02 and seen[0] % every == 0 else [payload]

    return broken


def without(kind: int):
    return lambda payload: [] if payload[0] == kind else [payload]


def changed_holes_only():
    last, number = [None], [0]

    def broken(payload: bytes):
        if payload[0] != 0x02:
            return [payload]
        news, last[0] = payload[-1] != last[0], payload[-1]
        number[0] += news
        return [payload[:1] + number[0].to_bytes(2, "little") + payload[3:]] if news else []

    return broken


def jittering():
    count = [0]

    def broken(payload: bytes):
        if payload[0] != 0x03:
            return [payload]
        count[0] += 1
        ticks = int.from_bytes(payload[3:7], "little") + (700 if count[0] % 10 == 0 else 0)
        return [payload[:3] + (ticks & 0xFFFFFFFF).to_bytes(4, "little") + payload[7:]]

    return broken


def crossed_over(payload: bytes):
    """Its own levels cross over: so it answers a request for them."""
    return [payload[:3] + bytes([0, 1, 0, 2] * 8)] if payload[0] == 0x04 and len(payload) == 35 else [payload]


def older_protocol(payload: bytes):
    return [payload[:1] + b"\x02" + payload[2:]] if payload[0] == 0x01 else [payload]


@pytest.mark.parametrize(
    ("broken", "found"),
    [
        (answers(0, 251), {"thresholds crossed over", "unknown request"}),
        (dropping(20), {"loss"}),
        (changed_holes_only(), {"heartbeats"}),
        (jittering(), {"scans"}),
        (older_protocol, {"version"}),
        (crossed_over, {"thresholds"}),
        (without(0x01), {"hello"}),
        (without(0x03), {"raw samples come"}),
    ],
)
def test_what_a_chanter_does_wrong_is_named(broken, found):
    test = examined(Line(broken))
    assert found <= bad(test)
    assert not test.good


def test_a_chanter_that_is_struck_dumb_by_garbage_is_named():
    gone = [False]

    def deaf(data: bytes) -> bytes:
        gone[0] |= bytes(range(1, 256)) in data
        return b"" if gone[0] else data

    assert {"garbage", "clock"} <= bad(examined(Line(deaf=deaf)))


def test_a_chanter_without_raw_samples_is_not_blamed():
    def plain(payload: bytes):
        if payload[0] == 0x01:
            hello = wire.decode(payload)
            return [payload[:14] + bytes([hello.abilities & ~wire.CAN_RAW]) + payload[15:]]
        return [] if payload[0] == 0x03 else [payload]

    test = examined(Line(plain))
    assert wire.CAN_RAW & ~test.link.hello.abilities
    assert bad(test) == set()
    assert not_good(test) == {"stream raw": "not able", "scans": "not seen", "time wrap": "not seen"}


def test_a_clock_that_wraps_while_it_is_watched_is_seen_and_else_it_is_said_when():
    test = examined(Line(ticks_start=2**32 - 6_000_000), watch_us=8_000_000)
    assert not_good(test) == {}
    test = examined(Line(ticks_start=2**32 - 600_000_000))
    found = next(trial for trial in test.trials if trial.what == "time wrap")
    assert found.verdict == "not seen"
    assert re.search(r"in 9\.\d minutes: --for 6\d\d would see it", found.sentence)


def test_a_chanter_that_starts_anew_while_it_is_watched_is_reported():
    line = Line()
    watched = [0]

    def deaf(data: bytes) -> bytes:
        watched[0] += sum(item[0] == 0x86 for item in new_reader("stream").feed(data) if isinstance(item, bytes))
        if watched[0] != 5:
            return data
        watched[0] += 1
        return data + carry(wire.encode(wire.Restart(200)), "stream")

    line.deaf = deaf
    test = examined(line)
    assert "stays on" in bad(test)
    assert not_good(test)["time wrap"] == "not seen"


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(1, 5_000), min_size=1, max_size=200))
def test_steps_are_all_in_the_histogram_of_an_even_chanter(steps):
    stamps = [sum(steps[:n]) for n in range(len(steps) + 1)]
    found = scans(stamps, 1_000)
    assert (found.count, found.shortest_us, found.longest_us) == (len(steps), min(steps), max(steps))
    assert sum(count for _, count in found.histogram) <= len(steps)
    assert longest_gap_us(stamps) == max(steps)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(0, 100_000), min_size=1, max_size=300))
def test_percentiles_are_numpys_nearest_rank(values):
    np = pytest.importorskip("numpy")
    found = trips(values)
    for share, told in ((50, found.median_us), (99, found.p99_us)):
        assert told == np.percentile(values, share, method="inverted_cdf")


def test_nothing_seen_is_nothing_told():
    assert scans([], 1_000) is scans([5], 1_000) is None
    assert trips([]) is None


def holes_frames(masks, step_us: int = 50_000, start_us: int = 0) -> list[tuple[bytes, int]]:
    link = ChanterLink()
    frames = []
    for number, mask in enumerate(masks):
        at_us = start_us + number * step_us
        frames.append((link.send(wire.Holes(number, at_us, mask)), at_us))
    return frames


def test_a_board_is_brought_up_hole_by_hole_and_swapped_wires_are_named():
    wired = [0, 1, 3, 2, 4, 5, 6, 7]  # top middle and top ring swapped
    held = HELD_US // 50_000 + 2
    masks = [mask for hole in range(8) for mask in [0, *[1 << wired[hole]] * held, 0]]
    board = BringUp("stream")
    board.begin(0)
    for data, at_us in holes_frames(masks):
        board.hear(data, at_us)
    assert board.hole is None
    assert board.answered == wired
    told = board.trials()
    assert [trial.verdict for trial in told[:3]] == ["good", "good", "bad"]
    assert told[2].what == "top middle"
    assert told[2].sentence == "the top ring answered: swap their wires, or their channels in the firmware"


def test_a_hole_that_never_answers_is_passed_over_in_time():
    board = BringUp("stream")
    board.begin(0)
    for data, at_us in holes_frames([0] * 3_000, 60_000):
        board.hear(data, at_us)
        if board.hole is None:
            break
    assert board.answered == [None] * 8
    assert all(trial.verdict == "bad" and "nothing answered" in trial.sentence for trial in board.trials())


def test_a_brush_of_a_finger_is_no_answer():
    board = BringUp("stream")
    board.begin(0)
    for data, at_us in holes_frames([0, 1, 0, 1, 3, 1, 0] * 5):
        board.hear(data, at_us)
    assert board.answered == []


def test_a_hole_that_never_opens_is_named_and_hides_no_other():
    stuck = 3
    masks = []
    for hole in range(8):
        alone = [1 << stuck | 1 << hole] * 10
        # A hole that is covered already cannot be shown: patience ends.
        masks += [1 << stuck] * 10 + (alone if hole != stuck else [1 << stuck] * 410)
    board = BringUp("stream")
    board.begin(0)
    for data, at_us in holes_frames([*masks, 1 << stuck]):
        board.hear(data, at_us)
    told = board.trials()
    assert "covered all the time" in told[stuck].sentence
    assert [trial.verdict == "good" for trial in told] == [hole != stuck for hole in range(8)]
