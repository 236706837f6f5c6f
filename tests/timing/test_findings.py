"""What to work on, in one order over runs, fingers apart, wrong notes and movements; and what is said before it."""

from __future__ import annotations

import pytest

from fingerlead.reading.music import WrittenNote
from fingerlead.timing.findings import NOTHING_STANDS_OUT, findings, work_on_first
from fingerlead.timing.published import as_dict
from fingerlead.timing.summary import summarise, wilson
from fingerlead.timing.worth import FEWEST
from tests.faces.playing import STANDARD, analysed, moved, random_playing, session
from tests.timing.fingers import Fingers

INDEX = 4


def written(notes):
    return [WrittenNote(note) for note in notes]


def found(fingers, notes):
    return findings(summarise([fingers.analysis(written(notes))]))


def test_what_to_work_on_first():
    states = [(0, STANDARD[0])]
    for turn in range(6):
        states += moved(0, {7: 0, 6: 18_000}, 1_000_000 * (2 * turn + 1))
        states += moved(2, {7: 0, 6: 0}, 1_000_000 * (2 * turn + 2))
    summary = summarise([analysed(states)])
    assert work_on_first(summary) == (
        "Work on low G to B first: in 6 of 6 (61 to 100 %) a low A sounded in between, typically for 18 ms. The bottom "
        "little was early in 6 of them, typically by 18 ms: together, the bottom ring a hair ahead."
    )


def test_what_to_work_on_first_where_nothing_stands_out():
    few = summarise([analysed([(0, STANDARD[0]), *moved(0, {7: 0, 6: 18_000})])])
    assert work_on_first(few).startswith("Too little was played")
    assert str(FEWEST) in work_on_first(few)
    assert work_on_first(summarise([session("clean", 1, 300)])) == NOTHING_STANDS_OUT


def test_strays_everywhere_and_none_that_stands_out_is_not_called_clean():
    anyhow = summarise([random_playing(90, seed=3, scatter_us=20_000)])
    assert not any(change.stands_out for change in anyhow.ranked())
    assert max(of.count for of in anyhow.by_change.values()) >= FEWEST
    assert anyhow.astray >= 15
    assert work_on_first(anyhow).startswith(f"Nothing stands out yet: strays sounded in {anyhow.astray} of 90")


def runs_and_wrong_notes(wrong):
    """Low G to B with a run of 60 ms each time, back, then D and E, where a wrong C sounds `wrong` of 8 times."""
    fingers, notes = Fingers(), []
    for turn in range(8):
        fingers.play([0]).to(STANDARD[0] ^ 1 << 7, 60_000).play([2, 4, 3 if turn < wrong else 5])
        notes += [0, 2, 4, 5]
    return fingers, notes


def test_runs_and_wrong_notes_stand_in_one_order_by_how_much_is_heard():
    fingers, notes = runs_and_wrong_notes(wrong=8)
    first, second = found(fingers, notes)
    # A wrong note of 400 ms is heard more than a run of 60.
    assert first.words == "D to E: in 8 of 8 (68 to 100 %) C was played instead of E."
    assert (first.times, first.of_all, first.interval) == (8, 8, wilson(8, 8))
    assert 350_000 < first.size_us < 450_000
    assert second.words.startswith("Low G to B: in 8 of 8 (68 to 100 %) a low A sounded in between, typically for 6")
    assert second.size_us == pytest.approx(60_000, abs=10_000)


def test_one_wrong_note_in_eight_may_be_chance():
    fingers, notes = runs_and_wrong_notes(wrong=1)
    (only,) = found(fingers, notes)
    assert only.subject == "low G to B"


def test_several_wrong_notes_are_told_by_the_commonest():
    fingers = Fingers()
    for turn in range(6):
        fingers.play([0, 2, 7 if turn == 3 else 3])
    (only,) = found(fingers, [0, 2, 5] * 6)
    assert only.words == ("B to E: in 6 of 6 (61 to 100 %) another note was played, mostly a C, instead of E.")


def test_fingers_apart_and_movements_left_out_are_in_the_same_order():
    doubled = [WrittenNote(1), WrittenNote(5, (7, 5, 6))]
    fingers = Fingers()
    for _ in range(6):
        fingers.play([1, 5])
    analysis = fingers.analysis(doubled * 6)
    (only,) = as_dict(analysis, "", "")["findings"]
    assert only == {
        "words": "The doubling on E: 6 of 6 (61 to 100 %) were not as written: it was left out, in 6 of them.",
        "movement": {"name": "doubling", "on": "E"}, "of": 6, "in": 6, "size_us": 0, "interval": list(wilson(6, 6)),
    }  # fmt: skip


def test_a_finding_of_a_change_is_published_with_its_notes():
    fingers, notes = runs_and_wrong_notes(wrong=8)
    first, second = as_dict(fingers.analysis(written(notes)), "", "")["findings"]
    assert list(first) == ["words", "change", "of", "in", "size_us", "interval"]
    assert (first["change"], second["change"]) == ({"from": "D", "to": "E"}, {"from": "low G", "to": "B"})


def test_that_music_is_unknown_is_said_first_and_which_short_notes_would_be_judged():
    fingers = Fingers()
    for turn in range(8):
        fingers.play([0])
        if turn < 6:
            fingers.to(STANDARD[0] ^ 1 << 7, 118_000)
        fingers.play([2])
    free, known = (summarise([fingers.analysis(written(notes))]) for notes in ((), [0, 2] * 8))
    said = work_on_first(free)
    assert said == (
        "The music is not known: in 12 changes a short note may have been meant or may have slipped in. A low A of 123 "
        "ms sounded between low G and B, 6 of 8. Name what was played (--expect, or --music as you record), and they "
        "can be judged."
    )
    assert findings(free) == []
    assert work_on_first(known).startswith(
        "Work on low G to B first: in 6 of 8 (41 to 93 %) a low A sounded in between"
    )
