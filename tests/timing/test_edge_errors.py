"""Edges with an uncertainty each: leads and strays by them, in plain words; slopes live and in batch."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fingering.table import standard_table
from fingerlead.listening.listening import Listening
from fingerlead.ports.base import Chunk
from fingerlead.simulated.chanter import setup_for
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.script import write_script
from fingerlead.simulated.serve import wire_bytes, wire_frames
from fingerlead.timing.analysis import analyse
from fingerlead.timing.edge_errors import errors_for
from fingerlead.timing.mended import between_us
from fingerlead.timing.results import KnownSkew
from fingerlead.timing.timeline import timing_for, timing_of
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import NO_SLOPES, Record, Slopes

TABLE = standard_table()
SEEDS = st.integers(0, 2**32 - 1)


def playing(seed: int, travel_us: int, scatter_us: int = 8_000, changes: int = 25):
    pupil = SimulatedPupil(travel_us=travel_us, scatter_us=(scatter_us,) * 8, slow=0.2)
    return perform(pupil, write_script(pupil, seed, changes=changes), seed)


def analysis_of(record: Record, **how):
    return analyse(record, TABLE, timing_of(record, "wire", **how))


# An edge's own error is worked out here from whole microseconds: it comes from the difference of two squares that are
# nearly alike where most of the error is common, so that half a microsecond in each counts several times over.
ROUNDING_US = 8


@given(SEEDS, st.sampled_from([12_000, 30_000, 100_000]), st.booleans())
@settings(max_examples=12, deadline=None)
@example(1536, 100_000, True)
def test_a_lead_is_further_ahead_of_each_finger_than_these_two_edges_are_uncertain(seed, travel_us, told):
    record = read_record(wire_bytes(playing(seed, travel_us), setup_for(seed)))
    if not told:
        record.slopes = NO_SLOPES
    analysis = analysis_of(record)
    for change in analysis.changes:
        first, *others = change.fingers
        clear = all(
            other.after_start_us - first.after_start_us
            >= max(1, between_us(change, first.finger, other.finger, analysis.timing) + ROUNDING_US)
            for other in others
        )
        # Between the two, rounding decides.
        surely_not = any(
            other.after_start_us - first.after_start_us
            < between_us(change, first.finger, other.finger, analysis.timing) - ROUNDING_US
            for other in others
        )
        if change.verdict in ("clean", "apart", "stray"):
            assert change.lead == first.finger if clear else True
            assert change.lead is None if surely_not else True


@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 7), st.integers(1, 900)), unique_by=lambda row: row[:2]),
    st.integers(0, 40),
    st.integers(0, 40),
)
def test_what_is_said_of_a_span_changes_where_the_slope_of_an_edge_in_it_does(rows, one, other):
    start_us, end_us = sorted((one, other))
    timing = timing_for("chanter", 1_000, raw_bits=10, slopes=True)

    def errors(rows):
        columns = np.array(rows, dtype=np.int64).reshape(-1, 3).T
        return errors_for(timing, Slopes(*columns, np.zeros(len(rows))))

    inside = [row for row in rows if start_us <= row[0] <= end_us]
    said = errors(rows).between(start_us, end_us)
    assert errors(inside).between(start_us, end_us) == said
    for row in inside:
        steeper = [(*row[:2], row[2] + 1), *(each for each in inside if each != row)]
        assert errors(steeper).between(start_us, end_us) != said
        assert errors([each for each in inside if each != row]).between(start_us, end_us) != said


def test_a_slow_finger_is_told_as_less_certain_than_a_quick_one():
    sizes = []
    for travel_us in (12_000, 30_000, 100_000, 250_000):
        analysis = analysis_of(read_record(wire_bytes(playing(3, travel_us, 1_000), setup_for(3))))
        sizes.append(np.median([f.uncertainty_us for change in analysis.changes for f in change.fingers]))
    assert all(quicker < slower for quicker, slower in pairwise(sizes))
    assert sizes[-1] > 2 * sizes[0]


@given(SEEDS, st.integers(1, 60))
@settings(max_examples=8, deadline=None)
def test_slopes_count_alike_live_and_in_batch(seed, size):
    performance, setup = playing(seed, 30_000, changes=12), setup_for(seed)
    data = wire_bytes(performance, setup)
    told = []
    listening = Listening(TABLE, lambda what, timing: told.append(what))
    for start in range(0, len(data), size):
        listening.take(Chunk(data[start : start + size], start), "stream")
        listening.idle()
    listening.close()
    batch = analysis_of(read_record(data))
    assert listening.analysis().changes == batch.changes
    assert listening.analysis().timing == batch.timing
    assert len({f.uncertainty_us for change in batch.changes for f in change.fingers}) > 4


def test_a_measured_skew_makes_nothing_narrower_and_a_given_one_counts_for_every_pair():
    record = read_record(wire_bytes(playing(5, 30_000), setup_for(5)))
    assumed_, measured, given_ = (
        analysis_of(record, skew=skew) for skew in (None, KnownSkew(500, "measured"), KnownSkew(500))
    )
    assert measured.changes == assumed_.changes
    assert (measured.timing.skew_us, measured.timing.skew) == (500, "measured")
    assert {f.uncertainty_us for change in given_.changes for f in change.fingers} == {given_.timing.uncertainty_us}
    assert given_.timing.uncertainty_us == 2 * record.scan_us + 500


def test_frames_of_slopes_that_got_lost_only_widen():
    performance, setup = playing(4, 30_000), setup_for(4)
    frames = [frame for _, frame in wire_frames(performance, setup)]
    whole = analysis_of(read_record(b"".join(frames)))
    bare = analysis_of(read_record(b"".join(frame for frame in frames if len(frame) != 16)))
    pairs = [
        (f.uncertainty_us, g.uncertainty_us)
        for one, other in zip(whole.changes, bare.changes, strict=True)
        for f, g in zip(one.fingers, other.fingers, strict=True)
    ]
    assert all(narrow < wide for narrow, wide in pairs)
    assert bare.record.intake.lost_frames == 0
