"""Faults planted in movements, heard in the masks alone, without the code that planted them."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest

from fingering.notes import HIGH_G, LOW_A, LOW_G, SOUNDING, B, C, D, E, F
from fingerlead.simulated.chanter import setup_for
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.planted_movements import MOVEMENT_KINDS, MovementKind, MovementPlant, plant_movements
from fingerlead.simulated.planting import CLEAN, NotPlantableError
from fingerlead.simulated.play import perform
from fingerlead.simulated.script import Written, tune_script
from fingerlead.simulated.truth import truth_text
from tests.simulated.known import masks_of, read_truth

HALF = Fraction(1, 2)
TAORLUATH, GRACE, DOUBLING, THROW = (LOW_G, D, LOW_G, E), (HIGH_G,), (HIGH_G, B, D), (LOW_G, D, C)
BIRL = (LOW_A, LOW_G, LOW_A, LOW_G)
SCRIPT = tune_script(
    [
        Written(B, HALF),
        Written(LOW_A, HALF, TAORLUATH),
        Written(E, HALF, GRACE),
        Written(B, HALF, DOUBLING),
        Written(D, HALF, THROW),
        Written(LOW_A, HALF, BIRL),
        Written(F, HALF),
    ],
    2_000_000,
)
PLACES = range(1, 6)


def heard(performance: Performance, movement: int) -> list[tuple[int, int]]:
    """(note, µs) of the grace notes of a movement."""
    step = [n for n, one in enumerate(SCRIPT) if one.graces][movement - 1]
    from_us = next(note.t_us for note in performance.notes if note.place == step) - 200_000
    masks = [*masks_of(performance), (performance.end_us, 0)]
    runs: list[list[int]] = []
    for (t_us, mask), (next_us, _) in pairwise(masks):
        if runs and runs[-1][0] == SOUNDING[mask]:
            runs[-1][2] = next_us
        else:
            runs.append([SOUNDING[mask], t_us, next_us])
    return [
        (note, end - begin)
        for note, begin, end in runs
        if begin > from_us and end - begin < 350_000 and end < from_us + 900_000
    ]


def planted(kind: MovementKind, movement: int, seed: int) -> Performance | None:
    try:
        return plant_movements([MovementPlant(kind, movement)], SCRIPT, seed)
    except NotPlantableError:
        return None


@pytest.mark.parametrize("kind", MOVEMENT_KINDS)
def test_each_kind_is_planted_as_it_is_told_and_the_same_for_its_seed(kind: MovementKind, tmp_path) -> None:
    count = 0
    for movement in PLACES:
        clean = heard(perform(CLEAN, SCRIPT, 1), movement)
        for seed in range(6):
            performance = planted(kind, movement, seed)
            if performance is None:
                continue
            count += 1
            assert performance == planted(kind, movement, seed)
            (fault,) = performance.faults
            assert (fault.kind, fault.movement) == (kind, movement)
            sounds = heard(performance, movement)
            told(kind, fault.index, [note for note, _ in clean], sounds)
            (tmp_path / "truth").write_text(truth_text(performance, setup_for(seed)), encoding="utf-8")
            assert read_truth(tmp_path / "truth").performance == performance
    assert count >= 2


def told(kind: MovementKind, index: int | None, notes: list[int], sounds: list[tuple[int, int]]) -> None:
    """What the masks must say of a fault of each kind."""
    played = [note for note, _ in sounds]
    lengths = [us for _, us in sounds]
    if kind == "left out":
        assert not played
    elif kind == "another":
        assert played
        assert played != notes
    elif kind == "missing":
        assert index is not None
        assert played == [*notes[:index], *notes[index + 1 :]]
    elif kind in ("extra catch", "stray inside"):
        at = len(notes) if index is None else index
        assert len(played) == len(notes) + 1
        assert [*played[:at], *played[at + 1 :]] == notes
    elif kind == "wrong note":
        assert [n for n, (a, b) in enumerate(zip(played, notes, strict=True)) if a != b] == [index]
    else:
        assert played == notes
    if kind == "swallowed":
        assert index is not None
        assert lengths[index] < 10_000
        assert all(us >= 10_000 for n, us in enumerate(lengths) if n != index)
    if kind == "crushed":
        assert index is not None
        assert 10_000 <= lengths[index] < 25_000
    if kind == "dragged":
        assert index is not None
        assert lengths[index] > 90_000


def test_several_faults_stand_in_one_tune_each_in_its_own_movement() -> None:
    plants = [MovementPlant("missing", 1), MovementPlant("left out", 3)]
    performance = plant_movements(plants, SCRIPT, 5)
    assert [(fault.kind, fault.movement) for fault in performance.faults] == [("missing", 1), ("left out", 3)]
    assert len(heard(performance, 1)) == 3
    assert heard(performance, 3) == []
    assert len(heard(performance, 2)) == 1


def test_a_movement_left_out_between_two_notes_alike_leaves_one_long_note() -> None:
    script = tune_script([Written(B, HALF), Written(B, HALF, GRACE), Written(E, HALF)], 2_000_000)
    performance = plant_movements([MovementPlant("left out", 1)], script, 1)
    assert [note.note for note in performance.notes] == [B, E]
    assert performance.faults[0].kind == "left out"


@pytest.mark.parametrize(
    ("plants", "words"),
    [
        ([MovementPlant("uneven", 2)], "it can be in movement 1, "),
        ([MovementPlant("missing", 9)], "a movement from 1 to 5"),
        ([MovementPlant("missing", 1), MovementPlant("late", 1)], "one fault for each movement"),
    ],
)
def test_a_fault_with_no_place_is_refused_with_the_places_there_are(plants: list[MovementPlant], words: str) -> None:
    with pytest.raises(NotPlantableError, match=words):
        plant_movements(plants, SCRIPT, 1)


def test_a_tune_without_grace_notes_has_no_movement_to_plant_in() -> None:
    script = tune_script([Written(B, HALF), Written(E, HALF)], 2_000_000)
    with pytest.raises(NotPlantableError, match="no grace notes"):
        plant_movements([MovementPlant("late", 1)], script, 1)
