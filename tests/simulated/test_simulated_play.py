from __future__ import annotations

from itertools import pairwise
from statistics import mean

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.holes import from_text
from fingering.notes import HIGH_A, LOW_A, LOW_G, NOTES, SOUNDING, B, C, E, F
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.play import ROOM, perform
from fingerlead.simulated.pupil import STANDARD, Habit, SimulatedPupil, WrongFinger, troublesome
from fingerlead.simulated.scenario import BUILT_IN, load_scenario
from fingerlead.simulated.script import Script, ScriptNote, write_script
from tests.simulated.known import masks_of, with_worst_habit

LITTLE = 7
SEEDS = st.integers(0, 2**32 - 1)
PUPILS = st.sampled_from([load_scenario(name).pupil for name in BUILT_IN])


def played(pupil: SimulatedPupil, seed: int, changes: int = 40) -> Performance:
    return perform(pupil, write_script(pupil, seed, changes=changes), seed)


def third_notes(performance: Performance) -> list[tuple[int, int, int]]:
    """By brute force: (change, note, how long) of every stretch within a change that sounds neither of its notes."""
    masks = masks_of(performance)
    out = []
    for before, after in pairwise(performance.notes):
        for (t_us, mask), (next_us, _) in pairwise(masks):
            near = abs(t_us - after.t_us) < 240_000 and t_us > before.t_us
            if near and SOUNDING[mask] not in (before.note, after.note) and next_us < after.t_us + 240_000:
                out.append((after.number, SOUNDING[mask], next_us - t_us))
    return out


@given(PUPILS, SEEDS)
@settings(max_examples=60, deadline=None)
def test_edges_lead_from_each_note_to_the_next(pupil: SimulatedPupil, seed: int) -> None:
    performance = played(pupil, seed)
    mask = performance.start_mask
    assert mask == performance.notes[0].covered_mask
    edges = list(performance.edges)
    assert edges == sorted(edges)
    for number, after in enumerate(performance.notes[1:], start=1):
        mine = [edge for edge in edges if edge.change == number]
        for edge in mine:
            assert edge.motion == ("lift" if mask >> edge.finger & 1 else "lower")
            mask ^= 1 << edge.finger
        assert mask == after.covered_mask
        assert SOUNDING[mask] == after.note
    # The edges of one change end before those of the next begin.
    for one, other in pairwise(edges):
        assert one.change <= other.change


@given(PUPILS, SEEDS)
@settings(max_examples=30, deadline=None)
def test_the_same_seed_plays_the_same_and_another_does_not(pupil: SimulatedPupil, seed: int) -> None:
    assert played(pupil, seed, 12) == played(pupil, seed, 12)
    assert played(pupil, seed, 12).edges != played(pupil, seed + 1, 12).edges


@given(SEEDS)
@settings(max_examples=30, deadline=None)
def test_human_scatter_stays_within_the_room_of_a_change(seed: int) -> None:
    pupil = SimulatedPupil()
    performance = played(pupil, seed)
    assert not performance.faults
    for edge in performance.edges:
        assert abs(edge.t_us - performance.notes[edge.change].t_us) <= min(36_000, ROOM * pupil.hold_us[1])


@given(SEEDS)
@settings(max_examples=15, deadline=None)
def test_the_clean_pupil_sounds_no_third_note_that_is_heard(seed: int) -> None:
    assert all(length_us < 10_000 for _, _, length_us in third_notes(played(load_scenario("clean").pupil, seed)))


@given(SEEDS)
@settings(max_examples=15, deadline=None)
def test_a_slow_finger_leaves_a_third_note_of_60_to_150_ms(seed: int) -> None:
    pupil = SimulatedPupil(scatter_us=(0,) * 8, slow=0.3)
    performance = played(pupil, seed)
    slow = [fault for fault in performance.faults if fault.kind == "slow"]
    assert slow
    longest: dict[int, int] = {}
    for change, _, length_us in third_notes(performance):
        longest[change] = max(longest.get(change, 0), length_us)
    for fault in slow:
        assert 60_000 <= fault.by_us <= 150_000
        assert longest[fault.change] == fault.by_us


