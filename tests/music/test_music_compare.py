"""Played against written, from finger edges to words."""

from __future__ import annotations

import json
import random
from collections import Counter
from itertools import pairwise

import pytest

from fingering.holes import FINGERS
from fingering.moves import possible_strays
from fingering.notes import NOTES, SOUNDING
from fingerlead.music.abc import parse_abc
from fingerlead.music.align import PlayedNote
from fingerlead.music.compare import compare, compare_analysis, expected_json
from fingerlead.music.tune import ExpectationError, expect
from fingerlead.timing.results import Held
from fingerlead.wire.events import Doubt
from tests.music.music_playing import STANDARD, Fingers, held

TUNE = "X:1\nT:The Test\nM:4/4\nL:1/4\nK:HP\nGBcd|efga|gecA|dBeG|]\n"
(WRITTEN,), _ = parse_abc(TUNE)
NOTES_WRITTEN = [note.note for note in WRITTEN.played()]
CLEAN = ["Nothing stands out."]


def found(fingers, doubts=()):
    comparison = compare_analysis(fingers.analysis(doubts), WRITTEN)
    return [(f.kind, f.expected, f.bar, f.finger) for f in comparison.findings], comparison


def test_a_clean_playing_has_nothing_that_stands_out():
    findings, comparison = found(Fingers().play(NOTES_WRITTEN))
    assert findings == []
    assert comparison.summary == CLEAN
    assert comparison.wanted == tuple(pairwise(NOTES_WRITTEN))


def test_a_wrong_note():
    findings, comparison = found(Fingers().play(NOTES_WRITTEN[:5]).play([8]).play(NOTES_WRITTEN[6:]))
    assert findings == [("wrong", 5, 2, None)]
    assert comparison.findings[0].words == "Bar 2: high A instead of F."
    assert comparison.wanted[4] == (NOTES_WRITTEN[4], NOTES_WRITTEN[5])
    assert comparison.wanted[5] == (NOTES_WRITTEN[5], NOTES_WRITTEN[6])


def test_a_slow_stray_names_its_finger():
    little = FINGERS.index("bottom little")
    fingers = Fingers().play(NOTES_WRITTEN[:1]).to(STANDARD[0] ^ 1 << little, 90_000).play(NOTES_WRITTEN[1:])
    findings, comparison = found(fingers)
    assert findings == [("slow stray", None, 1, little)]
    assert comparison.findings[0].words == (
        "Bar 1: From low G to B the bottom little finger went before the bottom ring finger: a low A sounded."
    )
    assert comparison.wanted[:2] == ((0, 2), (0, 2))


def test_a_restart():
    findings, comparison = found(Fingers().play(NOTES_WRITTEN[:6]).play(NOTES_WRITTEN[4:]))
    assert findings == [("restart", 4, None, None)]
    assert comparison.findings[0].words == "You stopped in bar 2 and took it up again from E."
    assert comparison.wanted[5] is None
    assert comparison.wanted[6] == (5, 6)


def test_an_idle_finger_that_stays_away():
    ring = FINGERS.index("bottom ring")
    fingers = Fingers().play(NOTES_WRITTEN[:5])
    for note in NOTES_WRITTEN[5:8]:
        fingers.to(STANDARD[note], idle=1 << ring)
    findings, comparison = found(fingers.play(NOTES_WRITTEN[8:]))
    assert findings == [("idle", 5, 2, ring)]
    assert "the bottom ring finger takes no part" in comparison.findings[0].words
    assert comparison.findings[0].duration_us > 1_000_000


def test_an_idle_finger_that_slips_within_a_change():
    ring = FINGERS.index("bottom ring")
    fingers = Fingers(scatter_us=0).play(NOTES_WRITTEN[:5])
    fingers.to(STANDARD[5] ^ 1 << ring, 2_000).to((STANDARD[5] ^ 1 << ring) & STANDARD[6], 20_000)
    findings, comparison = found(fingers.play(NOTES_WRITTEN[5:]))
    assert findings == [("idle", 5, 2, ring)]
    assert comparison.summary == ["From E to F the bottom ring finger takes no part, but it lifted for a moment."]


