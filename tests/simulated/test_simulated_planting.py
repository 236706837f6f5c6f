from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.holes import HANDS_OFF
from fingering.notes import HIGH_G, LOW_A, LOW_G, SOUNDING, B, D, E
from fingerlead.simulated.chanter import setup_for
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.planting import CLEAN, KINDS, NotPlantableError, PlantedKind, plant_one, sounds_alike
from fingerlead.simulated.play import perform
from fingerlead.simulated.script import SHORTEST_REST_US, Script, Written, tune_script
from fingerlead.simulated.truth import truth_text
from tests.simulated.known import masks_of, read_truth

SEEDS = st.integers(0, 2**32 - 1)
QUARTER = Fraction(1, 4)
WHOLE_US = 2_000_000


def row(notes: list[int]) -> Script:
    return tune_script([Written(note, QUARTER) for note in notes], WHOLE_US)


def sounded(performance: Performance, at_least_us: int = 0) -> list[tuple[int, int]]:
    """(note, how long) of every stretch of one note, hands off left out."""
    runs: list[list[int]] = []
    masks = [*masks_of(performance), (performance.end_us, HANDS_OFF)]
    for (t_us, mask), (next_us, _) in pairwise(masks):
        note = -1 if mask == HANDS_OFF else SOUNDING[mask]
        if runs and runs[-1][0] == note:
            runs[-1][1] += next_us - t_us
        else:
            runs.append([note, next_us - t_us])
    return [(note, us) for note, us in runs if note >= 0 and us >= at_least_us]


# Random tunes in which every kind of fault has a place: low A to E to D and back at the end.
TUNES = (
    st.lists(st.integers(0, 8), min_size=4, max_size=30)
    .map(lambda notes: [*notes, LOW_A, E, D, E, LOW_A, B, LOW_G, B])
    .map(lambda notes: row([note for n, note in enumerate(notes) if n == 0 or notes[n - 1] != note]))
)


@given(TUNES, SEEDS)
@settings(max_examples=40, deadline=None)
def test_a_clean_player_sounds_the_written_notes_and_no_other(tune: Script, seed: int) -> None:
    performance = perform(CLEAN, tune, seed)
    assert performance.faults == ()
    assert [note.place for note in performance.notes] == list(range(len(tune)))
    assert [note for note, _ in sounded(performance, 10_000)] == [step.note for step in tune]


@given(TUNES, SEEDS, st.sampled_from(KINDS))
@settings(max_examples=80, deadline=None)
def test_exactly_one_fault_is_planted_and_the_same_again_for_its_seed(
    tune: Script, seed: int, kind: PlantedKind
) -> None:
    performance, fault = plant_one(kind, tune, seed)
    assert performance.faults == (fault,)
    assert fault.kind == kind
    assert performance.notes[fault.change].place == fault.place
    assert plant_one(kind, tune, seed) == (performance, fault)


@given(TUNES, SEEDS)
@settings(max_examples=40, deadline=None)
def test_early_and_slow_fingers_sound_a_third_note_for_as_long_as_is_written_down(tune: Script, seed: int) -> None:
    lengths_us: dict[PlantedKind, tuple[int, int]] = {"early": (20_000, 32_000), "slow": (60_000, 150_000)}
    for kind, (least_us, most_us) in lengths_us.items():
        performance, fault = plant_one(kind, tune, seed)
        written = [step.note for step in tune]
        played = sounded(performance, 10_000)
        at = next(n for n, (note, _) in enumerate(played) if n >= len(written) or note != written[n])
        assert [note for note, _ in played[:at]] == written[: fault.place]
        assert least_us <= fault.by_us <= most_us
        assert sum(us for _, us in played[at : at + len(played) - len(written)]) >= fault.by_us - 9_000


@given(TUNES, SEEDS)
@settings(max_examples=40, deadline=None)
def test_a_wrong_note_stands_in_the_place_of_the_written_one(tune: Script, seed: int) -> None:
    performance, fault = plant_one("wrong", tune, seed)
    written, played = [step.note for step in tune], [note for note, _ in sounded(performance, 10_000)]
    assert [n for n, (one, other) in enumerate(zip(written, played, strict=True)) if one != other] == [fault.place]
    assert (fault.written, fault.to_note) == (written[fault.place], played[fault.place])


@given(TUNES, SEEDS)
@settings(max_examples=40, deadline=None)
def test_a_restart_plays_up_to_where_it_stopped_and_on_from_where_it_went_back_to(tune: Script, seed: int) -> None:
    performance, fault = plant_one("restart", tune, seed)
    assert fault.place is not None
    assert fault.stopped_at is not None
    assert fault.place < fault.stopped_at
    places = [note.place for note in performance.notes]
    assert places == [*range(fault.stopped_at + 1), *range(fault.place, len(tune))]


