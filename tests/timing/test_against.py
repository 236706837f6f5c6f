"""Played against written, from finger edges to words: each kind of departure, planted and named alone."""

from __future__ import annotations

import random
from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.holes import FINGERS
from fingering.moves import possible_strays
from fingering.notes import NOTES, SOUNDING
from fingerlead.reading.asked import SessionMusic
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.store.session_music import written_notes
from fingerlead.timing.against import departures, notes_led_to, passes, played_musics
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.published import as_dict
from fingerlead.wire.events import Doubt
from tests.timing.fingers import STANDARD, Fingers

TUNE = "X:1\nT:The Test\nM:4/4\nL:1/4\nK:HP\nGBcd|efga|gecA|dBeG|]\n"
WRITTEN = written_notes(SessionMusic("tune", "The Test", TUNE))
NOTES_WRITTEN = [note.note for note in WRITTEN]
RING, LITTLE = FINGERS.index("bottom ring"), FINGERS.index("bottom little")


def found(fingers, doubts=(), written=WRITTEN):
    told = departures(fingers.analysis(written, doubts))
    return [(one.kind, one.number, one.bar, one.finger) for one in told], [one.words for one in told]


def plain(*notes):
    return [WrittenNote(note) for note in notes]


def kinds(written, played):
    """(kind, number) of each departure of notes played well against notes written without bars."""
    return [(kind, number) for kind, number, *_ in found(Fingers().play(played), written=plain(*written))[0]]


SCALE = list(range(9))


@pytest.mark.parametrize(
    ("written", "played", "wanted"),
    [
        (SCALE, SCALE, []),
        (SCALE, [0, 1, 8, 3, 4], [("wrong", 2)]),
        (SCALE, [0, 1, 3, 4], [("missed", 2)]),
        (SCALE, [0, 1, 7, 2, 3], [("extra", 2)]),
        (SCALE, [0, 1, 2, 3, 0, 1, 2, 3, 4], [("restart", 0)]),
        (SCALE, [0, 1, 2, 3, 4, 5, 3, 4, 5, 6], [("restart", 3)]),
        (SCALE, [0, 1, 8, 0, 1, 2, 3, 4], [("wrong", 2), ("restart", 0)]),
        # The right note after a wrong one puts it right.
        (SCALE, [0, 1, 2, 8, 3, 4, 5], [("extra", 3)]),
        # Playing over and over is no fault; where the end is also the beginning, the first note sounds already.
        (SCALE, SCALE * 3, []),
        ([0, 4, 2, 0], [0, 4, 2, 0, 4, 2, 0], []),
        # The first and the last note, too.
        (SCALE, [8, 1, 2, 3, 8], [("wrong", 0), ("wrong", 4)]),
        # What was not reached is not missed.
        (SCALE, [0, 1, 2], []),
    ],
)
def test_each_kind_of_departure(written, played, wanted):
    assert kinds(written, played) == wanted


def test_a_note_played_twice_is_told_where_it_is_written_once():
    fingers = Fingers().play([0, 1, 2]).to(0, 300_000).play([2, 3, 4])
    assert found(fingers, written=plain(*SCALE)) == ([("repeated", 2, None, None)], ["B twice."])
    twice = plain(0, 1, 2, 2, 3, 4)
    assert found(fingers, written=twice) == ([], [])


def test_a_clean_playing_departs_nowhere():
    assert found(Fingers().play(NOTES_WRITTEN)) == ([], [])
    (music,) = played_musics(Fingers().play(NOTES_WRITTEN).analysis(WRITTEN))
    assert (music.right, music.played, music.words) == (16, 16, [])


def test_a_wrong_note():
    fingers = Fingers().play(NOTES_WRITTEN[:5]).play([8]).play(NOTES_WRITTEN[6:])
    assert found(fingers) == ([("wrong", 5, 2, None)], ["Bar 2: high A instead of F."])