def test_what_was_lost_is_shown_and_not_counted():
    fingers = Fingers().play(NOTES_WRITTEN[:5])
    lost_us = fingers.now_us
    fingers.play(NOTES_WRITTEN[6:])
    _, comparison = found(fingers, [Doubt(lost_us - 100, lost_us + 100, "lost", 3)])
    assert [(f.kind, f.uncertain) for f in comparison.findings] == [("missed", True)]
    assert comparison.summary == CLEAN


def test_the_published_object():
    fingers = Fingers().play(NOTES_WRITTEN[:5]).play([8]).play(NOTES_WRITTEN[6:])
    expected, wanted = expected_json(fingers.analysis(), WRITTEN)
    json.dumps([expected, wanted])
    assert (expected["name"], expected["notes"], expected["right"], expected["played"]) == ("The Test", 16, 15, 16)
    assert (expected["times"], expected["reached"]) == (1, 16)
    assert expected["wrong"][0]["note"] == "F"
    assert expected["wrong"][0]["played"] == "high A"
    assert expected["missed"] == expected["extra"] == expected["restarts"] == expected["slow_strays"] == []
    assert expected["words"] == ["high A instead of F."]
    assert wanted[0] == {"from": "low G", "to": "B"}
    assert len(wanted) == 15


def test_plain_notes_will_do_and_silence_is_told():
    expected, wanted = expected_json(Fingers().play([0, 2, 0]).analysis(), [0, 2, 0, 2], "low G and B")
    assert (expected["name"], expected["right"], expected["reached"]) == ("low G and B", 3, 3)
    assert wanted == [{"from": "low G", "to": "B"}, {"from": "B", "to": "low G"}]
    with pytest.raises(ExpectationError):
        expected_json(Fingers().play([0]).analysis(), [])


def test_nothing_played():
    comparison = compare(expect(WRITTEN), [])
    assert comparison.items == ()
    assert comparison.as_dict()["reached"] == 0


def plant(kind, chance):
    """A playing with scattered fingers and one fault, and what is to be found: kind, expected index, finger."""
    fingers = Fingers(chance.random(), scatter_us=4_000)
    at = chance.randrange(1, len(NOTES_WRITTEN) - 1)
    if kind == "slow stray":
        while True:
            from_note, to_note = NOTES_WRITTEN[at - 1 : at + 1]
            moving = STANDARD[from_note] ^ STANDARD[to_note]
            fitting = [
                finger
                for finger in range(8)
                if moving >> finger & 1
                and moving.bit_count() > 1
                and fingers_sound(STANDARD[from_note] ^ 1 << finger, from_note, to_note)
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


def fingers_sound(mask, from_note, to_note):
    return SOUNDING[mask] in possible_strays(from_note, to_note)


@pytest.mark.parametrize("kind", ["slow stray", "wrong", "restart", "missed", "idle"])
def test_a_planted_fault_is_named_and_nothing_else(kind):
    named, alone, runs = 0, 0, 40
    for seed in range(runs):
        fingers, (_, at, finger) = plant(kind, random.Random(f"{kind} {seed}"))
        _, comparison = found(fingers)
        matching = [
            f
            for f in comparison.findings
            if f.kind == kind and f.finger == finger and (kind == "slow stray" or f.expected == at)
        ]
        named += len(matching) == 1
        alone += len(comparison.findings) == 1
    assert named >= 0.95 * runs
    assert alone >= 0.95 * runs


def test_clean_pupils_are_told_that_nothing_stands_out():
    said = Counter()
    for seed in range(40):
        _, comparison = found(Fingers(seed, scatter_us=4_000).play(NOTES_WRITTEN * 2))
        said.update(comparison.summary)
    assert set(said) == set(CLEAN)


def test_words_name_every_note_and_finger_as_the_trade_does():
    fingers = Fingers().play([1, 5, 2, 6, 3, 7, 4, 8, 0])
    comparison = compare_analysis(fingers.analysis(), [1, 2, 3, 4, 5, 6, 7, 8, 0])
    for sentence in comparison.summary:
        assert sentence.endswith((".", ")"))
        assert sum(name in sentence for name in NOTES) >= 1


def test_held_notes_alone_will_do():
    played = [Held(n.note, STANDARD[n.note], n.start_us, n.end_us, "standard", ()) for n in held([0, 1, 3])]
    comparison = compare(expect([0, 1, 2, 3]), played)
    assert [(f.kind, f.expected) for f in comparison.findings] == [("missed", 2)]
    assert isinstance(held([0])[0], PlayedNote)
