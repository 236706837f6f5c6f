"""Edges moved to the seal: by a plain reckoning of its own, live as in batch, and not where nothing is known."""

from __future__ import annotations

import random
from itertools import pairwise
from unittest import mock

import numpy as np
import pytest
from hypothesis import event, example, given, settings
from hypothesis import strategies as st

from fingering.table import standard_table
from fingerlead.faces.words import timing_sentence
from fingerlead.listening.listening import Listening
from fingerlead.ports.base import Chunk
from fingerlead.simulated.chanter import setup_for
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.script import write_script
from fingerlead.simulated.serve import wire_frames
from fingerlead.store.passage.stretch import cut
from fingerlead.timing.analysis import analyse
from fingerlead.timing.correction import REACH_US, corrected
from fingerlead.timing.live import LiveAnalysis
from fingerlead.timing.published import as_dict
from fingerlead.timing.results import KnownSeal, KnownSkew, Settings
from fingerlead.timing.timeline import timing_for, timing_of
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import NO_SLOPES, Doubt, Record, Slopes
from fingerlead.wire.messages import CAN_SLOPES, Hello

TABLE = standard_table()
SEEDS = st.integers(0, 2**32 - 1)
SCAN_US = 1_000
FAR = KnownSeal(tuple(range(20, 180, 20)), tuple(range(150, -10, -20)))


def slopes_of(rows) -> Slopes:
    t_us, hole, rise = np.array(rows, dtype=np.int64).reshape(-1, 3).T
    return Slopes(t_us, hole.astype(np.uint8), rise.astype(np.uint16), np.zeros(len(rise), dtype=np.uint16))


def timing(seal, slopes=True):
    return timing_for("chanter", SCAN_US, raw_bits=10, slopes=slopes, seal=seal)


@st.composite
def moving(draw):
    """Masks over time, several fingers at once now and then, and slopes of some moves and of none."""
    states, slopes, mask, t_us = [(0, 0)], [], 0, 0
    for _ in range(draw(st.integers(0, 25))):
        t_us += draw(st.sampled_from([1_000, 2_000, 3_000, 7_000, 60_000]))
        moved = draw(st.sampled_from([1, 2, 4, 128, 3, 6]))
        mask ^= moved
        states.append((t_us, mask))
        for hole in range(8):
            if moved >> hole & 1 and draw(st.booleans()):
                slopes.append((t_us, hole, draw(st.sampled_from([0, 1, 20, 100, 900]))))
        if draw(st.booleans()):
            slopes.append((t_us, draw(st.integers(0, 7)), 50))  # of no move, unless the hole has just moved
    return states, list({(t, hole): (t, hole, rise) for t, hole, rise in reversed(slopes)}.values())


def plain(states, slopes, seal):
    """When each hole sealed or opened, hole by hole and move by move."""
    rises = {(t_us, hole): rise for t_us, hole, rise in slopes}
    out = []
    for hole in range(8):
        moves = [(t, mask >> hole & 1) for (_, old), (t, mask) in pairwise(states) if (old ^ mask) >> hole & 1]
        times = [states[0][0], *(t for t, _ in moves), None]
        for at, (t_us, covers) in enumerate(moves, 1):
            late, rise = SCAN_US / 2, rises.get((t_us, hole), 0)
            if rise > 0:
                late += 1_000 * (seal.cover_raw if covers else seal.lift_raw)[hole] / rise
            moved = t_us - round(max(-REACH_US, min(REACH_US, late)))
            least = t_us - (t_us - times[at - 1] - 1) // 2
            most = t_us + REACH_US if times[at + 1] is None else t_us + (times[at + 1] - t_us - 1) // 2
            out.append((max(least, min(most, moved)), hole))
    return sorted(out)


@pytest.mark.slow
@settings(max_examples=200, deadline=None)
@given(moving(), st.sampled_from([FAR, KnownSeal((-300,) * 8, (-20,) * 8)]))
def test_each_move_is_where_plain_arithmetic_puts_it(played, seal):
    states, slopes = played
    edge_us = np.array([*(t for t, _ in states), states[-1][0] + 5_000], dtype=np.int64)
    covered = np.array([mask for _, mask in states], dtype=np.uint8)
    at_us, masks, told = corrected(edge_us, covered, slopes_of(slopes), timing(seal))
    moves = [
        (t, hole)
        for (old, t, new) in zip(masks[:-1].tolist(), at_us[1:-1].tolist(), masks[1:].tolist(), strict=True)
        for hole in range(8)
        if (old ^ new) >> hole & 1
    ]
    assert moves == plain(states, slopes, seal)
    assert (np.diff(at_us[:-1]) > 0).all()
    assert at_us[-1] >= at_us[-2]
    assert masks[-1] == covered[-1]
    assert set(zip(told.t_us.tolist(), told.hole.tolist(), strict=True)) <= set(moves)
    before = [hole for (_, old), (_, new) in pairwise(states) for hole in range(8) if (old ^ new) >> hole & 1]
    event(f"fingers change places: {before != [hole for _, hole in moves]}")


