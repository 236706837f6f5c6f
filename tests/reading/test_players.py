"""The invented players play what their truth says: heard here once more, straight from the masks, in plain loops."""

from __future__ import annotations

import ast
from bisect import bisect_right
from collections import defaultdict
from itertools import pairwise
from pathlib import Path
from statistics import median

import pytest

from tests.reading.instrument import HEARD_US, LETTERS, RUN_CHANGES, STANDARD, movers, run_fingers, shape_of
from tests.reading.players import (
    abc_of,
    beginner,
    listless,
    movement_player,
    run_player,
    sensed,
    together_player,
    write_csv,
)
from tests.reading.repertoire import drawn_movements, repertoire

HERE = Path(__file__).parent
TUNE = [0, 2, 4, 3, 3, 1, 0, 5, 6, 7, 8, 6, 5, 4, 2, 1] * 4
TEMPI = ((35_000, 45_000), (55_000, 80_000), (90_000, 130_000), (120_000, 200_000))
# Topmost hole first: the note that each names where it is the first one open.
HOLES = "agfedcBA"


def plain_sound(mask):
    for hole, letter in enumerate(HOLES):
        if mask & (1 << hole) == 0:
            return LETTERS.index(letter)
    return 0


def heard_rows(performance, since_us=0, until_us=None):
    """[note, start, end] of all that sounds between two times."""
    until_us = performance.end_us if until_us is None else until_us
    rows = []
    for number, (t_us, mask) in enumerate(performance.edges):
        following = performance.edges[number + 1][0] if number + 1 < len(performance.edges) else performance.end_us
        start_us, end_us = max(t_us, since_us), min(following, until_us)
        if start_us >= end_us:
            continue
        if rows and rows[-1][0] == plain_sound(mask):
            rows[-1][2] = end_us
        else:
            rows.append([plain_sound(mask), start_us, end_us])
    return rows


def mask_at(performance, t_us):
    return performance.edges[bisect_right(performance.edges, (t_us, 256)) - 1][1]


def row(sound):
    return [sound.note, sound.start_us, sound.end_us]


PERFORMANCES = {
    "run": lambda seed: run_player(2, 4, 60_000, seed),
    "beginner": lambda seed: beginner(TUNE, seed),
    "together": lambda seed: together_player(TUNE, 40_000, seed),
    "movements fast": lambda seed: movement_player(drawn_movements(200, seed), *TEMPI[0], seed=seed),
    "movements slow": lambda seed: movement_player(drawn_movements(200, seed), *TEMPI[-1], seed=seed),
    "listless": listless,
}


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("name", PERFORMANCES)
def test_what_sounds_is_in_the_truth_and_nothing_else(name, seed):
    performance = PERFORMANCES[name](seed)
    times = [t_us for t_us, _ in performance.edges]
    assert times == sorted(set(times))
    assert times[0] == 0
    assert all(before != after for (_, before), (_, after) in pairwise(performance.edges))
    off = [one for one in performance.happenings if one.kind == "hands off"]
    for number, note in enumerate(performance.notes):
        assert heard_rows(performance, note.start_us, note.end_us) == [[note.note, note.start_us, note.end_us]]
        assert all(note.end_us <= one.start_us or note.start_us >= one.end_us for one in off), number
    for change in performance.changes:
        before, after = performance.notes[change.before], performance.notes[change.after]
        told = sorted([*map(row, change.thirds), *map(row, change.played)], key=lambda one: one[1])
        between = heard_rows(performance, before.end_us, after.start_us)
        # What is left is a bounce of a neighbour.
        left = [one for one in between if one not in told]
        assert [one for one in between if one in told] == told
        neighbours = {before.note, after.note, *(sound.note for sound in change.played)}
        assert all(one[0] in neighbours and one[2] - one[1] < HEARD_US for one in left), change
    changed = [change.before for change in performance.changes]
    assert changed == sorted(set(changed))
    assert len(performance.notes) - 1 - len(changed) == len([one for one in off if one.start_us > 0])


