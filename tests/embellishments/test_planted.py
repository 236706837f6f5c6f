"""The embellisher plays what its truth says, heard here from the masks; and it shares no code with the program."""

from __future__ import annotations

import ast
from itertools import pairwise
from pathlib import Path
from statistics import median

import pytest

from tests.embellishments.faults import KINDS
from tests.embellishments.forms import everything, names_of
from tests.embellishments.ideal import shares
from tests.embellishments.measures import TEMPI_US, far, row_of, same_place
from tests.embellishments.planted import recital
from tests.reading.instrument import HEARD_US, LETTERS, STANDARD, movers, sound_of, sounds_of

HERE = Path(__file__).parent
SILENT = ("crushed", "dragged", "uneven", "false fingering")


def notes_heard(one):
    """The notes of 10 ms or more between the melody notes, neighbours that are alike told once."""
    row = [one.written.before, *(sound.note for sound in one.sounds if sound.lasts_us >= HEARD_US), one.written.after]
    return tuple(note for note, last in zip(row[1:], row, strict=False) if note != last)[:-1]


def test_well_played_movements_sound_as_they_are_written():
    for tempo_us in TEMPI_US:
        tries = recital("well", 300, *tempo_us, seed=4).tries
        assert len(tries) == 300
        well = [one for one in tries if one.is_well]
        assert len(well) >= 0.9 * len(tries)
        for one in well:
            heard = [sound.note for sound in one.sounds if sound.lasts_us >= HEARD_US]
            assert tuple(heard) == one.written.sounds, one
        for one in tries:
            if not one.is_well:
                assert notes_heard(one) != one.written.sounds, one


def test_low_gs_are_longer_than_the_grace_notes_between_them():
    """50 to 80 ms against 25 to 40 ms in a skilled grip (from memory)."""
    for grace_us, inner_us in TEMPI_US:
        tries = [one for one in recital("well", 900, grace_us, inner_us, seed=5).tries if one.is_well]
        taorluaths = [one for one in tries if one.written.name == "taorluath" and len(one.sounds) == 4]
        assert len(taorluaths) > 10
        catches = median(one.sounds[i].lasts_us for one in taorluaths for i in (0, 2))
        graces = median(one.sounds[i].lasts_us for one in taorluaths for i in (1, 3))
        assert catches > 1.2 * graces
        assert 0.85 * grace_us < graces < 1.1 * grace_us


def test_who_knows_how_the_players_are_made_can_tell_nearly_all_lengths_that_are_wrong():
    assert min(shares(15, TEMPI_US[2], 5, 0.0).values()) > 0.9


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_planted_is_heard(kind):
    for tempo_us in TEMPI_US[::3]:
        for one in recital(kind, 40, *tempo_us, seed=6).tries:
            assert one.fault is not None
            assert one.fault.kind == kind
            assert one.fault.places <= set(range(len(one.written.written) + 1))
            heard = notes_heard(one)
            if kind in SILENT:
                assert heard == one.written.sounds, one
            else:
                assert heard != one.written.sounds, one
            lengths = [sound.lasts_us for sound in one.sounds]
            match kind:
                case "missing":
                    assert 0 < len(heard) < len(one.written.sounds)
                    missing = {
                        one.written.written[place] for place in one.fault.places & set(range(len(one.written.written)))
                    }
                    short = {LETTERS[sound.note] for sound in one.sounds if sound.lasts_us < HEARD_US}
                    assert not missing & short, one
                case "swallowed":
                    assert any(5_000 < length < HEARD_US for length in lengths), one
                case "crushed":
                    assert min(length for length in lengths if length >= HEARD_US) < 0.65 * tempo_us[1]
                case "dragged":
                    assert max(lengths) > 2.1 * tempo_us[0]
                case "extra catch":
                    assert len(heard) > len(one.written.sounds)
                case "wrong note":
                    assert far(row_of(one), [(note, 1) for note in one.written.sounds]) > 0.9
                case "false fingering":
                    (finger,) = one.fault.fingers
                    step = next(step for step in one.steps if step.marked)
                    assert sound_of(step.mask) == sound_of(step.mask ^ 1 << finger)


def test_left_out_is_a_plain_change_and_another_is_a_movement_of_the_trade():
    for one in recital("left out", 60, *TEMPI_US[1], seed=7).tries:
        assert notes_heard(one) == ()
    played = recital("another", 60, *TEMPI_US[1], seed=7)
    for one in played.tries:
        assert one.played.sounds != one.written.sounds
        assert names_of(one.written.before, one.written.after)[one.played.sounds] == one.played.name
        # Some finger does more than in the plain change.
        masks = [mask for at_us, mask in played.performance.edges if one.window[0] < at_us < one.window[1]]
        moves = [len(movers(*pair)) for pair in pairwise([STANDARD[one.written.before], *masks])]
        assert sum(moves) > len(movers(STANDARD[one.written.before], STANDARD[one.written.after])), one


def test_the_sounds_of_all_tries_are_those_of_the_whole():
    played = recital("extra catch", 30, *TEMPI_US[1], seed=8)
    whole = set(sounds_of(played.performance.edges, played.performance.end_us))
    assert all(set(one.sounds) <= whole for one in played.tries)
    windows = [one.window for one in played.tries]
    assert all(left[1] <= right[0] for left, right in pairwise(windows))


def test_the_same_seed_plays_the_same():
    for kind in ("well", "another", "stray inside"):
        assert recital(kind, 20, *TEMPI_US[0], 9) == recital(kind, 20, *TEMPI_US[0], 9)
        assert recital(kind, 20, *TEMPI_US[0], 9) != recital(kind, 20, *TEMPI_US[0], 10)


def test_cadences_have_their_grace_notes_and_their_held_e():
    cadences = [one for one in everything() if one.name == "cadence"]
    assert {tuple(LETTERS[sound] for sound in one.sounds) for one in cadences} == {("g", "e", "d")}


@pytest.mark.parametrize(
    ("written", "place", "variant", "note", "same"),
    [
        ("GdGe", 2, "GdGe", 2, True),
        ("GdGe", 2, "GdGe", 1, False),
        ("GdGe", 2, "dGe", 1, True),
        ("dGe", 1, "GdGe", 2, True),
        ("GdGe", 3, "GdG", 3, True),
        ("GdG", 1, "GBG", 1, True),
        ("gBd", 3, "gBd", 3, True),
    ],
)
def test_a_place_is_the_same_in_a_form_that_begins_a_note_later(written, place, variant, note, same):
    assert same_place(written, place, variant, note) is same


def test_of_two_notes_either_may_be_the_missing_one_where_the_same_sounds_are_left():
    tries = recital("missing", 400, *TEMPI_US[1], seed=10).tries
    either = [one for one in tries if len(one.fault.places) > 1]
    assert 0 < len(either) < len(tries) // 4
    for one in either:
        # A high G before and after the melody note, from that note: whichever is left, one sounds.
        assert one.written.sounds[0] == one.written.sounds[-1] or len({*one.written.sounds}) < len(one.written.sounds)
        assert not one.fault.fingers


def test_the_embellisher_shares_no_code_with_the_program():
    for name in ("forms", "faults", "planted"):
        tree = ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))
        modules = [node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
        modules += [one.name for node in ast.walk(tree) if isinstance(node, ast.Import) for one in node.names]
        own = {one for one in modules if one.split(".")[0] in ("tests", "fingering", "fingerlead")}
        allowed = {f"tests.reading.{one}" for one in ("hands", "instrument", "repertoire")}
        assert own <= allowed | {"tests.embellishments.forms", "tests.embellishments.faults"}
