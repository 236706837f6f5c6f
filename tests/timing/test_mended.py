"""Hear it mended: of 500 takes with one planted fault each, none has a stray when mended, and nothing else moves."""

from __future__ import annotations

import random
from collections.abc import Sequence

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from fingering.holes import HOLES
from fingering.ladder import ladder
from fingering.table import standard_table
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.simulated.planting import NotPlantableError, plant_one
from fingerlead.simulated.script import ScriptNote
from fingerlead.timing.analysis import analyse
from fingerlead.timing.mended import diagnose_change, edges_of, measured, mended_edges, proven, toggles
from fingerlead.timing.results import Change, Settings, Timing
from fingerlead.wire.events import Record
from tests.simulated.known import masks_of
from tests.timing.plain_judge import third_note_us

TABLE = standard_table()
SETTINGS = Settings()
SURE = Timing("chanter", 1_000, 0, 1_000, "given")
SCAN_US = 1_000
TAKES = 500


def planted(number: int):
    """A pair of a rung played there and back with one fault: a finger early, or so slow that a third note is held."""
    chance = random.Random(f"mended {number}")
    kind = "early" if number % 2 else "slow"
    while True:
        a, b = chance.choice(ladder()[1:]).notes[:2]
        script = tuple(ScriptNote(note, chance.randint(300_000, 600_000)) for note in (a, b) * 2)
        try:
            return plant_one(kind, script, number)
        except NotPlantableError:
            continue  # no third note can sound between these two


