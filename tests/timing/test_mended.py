"""Hear it mended: 500 simulated takes with one planted fault each; mended, the take has no stray and nothing else moved."""

from __future__ import annotations

import random

import numpy as np

from fingering.ladder import ladder
from fingering.table import standard_table
from host.simulated.planting import NoPlaceError, plant_one
from host.simulated.script import Step
from host.timing.analysis import analyse
from host.timing.blame import blame
from host.timing.mended import as_one, edges_of, mended_edges, proven, toggles
from host.timing.results import Change, Settings, Timing
from host.wire.record import Record

TABLE = standard_table()
SETTINGS = Settings()
SURE = Timing("chanter", 1_000, 0, 1_000, "given")
SCAN_US = 1_000
TAKES = 500


def planted(number: int):
    """A pair of a rung played there and back with one fault: an early finger, or a slow one that lets a note be held."""
    chance = random.Random(f"mended {number}")
    kind = "early" if number % 2 else "slow"
    while True:
        a, b = chance.choice(ladder()[1:]).notes[:2]
        script = tuple(Step(note, chance.randint(300_000, 600_000)) for note in (a, b) * 2)
        try:
            return plant_one(kind, script, number)
        except NoPlaceError:
            continue  # no third note can sound between these two


def scanned(performance) -> list[tuple[int, int]]:
    """What a chanter without sensor noise tells of it: the masks at its scans."""
    at_scan = {-(-t_us // SCAN_US) * SCAN_US: mask for t_us, mask in performance.masks()}
    return list(edges_of(255 ^ next(iter(at_scan.values())), toggles(255 ^ next(iter(at_scan.values())), at_scan.items())))


def analysed(states: list[tuple[int, int]]):
    t_us = np.array([t for t, _ in states], dtype=np.int64)
    masks = np.array([mask for _, mask in states], dtype=np.uint8)
    return analyse(Record(t_us, masks, int(t_us[-1]) + 1_000_000), TABLE, SURE, SETTINGS)


def astray(states, fault) -> Change:
    """The change in which the fault sounds: where the stray was held as long as a note, two changes as one."""
    changes = list(analysed(states).changes)
    whole = [c for c in changes if c.verdict == "stray"]
    for first, second in zip(changes, changes[1:], strict=False):
        if (first.from_note, second.to_note) == (fault.from_note, fault.to_note) and first.to_note != fault.to_note:
            joined = as_one(first, second, TABLE, SETTINGS, SURE.uncertainty_us)
            assert joined is not None
            whole.append(joined)
    (change,) = whole
    return change


def spliced(states, change: Change, edges) -> list[tuple[int, int]]:
    """The whole take with the change's edges replaced."""
    inside = range(change.edges[0][0], change.edges[-1][0] + 1)
    return sorted([state for state in states if state[0] not in inside] + list(edges))


def test_of_500_planted_takes_each_is_mended_by_its_blamed_finger_alone():
    named = 0
    for number in range(TAKES):
        performance, fault = planted(number)
        states = scanned(performance)
        change = astray(states, fault)
        assert any(stray.heard for stray in change.strays)
        blamed = blame(change)
        assert blamed is not None, fault
        named += blamed.finger == fault.finger
        assert proven(change, blamed, TABLE, SETTINGS), (fault, change)

        edges = mended_edges(change, blamed)
        mended = spliced(states, change, edges)
        again = analysed(mended)
        assert [note.note for note in again.held] == [note.note for note in performance.notes]
        for one in again.changes:
            assert one.verdict == "clean", (fault, one)
        at_fault = again.changes[fault.change - 1]
        assert (at_fault.from_note, at_fault.to_note, at_fault.strays) == (fault.from_note, fault.to_note, ())

        start = states[0][1]
        before, after = toggles(start, states[1:]), toggles(start, mended[1:])
        moved = [move for move in before if move not in after]
        put = [move for move in after if move not in before]
        assert len(moved) == len(put) == 1
        assert moved[0][1] == put[0][1] == blamed.finger
        assert put[0][0] == change.start_us + next(
            f.after_start_us for f in change.fingers if f.finger == (blamed.first if blamed.early else blamed.second)
        )
    # Two fingers that change places can each be called the culprit; most are the one that was planted.
    assert named > 0.6 * TAKES