def test_all_changes_with_a_run_are_played_each_finger_by_itself():
    assert len(RUN_CHANGES) == 56
    for before, after in RUN_CHANGES:
        for run_us in (20_000, 300_000):
            performance = run_player(before, after, run_us, seed=7)
            assert {LETTERS[one.note] for one in performance.notes} == {LETTERS[before], LETTERS[after]}
            made = defaultdict(set)
            for change in performance.changes:
                pair = performance.notes[change.before].note, performance.notes[change.after].note
                (run,) = change.heard
                assert change.kind == "run"
                assert run_us <= run.lasts_us <= run_us + 4_000
                # One finger alone is out of turn while the run sounds.
                stands = STANDARD[pair[0] if change.way == "early" else pair[1]]
                assert movers(mask_at(performance, (run.start_us + run.end_us) // 2), stands) == [change.finger]
                assert change.finger in change.mends
                made[pair].add((change.finger, change.way, run.note))
            assert made == {pair: set(run_fingers(*pair)) for pair in ((before, after), (after, before))}


def test_a_beginners_notes_are_slow_and_ragged():
    lengths = [one.end_us - one.start_us for seed in range(20) for one in run_player(0, 2, 50_000, seed).notes]
    assert 390_000 < min(lengths) < 500_000
    assert 1_400_000 < max(lengths) < 1_510_000


def test_a_ring_finger_that_goes_first_to_b_is_apart_and_no_run():
    rolled = together_player([0, 2] * 24, 38_000, seed=1, at_least_us=38_000)
    assert {change.kind for change in rolled.changes} == {"apart"}
    assert all(37_000 < change.spread_us < 39_000 and not change.thirds for change in rolled.changes)
    well = together_player(TUNE * 32, 15_000, seed=1)
    assert {change.kind for change in well.changes} == {"plain"}
    assert max(change.spread_us for change in well.changes) <= 15_000
    assert not any(change.thirds for change in well.changes)


@pytest.mark.parametrize(("grace_us", "inner_us"), TEMPI)
def test_movements_sound_their_notes_at_their_tempo(grace_us, inner_us):
    performance = movement_player(drawn_movements(2_000, 5), grace_us, inner_us, seed=5)
    played = [change for change in performance.changes if change.kind == "movement"]
    assert len(played) == 2_000
    lengths = defaultdict(list)
    for change in played:
        movement = change.movement
        before, after = performance.notes[change.before], performance.notes[change.after]
        assert (before.note, after.note) == (movement.before, movement.after)
        assert tuple(sound.note for sound in change.played) == movement.sounds
        assert performance.music[after.written[0]].movement == movement
        for (sound, hand), heard in zip(movement.shapes, change.played, strict=True):
            lengths[sound == hand].append(heard.lasts_us)
    assert abs(median(lengths[False]) - grace_us) < 0.1 * grace_us
    assert abs(median(lengths[True]) - inner_us) < 0.1 * inner_us
    assert sum(bool(change.swallowed) for change in played) <= 2
    assert sum(bool(change.heard) for change in played) < 0.05 * len(played)
    theme = [note.end_us - note.start_us for note in performance.notes]
    assert min(theme) > max(250_000, 4 * inner_us) - 40_000
    assert max(theme) < max(250_000, 8 * inner_us) + 40_000


def test_movements_without_scatter_sound_nothing_else():
    performance = movement_player(list(repertoire()), 35_000, 45_000, scatter_us=0)
    assert not any(change.thirds or change.swallowed for change in performance.changes)


def test_movements_are_spelled_as_the_trade_spells_them():
    """Three public tables agree on these (common practice)."""
    known = {(one.name, LETTERS[one.before], LETTERS[one.after], one.written) for one in repertoire()}
    for letter, doubling in zip(LETTERS, ["gGd", "gAd", "gBd", "gcd", "gde", "gef", "gfg", "gf", "ag"], strict=True):
        assert ("doubling", "G" if letter != "G" else "A", letter, doubling) in known
    assert {
        ("half doubling", "e", "B", "Bd"),
        ("thumb doubling", "g", "c", "acd"),
        ("strike", "d", "d", "c"),
        ("strike", "e", "e", "A"),
        ("half strike", "e", "A", "AG"),
        ("high G strike", "c", "B", "gBG"),
        ("grip", "A", "B", "GdG"),
        ("grip", "d", "B", "GBG"),
        ("grip", "G", "B", "dG"),
        ("taorluath", "B", "A", "GdGe"),
        ("taorluath", "d", "A", "GBGe"),
        ("crunluath", "A", "e", "GdGeAfA"),
        ("crunluath", "G", "e", "dGeGfA"),
        ("throw on D", "A", "d", "Gdc"),
        ("throw on D", "G", "d", "dc"),
        ("heavy throw on D", "A", "d", "GdGc"),
        ("birl", "A", "A", "GAG"),
        ("birl", "e", "A", "AGAG"),
        ("high G birl", "e", "A", "gAGAG"),
    } <= known
    half = next(one for one in repertoire() if (one.name, one.before, one.written) == ("throw on D", 0, "Gdc"))
    assert half.sounds == (4, 3)


@pytest.mark.parametrize(
    ("grace", "code"),
    [
        ("gA", "10111110"),
        ("ge", "10101110"),
        ("gd", "10110001"),
        ("dG", "11110111"),
        ("dA", "11110110"),
        ("dB", "11110100"),
        ("dc", "11110001"),
        ("eA", "11101110"),
        ("ed", "11100001"),
        ("fe", "11001110"),
        ("aA", "01111110"),
        ("GB", "11111111"),
        ("Ae", "11111110"),
    ],
)
def test_a_grace_note_lifts_one_finger_and_a_strike_covers(grace, code):
    assert shape_of(*map(LETTERS.index, grace)) == sum(1 << hole for hole in range(8) if code[hole] == "1")


def test_a_beginner_does_all_that_beginners_do():
    kinds, happened = set(), set()
    for seed in range(30):
        performance = beginner(TUNE, seed)
        kinds |= {change.kind for change in performance.changes}
        happened |= {one.kind for one in performance.happenings}
        happened |= {"wrong note" for note in performance.notes if not note.written}
        assert all(note.note == TUNE[index] for note in performance.notes for index in note.written)
        for one in performance.happenings:
            if one.kind == "hands off":
                inside = [mask_at(performance, t_us) for t_us in range(one.start_us, one.end_us, 10_000)]
                assert inside.count(0) >= 75
        backs = [one.start_us for one in performance.happenings if one.kind in ("going back", "hands off")]
        written = [note for note in performance.notes if note.written]
        for before, after in pairwise(written):
            went_on = before.written[-1] + 1 == after.written[0]
            again = before.written[-1] == after.written[0]
            assert went_on or again or any(before.start_us < t_us <= after.start_us for t_us in backs)
    assert kinds == {"plain", "run", "apart"}
    assert happened == {"hands off", "pause", "going back", "stop", "wrong note"}


def test_listless_runs_are_short_beside_their_neighbours():
    changes = 0
    for seed in range(10):
        performance = listless(seed)
        for change in performance.changes:
            pair = performance.notes[change.before], performance.notes[change.after]
            shorter_us = min(note.end_us - note.start_us for note in pair)
            assert shorter_us > 90_000
            if change.finger is None:
                assert not change.heard
                continue
            changes += 1
            assert change.kind == "run"
            assert 15_000 <= sum(third.lasts_us for third in change.heard) <= 39_000
            assert sum(third.lasts_us for third in change.heard) < shorter_us / 3
    assert changes > 100


def test_sensors_see_nearly_what_was_played():
    performance = run_player(4, 7, 60_000, seed=2, rounds=40)
    seen = sensed(performance, seed=2)
    assert seen.notes == performance.notes
    assert all(t_us % 1_000 == 0 for t_us, _ in seen.edges)
    # Without the edges of 8 ms around each motion both say the same.
    moved = {t_us for t_us, _ in performance.edges}
    for t_us in range(0, performance.end_us, 20_000):
        if not any(abs(t_us - at_us) < 8_000 for at_us in moved):
            assert mask_at(seen, t_us) == mask_at(performance, t_us)

    def count(one):
        return sum(len(movers(before, after)) for (_, before), (_, after) in pairwise(one.edges))

    chatters = (count(seen) - count(performance)) / 2
    assert 0 < chatters < 0.04 * count(performance)


def test_the_same_seed_plays_the_same():
    for play in PERFORMANCES.values():
        assert play(4) == play(4) != play(5)


def test_the_file_says_the_masks(tmp_path):
    performance = beginner(TUNE, 6)
    write_csv(performance, tmp_path / "played.csv")
    header, *lines = (tmp_path / "played.csv").read_text().splitlines()
    assert header == "time_us,holes"
    cells = [line.split(",") for line in lines]
    read = [(int(t_us), sum(1 << hole for hole in range(8) if holes[hole] == "x")) for t_us, holes in cells]
    assert read[:-1] == list(performance.edges)
    assert read[-1] == (performance.end_us, performance.edges[-1][1])


def test_the_music_is_written_as_abc():
    grip = next(one for one in repertoire() if (one.name, one.before, one.after) == ("grip", 0, 2))
    assert abc_of(movement_player([grip], 35_000, 45_000).music).splitlines()[-1] == "G {GdG}B |"


def test_the_players_share_no_code_with_the_program():
    for name in ("players", "hands", "instrument", "repertoire", "test_players"):
        tree = ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))
        modules = [node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
        modules += [one.name for node in ast.walk(tree) if isinstance(node, ast.Import) for one in node.names]
        assert not [module for module in modules if module.split(".")[0] in ("fingering", "fingerlead")]