def test_a_finger_whose_level_lies_far_beyond_its_seal_was_first_all_the_same():
    """The top ring crosses 1 ms after the top middle, but at a slope that puts its seal 4 ms earlier."""
    states = [(0, 0xFF), (500_000, 0xFB), (501_000, 0xF3), (900_000, 0xFF)]
    columns = np.array(states, dtype=np.int64).T
    slopes = slopes_of([(500_000, 2, 200), (501_000, 3, 20)])
    hello = Hello(abilities=CAN_SLOPES, raw_bits=10)
    record = Record(columns[0], columns[1].astype(np.uint8), 1_500_000, scan_us=1_000, hello=hello, slopes=slopes)
    seal = KnownSeal((70,) * 8, (70,) * 8)
    [as_sent, *_], [at_seal, *_] = (
        analyse(record, TABLE, timing_of(record, "wire", seal=known)).changes for known in (KnownSeal(), seal)
    )
    assert [(f.finger, f.after_start_us) for f in as_sent.fingers] == [(2, 0), (3, 1_000)]
    assert [(f.finger, f.after_start_us) for f in at_seal.fingers] == [(3, 0), (2, 2_150)]
    assert at_seal.start_us == 501_000 - 500 - 3_500
    assert [mask for _, mask in at_seal.edges] == [0xF7, 0xF3]
    assert record.t_us.tolist() == columns[0].tolist()


MADE = "2026-11-05T18:30:00+00:00"


@pytest.mark.parametrize(
    ("seal", "rises", "corrected"),
    [
        (FAR, (200, 20), ("all", 2, None, "none")),
        (FAR._replace(made=MADE, heights="front holes"), (200, 20), ("all", 2, MADE, "front holes")),
        (FAR._replace(made=MADE, heights="all holes"), (200,), ("with slopes", 1, MADE, "all holes")),
        (FAR, (0, 20), ("with slopes", 1, None, "none")),
        (FAR._replace(heights="all holes"), (), ("none", 0, None, "none")),
        (KnownSeal(), (200, 20), ("none", 0, None, "none")),
        (None, (200, 20), ("none", 0, None, "none")),
    ],
)
def test_the_json_and_the_words_say_which_edges_were_moved_and_by_what_calibration(seal, rises, corrected):
    edge_us, covered = np.array([0, 500_000, 501_000]), np.array([0xFF, 0xFB, 0xF3], dtype=np.uint8)
    slopes = slopes_of([(500_000 + 1_000 * at, 2 + at, rise) for at, rise in enumerate(rises)])
    hello = Hello(abilities=CAN_SLOPES, raw_bits=10)
    record = Record(edge_us, covered, 1_500_000, scan_us=1_000, hello=hello, slopes=slopes)
    analysis = analyse(record, TABLE, timing_of(record, "wire", seal=seal))
    which, moves, made, heights = corrected
    assert as_dict(analysis, "wire", "it")["timing"]["corrected"] == {
        "edges": which, "moves": moves, "of": 2, "calibrated": made, "heights": heights,
    }  # fmt: skip
    said = timing_sentence(analysis.timing, analysis.moved)
    assert {"all": "All are moved", "with slopes": "the 1 with a slope", "none": "None is moved"}[which] in said
    assert ("5 November 2026" in said) == (made is not None)
    assert ("not of the thumb's" in said, "of all eight" in said) == (heights == "front holes", heights == "all holes")


def test_with_a_skew_that_is_given_nothing_is_moved():
    columns = np.array([(0, 0xFF), (500_000, 0xFB)], dtype=np.int64).T
    hello = Hello(abilities=CAN_SLOPES, raw_bits=10)
    slopes = slopes_of([(500_000, 2, 200)])
    record = Record(columns[0], columns[1].astype(np.uint8), 1_500_000, scan_us=1_000, hello=hello, slopes=slopes)
    analysis = analyse(record, TABLE, timing_of(record, "wire", KnownSkew(900), seal=FAR))
    assert analysis.edge_us.tolist() == [0, 500_000, 1_500_000]
    assert as_dict(analysis, "wire", "it")["timing"]["corrected"]["edges"] == "none"
    assert analysis.timing.uncertainty_us == 2 * 1_000 + 900


@pytest.mark.parametrize(
    ("seal", "slopes"), [(None, True), (KnownSeal(), True), (FAR, False)], ids=["no levels", "no sizes", "no ability"]
)
def test_where_nothing_is_known_nothing_is_moved(seal, slopes):
    edge_us, covered = np.array([0, 10_000, 20_000]), np.array([0, 1], dtype=np.uint8)
    at_us, masks, _ = corrected(edge_us, covered, slopes_of([(10_000, 0, 50)]), timing(seal, slopes))
    assert (at_us.tolist(), masks.tolist()) == (edge_us.tolist(), covered.tolist())


