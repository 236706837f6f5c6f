"""The reading against truth that was written beforehand, by players that share no code with it."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from dataclasses import replace
from itertools import pairwise
from random import Random

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from fingerlead.timing.mended import trusted_diagnosis
from tests.reading.analysed import SETTINGS, TABLE, TIMING, analysed, beside, music_of, within
from tests.reading.hands import Hands, Written
from tests.reading.instrument import HEARD_US, RUN_CHANGES, STANDARD, run_fingers, sounds_of
from tests.reading.players import beginner, listless, movement_player, run_player, sensed, together_player
from tests.reading.repertoire import drawn_movements, repertoire

STAGE_US = SETTINGS.stage_us
# How much wider or closer than it is a change may look to sensors: twice the skew, and a scan.
SENSED_US = 4_000
TUNE = [0, 2, 4, 3, 3, 1, 0, 5, 6, 7, 8, 6, 5, 4, 2, 1] * 2


def runs_named(lasts_us, rounds, seed, seen_by_sensors):
    """Every run of every change that can have one is told with the finger that made it, or one that mends it alone."""
    told = 0
    for before, after in RUN_CHANGES:
        performance = run_player(before, after, lasts_us, seed, rounds)
        if seen_by_sensors:
            performance = sensed(performance, seed)
        for change, found in beside(performance, analysed(performance, music_of(performance))):
            assert found is not None, change
            assert found.verdict == "stray", (change, found)
            diagnosis = trusted_diagnosis(found, TIMING, TABLE, SETTINGS)
            assert diagnosis is not None, (change, found)
            assert diagnosis.finger == change.finger or diagnosis.finger in change.mends, (change, diagnosis)
            told += 1
    return told


@pytest.mark.parametrize("lasts_ms", [20, 60, 120, 300])
def test_each_run_is_named_with_its_finger_where_the_music_is_known(lasts_ms):
    assert runs_named(lasts_ms * 1_000, rounds=2, seed=lasts_ms, seen_by_sensors=lasts_ms != 60) == 3 * len(RUN_CHANGES)


def no_run_is_clean(lasts_us, rounds, seed, seen_by_sensors):
    """Freely read, a run that is short beside both notes is never told as a clean change."""
    verdicts = Counter()
    for before, after in RUN_CHANGES:
        performance = run_player(before, after, lasts_us, seed, rounds)
        if seen_by_sensors:
            performance = sensed(performance, seed)
        changes = analysed(performance).changes
        for change in performance.changes:
            near = within(changes, change.start_us, change.end_us)
            assert near
            verdicts.update(one.verdict for one in near)
            assert "clean" not in {one.verdict for one in near}, (change, near)
    return verdicts


@pytest.mark.parametrize("lasts_ms", [20, 39, 80, 125])
def test_no_short_run_is_clean_where_the_music_is_not_known(lasts_ms):
    verdicts = no_run_is_clean(lasts_ms * 1_000, rounds=2, seed=lasts_ms, seen_by_sensors=lasts_ms == 39)
    assert sum(verdicts.values()) >= 3 * len(RUN_CHANGES)


def movements_found(count, grace_us, inner_us, seed, known):
    """How many movements without a true stray are found whole, in how many of them a stray is told, of how many."""
    performance = movement_player(drawn_movements(count, seed, ambiguous=known), grace_us, inner_us, seed=seed)
    analysis = analysed(performance, music_of(performance) if known else None)
    played = [one for one in performance.changes if one.kind == "movement" and not one.heard and not one.swallowed]
    starts = [one.start_us for one in analysis.movements]
    strays = [one for one in analysis.changes if one.verdict == "stray"]
    stray_starts = [one.start_us for one in strays]
    whole = astray = 0
    for one in played:
        found = analysis.movements[bisect_left(starts, one.start_us - 25_000) : bisect_left(starts, one.end_us + 5_000)]
        right = (one.movement.before, one.movement.after, one.movement.sounds)
        sounded = [(each.from_note, each.to_note, tuple(note.note for note in each.notes)) for each in found]
        whole += [each.verdict for each in found] == ["as written"] if known else sounded == [right]
        near = strays[bisect_left(stray_starts, one.start_us - 100_000) : bisect_left(stray_starts, one.end_us)]
        astray += any(each.end_us > one.start_us for each in near)
    return whole, astray, len(played)


@pytest.mark.parametrize(("grace_ms", "inner_ms"), [(35, 45), (55, 80), (90, 130), (120, 200)])
def test_written_movements_are_found_whole_at_any_tempo(grace_ms, inner_ms):
    whole, astray, count = movements_found(200, grace_ms * 1_000, inner_ms * 1_000, seed=grace_ms, known=True)
    assert count > 160
    assert whole >= 0.98 * count
    assert astray == 0


@pytest.mark.parametrize(
    ("grace_ms", "inner_ms", "share"), [(35, 45, 0.97), (55, 80, 0.9), (90, 130, 0), (120, 200, 0)]
)
def test_movements_are_found_freely_and_their_notes_are_no_strays(grace_ms, inner_ms, share):
    whole, astray, count = movements_found(200, grace_ms * 1_000, inner_ms * 1_000, seed=grace_ms, known=False)
    assert count > 160
    assert whole >= share * count
    assert astray == 0


def together_told(changes, seed, seen_by_sensors):
    """What is within the stage is never apart; what is wider by more than the uncertainty always is."""
    random = Random(seed)
    notes = [random.randrange(9)]
    while len(notes) <= changes:
        notes.append(random.choice([note for note in range(9) if note != notes[-1]]))
    spread_us = SENSED_US if seen_by_sensors else 0
    told = Counter()
    for least_us, most_us in ((0, STAGE_US), (STAGE_US + TIMING.uncertainty_us + spread_us + 1_000, 90_000)):
        performance = together_player(notes, most_us, seed, least_us)
        if seen_by_sensors:
            performance = sensed(performance, seed)
        for music in (music_of(performance), None):
            for change, found in beside(performance, analysed(performance, music)):
                assert found is not None
                apart = change.spread_us > STAGE_US
                assert found.verdict == ("apart" if apart else "clean"), (change, found)
                told[found.verdict] += 1
    return told


@pytest.mark.parametrize("seen_by_sensors", [False, True])
def test_a_pupil_who_plays_together_is_never_told_apart_and_one_who_rolls_always_is(seen_by_sensors):
    told = together_told(250, seed=11, seen_by_sensors=seen_by_sensors)
    assert set(told) == {"clean", "apart"}
    assert told["clean"] >= 500
    assert told["apart"] > 250


def beginners_told(seed, notes):
    """A beginner's runs are told, and no other change is told as one, wherever written notes stand on both sides."""
    performance = beginner(notes, seed)
    counts = Counter()
    for change, found in beside(performance, analysed(performance, music_of(performance))):
        if not (performance.notes[change.before].written and performance.notes[change.after].written):
            continue
        if change.kind == "run":
            assert found is not None, change
            assert found.verdict == "stray", (change, found)
        elif found is not None:
            assert found.verdict != "stray", (change, found)
        counts[change.kind, found is not None] += 1
    return counts