@given(TUNES, SEEDS)
@settings(max_examples=40, deadline=None)
def test_a_slip_moves_one_finger_that_takes_no_part_there_and_back(tune: Script, seed: int) -> None:
    performance, fault = plant_one("slip", tune, seed)
    assert fault.finger is not None
    clean = perform(CLEAN, tune, seed)
    moved = [edge for edge in performance.edges if edge.finger == fault.finger]
    before = [edge for edge in clean.edges if edge.finger == fault.finger]
    assert len(moved) == len(before) + 2
    assert fault.t_us in [edge.t_us for edge in moved]
    assert fault.t_us + fault.by_us in [edge.t_us for edge in moved]


@given(st.lists(st.integers(0, 2), min_size=2, max_size=12), st.data())
def test_restarts_that_sound_alike_are_those_that_play_the_same_notes(notes: list[int], data: st.DataObject) -> None:
    stopped_at = data.draw(st.integers(1, len(notes) - 1))
    place = data.draw(st.integers(0, stopped_at))

    def played(last: int, back_to: int) -> list[int]:
        return notes[: last + 1] + notes[back_to:]

    back = stopped_at - place
    alike = [(last, last - back) for last in range(back, len(notes))]
    alike = [choice for choice in alike if played(*choice) == played(stopped_at, place)]
    assert sounds_alike(notes, stopped_at, place) == alike


@pytest.mark.parametrize("kind", ["early", "slow"])
def test_a_tune_with_no_place_for_a_fault_is_refused_in_a_sentence(kind: PlantedKind) -> None:
    with pytest.raises(NotPlantableError, match="try another tune"):
        plant_one(kind, row([LOW_G, LOW_A, LOW_G]), 1)
    with pytest.raises(NotPlantableError):
        plant_one("restart", row([LOW_G]), 1)


def test_equal_notes_are_one_unless_a_rest_or_a_grace_note_parts_them() -> None:
    joined = tune_script([Written(B, QUARTER), Written(B, QUARTER)], WHOLE_US)
    assert [(step.note, step.hold_us, step.place) for step in joined] == [(B, 1_000_000, 0)]
    rested = tune_script([Written(B, QUARTER), Written(None, Fraction(1, 64)), Written(B, QUARTER)], WHOLE_US)
    assert [(step.note, step.rest_us) for step in rested] == [(B, 0), (B, SHORTEST_REST_US)]
    assert [note for note, _ in sounded(perform(CLEAN, rested, 1), 40_000)] == [B, B]
    graced = tune_script([Written(B, QUARTER), Written(B, QUARTER, (HIGH_G,))], WHOLE_US)
    assert [note for note, _ in sounded(perform(CLEAN, graced, 1))] == [B, HIGH_G, B]


def test_grace_notes_of_a_tune_are_played_with_the_fewest_fingers() -> None:
    # The standard's own example, {GdGe} (ABC 2.1, section 4.12): a taorluath from B to low A.
    tune = tune_script([Written(B, QUARTER), Written(LOW_A, QUARTER, (LOW_G, D, LOW_G, E))], WHOLE_US)
    performance = perform(CLEAN, tune, 1)
    assert [note for note, _ in sounded(performance)] == [B, LOW_G, D, LOW_G, E, LOW_A]
    assert [grace.note for grace in performance.graces] == [LOW_G, D, LOW_G, E]


def test_a_tune_is_played_several_times_with_hands_off_between() -> None:
    tune = tune_script([Written(B, QUARTER), Written(LOW_A, QUARTER)], WHOLE_US, times=3)
    assert [(step.note, step.place) for step in tune] == [(B, 0), (LOW_A, 1)] * 3
    assert [bool(step.rest_us) for step in tune] == [False, False, True, False, True, False]


@pytest.mark.parametrize("notes", [[], [Written(None, QUARTER)]])
def test_a_tune_without_notes_is_refused(notes: list[Written]) -> None:
    with pytest.raises(ValueError, match="at least one note"):
        tune_script(notes, WHOLE_US)


@pytest.mark.parametrize("kind", KINDS)
def test_a_truth_file_with_a_planted_fault_reads_back(tmp_path, kind: PlantedKind) -> None:
    performance, _ = plant_one(kind, row([LOW_A, E, D, E, LOW_A, B, LOW_G, B]), 4)
    (tmp_path / "truth.jsonl").write_text(truth_text(performance, setup_for(4)), encoding="utf-8")
    assert read_truth(tmp_path / "truth.jsonl").performance == performance
