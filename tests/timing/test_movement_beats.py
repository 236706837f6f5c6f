"""Early and late movements, by a player of another model: a steady beat, a hand's noise, one slip."""

from __future__ import annotations

import random

import numpy as np
import pytest

from fingering.movements import nearest_mask
from fingering.notes import ABC_LETTERS
from fingering.table import standard_table
from fingerlead.reading.asked import Clicks, SessionMusic
from fingerlead.reading.music import Music
from fingerlead.store.session_music import written_notes
from fingerlead.timing.analysis import analyse
from fingerlead.timing.fault_words import faults_told
from fingerlead.timing.movement_beats import placed_movements
from fingerlead.timing.movement_sums import movement_sums
from fingerlead.timing.published import as_dict
from fingerlead.timing.pulse import pulses
from fingerlead.timing.pulse_words import pulse_told
from fingerlead.timing.results import KnownSkew
from fingerlead.timing.timeline import timing_for
from fingerlead.wire.events import Record
from tests.reading.instrument import STANDARD

BEAT_US = 700_000
GRACE_US = {1: 55_000, 4: 60_000}  # each of a movement of so many grace notes
TUNE = "ABABAeAeABABAeAe" * 2
HOW = {"g": "g", "t": "GdGe", "-": ""}


def tune(movements):
    """ABC of the tune, four notes in a bar, with these movements (a letter of HOW for each note)."""
    notes = [("{" + HOW[m] + "}" if HOW[m] else "") + letter for letter, m in zip(TUNE, movements, strict=True)]
    bars = [" ".join(notes[place : place + 4]) for place in range(0, len(notes), 4)]
    return f"X:1\nT:t\nM:4/4\nL:1/4\nQ:1/4=86\nK:HP\n{' | '.join(bars)} |]\n"


def played(movements, seed, aside=None, on_beat="grace", noise_us=12_000, lag_us=0, clicks=False, wander=0.0):
    """The tune with a hand's noise; `aside` is by how much a movement (by its note's number) is off, in µs.

    What is on the beat is the first grace note of each movement or its theme note; `lag_us` behind the click.
    """
    lot = random.Random(f"beats {seed}")
    aside, edges, at_us, mask = aside or {}, [], 1_000_000.0, None
    for number, (letter, movement) in enumerate(zip(TUNE, movements, strict=True)):
        note = ABC_LETTERS.index(letter)
        graces = [ABC_LETTERS.index(grace) for grace in HOW[movement]]
        each_us = GRACE_US.get(len(graces), 0)
        start_us = at_us + lot.gauss(0, noise_us) + aside.get(number, 0) + lag_us
        start_us -= each_us * len(graces) * (on_beat == "theme")
        target = STANDARD[note]
        for place, grace in enumerate(graces):
            mask = nearest_mask(grace, mask if place else target, target)
            edges.append((round(start_us + place * each_us), mask))
        mask = target
        edges.append((round(start_us + each_us * len(graces)), mask))
        at_us += BEAT_US * (1 + lot.gauss(0, wander))
    asked = SessionMusic("tune", "t", tune(movements), beat_us=BEAT_US if clicks else None)
    heard = (Clicks(BEAT_US, tuple(1_000_000 + BEAT_US * n for n in range(len(TUNE) + 1))),) if clicks else ()
    times = np.array([t for t, _ in edges])
    assert (np.diff(times) > 0).all()
    record = Record(times, np.array([m for _, m in edges], np.uint8), int(times[-1]) + 1_500_000)
    timing = timing_for("chanter", 1_000, KnownSkew(3_000))
    return analyse(record, standard_table(), timing, musics=(Music(written_notes(asked), asked=asked),), clicks=heard)


def told(analysis):
    """The movements that come early or late, by their number: which, and by how much."""
    return {
        number: (fault.kind, fault.size_us)
        for number, movement in enumerate(placed_movements(analysis))
        for fault in movement.faults
        if fault.kind in ("early", "late")
    }


SINGLE = "-g" * 16
MIXED = "-g-t" * 8