def test_a_run_of_any_length_is_a_change_and_no_departure():
    fingers = Fingers().play(NOTES_WRITTEN[:1]).to(STANDARD[0] ^ 1 << LITTLE, 120_000).play(NOTES_WRITTEN[1:])
    assert found(fingers) == ([], [])
    first = fingers.analysis(WRITTEN).changes[0]
    assert (first.from_note, first.to_note, first.verdict) == (0, 2, "stray")
    assert diagnose_change(first).finger == LITTLE


def test_a_restart_says_where_from_and_where_to():
    fingers = Fingers().play(NOTES_WRITTEN[:6]).play(NOTES_WRITTEN[4:])
    assert found(fingers) == ([("restart", 4, None, None)], ["You stopped in bar 2 and took it up again from E."])
    fingers = Fingers().play(NOTES_WRITTEN[:10]).play(NOTES_WRITTEN[4:])
    assert found(fingers)[1] == ["You stopped in bar 3 and went back to E in bar 2."]


def test_going_on_at_a_later_bar_is_one_departure_and_not_many():
    fingers = Fingers().play([*NOTES_WRITTEN[:4], *NOTES_WRITTEN[8:]])
    assert found(fingers) == ([("left out", 8, None, None)], ["You went on with high G in bar 3."])
    fingers = Fingers().play(NOTES_WRITTEN[8:])
    assert found(fingers)[1] == ["You began with high G in bar 3."]


def test_an_idle_finger_that_stays_away():
    fingers = Fingers().play(NOTES_WRITTEN[:5])
    for note in NOTES_WRITTEN[5:8]:
        fingers.to(STANDARD[note], idle=1 << RING)
    told, words = found(fingers.play(NOTES_WRITTEN[8:]))
    assert told == [("idle", 5, 2, RING)]
    assert words == [
        "Bar 2: From E to F the bottom ring finger takes no part, but it came off its hole and stayed off."
    ]


def test_an_idle_finger_that_slips_within_a_change():
    fingers = Fingers(scatter_us=0).play(NOTES_WRITTEN[:5])
    fingers.to(STANDARD[5] ^ 1 << RING, 2_000).to((STANDARD[5] ^ 1 << RING) & STANDARD[6], 20_000)
    told, words = found(fingers.play(NOTES_WRITTEN[5:]))
    assert told == [("idle", 5, 2, RING)]
    assert words == ["Bar 2: From E to F the bottom ring finger takes no part, but it lifted for a moment."]


def test_notes_too_many_inside_a_movement_and_in_a_group_are_told_one_by_one():
    # High G, D and E are the grace notes of a doubling on E, after low A; in it a low G more sounds.
    graced = [WrittenNote(1), WrittenNote(5, (7, 5, 6)), WrittenNote(1)]
    fingers = Fingers(scatter_us=0).play([1])
    for note in (7, 5, 0, 6):
        fingers.to(STANDARD[note], 50_000)
    fingers.play([5, 1])
    analysis = fingers.analysis(graced)
    assert [one.verdict for one in analysis.movements] == ["faulty"]
    assert found(fingers, written=graced) == ([("extra", 1, None, None)], ["A low G that is not written."])
    # Between low G and B neither high A nor C is a stray, and they make no embellishment.
    fingers = Fingers(scatter_us=0).play([0]).to(STANDARD[8], 60_000).to(STANDARD[3], 60_000).play([2, 0, 2])
    told = departures(fingers.analysis(plain(0, 2, 0, 2)))
    assert [(one.kind, NOTES[one.note]) for one in told] == [("extra", "high A"), ("extra", "C")]
    assert [one.start_us for one in told] == sorted(one.start_us for one in told)
    assert [one["note"] for one in as_dict(fingers.analysis(plain(0, 2, 0, 2)), "", "")["misread"]] == ["high A", "C"]


