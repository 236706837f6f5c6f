"""A learner at the rungs of embellishments, who reads nothing but what the page is told."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from fingerlead.faces.pages.practice.messages import Publisher
from fingerlead.practice.events import MovementJudged, MusicNow, Passed, TonightTurn
from fingerlead.practice.passing import movement_outcome
from fingerlead.practice.sums import Sums
from fingerlead.store.practice_log import NoteCounts, Progress
from fingerlead.timing.results import PlayedMovement
from tests.practice.practice_playing import TABLE, TOMORROW, Page, Player, a_practice

# The hand's own: the chart as text, and the finger that a grace note lifts (common practice).
CHART = dict(
    zip(
        ("low G", "low A", "B", "C", "D", "E", "F", "high G", "high A"),
        ("xxxxxxxx", "xxxxxxxo", "xxxxxxoo", "xxxxxoox", "xxxxooox", "xxxoxxxo", "xxooxxxo", "xoooxxxo", "oooxxxxo"),
        strict=True,
    )
)
LIFTED = {"high A": 0, "high G": 1, "F": 2, "E": 3, "D": 4}


class Learner:
    """Plays what is lit, with the grace notes that stand before it, as long as `grace_us` each."""

    def __init__(self, practice, grace_us=90_000):
        self.page, self.practice, self.grace_us, self.at = Page(), practice, grace_us, 0
        self.publisher = Publisher(self.page, TABLE, lambda name, tune: None)
        self.player = Player(practice)

    def look(self):
        for event in self.player.events[self.at :]:
            self.publisher(event)
        self.at = len(self.player.events)

    def choose(self, key):
        self.player.events += self.practice.start(key)
        self.publisher(MusicNow(self.practice.snapshot()))
        self.look()

    @property
    def sentence(self):
        return self.page.told["progress"]["sentence"]

    def play(self, leave_out=None):
        """The lit note; a grace note can be left out."""
        lit, notes = self.page.told["lit"], self.page.told["rung"]["notes"]
        names = self.page.told["notes"]
        graces = [names[note] for note in notes[lit["index"]]["graces"]]
        row = [*(name for place, name in enumerate(graces) if place != leave_out), names[lit["note"]]]
        for place, name in enumerate(row):
            after = CHART[row[place + 1]] if place + 1 < len(row) else ""
            lift = LIFTED.get(name)
            holes = CHART[name]
            if lift is not None and after[: lift + 1] == "x" * (lift + 1):
                holes = after[:lift] + "o" + after[lift + 1 :]
            mask = sum(1 << hole for hole, letter in enumerate(holes) if letter == "x")
            self.player.mask_for(mask, self.grace_us if place + 1 < len(row) else 400_000)
        self.player.live.idle()
        self.look()

    def climb(self, name):
        """To pass the rung with this name, and before it what the page names."""
        names = {rung["name"]: rung for rung in self.page.told["ladder"]}
        self.choose(names[name]["key"])
        while self.sentence.startswith("You may try it now."):
            open_rungs = (rung["name"] for rung in self.page.told["ladder"] if rung["state"] == "open")
            self.climb(next(one for one in open_rungs if one in self.sentence and one != name))
            self.choose(names[name]["key"])
        for _ in range(400):
            if self.page.told["progress"]["passed"]:
                self.publisher(MusicNow(self.practice.snapshot()))
                return
            self.play()
        raise AssertionError(f"{name} is not passed: {self.page.told['progress']}")


@pytest.mark.parametrize("order", ["derived", "taught"])
def test_from_the_nine_notes_through_single_grace_notes_to_a_doubling(order):
    learner = Learner(a_practice(order=order))
    learner.choose("low-g")
    learner.climb("doublings, slow")
    keys = [passed.rung_key for passed in learner.player.of(Passed) if passed.what == "passed"]
    assert keys[-1] == "doublings-slow"
    for family in ("high-g-grace-notes", "d-grace-notes"):
        assert keys.index(f"{family}-slow") < keys.index(family) < keys.index("doublings-slow")
    # Every change in the rungs was clean before.
    assert keys.index("high-g-grace-notes-slow") >= 1
    assert "as written" in learner.sentence or learner.page.told["progress"]["passed"]


def passed_before(*keys):
    progress = Progress()
    for key in keys:
        progress.rung_passed(TOMORROW, key)
    return progress


def at_doublings(grace_us=90_000):
    known = passed_before("low-a-b", "high-g-grace-notes", "d-grace-notes")
    learner = Learner(a_practice(known, today=TOMORROW), grace_us)
    learner.choose("doublings-slow")
    return learner


@pytest.mark.parametrize("left_out", [0, 1, 2])
def test_a_doubling_without_a_note_breaks_the_row(left_out):
    learner = at_doublings()

    def until_whole():
        while len(learner.page.told["rung"]["notes"][learner.page.told["lit"]["index"]]["graces"]) < 3:
            learner.play()

    def count():
        return learner.page.told["progress"]["out"]["in_a_row"]

    while count() < 3:
        learner.play()
    until_whole()
    seen = [count()]
    learner.play(leave_out=left_out)
    for _ in range(6):
        learner.play()
        seen.append(count())
    assert any(after < before for before, after in pairwise(seen))
    assert "passed" not in {passed.what for passed in learner.player.of(Passed)}


def test_what_comes_first_is_named_and_nothing_counts_before_it():
    learner = Learner(a_practice(passed_before("low-a-b"), today=TOMORROW))
    learner.choose("doublings-slow")
    assert "high G grace notes" in learner.sentence
    assert "low A and B" not in learner.sentence
    for _ in range(30):
        learner.play()
    assert learner.player.of(MovementJudged)
    assert learner.page.told["progress"]["out"]["in_a_row"] == 0


def test_a_movement_slower_than_the_rung_allows_does_not_count():
    known = passed_before(
        "low-a-b", "low-g-low-a", "low-g-b", "low-g-c", "low-g-d", "c-d", "low-a-e", "low-a-f",
        "high-g-grace-notes-slow",
    )  # fmt: skip
    # A grace note is to last at most 3.5 times as long as a skilled one, which is 34 ms in the middle.
    for grace_us, wanted in ((90_000, "clean"), (112_000, "clean"), (125_000, "too slow"), (150_000, "too slow")):
        learner = Learner(a_practice(known, today=TOMORROW), grace_us)
        learner.choose("high-g-grace-notes")
        assert not learner.practice.snapshot().progressed.first
        for _ in range(9):
            learner.play()
        judged = learner.player.of(MovementJudged)
        assert {one.outcome for one in judged} == {wanted}
        assert movement_outcome(judged[0].played, None) == "clean"


def tonight_with(doublings_wrong, changes_wrong, passed=()):
    """A learner who has played ten doublings and ten of two changes before, so many of them wrong."""
    progress = passed_before("low-a-b", "low-g-b", *passed)
    for number in range(10):
        progress.movement_played(TOMORROW, "doubling", right=number >= doublings_wrong)
        for change in ((0, 2), (3, 5)):
            progress.change_played(TOMORROW, change, "stray" if number < changes_wrong else "clean")
    learner = Learner(a_practice(progress, today=TOMORROW))
    learner.player.events += learner.practice.tonight()
    learner.publisher(MusicNow(learner.practice.snapshot()))
    learner.look()
    return learner


@pytest.mark.parametrize(("passed", "key"), [((), "doublings-slow"), (("doublings-slow",), "doublings")])
def test_tonight_takes_up_the_embellishment_that_goes_wrong_most(passed, key):
    learner = tonight_with(9, 4, passed)
    (turn,) = learner.player.of(TonightTurn)
    assert turn.item.rung == key
    assert turn.item.name in learner.page.told["tonight"]["sentence"]
    assert learner.page.told["rung"]["name"] == turn.item.name
    for number in range(24):
        learner.play(leave_out=1 if number == 20 else None)
    judged = learner.player.of(MovementJudged)
    # It is told how each went, and nothing of it counts toward passing.
    assert {one.played.written for one in judged} == {"doubling"}
    assert {one.outcome for one in judged} >= {"clean"}
    assert not learner.player.of(Passed)
    assert learner.practice.snapshot().progressed.needed == 0
    learner.practice.close()
    told = [weak for weak in learner.practice.progress.weakest() if weak.movement == "doubling"]
    assert told[0].tried > 10
    assert told[0].wrong < (9 + 1) / (10 + 4)


def test_tonight_leaves_an_embellishment_for_changes_that_go_wrong_more():
    learner = tonight_with(2, 8)
    (turn,) = learner.player.of(TonightTurn)
    assert not turn.item.rung
    assert turn.item.notes in ((0, 2), (3, 5))


def test_a_movement_is_counted_once_as_it_is_in_the_end():
    progress = Progress()
    sums = Sums(progress)
    played = PlayedMovement("grip", "grip", 1, 2, 5_000_000, 5_200_000, (), "as written", None)
    sums.movement(played, TOMORROW)
    sums.movement(replace(played, verdict="faulty"), TOMORROW)  # on second look
    sums.movement(replace(played, start_us=6_000_000, end_us=6_200_000), TOMORROW)
    sums.movement(replace(played, start_us=6_000_000, end_us=6_200_000), TOMORROW, taken_back=True)
    sums.movement(replace(played, start_us=7_000_000, end_us=7_200_000, verdict="unclear"), TOMORROW)
    sums.movement(replace(played, start_us=8_000_000, written=None, verdict="unwritten"), TOMORROW)
    sums.settle()
    sums.movement(replace(played, verdict="as written"), TOMORROW)  # too late
    assert progress._movements == {"grip": {TOMORROW: NoteCounts(1, 0)}}