@pytest.mark.parametrize("movements", [SINGLE, MIXED])
@pytest.mark.parametrize("on_beat", ["grace", "theme"])
@pytest.mark.parametrize("clicks", [False, True])
def test_what_is_on_the_beat_by_either_habit_is_told_neither_early_nor_late(movements, on_beat, clicks):
    for seed in range(8):
        analysis = played(movements, seed, on_beat=on_beat, clicks=clicks)
        assert len(analysis.movements) == 16
        assert {movement.verdict for movement in analysis.movements} == {"as written"}
        assert pulses(analysis)
        assert told(analysis) == {}
        assert placed_movements(analysis) == analysis.movements


@pytest.mark.parametrize("movements", [SINGLE, MIXED])
@pytest.mark.parametrize("on_beat", ["grace", "theme"])
@pytest.mark.parametrize(("by_us", "kind"), [(140_000, "late"), (-140_000, "early")])
def test_one_that_is_off_is_told_and_no_other(movements, on_beat, by_us, kind):
    named = 0
    for seed in range(10):
        which = random.Random(seed).choice(
            [number for number in range(2, 14) if movements == SINGLE or number % 4 != 3]
        )
        analysis = played(movements, seed, {2 * which + 1: by_us}, on_beat)
        found = told(analysis)
        assert set(found) <= {which}
        if found:
            assert found[which][0] == kind
            assert abs(found[which][1] - abs(by_us)) < 60_000
            named += 1
    assert named >= 9


def test_a_movement_whose_last_grace_note_merges_with_its_theme_note_is_not_judged_by_the_beat():
    """The E of a taorluath to E: when the theme note begins cannot be heard."""
    assert told(played(MIXED, 1, {15: 140_000})) == {}


def test_a_player_who_wanders_is_not_told_of_it():
    for seed in range(10):
        assert told(played(MIXED, seed, noise_us=25_000, wander=0.04)) == {}


def test_with_the_clicks_all_of_them_may_be_late_and_without_none():
    """Behind the beat from end to end: the player's own beat is as late as they are."""
    late, by_click = (played(SINGLE, 3, on_beat="theme", lag_us=180_000, clicks=clicks) for clicks in (False, True))
    assert told(late) == {}
    assert {kind for kind, _ in told(by_click).values()} == {"late"}
    assert len(told(by_click)) == 16
    (pulse,) = pulses(by_click)
    assert pulse.lag_us == pytest.approx(180_000, abs=15_000)
    (none,) = pulses(late)
    assert none.lag_us is None
    ((_, (sentence, *_)),) = pulse_told(by_click)
    assert "ms after the click" in sentence
    assert "click" not in pulse_told(late)[0][1][0]


def test_a_lag_as_large_as_sound_and_link_may_be_is_not_told():
    analysis = played(SINGLE, 4, on_beat="theme", lag_us=25_000, clicks=True)
    assert told(analysis) == {}
    assert pulses(analysis)[0].lag_us == pytest.approx(25_000, abs=10_000)


def test_every_face_has_it_from_the_same_place():
    analysis = played(SINGLE, 1, {9: 140_000})
    assert list(told(analysis)) == [4]
    printed = as_dict(analysis, "x", "y")["movements"]
    assert [one["verdict"] for one in printed].count("faulty") == 1
    assert [fault["words"] for one in printed for fault in one["faults"]] == faults_told(placed_movements(analysis)[4])
    assert faults_told(placed_movements(analysis)[4])[0].startswith("it comes late, by 1")
    (of,) = (one for one in movement_sums(analysis) if one.to_note == 2)
    assert of.wrong == 1


@pytest.mark.parametrize("click_beats", [0.5, 1, 2])
def test_clicks_may_stand_for_parts_of_beats_or_several(click_beats):
    analysis = played(SINGLE, 2, on_beat="theme", lag_us=60_000, clicks=True)
    period_us = round(BEAT_US * click_beats)
    clicks = Clicks(period_us, tuple(1_000_000 + period_us * n for n in range(round(40 / click_beats))))
    analysis.clicks = (clicks,)
    (pulse,) = pulses(analysis)
    assert pulse.lag_us == pytest.approx(60_000, abs=12_000)