def test_what_was_lost_is_shown_and_not_counted():
    fingers = Fingers().play(NOTES_WRITTEN[:5])
    lost_us = fingers.now_us
    fingers.play(NOTES_WRITTEN[6:])
    doubts = [Doubt(lost_us - 100, lost_us + 100, "lost", 3)]
    (one,) = departures(fingers.analysis(WRITTEN, doubts))
    assert (one.kind, one.uncertain) == ("missed", True)
    assert one.words == "Bar 2: F was left out. Something was lost there."
    (music,) = played_musics(fingers.analysis(WRITTEN, doubts))
    assert music.words == []


def test_what_is_not_judged_departs_from_nothing():
    analysis = Fingers().play([8, 2, 7]).analysis(WRITTEN)
    assert [one.kind for one in departures(analysis)] == ["wrong", "wrong"]
    analysis.musics = (Music(WRITTEN, asked=SessionMusic(judged=False)),)
    assert departures(analysis) == played_musics(analysis) == []


def test_equal_departures_are_gathered_the_most_frequent_first():
    wrong = [8 if place == 5 else note for place, note in enumerate(NOTES_WRITTEN)]
    (music,) = played_musics(Fingers().play([*wrong, *wrong, *NOTES_WRITTEN[:3], *NOTES_WRITTEN[4:]]).analysis(WRITTEN))
    assert music.words == ["high A instead of F. (2 times)", "D was left out."]
    assert (music.right, music.played) == (43, 45)


@given(st.lists(st.sampled_from([0, 1, 2, 3, 5, 7]), min_size=2, max_size=12), st.integers(0, 10_000))
def test_the_notes_led_to_and_the_places_published_agree_with_a_plain_recount(played, seed):
    notes = [note for place, note in enumerate(played) if not place or played[place - 1] != note]
    analysis = Fingers(seed).play(notes).analysis(plain(0, 1, 2, 3, 5, 7))
    whole = as_dict(analysis, "", "")
    rows = whole["notes"]
    assert [pair[0] != pair[1] for pair in pairwise(row["note"] for row in rows)] == [True] * len(whole["changes"])
    assert notes_led_to(analysis) == list(range(1, len(rows)))
    for change, before, row in zip(whole["changes"], rows, rows[1:], strict=False):
        assert (change["from"], change["to"]) == (before["note"], row["note"])
        a, b = before["written"], row["written"]
        follows = a is not None and b is not None and b["index"] == a["index"] + 1
        assert change["written"] == ({key: b[key] for key in ("music", "pass", "index")} if follows else None)
    written = [row for row in rows if row["written"]]
    assert sum(one.right for one in passes(analysis)[0]) == sum(
        NOTES.index(row["note"]) == (0, 1, 2, 3, 5, 7)[row["written"]["index"]] for row in written
    )