def test_a_beginners_runs_are_told_and_no_others():
    counts = sum((beginners_told(seed, TUNE) for seed in range(1, 9)), Counter())
    assert counts["run", True] > 15
    assert counts["apart", True] > 50
    assert counts["plain", True] > 100


def test_in_a_fast_reel_no_run_is_clean():
    runs = 0
    for seed in (1, 2):
        performance = listless(seed)
        changes = analysed(performance).changes
        for change in performance.changes:
            if change.kind != "run":
                continue
            runs += 1
            # A run at the edge of another change's span is that change's own affair.
            pair = performance.notes[change.before].note, performance.notes[change.after].note
            near = within(changes, change.start_us, change.end_us)
            assert not [one for one in near if one.verdict == "clean" and (one.from_note, one.to_note) == pair], change
    assert runs > 20


def said(analysis, by_us=0):
    """All that the reading decides, without what is measured in ms."""
    notes = [(one.note, one.written) for one in analysis.held]
    movements = [(one.name, one.written, one.verdict, [n.note for n in one.notes]) for one in analysis.movements]
    parts = [
        (one.from_note, one.to_note, "plain" if one.verdict in ("clean", "apart") else one.verdict)
        for one in analysis.changes
    ]
    return notes, movements, parts, [one.start_us + by_us for one in analysis.held] if by_us else None