def scanned(performance) -> list[tuple[int, int]]:
    """What a chanter without sensor noise sends of it: the masks at its scans."""
    at_scan = {-(-t_us // SCAN_US) * SCAN_US: mask for t_us, mask in masks_of(performance)}
    (first, mask), *rest = at_scan.items()
    return [(first, mask), *edges_of(mask, toggles(mask, rest))]


def analysed(states: list[tuple[int, int]], notes: Sequence[int]):
    """The take read against the notes that were to be played; none read it freely."""
    t_us = np.array([t for t, _ in states], dtype=np.int64)
    masks = np.array([mask for _, mask in states], dtype=np.uint8)
    musics = [Music(tuple(map(WrittenNote, notes)))] if notes else []
    return analyse(Record(t_us, masks, int(t_us[-1]) + 1_000_000), TABLE, SURE, SETTINGS, musics)


def astray(states, notes, fault) -> Change:
    """The change in which the fault sounds, however long."""
    analysis = analysed(states, notes)
    assert [note.note for note in analysis.held] == notes
    (change,) = [one for one in analysis.changes if one.verdict == "stray"]
    assert change.number == fault.change - 1
    return change


def spliced(states, change: Change, edges) -> list[tuple[int, int]]:
    """The whole take with the change's edges replaced."""
    inside = range(change.edges[0][0], change.edges[-1][0] + 1)
    return sorted([state for state in states if state[0] not in inside] + list(edges))


def test_of_500_planted_takes_each_is_mended_by_the_finger_that_is_named_alone():
    named = 0
    for number in range(TAKES):
        performance, fault = planted(number)
        states = scanned(performance)
        notes = [note.note for note in performance.notes]
        change = astray(states, notes, fault)
        assert any(stray.heard for stray in change.strays)
        diagnosis = diagnose_change(change)
        assert diagnosis is not None, fault
        named += diagnosis.finger == fault.finger
        assert proven(change, diagnosis, TABLE, SETTINGS), (fault, change)

        edges = mended_edges(change, diagnosis)
        mended = spliced(states, change, edges)
        again = analysed(mended, notes)
        assert [note.note for note in again.held] == notes
        for one in again.changes:
            assert one.verdict == "clean", (fault, one)
        at_fault = again.changes[fault.change - 1]
        assert (at_fault.from_note, at_fault.to_note, at_fault.strays) == (fault.from_note, fault.to_note, ())

        start = states[0][1]
        before, after = toggles(start, states[1:]), toggles(start, mended[1:])
        moved = [move for move in before if move not in after]
        put = [move for move in after if move not in before]
        assert len(moved) == len(put) == 1
        assert moved[0][1] == put[0][1] == diagnosis.finger
        assert put[0][0] == change.start_us + next(
            f.after_start_us for f in change.fingers if f.finger == diagnosis.others[0]
        )
    # Two fingers that change places can each be called the culprit; most are the one that was planted.
    assert named > 0.6 * TAKES


@st.composite
def edges(draw):
    """A mask, and edges after it, each different from the one before."""
    mask = before = draw(st.integers(0, 255))
    found, at_us = [], draw(st.integers(0, 10**9))
    for flips in draw(st.lists(st.integers(1, 255), max_size=12)):
        before ^= flips
        found.append((at_us, before))
        at_us += draw(st.integers(1, 100_000))
    return mask, tuple(found)


@given(edges())
def test_edges_and_moves_say_the_same(given_edges):
    mask, made = given_edges
    moves = toggles(mask, made)
    assert edges_of(mask, moves) == made
    assert moves == sorted(moves)
    for finger in range(HOLES):
        times = [at_us for at_us, moved in moves if moved == finger]
        assert len(times) == len(set(times))


@given(st.integers(0, 8), st.integers(0, 8), st.lists(st.integers(0, 60_000), min_size=8, max_size=8, unique=True))
def test_only_the_finger_that_is_named_moves_and_proof_is_what_it_says(a, b, times):
    fingers = [finger for finger in range(HOLES) if (TABLE.standard[a] ^ TABLE.standard[b]) >> finger & 1]
    moves = [(times[finger], finger) for finger in fingers]
    for change in measured(TABLE.standard[a], edges_of(TABLE.standard[a], moves), TABLE, SETTINGS) if moves else ():
        exact = {finger.finger: finger.after_start_us for finger in change.fingers}
        third_us = third_note_us(change.from_mask, change.to_mask, exact)
        assert third_us == sum(stray.duration_us for stray in change.strays)
        diagnosis = diagnose_change(change)
        assert (diagnosis is None) == (not third_us)
        if diagnosis is None:
            continue
        obeyed = {**exact, diagnosis.finger: exact[diagnosis.others[0]]}
        assert third_note_us(change.from_mask, change.to_mask, obeyed) == 0
        after = mended_edges(change, diagnosis)
        changed = set(toggles(change.from_mask, change.edges)) ^ set(toggles(change.from_mask, after))
        assert {finger for _, finger in changed} == {diagnosis.finger}
        again = measured(change.from_mask, after, TABLE, SETTINGS)
        heard = [stray for one in again for stray in one.strays if stray.heard]
        assert proven(change, diagnosis, TABLE, SETTINGS) == (len(again) == 1 and not heard)


def test_what_mending_does_not_help_is_not_proven():
    # Low G to B: the bottom little lifts twice, 20 ms and 25 ms too early. Moving its last lift leaves the first.
    made = ((0, 127), (20_000, 255), (35_000, 127), (60_000, 63))
    (change,) = measured(255, made, TABLE, SETTINGS)
    diagnosis = diagnose_change(change)
    assert diagnosis is not None
    assert not proven(change, diagnosis, TABLE, SETTINGS)
    (once,) = measured(255, made[2:], TABLE, SETTINGS)
    assert proven(once, diagnose_change(once), TABLE, SETTINGS)


def test_a_bounce_goes_with_the_edge_that_it_belongs_to():
    made = ((0, 127), (2_000, 255), (3_000, 127), (25_000, 63))
    (change,) = measured(255, made, TABLE, SETTINGS)
    diagnosis = diagnose_change(change)
    assert (diagnosis.finger, diagnosis.how) == (7, "early")
    assert mended_edges(change, diagnosis) == ((25_000, 63), (27_000, 191), (28_000, 63))
    assert proven(change, diagnosis, TABLE, SETTINGS)
