"""Every rung's order of fingers played and analysed: obeyed, both ways are clean; rolled, apart; broken, a stray."""

from __future__ import annotations

import itertools
import random

import pytest

from fingering.holes import to_text
from fingering.ladder import ladder
from fingering.moves import move, order
from fingering.table import standard_table
from fingerlead.store.intake import load
from fingerlead.timing.analysis import analyse
from fingerlead.timing.results import Settings
from fingerlead.timing.timeline import timing_of

STANDARD = standard_table().standard
HELD_US = 400_000
ROWS = [rung.notes for rung in ladder()[1:]]


def played(tmp_path, row, times_of, rounds=3):
    """A row of notes there and back, each change's fingers at the times (µs) that `times_of` gives; analysed."""
    notes = [*itertools.chain(*([row[0], row[1]] for _ in range(rounds))), row[0]]
    mask, now_us = STANDARD[notes[0]], 0
    lines = ["time_us,holes", f"0,{to_text(mask)}"]
    for pair in itertools.pairwise(notes):
        now_us += HELD_US
        times = times_of(pair)
        for finger in sorted(times, key=times.__getitem__):
            mask ^= 1 << finger
            lines.append(f"{now_us + times[finger]},{to_text(mask)}")
        now_us += max(times.values())
    lines.append(f"{now_us + HELD_US},{to_text(mask)}")
    path = tmp_path / "played.csv"
    path.write_text("\n".join(lines) + "\n")
    loaded = load(path)
    return analyse(
        loaded.record, standard_table(), timing_of(loaded.record, loaded.kind, None), Settings()
    ).changes, list(itertools.pairwise(notes))


@pytest.mark.parametrize("row", ROWS)
def test_obeyed_both_ways_are_clean(tmp_path, row):
    chance = random.Random(str(row))

    def times_of(pair):
        # Two groups within the 25 ms up to which fingers are together; within a group in any order.
        return {
            finger: turn * 12_000 + chance.randrange(10_000)
            for turn, group in enumerate(order(*pair))
            for finger in group
        }

    changes, wanted = played(tmp_path, row, times_of)
    assert [(change.from_note, change.to_note) for change in changes] == wanted
    assert all(change.verdict == "clean" and not change.strays for change in changes)


@pytest.mark.parametrize("row", [row for row in ROWS if len(move(*row).fingers) > 1])
def test_rolled_in_the_right_order_fingers_are_apart_though_nothing_sounds(tmp_path, row):
    def times_of(pair):
        # The stage is 25 ms, and this clock uncertain by 1 ms.
        in_turn = [finger for group in order(*pair) for finger in group]
        return {finger: turn * 27_000 for turn, finger in enumerate(in_turn)}

    changes, wanted = played(tmp_path, row, times_of)
    assert [(change.from_note, change.to_note) for change in changes] == wanted
    # Within a group the fingers may go in any order, and sound nothing else for it.
    assert {change.verdict for change in changes} == {"apart"}
    assert not any(change.strays for change in changes)


@pytest.mark.parametrize("row", [row for row in ROWS if move(*row).before])
def test_broken_a_stray_is_heard_both_ways(tmp_path, row):
    chance = random.Random(str(row))

    def times_of(pair):
        # One finger that should go before another comes 20 ms after it; the rest as they should.
        first, then = chance.choice(move(*pair).before)
        times = {finger: 20_000 * stage for stage, group in enumerate(order(*pair)) for finger in group}
        return times | {first: times[then] + 20_000}

    changes, wanted = played(tmp_path, row, times_of)
    assert [(change.from_note, change.to_note) for change in changes] == wanted
    assert all(change.verdict == "stray" for change in changes)