PLAYED = st.one_of(
    st.builds(run_player, st.just(0), st.just(2), st.integers(15_000, 240_000), st.integers(0, 99), st.just(3)),
    st.builds(run_player, st.just(7), st.just(4), st.integers(15_000, 240_000), st.integers(0, 99), st.just(3)),
    st.builds(beginner, st.just(TUNE), st.integers(0, 99)),
    st.builds(
        lambda seed, grace_us: movement_player(drawn_movements(8, seed), grace_us, round(1.4 * grace_us), 3_000, seed),
        st.integers(0, 99),
        st.integers(30_000, 120_000),
    ),
)


@settings(max_examples=25, deadline=None)
@given(PLAYED, st.integers(-(10**9), 10**10), st.booleans())
def test_shifting_in_time_changes_nothing(performance, by_us, known):
    edges = tuple((t_us + by_us, mask) for t_us, mask in performance.edges)
    shifted = replace(performance, edges=edges, end_us=performance.end_us + by_us)
    music = music_of(performance) if known else None
    if music is not None:
        music = replace(music, start_us=min(0, by_us))
    one, other = analysed(performance, music), analysed(shifted, music)
    assert said(one)[:3] == said(other)[:3]
    assert [(note.start_us + by_us, note.end_us + by_us) for note in one.held] == [
        (note.start_us, note.end_us) for note in other.held
    ]


def crossed(performance, factor):
    """Whether stretching takes a sound across a length that decides: heard at all, a bounce, steady, or 350 ms."""
    return any(
        (sound.lasts_us < limit_us) != (factor * sound.lasts_us < limit_us)
        for sound in sounds_of(performance.edges, performance.end_us)
        for limit_us in (SETTINGS.bounce_us, HEARD_US, SETTINGS.steady_us, 350_000)
    )


@example(beginner(TUNE, 41), 0.875)  # a note gone back to lasts from 400 to 350 ms
@example(beginner(TUNE, 68), 0.933)
@settings(max_examples=30, deadline=None)
@given(PLAYED, st.floats(0.7, 1.4))
def test_stretching_time_changes_no_note_and_no_part_where_the_music_is_known(performance, factor):
    # Hands that come off or on are told by lengths of their own.
    assume(not crossed(performance, factor) and "hands off" not in {one.kind for one in performance.happenings})
    edges = tuple((round(factor * t_us), mask) for t_us, mask in performance.edges)
    stretched = replace(performance, edges=edges, end_us=round(factor * performance.end_us))
    music = music_of(performance)
    assert said(analysed(stretched, music)) == said(analysed(performance, music))


def embellished(notes, seed, places):
    """The notes played with a run or without; at some places a movement leads from the note to itself again."""
    hands, music = Hands(Random(seed), STANDARD[notes[0]]), []
    own = [one for one in repertoire() if one.before == one.after]
    for index, note in enumerate(notes):
        if index:
            turns = run_fingers(notes[index - 1], note)
            if turns and hands.random.random() < 0.4:
                finger, way, _ = hands.random.choice(turns)
                hands.change_with_run(note, finger, way, hands.random.uniform(20_000, 120_000))
            else:
                hands.change(note, hands.random.uniform(0, 60_000))
        hands.hold(note, 500_000, len(music))
        music.append(Written(note))
        if index in places:
            chance, hands.random = hands.random, Random(f"{seed} {index}")
            movement = hands.random.choice([one for one in own if one.before == note])
            hands.play(movement, 50_000, 70_000, 0)
            hands.random = chance
            hands.hold(note, 500_000, len(music), movement=movement)
            music.append(Written(note, movement))
    return hands.finish(music)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.integers(0, 8), min_size=3, max_size=8).map(
        lambda notes: [b for a, b in pairwise([None, *notes]) if a != b]
    ),
    st.integers(0, 999),
    st.sets(st.integers(0, 7), min_size=1),
)
def test_a_movement_more_changes_no_plain_changes_verdict(notes, seed, places):
    without, with_ = embellished(notes, seed, ()), embellished(notes, seed, places)
    plain, more = (analysed(one, music_of(one)) for one in (without, with_))
    assert [(one.from_note, one.to_note, one.verdict) for one in plain.changes] == [
        (one.from_note, one.to_note, one.verdict) for one in more.changes
    ]
    assert len(more.movements) == len([place for place in places if place < len(notes)])
    assert {one.verdict for one in more.movements} <= {"as written"}
