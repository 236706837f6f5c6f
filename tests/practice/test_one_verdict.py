"""One verdict: what the practice page counts is what the session that it keeps says, for players of every kind."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from fingerlead import library
from fingerlead.practice import events, inbox
from fingerlead.practice.passing import outcome_of
from fingerlead.practice.practice import Practice
from fingerlead.store.practice_log import open_progress
from fingerlead.wire.link import ChanterLink
from fingerlead.wire.messages import Hello, Holes
from tests.practice.session_tools import TABLE, SessionByHand, standing
from tests.reading.hands import Hands, Performance
from tests.reading.instrument import STANDARD
from tests.reading.players import beginner, run_player, sensed, together_player

HEARTBEAT_US = 100_000
Counts = dict[tuple[int, int], tuple[int, int, int, int]]


def frames_of(performance: Performance, scan_us: int = 1_000) -> list[tuple[int, bytes]]:
    """What a chanter sends of a performance, as (time, bytes): a hello, each edge at its scan, and heartbeats."""
    link, frames = ChanterLink("stream"), []
    frames.append((0, link.send(Hello(device_id=b"invented", scan_rate_hz=1_000_000 // scan_us, name="i", boot=1))))
    states: list[tuple[int, int]] = []
    for (t_us, mask), (following_us, _) in pairwise([*performance.edges, (performance.end_us, 0)]):
        at_us = -(-t_us // scan_us) * scan_us
        states += [(beat_us, mask) for beat_us in range(at_us, max(following_us, at_us + 1), HEARTBEAT_US)]
    for sequence, (t_us, mask) in enumerate(dict(states).items()):
        frames.append((t_us, link.send(Holes(sequence & 0xFFFF, t_us, mask))))
    return frames


def practised(folder: Path, rung: str, performance: Performance) -> tuple[SessionByHand, Counts, Counts]:
    """A session of one who plays a rung; the counts of each change, as the page told them and as the file says."""
    by_hand = SessionByHand(folder, rung, open_progress(folder))
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    for t_us, data in frames_of(performance):
        by_hand.now_us = 1_000_000 + t_us
        by_hand.play(data)
    by_hand.actor.carry_out(inbox.Finish())
    (over,) = by_hand.of(events.Over)
    told = {(c.from_note, c.to_note): (c.tried, c.clean, c.stray, c.apart) for c in over.summary.changes}
    rows: dict[tuple[int, int], list[int]] = defaultdict(lambda: [0] * 4)
    for change in library.analyse(library.read(over.session)).changes:
        outcome = outcome_of(change, TABLE) if change.judged else "not counted"
        if outcome != "not counted":
            row = rows[change.from_note, change.to_note]
            row[0] += 1
            if outcome != "false fingering":
                row[("clean", "stray", "apart").index(outcome) + 1] += 1
    return by_hand, told, {change: tuple(row) for change, row in rows.items()}


def music_of(rung: str) -> list[int]:
    """The notes of a rung's music."""
    notes = Practice(TABLE, open_progress(Path("/nowhere")), SessionByHand().wall.date(), kept=False)
    notes.start(rung)
    return [note for note, _ in notes.snapshot().notes]


@pytest.mark.parametrize("run_us", [20_000, 40_000, 80_000, 120_000, 200_000, 300_000])
def test_a_run_of_any_length_is_named_on_the_page_and_in_the_file(tmp_path, run_us):
    by_hand, told, kept = practised(tmp_path, "low-g-b", sensed(run_player(0, 2, run_us, seed=1), 1))
    assert told == kept == {(0, 2): (8, 0, 8, 0), (2, 0): (7, 0, 7, 0)}
    assert by_hand.progress == open_progress(tmp_path)
    assert {judged.outcome for judged in standing(by_hand.told).values()} == {"stray"}
    assert not by_hand.of(events.Passed)


@pytest.mark.parametrize(("least_us", "most_us"), [(0, 12_000), (0, 40_000), (30_000, 60_000)])
def test_together_or_rolled_the_page_and_the_file_agree(tmp_path, least_us, most_us):
    music = music_of("low-g-c")[:60]
    _, told, kept = practised(tmp_path, "low-g-c", sensed(together_player(music, most_us, 2, least_us), 2))
    assert told == kept
    assert sum(tried for tried, *_ in told.values()) == len(music) - 1
    if most_us <= 12_000:
        assert all(tried == clean for tried, clean, _, _ in told.values())


@pytest.mark.parametrize("seed", range(4))
def test_a_beginner_is_told_the_same_by_the_page_and_by_the_file(tmp_path, seed):
    rung = ("low-g-b", "low-a-d", "b-e", "low-a-e")[seed]
    by_hand, told, kept = practised(tmp_path, rung, sensed(beginner(music_of(rung)[:60], seed), seed))
    assert told == kept
    assert told
    assert by_hand.progress == open_progress(tmp_path)


@pytest.mark.parametrize("seed", range(6))
def test_putting_the_chanter_down_and_taking_it_up_fills_no_record(tmp_path, seed):
    hands = Hands(Random(f"down {seed}"), STANDARD[0])
    hands.hold(0, 800_000, 0)
    for _ in range(4):
        hands.hold(0, 800_000, 0, off=hands.take_hands_off(0))
    _, told, kept = practised(tmp_path, "low-g-b", sensed(hands.finish([]), seed))
    assert told == kept == {}
    assert open_progress(tmp_path).weakest() == ()