@given(SEEDS)
@settings(max_examples=30, deadline=None)
def test_faults_that_move_a_finger_name_an_edge_of_it(seed: int) -> None:
    performance = played(load_scenario("mixed").pupil, seed, 120)
    edges = {(edge.t_us, edge.finger, edge.change) for edge in performance.edges}
    for fault in performance.faults:
        after = performance.notes[fault.change]
        assert fault.to_note == after.note
        if fault.kind in ("early", "late", "slow", "slip"):
            assert (fault.t_us, fault.finger, fault.change) in edges
        if fault.kind == "false":
            assert after.covered_mask ^ STANDARD[after.note] == 1 << fault.finger


def test_a_habit_bends_its_finger_by_as_much_as_it_says() -> None:
    habit = Habit(LITTLE, -25_000, LOW_G, B, "lift")
    pupil = SimulatedPupil(habits=(habit,))
    script = tuple(ScriptNote((LOW_G, B)[number % 2], 400_000) for number in range(400))
    performance = perform(pupil, script, 5)
    offsets: dict[tuple[int, str], list[int]] = {}
    for edge in performance.edges:
        offsets.setdefault((edge.finger, edge.motion), []).append(edge.t_us - performance.notes[edge.change].t_us)
    assert mean(offsets[LITTLE, "lift"]) == pytest.approx(-25_000, abs=2_500)
    assert mean(offsets[LITTLE, "lower"]) == pytest.approx(0, abs=2_500)
    assert [fault.kind for fault in performance.faults] == ["early"] * 200


def test_a_worst_habit_is_drawn_by_seed_and_sounds_a_third_note_of_its_length() -> None:
    drawn = set()
    for seed in range(20):
        pupil, habit = with_worst_habit(SimulatedPupil(scatter_us=(0,) * 8), seed)
        assert with_worst_habit(SimulatedPupil(scatter_us=(0,) * 8), seed)[1] == habit
        assert habit.from_note is not None
        assert habit.to_note is not None
        drawn.add((habit.from_note, habit.to_note, habit.finger))
        performance = perform(pupil, (ScriptNote(habit.from_note, 500_000), ScriptNote(habit.to_note, 500_000)), seed)
        assert sum(length_us for _, _, length_us in third_notes(performance)) == abs(habit.by_us)
    assert len(drawn) > 10


def test_what_teachers_report_is_troublesome() -> None:
    # Common practice, no source: an early little finger sounds low A between low G and E; a late thumb is heard.
    assert (LITTLE, "lift", -1) in troublesome(STANDARD[LOW_G], STANDARD[E])
    assert any(finger == 0 and sign == 1 for finger, _, sign in troublesome(STANDARD[F], STANDARD[HIGH_A]))
    assert troublesome(STANDARD[LOW_G], STANDARD[LOW_A]) == []


@given(SEEDS, st.integers(1, 60))
def test_a_random_script_never_repeats_a_note_and_keeps_to_its_weights(seed: int, changes: int) -> None:
    weights = tuple(0.0 if note == C else 1.0 for note in range(len(NOTES)))
    script = write_script(SimulatedPupil(weights=weights), seed, changes=changes)
    assert len(script) == changes + 1
    assert all(one.note != other.note for one, other in pairwise(script))
    assert all(step.note != C and 250_000 <= step.hold_us <= 1_000_000 for step in script)


def test_a_tune_goes_round_and_round_for_as_long_as_asked() -> None:
    pupil = SimulatedPupil(tune=(LOW_A, B, C))
    assert [step.note for step in write_script(pupil, 1, changes=6)] == [LOW_A, B, C, LOW_A, B, C, LOW_A]
    script = write_script(pupil, 1, for_us=20_000_000)
    assert 20_000_000 <= sum(step.hold_us for step in script) < 21_000_000


@pytest.mark.parametrize("script", [(), (ScriptNote(C, 300_000), ScriptNote(C, 300_000))])
def test_scripts_that_cannot_be_played_are_refused(script: Script) -> None:
    with pytest.raises(ValueError, match="script"):
        perform(SimulatedPupil(), script, 1)


def test_an_open_c_is_a_false_fingering_that_still_sounds_c() -> None:
    performance = played(SimulatedPupil(wrong_fingers=(WrongFinger(C, LITTLE, 1.0),)), 3, 100)
    masks = {note.covered_mask for note in performance.notes if note.note == C}
    assert masks == {from_text("xxxxxooo")}
    assert {fault.kind for fault in performance.faults} == {"false"}