def frames_of(seed, changes=12, gone=()):
    pupil = SimulatedPupil(travel_us=30_000, scatter_us=(8_000,) * 8, slow=0.2)
    performance = perform(pupil, write_script(pupil, seed, changes=changes), seed)
    return [frame for at, (_, frame) in enumerate(wire_frames(performance, setup_for(seed))) if at not in gone]


@given(SEEDS, st.integers(1, 60), st.lists(st.integers(10, 200), max_size=2))
@settings(max_examples=10, deadline=None)
def test_edges_are_moved_alike_live_and_in_batch(seed, size, gone):
    data = b"".join(frames_of(seed, gone=gone))
    listening = Listening(TABLE, lambda what, timing: None)
    with mock.patch("fingerlead.listening.recording.seal_of", return_value=FAR):
        for start in range(0, len(data), size):
            listening.take(Chunk(data[start : start + size], start), "stream")
            listening.idle()
    listening.close()
    record = read_record(data)
    batch, as_sent = (analyse(record, TABLE, timing_of(record, "wire", seal=seal)) for seal in (FAR, KnownSeal()))
    live = listening.analysis()
    assert live.changes == batch.changes
    assert (live.edge_us.tolist(), live.covered.tolist()) == (batch.edge_us.tolist(), batch.covered.tolist())
    assert live.timing == batch.timing
    moved_us = [one.start_us - other.start_us for one, other in zip(batch.changes, as_sent.changes, strict=False)]
    assert min(moved_us) < -SCAN_US


def test_what_touched_a_doubt_still_does():
    record = read_record(b"".join(frames_of(7)))
    first = analyse(record, TABLE, timing_of(record, "wire")).changes[3]
    # Lost just after the last finger, which its seal puts earlier.
    record.doubts.append(Doubt(first.end_us, first.end_us, "lost", 1))
    for seal in (KnownSeal(), FAR):
        verdicts = [one.verdict for one in analyse(record, TABLE, timing_of(record, "wire", seal=seal)).changes]
        assert verdicts[3] == "uncertain"


def test_a_passage_has_its_edges_where_the_session_has_them():
    record = read_record(b"".join(frames_of(11, changes=25)))
    analysis = analyse(record, TABLE, timing_of(record, "wire", seal=FAR))
    passage = cut(analysis, 5, 9)
    theirs = passage.analysis().changes
    ours = analysis.changes[5:10]
    assert [(c.lead, c.spread_us, c.fingers, c.verdict) for c in theirs] == [
        (c.lead, c.spread_us, c.fingers, c.verdict) for c in ours
    ]
    assert len({finger.uncertainty_us for change in theirs for finger in change.fingers}) > 4


def test_without_slopes_half_a_scan_is_all_that_is_taken_off():
    edge_us, covered = np.array([0, 10_000, 20_000, 90_000]), np.array([0, 1, 3], dtype=np.uint8)
    assert corrected(edge_us, covered, NO_SLOPES, timing(FAR))[0].tolist() == [0, 9_500, 19_500, 90_000]


@pytest.mark.slow
@given(SEEDS)
@example(1)
@example(42)
@settings(max_examples=3, deadline=None)
def test_slopes_that_come_after_their_edges_count_alike_in_a_run_that_never_rests(seed):
    """Notes of 3 to 90 ms, so that the live reading settles while fingers move; a slope comes 6 to 20 ms late."""
    chance = random.Random(seed)
    states, slopes, t_us = [(0, 0xFF)], [], 0
    for _ in range(60):
        t_us = states[-1][0] + chance.choice([3_000, 12_000, 20_000, 45_000, 90_000])
        at_us, target = t_us, TABLE.standard[chance.randrange(9)]
        for hole in chance.sample(range(8), 8):
            if (states[-1][1] ^ target) >> hole & 1:
                states.append((at_us, states[-1][1] ^ 1 << hole))
                slopes.append((at_us, hole, chance.choice([10, 40, 150])))
                at_us += chance.choice([1_000, 2_000])
    end_us = t_us + 200_000
    hello = Hello(abilities=CAN_SLOPES, raw_bits=10)
    columns = np.array(states, dtype=np.int64).T
    record = Record(
        columns[0], columns[1].astype(np.uint8), end_us, scan_us=SCAN_US, hello=hello, slopes=slopes_of(slopes)
    )
    live = LiveAnalysis(TABLE, Settings(), lambda told: None)
    live.scan(SCAN_US, 10, slopes=True)
    live.skew(None, FAR)
    coming = [(slope[0] + chance.randrange(6_000, 20_000), slope) for slope in slopes]
    for _, what in sorted([*((t, (t, mask)) for t, mask in states), *coming]):
        live.slope(*what, 0) if len(what) == 3 else live.state(*what)
        live.idle()
    live.close(end_us)
    batch = analyse(record, TABLE, timing_of(record, "wire", seal=FAR))
    assert live.analysis().changes == batch.changes
    assert live.analysis().edge_us.tolist() == batch.edge_us.tolist()
