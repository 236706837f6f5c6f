"""The array analysis against the plain judge, and the properties any analysis of times must have."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import event, example, given, settings
from hypothesis import strategies as st

from fingering.notes import NOTES
from fingering.table import standard_table
from fingerlead.reading.asked import SessionMusic
from fingerlead.reading.music import Music, Rhythm, WrittenNote
from fingerlead.timing.analysis import analyse
from fingerlead.timing.edge_errors import errors_for
from fingerlead.timing.kernel import measure_in_pieces
from fingerlead.timing.live import LiveAnalysis, LiveResult, Placed
from fingerlead.timing.movement_verdicts import judge_movements
from fingerlead.timing.notes import Rules
from fingerlead.timing.published import as_dict
from fingerlead.timing.results import Change, KnownSkew, PlayedMovement, Settings, Timing
from fingerlead.timing.timeline import geometry_of
from fingerlead.wire.events import Doubt, Record
from tests.timing.plain_judge import judge, may_become

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
        extra = draw(st.sampled_from(["", "", "", "wobble", "grace", "hands off", "repeat", "chatter"]))
        finger = draw(st.integers(0, 7))
        if extra in ("wobble", "grace"):
            go(mask ^ 1 << finger, draw(STEPS))
            go(mask, draw(st.integers(1, 60_000)))
        elif extra == "chatter":
            for _ in range(draw(st.sampled_from([2, 8, 24]))):
                go(states[-1][1] ^ 1 << finger, draw(st.sampled_from([5_000, 7_000, 9_999])))
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
    held = [(h.note, h.covered_mask, h.start_us, h.end_us, h.written and tuple(h.written)) for h in analysis.held]
    changes = [
        dict(
            from_note=c.from_note, to_note=c.to_note, from_mask=c.from_mask, to_mask=c.to_mask, start=c.start_us,
            spread=c.spread_us, lead=c.lead, fingers=[(f.finger, f.after_start_us) for f in c.fingers],
            strays=[(s.note, s.covered_mask, s.start_us, s.duration_us) for s in c.strays],
            slips=[(s.finger, s.start_us, s.duration_us) for s in c.slips], verdict=c.verdict,
            stage=c.stage_us, judged=c.judged,
        )
        for c in analysis.changes
    ]  # fmt: skip
    movements = [
        dict(
            name=m.name, written=m.written, notes=[tuple(note) for note in m.notes], between=(m.from_note, m.to_note),
            start=m.start_us, end=m.end_us, verdict=m.verdict, change=m.change,
        )
        for m in analysis.movements
    ]  # fmt: skip
    return held, changes, movements, analysis.off


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


BEATS = st.fractions(0, 10_000)


@st.composite
def musics(draw):
    """Music of a few notes, some with grace notes, twice over or with nothing asked for in between; or none."""
    written = st.builds(
        WrittenNote,
        st.integers(0, 8),
        st.sampled_from([(), (), (), (7,), (0, 4, 0), (7, 2, 4), (4,), (0,), (1, 8, 2)]),
        st.booleans(),
        rhythm=st.none() | st.builds(Rhythm, BEATS, st.integers(0, 10_000), BEATS),
    )
    notes = st.lists(written, min_size=1, max_size=8).map(tuple)
    end_us = draw(st.sampled_from([1 << 62, 1_000_000, 400_000]))
    stage = SessionMusic(stage_us=draw(st.sampled_from([None, 0])))
    first = Music(draw(notes), draw(st.sampled_from([0, 100_000])), end_us, stage)
    then = Music(draw(st.one_of(st.just(()), notes)), end_us, asked=SessionMusic(judged=draw(st.booleans())))
    return (first,) if end_us == 1 << 62 else (first, then)


MUSIC = st.one_of(st.just(()), musics())
# Six short notes before the only one that is asked for: it may begin there all the same.
LATE = [(10_000 * place, STANDARD[note]) for place, note in enumerate((8, 7, 6, 5, 3, 5, 1))], 110_000, []


# An F that lasts longer than the B before it; the music begins while it sounds.
ACROSS = (
    [(0, 0x8F), (1, 0x9F), (3, 0xBF), (5, 0xFF), (5_005, 0xBF), (10_005, 0xFF), (10_007, 0x3F), (50_006, 0x3B),
     (50_008, 0x2B), (50_010, 0x0B), (50_011, 0x09), (50_012, 0x0B), (130_011, 0x0A), (130_013, 0x46), (140_012, 0x47),
     (140_014, 0x43), (140_016, 0x4B), (140_018, 0x5B), (140_020, 0x7B), (140_022, 0xFB), (145_021, 0xFF),
     (185_020, 0xFD), (185_022, 0xF9), (185_024, 0xF1), (185_026, 0xD1), (185_028, 0x91)],
    185_029,
    [],
)  # fmt: skip


# A strike on D down to C, which is right for one to low G, and shorter than anyone plays it.
CRUSHED = [(0, STANDARD[0]), (50_000, STANDARD[4]), (90_000, 0x9F), (102_828, STANDARD[4])], 150_000, []


@example(CRUSHED, (Music((WrittenNote(0), WrittenNote(4), WrittenNote(4, (0,)))),))
@example(ACROSS, (Music((WrittenNote(6), WrittenNote(0)), 100_000),))
@example(LATE, (Music((WrittenNote(1),)),))
@settings(max_examples=100, deadline=None)
@given(doubted_walks(), MUSIC)
def test_arrays_and_plain_judge_agree(walk, music):
    states, end_us, doubts = walk
    analysis = analyse(record_of(states, end_us, doubts), TABLE, SKEWED, SETTINGS, music)
    *rest, movements, off = told(analysis)
    *plain, plain_movements, plain_off = judge(states, end_us, doubts, SETTINGS, SKEWED.uncertainty_us, music)
    assert (rest, off) == (plain, plain_off)
    assert [one | {"verdict": ""} for one in movements] == [one | {"verdict": ""} for one in plain_movements]
    for movement, one in zip(analysis.movements, plain_movements, strict=True):
        assert movement.verdict in may_become(one["verdict"], [fault.kind for fault in movement.faults])


@settings(max_examples=60, deadline=None)
@given(doubted_walks(), MUSIC, st.integers(1, 40))
def test_cutting_into_pieces_changes_nothing(walk, music, piece_edges):
    states, end_us, doubts = walk
    whole = analyse(record_of(states, end_us, doubts), TABLE, SKEWED, SETTINGS, music)
    spans = np.array(doubts, dtype=np.int64).reshape(-1, 2)
    rules = Rules(SETTINGS, geometry_of(TABLE), errors_for(SKEWED), spans, music)
    pieces = list(measure_in_pieces(whole.edge_us, whole.covered, rules, piece_edges))
    for piece in pieces:
        judge_movements(piece, whole.edge_us, whole.covered, rules)
    assert told(replace(whole, parts=pieces)) == told(whole)


@settings(max_examples=60, deadline=None)
@given(doubted_walks(), st.lists(st.integers(0, 8), max_size=6), st.integers(0, 7))
def test_live_equals_batch_however_often_it_works_ahead(walk, notes, ahead):
    states, end_us, doubts = walk
    asked = [WrittenNote(note) for note in notes]
    music = (Music(tuple(asked), states[0][0]),) if asked else ()
    batch = analyse(record_of(states, end_us, doubts), TABLE, SKEWED, SETTINGS, music)
    said = []
    live = LiveAnalysis(TABLE, SETTINGS, said.append, skew=KnownSkew(SKEWED.skew_us))
    live.scan(1_000)
    if asked:
        live.begin_music(asked)
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
    stands = {}
    said = [item for item in said if not isinstance(item, Placed)]
    movements = {}
    for item in said:
        if isinstance(item.result, PlayedMovement):
            at_us = item.result.start_us
            assert item.again == (at_us in movements)
            if item.taken_back:
                assert movements.pop(at_us) == item.result
            else:
                assert item.result != movements.get(at_us)
                movements[at_us] = item.result
            continue
        number = item.result.number
        assert item.again == (number in stands)
        if item.taken_back:
            assert stands.pop(number) == item.result
        else:
            assert item.result != stands.get(number)
            stands[number] = item.result
    assert [stands[number] for number in sorted(stands)] == list(batch.changes)
    assert [movements[at_us] for at_us in sorted(movements)] == batch.movements


@pytest.mark.parametrize("late_us", [20_000, 60_000, 90_000, 120_000, 200_000, 240_000])
@pytest.mark.parametrize(("before", "after", "first"), [(0, 3, 5), (0, 2, 6), (4, 0, 4), (5, 3, 3)])
def test_a_finger_that_comes_late_is_told_while_the_note_still_sounds(before, after, first, late_us):
    """What was told before it came is told again soon after, as it stays: no later note is waited for."""
    standard, told = standard_table().standard, {}

    def keep(what):
        if isinstance(what, LiveResult) and isinstance(what.result, Change):
            told[what.result.number] = what.result

    live = LiveAnalysis(standard_table(), Settings(), keep, skew=KnownSkew(1_000))
    live.scan(1_000)
    live.begin_music([WrittenNote(before), WrittenNote(after)])
    script = [
        (600_000, standard[before]),
        (late_us, standard[before] ^ 1 << first),
        (200_000, standard[after]),
    ]
    t_us = 0
    for lasts_us, mask in script:
        for at_us in range(t_us, t_us + lasts_us, 10_000):
            live.state(at_us, mask)
            live.idle()
        t_us += lasts_us
    soon = told[0]
    live.close(t_us + 2_000_000)
    assert soon == told[0]
    assert soon.to_mask == standard[after]


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(st.integers(0, 1_000), st.integers(0, 30), st.integers(1, 12), st.integers(1, 40))
def test_a_doubt_that_is_told_late_makes_uncertain_what_was_told_before(seed, first, many, later):
    """Forty plain notes, some with a finger ahead, some with a grace note; a trouble is told well after it began."""
    chance = random.Random(seed)
    states = [(0, STANDARD[0])]
    for note in (chance.randrange(9) for _ in range(40)):
        at_us = states[-1][0] + chance.randrange(200_000, 500_000)
        target = STANDARD[note]
        for finger in chance.sample(range(8), 8):
            if (states[-1][1] ^ target) >> finger & 1:
                states.append((at_us, states[-1][1] ^ 1 << finger))
                at_us += chance.choice([0, 0, 1_000, 12_000, 30_000])
        if note < 7 and chance.random() < 0.3:
            states += [(at_us + 200_000, target & ~0x02), (at_us + 230_000, target)]
    states = list(dict(states).items())
    end_us = states[-1][0] + 300_000
    span = (states[first][0], states[min(first + many, len(states) - 1)][0])
    batch = analyse(record_of(states, end_us, [span]), TABLE, SKEWED, SETTINGS)
    said, late = [], 0
    live = LiveAnalysis(TABLE, SETTINGS, said.append, skew=KnownSkew(SKEWED.skew_us))
    live.scan(1_000)
    told_at = min(first + many + later, len(states) - 1)
    for place, (t_us, mask) in enumerate(states):
        live.state(t_us, mask)
        if chance.random() < 0.4:  # dear, and told is the same however often it works ahead
            live.idle()
        if place == told_at:
            before = len(said)
            live.doubt(Doubt(*span, "trouble", 0, 6, 3))
            late = len(said) - before
    live.close(end_us)
    ours, theirs = told(live.analysis()), told(batch)
    for movement in (*ours[2], *theirs[2]):
        # One that stands in no change is doubted from its first sound to its last, not from edge to edge.
        if movement["change"] is None:
            movement["verdict"] = ""
    assert ours == theirs
    stands = {}
    for item in said:
        if isinstance(item, Placed) or isinstance(item.result, PlayedMovement):
            continue
        number = item.result.number
        assert item.again == (number in stands)
        stands[number] = item.result
        if item.taken_back:
            del stands[number]
    assert [stands[number] for number in sorted(stands)] == list(batch.changes)
    event(f"told again: {min(late, 3)}")


@settings(max_examples=50, deadline=None)
@given(walks(), st.integers(-10_000_000, 10_000_000_000))
def test_a_shifted_stream_gives_the_shifted_analysis(walk, by_us):
    states, end_us = walk
    held, changes, movements, off = told(analyse(record_of(states, end_us), TABLE, SKEWED))
    shifted = told(analyse(record_of([(t + by_us, m) for t, m in states], end_us + by_us), TABLE, SKEWED))
    assert [(n, m, s + by_us, e + by_us, w) for n, m, s, e, w in held] == shifted[0]
    assert [c["start"] + by_us for c in changes] == [c["start"] for c in shifted[1]]
    for key in ("verdict", "fingers", "lead", "spread"):
        assert [c[key] for c in changes] == [c[key] for c in shifted[1]]
    assert [(m["name"], m["start"] + by_us) for m in movements] == [(m["name"], m["start"]) for m in shifted[2]]
    assert [(s + by_us, e + by_us) for s, e in off] == shifted[3]


@settings(max_examples=50, deadline=None)
@given(doubted_walks(), MUSIC)
def test_json_says_the_same_as_the_objects(walk, music):
    states, end_us, doubts = walk
    analysis = analyse(record_of(states, end_us, doubts), TABLE, SKEWED, SETTINGS, music)
    published = json.loads(json.dumps(as_dict(analysis, "csv", "x.csv")))
    assert published["schema"] == "fingerlead-analysis-2"
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
        assert (row["stage_us"], row["judged"]) == (change.stage_us, change.judged)
        embellished = [place for place, one in enumerate(analysis.movements) if one.change == change.number]
        assert embellished == ([] if row["movement"] is None else [row["movement"]])
    for row, held in zip(published["notes"], analysis.held, strict=True):
        assert (row["note"], row["start_us"], row["end_us"]) == (NOTES[held.note], held.start_us, held.end_us)
        assert (row["fingering"], len(row["wrong_fingers"])) == (held.fingering, len(held.wrong_fingers))
        written = row["written"] and (row["written"]["music"], row["written"]["index"])
        assert written == (held.written and tuple(held.written))
    for row, one in zip(published["movements"], analysis.movements, strict=True):
        assert (row["name"], row["written"], row["verdict"]) == (one.name, one.written, one.verdict)
        assert row["between"] == [NOTES[one.from_note], NOTES[one.to_note]]
        assert (row["start_us"], row["end_us"]) == (one.start_us, one.end_us)
        assert [(NOTES.index(n["note"]), n["start_us"], n["duration_us"]) for n in row["notes"]] == [
            note[:3] for note in one.notes
        ]
    here = [one for one in music if one.start_us < end_us]
    unjudged = [(one.start_us, min(one.end_us, end_us)) for one in here if not one.asked.judged]
    off = [(row["start_us"], row["end_us"]) for row in published["off"]]
    assert off == sorted([*analysis.off, *unjudged])


@pytest.mark.parametrize("states", [[], [(0, 0xFF)], [(0, 0)]])
def test_nothing_to_analyse_is_no_trouble(states):
    analysis = analyse(record_of(states, 0), TABLE, SKEWED)
    assert len(analysis.changes) == 0
    assert as_dict(analysis, "csv", "")["changes"] == []


@pytest.mark.parametrize("toggles", [2, 14, 40])
@pytest.mark.parametrize("begin", [0, 1])
def test_a_sensor_that_chatters_takes_no_note_away(toggles, begin):
    steps = [(400_000, 1), (400_000, 2), *[(7_000, 1 + k % 2) for k in range(toggles)], (400_000, 3), (400_000, 4)]
    states, t_us = [], 0
    for lasts_us, note in steps[2 * begin :]:
        states.append((t_us, STANDARD[note]))
        t_us += lasts_us
    analysis = analyse(record_of(states, t_us), TABLE, SKEWED)
    assert [one.note for one in analysis.held] == [1, 2, 3, 4][2 * begin :]


def test_a_fumble_that_nothing_explains_leaves_the_rest_read():
    fumble = [(14_959, 63), (9_827, 25), (12_479, 111), (22_313, 35), (29_910, 119), (8_000, 159), (49_185, 127)]
    asked = [1, 2] * 6
    notes = [(400_000, STANDARD[note]) for note in asked]
    played = [*notes, (888_000, 113), *fumble, (872_193, 120), *notes]
    states, t_us = [], 0
    for lasts_us, mask in played:
        states.append((t_us, mask))
        t_us += lasts_us
    whole = analyse(record_of(states, t_us, []), TABLE, SKEWED, SETTINGS)
    assert told(whole) == judge(states, t_us, [], SETTINGS, SKEWED.uncertainty_us, ())
    read = [held.note for held in whole.held]
    assert read[: len(asked)] == asked
    assert read[-len(asked) :] == asked
    live = LiveAnalysis(TABLE, SETTINGS, lambda _: None, skew=KnownSkew(SKEWED.skew_us))
    live.scan(1_000)
    for at_us, mask in states:
        live.state(at_us, mask)
        live.idle()
    live.close(t_us)
    assert told(live.analysis()) == told(whole)
