"""Tonight: the two weakest fill half to two thirds of the turns, never three running, and lose their share."""

from __future__ import annotations

import random
from collections import Counter
from datetime import timedelta
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.ladder import ladder
from fingerlead.practice.events import Lit, Passed, TonightTurn
from fingerlead.practice.tonight import (
    LEAST_SHARE,
    LENGTH_US,
    MOST_SHARE,
    REPEATS,
    REST,
    TURN_US,
    Tonight,
    music_of_item,
)
from fingerlead.store.practice_log import Progress, Weak
from tests.practice.practice_playing import STANDARD, TODAY, Player, a_practice

CHANGES = [(a, b) for a in range(9) for b in range(9) if a != b]
ROWS = [rung.notes for rung in ladder()]

weaknesses = st.dictionaries(st.sampled_from(CHANGES), st.floats(0.01, 0.9), min_size=2, max_size=20).map(
    lambda found: [Weak(change, wrong, 10.0) for change, wrong in found.items()]
)
known = st.lists(st.sampled_from(ROWS), min_size=2, max_size=8, unique=True)


def pairs_of(weak: list[Weak]) -> int:
    return len({tuple(sorted(one.change)) for one in weak})


@given(weaknesses, known, st.integers(6, 40))
def test_two_weak_ones_fill_half_to_two_thirds_and_nothing_comes_three_times_running(weak, rows, turns):
    tonight = Tonight(weak, rows)
    items = [tonight.next(weak) for _ in range(turns)]
    notes = [item.notes for item in items]
    for one, two, three in zip(notes, notes[1:], notes[2:], strict=False):
        assert not one == two == three
    assert tonight.too_little == (pairs_of(weak) < 2)
    if not tonight.too_little:
        worst = sorted(weak, key=lambda one: (-one.wrong, one.change))
        focus = list(dict.fromkeys(tuple(sorted(one.change)) for one in worst))[:2]
        share = sum(row in focus for row in notes)
        others = set(notes) - set(focus)
        if others:  # where nothing else is known there is nothing else to play
            assert LEAST_SHARE * turns - 1 <= share <= MOST_SHARE * turns + 1
        assert all(item.weak for item in items if item.notes in focus)


@given(st.integers(0, 1_000))
def test_what_improves_loses_its_share_and_gives_way(seed):
    chance = random.Random(seed)
    pairs = chance.sample([(a, b) for a in range(9) for b in range(a + 1, 9)], 4)
    wrong = dict(zip(pairs, (0.8, 0.7, 0.3, 0.25), strict=True))
    rows = [row for row in ROWS if row not in pairs][:3]

    def now() -> list[Weak]:
        return [Weak(pair, share, 10.0) for pair, share in wrong.items()]

    tonight = Tonight(now(), rows)
    first = Counter(tonight.next(now()).notes for _ in range(12))
    assert first[pairs[0]] + first[pairs[1]] in (7, 8, 9)
    wrong[pairs[0]] = wrong[pairs[1]] = 0.4  # better by half, and the weakest still
    less = Counter(tonight.next(now()).notes for _ in range(24))
    assert less[pairs[0]] + less[pairs[1]] < 2 * (first[pairs[0]] + first[pairs[1]])
    wrong[pairs[0]] = 0.05
    after = Counter(tonight.next(now()).notes for _ in range(24))
    assert after[pairs[0]] < after[pairs[2]]


@given(known)
def test_with_too_little_history_it_says_so_and_goes_round_what_is_known(rows):
    tonight = Tonight([], rows)
    assert tonight.too_little
    notes = [tonight.next([]).notes for _ in range(20)]
    assert set(notes) <= set(rows)
    assert notes[0] == rows[0]
    assert all(one != two for one, two in pairwise(notes))


@given(st.sampled_from([*ROWS, (0, 2, 5), (1, 2, 1)]))
def test_the_music_of_a_turn_goes_out_and_back_a_few_times(notes):
    tonight = Tonight([], [notes])
    tune = music_of_item(tonight.next([])).tune
    played = [note.note for note in tune.played()]
    if len(notes) == 1:
        assert played == [notes[0]] * (REPEATS + 1)
    else:
        assert played == [*notes, *notes[-2:0:-1]] * REPEATS + [notes[0]]
    assert all(bar.length == 1 for bar in tune.bars)


