"""The judge of embellishments, by players that share no code with it: here small, whole by `python -m
tests.embellishments`."""

from __future__ import annotations

import pytest

from fingerlead.reading.music import Music, WrittenNote
from tests.embellishments.measures import TEMPI_US, measured
from tests.reading.analysed import analysed, spelled
from tests.reading.hands import Performance
from tests.reading.instrument import STANDARD, shape_of


@pytest.mark.parametrize("tempo_us", TEMPI_US)
def test_what_is_well_played_is_as_written_at_any_tempo(tempo_us):
    found = measured("well", 120, tempo_us, seeds=(21,))
    assert found.of > 100
    assert found.share >= 0.98, found.cases


# The share of planted faults that is told with its note, in hundredths, as `python -m` of this folder measures it.
TOLD = {
    "uneven": 90, "stray inside": 95, "dragged": 90, "wrong note": 92, "missing": 92, "swallowed": 95,
    "false fingering": 95, "another": 92, "extra catch": 95, "crushed": 90,
}  # fmt: skip


@pytest.mark.parametrize("kind", TOLD)
def test_a_planted_fault_is_told_with_its_note_and_no_other_finger(kind):
    found = measured(kind, 60, TEMPI_US[1], seeds=(22,))
    assert 100 * found.named >= TOLD[kind] * found.of, found.cases
    assert found.right_fingers >= 0.97 * found.fingers, found.cases
    assert found.worse == 0


def test_what_no_length_tells_from_well_played_is_counted_apart_and_at_a_slow_tempo_there_is_next_to_none():
    quick, slow = (measured("crushed", 60, tempo_us, seeds=(24,)) for tempo_us in (TEMPI_US[0], TEMPI_US[2]))
    assert quick.apart > 5 > slow.apart
    assert min(quick.share_told, slow.share_told) >= 0.9, (quick.cases, slow.cases)
    assert measured("missing", 30, TEMPI_US[0], seeds=(24,)).apart == 0


def test_what_is_left_out_is_told_so():
    assert measured("left out", 60, TEMPI_US[1], seeds=(23,)).share >= 0.98


def held(before, letters, after, lengths_ms):
    """One movement between two melody notes of 600 ms, each of its notes for so long; what is told of it."""
    notes = spelled(letters)
    before, after = spelled(before + after)
    edges, t_us = [(0, STANDARD[before])], 600_000
    for number, (note, length_ms) in enumerate(zip(notes, lengths_ms, strict=True)):
        on = STANDARD[note] if length_ms > 100 or note == 3 else shape_of(note, [*notes, after][number + 1])
        edges.append((t_us, on))
        t_us += 1_000 * length_ms
    performance = Performance((), (*edges, (t_us, STANDARD[after])), t_us + 600_000, (), ())
    return analysed(performance, Music((WrittenNote(before), WrittenNote(after, notes)))).movements


@pytest.mark.parametrize("length_ms", [120, 300, 500, 900, 1_500, 1_900])
def test_the_e_of_a_written_cadence_is_as_long_as_its_player_will(length_ms):
    (found,) = held("A", "ged", "B", (50, length_ms, 50))
    assert (found.name, found.verdict, found.variant or "ged") == ("cadence", "as written", "ged")
    assert [note.duration_us for note in found.notes] == [50_000, 1_000 * length_ms, 50_000]


@pytest.mark.parametrize("lengths_ms", [(120, 40, 50), (500, 40, 50), (900, 95, 100)])
def test_the_first_low_g_of_a_written_throw_may_be_held(lengths_ms):
    (found,) = held("B", "Gdc", "d", lengths_ms)
    assert (found.name, found.verdict) == ("throw", "as written")


@pytest.mark.parametrize(("letters", "after"), [("gBd", "B"), ("GdG", "B")])
def test_no_other_note_of_a_written_movement_may_be_held(letters, after):
    assert all(one.verdict != "as written" for one in held("A", letters, after, (50, 900, 50)[: len(letters)]))