def plant(kind, chance):
    """A playing with scattered fingers and one fault, and what is to be found: kind, written number, finger."""
    fingers = Fingers(chance.random(), scatter_us=4_000)
    at = chance.randrange(1, len(NOTES_WRITTEN) - 1)
    if kind == "stray":
        while True:
            from_note, to_note = NOTES_WRITTEN[at - 1 : at + 1]
            moving = STANDARD[from_note] ^ STANDARD[to_note]
            fitting = [
                finger
                for finger in range(8)
                if moving >> finger & 1
                and moving.bit_count() > 1
                and SOUNDING[STANDARD[from_note] ^ 1 << finger] in possible_strays(from_note, to_note)
            ]
            if fitting:
                break
            at = chance.randrange(1, len(NOTES_WRITTEN) - 1)
        finger = chance.choice(fitting)
        fingers.play(NOTES_WRITTEN[:at]).to(STANDARD[from_note] ^ 1 << finger, chance.randrange(60_000, 150_000))
        return fingers.play(NOTES_WRITTEN[at:]), (kind, at, finger)
    if kind == "wrong":
        other = chance.choice([n for n in range(9) if n not in NOTES_WRITTEN[at - 1 : at + 2]])
        return fingers.play([*NOTES_WRITTEN[:at], other, *NOTES_WRITTEN[at + 1 :]]), (kind, at, None)
    if kind == "restart":
        back_to = 4 * (at // 4)
        if back_to == at or NOTES_WRITTEN[at] == NOTES_WRITTEN[back_to]:
            back_to = 0
        return fingers.play([*NOTES_WRITTEN[: at + 1], *NOTES_WRITTEN[back_to:]]), (kind, back_to, None)
    if kind == "missed":
        while NOTES_WRITTEN[at - 1] == NOTES_WRITTEN[at + 1]:
            at = chance.randrange(1, len(NOTES_WRITTEN) - 1)
        return fingers.play([*NOTES_WRITTEN[:at], *NOTES_WRITTEN[at + 1 :]]), (kind, at, None)
    while True:  # idle
        from_note, to_note = NOTES_WRITTEN[at - 1 : at + 1]
        both = STANDARD[from_note] & STANDARD[to_note]
        fitting = [f for f in range(4, 8) if both >> f & 1 and to_note >= 5 and from_note >= 5]
        if fitting:
            break
        at = chance.randrange(1, len(NOTES_WRITTEN) - 1)
    finger = chance.choice(fitting)
    fingers.play(NOTES_WRITTEN[:at]).to(STANDARD[to_note], idle=1 << finger)
    return fingers.play(NOTES_WRITTEN[at + 1 :]), (kind, at, finger)


@pytest.mark.parametrize("kind", ["stray", "wrong", "restart", "missed", "idle"])
def test_a_planted_fault_is_named_and_nothing_else(kind):
    named, alone, runs = 0, 0, 40
    for seed in range(runs):
        fingers, (_, at, finger) = plant(kind, random.Random(f"{kind} {seed}"))
        analysis = fingers.analysis(WRITTEN)
        told = [(one.kind, one.number, one.finger) for one in departures(analysis)]
        for change, led_to in zip(analysis.changes, notes_led_to(analysis), strict=True):
            if change.verdict == "stray":
                told.append(("stray", analysis.held[led_to].written.number, diagnose_change(change).finger))
        # Of two fingers that come apart, it cannot be said whether one was late or the other early.
        named += any((one[0], one[1]) == (kind, at) and (kind == "stray" or one[2] == finger) for one in told)
        alone += len(told) == 1
    assert named >= 0.95 * runs
    assert alone >= 0.95 * runs


def test_clean_pupils_are_told_nothing():
    said = Counter()
    for seed in range(40):
        said.update(found(Fingers(seed, scatter_us=4_000).play(NOTES_WRITTEN * 2))[1])
    assert not said


def test_words_name_every_note_as_the_trade_does():
    (music,) = played_musics(Fingers().play([1, 5, 2, 6, 3, 7, 4, 8, 0]).analysis(plain(1, 2, 3, 4, 5, 6, 7, 8, 0)))
    assert music.words
    for sentence in music.words:
        assert sentence.endswith((".", ")"))
        assert sum(name in sentence for name in NOTES) >= 1


def walk(seed, length):
    chance = random.Random(seed)
    notes = [chance.randrange(9)]
    while len(notes) < length:
        note = chance.randrange(9)
        if note != notes[-1]:
            notes.append(note)
    return notes


@pytest.mark.parametrize("length", [40, 3_000])
def test_long_playing_is_followed(length):
    chance = random.Random(length)
    wanted, played, faults = walk(length, length), [], 0
    while len(played) < 3_000:
        for note in wanted:
            wrong = chance.random() < 0.02
            faults += wrong
            note = (note + chance.randrange(1, 9)) % 9 if wrong else note
            if not played or played[-1] != note:
                played.append(note)
    analysis = Fingers().play(played).analysis(plain(*wanted))
    (music,) = played_musics(analysis)
    assert music.right >= len(played) - 1.2 * faults
    jumps = sum(one.kind in ("restart", "left out") for one in departures(analysis))
    assert jumps < 0.1 * faults
    assert np.all(np.diff([one.start_us for one in departures(analysis)]) >= 0)
