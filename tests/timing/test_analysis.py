"""The array analysis against the plain judge, and the properties any analysis of times must have."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.notes import NOTES
from fingering.table import standard_table
from fingerlead.timing.analysis import analyse
from fingerlead.timing.kernel import Rules, measure_in_pieces
from fingerlead.timing.live import LiveAnalysis
from fingerlead.timing.published import as_dict
from fingerlead.timing.results import Settings, Timing
from fingerlead.wire.events import Doubt, Record
from tests.timing.plain_judge import judge

TABLE = standard_table()
STANDARD = TABLE.standard
SETTINGS = Settings()
SKEWED = Timing("chanter", 5_000, 1_000, 3_000, "assumed")

# Long and short, and right at each limit.
STEPS = st.one_of(
    st.sampled_from([1, 4_999, 5_000, 9_999, 10_000, 39_999, 40_000, 79_999, 80_000, 100_000, 250_000, 260_000]),
    st.integers(1, 30_000),
    st.integers(60_000, 400_000),
)
MASKS = st.one_of(st.sampled_from(STANDARD), st.integers(0, 255))


@st.composite
def walks(draw):
    """Playing of a kind: standard notes reached finger by finger, with graces, wobbles, noise and hands off."""
    t_us, states = 0, [(0, draw(MASKS))]

    def go(mask, step_us):
        nonlocal t_us
        t_us += step_us
        states.append((t_us, mask))

    for _ in range(draw(st.integers(1, 12))):
        mask, target = states[-1][1], draw(MASKS)
        fingers = [f for f in range(8) if (mask ^ target) >> f & 1]
        order = draw(st.permutations(fingers)) if fingers else []
        together = draw(st.booleans())
        hold_us = draw(STEPS)
        for place, finger in enumerate(order):
            mask ^= 1 << finger
            if place == len(order) - 1 or not together or draw(st.booleans()):
                go(mask, hold_us if place == 0 else draw(STEPS) % 25_000 + 1)
        extra = draw(st.sampled_from(["", "", "", "wobble", "grace", "hands off", "repeat"]))
        finger = draw(st.integers(0, 7))
        if extra in ("wobble", "grace"):
            go(mask ^ 1 << finger, draw(STEPS))
            go(mask, draw(st.integers(1, 60_000)))
        elif extra == "hands off":
            go(0, draw(STEPS))
        elif extra == "repeat":
            go(mask, draw(STEPS))
    return states, t_us + draw(STEPS)


def record_of(states, end_us, doubts=()):
    t_us = np.array([t for t, _ in states], dtype=np.int64)
    covered = np.array([m for _, m in states], dtype=np.uint8)
    return Record(t_us, covered, end_us, [Doubt(s, e, "lost", 1) for s, e in doubts])


def told(analysis):
    held = [(h.note, h.covered_mask, h.start_us, h.end_us) for h in analysis.held]
    changes = [
        dict(
            from_note=c.from_note, to_note=c.to_note, from_mask=c.from_mask, to_mask=c.to_mask, start=c.start_us,
            spread=c.spread_us, lead=c.lead, fingers=[(f.finger, f.after_start_us) for f in c.fingers],
            strays=[(s.note, s.covered_mask, s.start_us, s.duration_us) for s in c.strays],
            slips=[(s.finger, s.start_us, s.duration_us) for s in c.slips], verdict=c.verdict,
        )
        for c in analysis.changes
    ]  # fmt: skip
    movements = [
        dict(name=o.name, on=o.on, notes=[(n.note, n.start_us, n.duration_us) for n in o.notes])
        for o in analysis.movements
    ]
    return held, changes, movements


@st.composite
def doubted_walks(draw):
    states, end_us = draw(walks())
    times = sorted({t for t, _ in states})
    doubts = [
        (times[i], times[i + 1])
        for i in draw(st.lists(st.integers(0, max(0, len(times) - 2)), max_size=2))
        if i + 1 < len(times)
    ]
    return states, end_us, doubts


@settings(max_examples=400, deadline=None)
@given(doubted_walks())
def test_arrays_and_plain_judge_agree(walk):
    states, end_us, doubts = walk
    analysis = analyse(record_of(states, end_us, doubts), TABLE, SKEWED)
    assert told(analysis) == judge(states, end_us, doubts, STANDARD, SETTINGS, SKEWED.uncertainty_us)


@settings(max_examples=150, deadline=None)
@given(doubted_walks(), st.integers(1, 40))
def test_cutting_into_pieces_changes_nothing(walk, piece_edges):
    states, end_us, doubts = walk
    whole = analyse(record_of(states, end_us, doubts), TABLE, SKEWED)
    rules = Rules(SETTINGS, whole_geometry(), SKEWED.uncertainty_us, np.array(doubts, dtype=np.int64).reshape(-1, 2))
    whole_told = told(whole)
    whole.__dict__.pop("arrays", None)
    whole.__dict__.pop("changes", None)
    whole.parts = list(measure_in_pieces(whole.edge_us, whole.covered, rules, piece_edges))
    assert told(whole) == whole_told


def whole_geometry():
    from fingerlead.timing.timeline import geometry_of

    return geometry_of(TABLE)


@settings(max_examples=150, deadline=None)
@given(doubted_walks(), st.integers(0, 7))
def test_live_equals_batch_however_often_it_works_ahead(walk, ahead):
    states, end_us, doubts = walk
    batch = analyse(record_of(states, end_us, doubts), TABLE, SKEWED)
    said = []
    live = LiveAnalysis(TABLE, SETTINGS, said.append)
    live.scan(1_000)
    waiting = sorted(doubts)
    for t_us, mask in states:
        while waiting and waiting[0][1] <= t_us:
            live.doubt(Doubt(*waiting.pop(0), "lost", 1))
        live.state(t_us, mask)
        if ahead >> len(said) % 3 & 1:
            live.idle()
    for doubt in waiting:
        live.doubt(Doubt(*doubt, "lost", 1))
    live.close(end_us)
    assert told(live.analysis()) == told(batch)
    once = [item for item in said if hasattr(item.result, "number") and not item.again]
    assert sorted(item.result.number for item in once) == list(range(len(batch.changes)))
    last = {item.result.number: item.result for item in said if hasattr(item.result, "number")}
    assert [last[n] for n in sorted(last)] == list(batch.changes)


@settings(max_examples=100, deadline=None)
@given(walks(), st.integers(-10_000_000, 10_000_000_000))
def test_a_shifted_stream_gives_the_shifted_analysis(walk, by_us):
    states, end_us = walk
    held, changes, _ = told(analyse(record_of(states, end_us), TABLE, SKEWED))
    shifted = told(analyse(record_of([(t + by_us, m) for t, m in states], end_us + by_us), TABLE, SKEWED))
    assert [(n, m, s + by_us, e + by_us) for n, m, s, e in held] == shifted[0]
    assert [c["start"] + by_us for c in changes] == [c["start"] for c in shifted[1]]
    assert [(c["verdict"], c["fingers"], c["lead"]) for c in changes] == [
        (c["verdict"], c["fingers"], c["lead"]) for c in shifted[1]
    ]


@settings(max_examples=100, deadline=None)
@given(doubted_walks())
def test_json_says_the_same_as_the_objects(walk):
    states, end_us, doubts = walk
    analysis = analyse(record_of(states, end_us, doubts), TABLE, SKEWED)
    published = json.loads(json.dumps(as_dict(analysis, "csv", "x.csv")))
    assert len(published["changes"]) == len(analysis.changes)
    for row, change in zip(published["changes"], analysis.changes, strict=True):
        assert (row["from"], row["to"], row["verdict"], row["because"]) == (
            NOTES[change.from_note], NOTES[change.to_note], change.verdict, change.because,
        )  # fmt: skip
        assert (row["start_us"], row["end_us"], row["spread_us"]) == (change.start_us, change.end_us, change.spread_us)
        assert [f["after_start_us"] for f in row["fingers"]] == [f.after_start_us for f in change.fingers]
        assert [f["motion"] for f in row["fingers"]] == [f.motion for f in change.fingers]
        assert [s["duration_us"] for s in row["strays"]] == [s.duration_us for s in change.strays]
        assert [s["heard"] for s in row["strays"]] == [s.heard for s in change.strays]
        assert [s["duration_us"] for s in row["slips"]] == [s.duration_us for s in change.slips]
        assert row["loose"] == change.loose
    for row, held in zip(published["held"], analysis.held, strict=True):
        assert (row["fingering"], len(row["wrong_fingers"])) == (held.fingering, len(held.wrong_fingers))


@pytest.mark.parametrize("states", [[], [(0, 0xFF)], [(0, 0)]])
def test_nothing_to_analyse_is_no_trouble(states):
    analysis = analyse(record_of(states, 0), TABLE, SKEWED)
    assert len(analysis.changes) == 0
    assert as_dict(analysis, "csv", "")["changes"] == []
