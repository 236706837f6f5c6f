"""The slopes that the chanter tells with its edges, against numpy's own straight line through its raw frames."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fingering.holes import HOLES
from fingerlead.wire import messages as m
from fingerlead.wire.carriers import to_stream
from hardware_notes.firmware import scripts
from hardware_notes.firmware.scripts import Script
from tests.firmware.firmware_tools import Played, needs, sizes_of

Player = Callable[..., Played]
SCAN_US, WINDOW_US = 500, 4_000
STREAM_ALL = to_stream(m.encode(m.Stream(1, m.STREAM_BOTH, 2_000)))


def swings(edges: list[tuple[int, int, int]], noise: int, seed: int, end_us: int) -> Script:
    """Fingers that each go from open to covered or back, evenly, from a time on for so long: (hole, µs, µs)."""
    rng = np.random.default_rng(seed)
    t_us = np.arange(0, end_us, SCAN_US)
    samples = np.full((len(t_us), HOLES), 100.0)
    covered = [False] * HOLES
    for hole, start_us, travel_us in edges:
        share = np.clip((t_us - start_us) / travel_us, 0, 1)
        samples[:, hole] += (-800 if covered[hole] else 800) * share
        covered[hole] = not covered[hole]
    samples += rng.integers(-noise, noise + 1, samples.shape)
    script = Script()
    script.host_says(0, STREAM_ALL)
    for at_us, row in zip(t_us.tolist(), samples.astype(int).tolist(), strict=True):
        script.samples(at_us, row)
    script.happens(end_us, scripts.END)
    return script


def edges_of(messages: list[m.Message]) -> dict[tuple[int, int], bool]:
    """(time, hole) of each edge of the holes frames, and whether it covers."""
    found, mask = {}, None
    for message in messages:
        if isinstance(message, m.Holes):
            for hole in range(HOLES):
                if mask is not None and (mask ^ message.covered_mask) >> hole & 1:
                    found[message.ticks32, hole] = bool(message.covered_mask >> hole & 1)
            mask = message.covered_mask
    return found


EDGES = st.lists(
    st.tuples(st.integers(0, HOLES - 1), st.integers(0, 12), st.sampled_from((0, 3, 12, 30, 100))),
    min_size=1,
    max_size=12,
)


@given(EDGES, st.integers(0, 15), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_edge_has_the_slope_of_the_samples_around_it(
    play: Player, storage: Path, plan: list[tuple[int, int, int]], noise: int, seed: int
) -> None:
    storage.write_bytes(b"\xff" * 96)
    at_us, edges = 20_000, []
    for hole, wait_ms, travel_ms in plan:
        at_us += 1_000 * wait_ms
        free_us = max((start + long + 10_000 for which, start, long in edges if which == hole), default=0)
        edges.append((hole, max(at_us, free_us), 1_000 * travel_ms + 1))
    script = swings(edges, noise, seed, max(start + long for _, start, long in edges) + 40_000)
    messages = play(script.as_bytes()).messages()
    raw = [message for message in messages if isinstance(message, m.Raw)]
    t_us, samples = np.array([each.ticks32 for each in raw]), np.array([each.samples for each in raw])
    slopes = [message for message in messages if isinstance(message, m.Slope)]
    found = edges_of(messages)
    # In the order of their times, each numbered, each behind its holes frame, one for each edge.
    assert [slope.sequence for slope in slopes] == list(range(len(slopes)))
    assert [slope.ticks32 for slope in slopes] == sorted(slope.ticks32 for slope in slopes)
    assert {(slope.ticks32, slope.hole) for slope in slopes} == found.keys()
    assert len(found) == len(edges) == len(slopes)
    for slope in slopes:
        assert any(
            isinstance(before, m.Holes) and before.ticks32 == slope.ticks32
            for before in messages[: messages.index(slope)]
        )
        near = np.abs(t_us - slope.ticks32) <= WINDOW_US + 50
        rise = np.polyfit((t_us[near] - slope.ticks32) / 1_000, samples[near, slope.hole], 1)[0]
        rise = max(rise if found[slope.ticks32, slope.hole] else -rise, 0)
        assert near.sum() == 17
        # The scans lie 5 µs or so beside their times on the counted clock.
        assert abs(slope.rise_raw - rise) <= 0.5 + 0.02 * rise + 0.2 * noise
        assert slope.level_raw == samples[t_us == slope.ticks32, slope.hole][0]


def test_where_there_are_fewer_scans_before_the_crossing_fewer_count(play: Player) -> None:
    # The first edge comes three scans after the start: three count on either side, of a ramp of 100 counts in 500 µs.
    script = Script()
    for scan in range(20):
        script.samples(scan * SCAN_US, [min(200 + 100 * scan, 1_000)] * HOLES)
    script.happens(30_000, scripts.END)
    slopes = [message for message in play(script.as_bytes()).messages() if isinstance(message, m.Slope)]
    assert [slope.hole for slope in slopes] == list(range(HOLES))
    assert {slope.rise_raw for slope in slopes} == {200}
    assert len({slope.ticks32 for slope in slopes}) == 1


def test_a_window_with_a_missed_scan_has_no_slope_and_the_next_edge_has_one(play: Player) -> None:
    edges = [(3, 20_000, 12_001), (3, 60_000, 12_001)]
    script = swings(edges, 0, 1, 100_000)
    script.happens(28_000, scripts.OVERSLEEP, 1_200)
    messages = play(script.as_bytes()).messages()
    (slope,) = [message for message in messages if isinstance(message, m.Slope)]
    assert len(edges_of(messages)) == 2
    assert (slope.ticks32, slope.hole) == max(edges_of(messages))
    assert slope.rise_raw == pytest.approx(800 / 12, abs=1)


def test_a_hole_that_goes_back_before_its_edge_is_real_has_no_slope(play: Player) -> None:
    script = Script()
    script.host_says(0, STREAM_ALL)
    script.mask(0, 0)
    script.mask(20_000, 8)
    script.mask(21_500, 0)
    script.happens(60_000, scripts.END)
    messages = play(script.as_bytes()).messages()
    assert edges_of(messages) == {}
    assert not any(isinstance(message, m.Slope) for message in messages)


def test_slopes_stream_with_holes_and_not_without(play: Player) -> None:
    for what, many in ((m.STREAM_NOTHING, 0), (m.STREAM_RAW, 0), (m.STREAM_HOLES, 1), (m.STREAM_BOTH, 1)):
        script = Script()
        script.host_says(0, to_stream(m.encode(m.Stream(1, what, 100))))
        script.mask(0, 0)
        script.mask(20_000, 8)
        script.happens(60_000, scripts.END)
        messages = play(script.as_bytes()).messages()
        assert sum(isinstance(message, m.Slope) for message in messages) == many


def test_the_ability_takes_at_most_200_bytes_of_memory_and_1_kib_of_flash(tmp_path: Path) -> None:
    """Its module and what is made for it elsewhere: a number in the chanter, a message, a call at each scan."""
    needs("arm-none-eabi-gcc")
    flash, memory = sizes_of(tmp_path, "slopes")
    # The rest is about 200 bytes of flash, and a sequence number.
    assert 100 < flash <= 1_024 - 200
    assert 100 < memory + 2 <= 200