# --- as it is played ---


def ten_minutes(progress: Progress, spoiled: set[tuple[int, int]], chance: float = 1.0, key="c-d") -> Player:
    """Ten minutes of playing what is lit; some changes go wrong."""
    rng = random.Random(1)
    practice = a_practice(progress, key)
    player = Player(practice)
    player.events += practice.tonight()
    for _ in range(2_000):
        if player.of(TonightTurn)[-1].item is None:
            break
        if player.of(TonightTurn)[-1].item == REST:
            player.mask_for(0, 500_000)
            continue
        note = practice.snapshot().lit.note
        before = next((n for n in range(9) if STANDARD[n] == player.mask), None)
        if before == note:
            player.mask_for(0, 300_000)
            player.note(note, 600_000)
        elif before is not None and (before, note) in spoiled and rng.random() < chance:
            player.dirty(note, for_us=600_000)
        else:
            player.note(note, 600_000)
    player.events += practice.close()
    return player


def with_history(wrong: dict[tuple[int, int], int]) -> Progress:
    progress = Progress()
    for change, count in wrong.items():
        for number in range(10):
            progress.change_played(TODAY - timedelta(days=1), change, "stray" if number < count else "clean")
    for key in ("low-a-b", "low-a-e", "low-g-low-a"):
        progress.rung_passed(TODAY - timedelta(days=1), key)
    return progress


def test_ten_minutes_of_the_weakest_with_rests_and_then_home():
    progress = with_history({(0, 2): 8, (3, 5): 6, (5, 3): 2, (1, 2): 0, (1, 5): 0})
    player = ten_minutes(progress, {(0, 2), (3, 5)})
    turns = player.of(TonightTurn)
    assert turns[0].number == 1
    assert turns[0].left_us == LENGTH_US
    assert turns[-1].item is None
    assert not any(turn.too_little for turn in turns)
    assert player.now_us < LENGTH_US + TURN_US + 5_000_000
    assert [turn.left_us for turn in turns] == sorted((turn.left_us for turn in turns), reverse=True)
    played = [turn.item for turn in turns if turn.item is not None and turn.item != REST]
    assert [turn.number for turn in turns if turn.item in played] == list(range(1, len(played) + 1))
    weak = sum(item.notes in ((0, 2), (3, 5)) for item in played)
    assert LEAST_SHARE * len(played) - 1 <= weak <= MOST_SHARE * len(played) + 1
    assert 2 <= sum(turn.item == REST for turn in turns) <= 4
    assert {change for item in played if item.notes == (0, 2) for change in item.weak} >= {(0, 2)}
    # Back on the rung, from its first note; nothing was counted toward passing.
    assert player.practice.snapshot().key == "c-d"
    assert player.practice.snapshot().turn is None
    assert player.of(Lit)[-1].index in (0, 1)
    assert not player.of(Passed)


def test_what_is_mended_in_the_ten_minutes_loses_its_share():
    progress = with_history({(0, 2): 8, (3, 5): 6, (1, 7): 3, (7, 1): 3})
    player = ten_minutes(progress, {(3, 5), (1, 7), (7, 1)})
    played = [turn.item.notes for turn in player.of(TonightTurn) if turn.item is not None and turn.item != REST]
    half = len(played) // 2
    assert played[:half].count((0, 2)) > played[half:].count((0, 2))
    assert played[half:].count((1, 7)) > played[half:].count((0, 2))


def test_a_newcomer_gets_the_present_rung_and_its_neighbour():
    player = ten_minutes(Progress(), set(), key="low-g")
    turns = player.of(TonightTurn)
    assert turns[0].too_little
    assert turns[0].item.notes == (0,)
    assert {turn.item.notes for turn in turns[:-1]} >= {(0,), (0, 1)}


@settings(max_examples=20)
@given(st.sampled_from([rung.key for rung in ladder()]))
def test_tonight_can_be_left_at_any_time(key):
    practice = a_practice(with_history({(0, 2): 8, (3, 5): 6}), "c-d")
    practice.tonight()
    assert practice.snapshot().turn.item.weak
    assert practice.snapshot().key is None
    practice.start(key)
    assert practice.snapshot().turn is None
    assert practice.snapshot().key == key
