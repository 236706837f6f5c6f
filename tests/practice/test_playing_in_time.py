"""A tune that goes by in time: counted in, lit by the beat that is heard, read against it, and summed up at its end.

What is played is put together here, note by note, from when each is due: nothing of the course or the sum is used.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from itertools import pairwise

import pytest
from typer.testing import CliRunner

from fingerlead.faces.cli.main import app
from fingerlead.faces.pages.desk.sessions import session_page
from fingerlead.faces.pages.practice.messages import say
from fingerlead.faces.pages.practice.telling import Telling
from fingerlead.library import analyse
from fingerlead.phrases import small
from fingerlead.practice import events, inbox
from fingerlead.practice.course import TuneCourse, bar_beats
from fingerlead.practice.own_tunes import own_tune
from fingerlead.store.intake import load
from fingerlead.studio.studio import Studio
from fingerlead.timing.fault_words import fault_sentence
from fingerlead.timing.movement_beats import placed_movements
from fingerlead.timing.playthrough import Playthrough, playthrough_sentence, playthroughs
from tests.practice.practice_playing import STANDARD, TABLE
from tests.practice.session_tools import SessionByHand, files

BEAT_US = 1_000_000
PLAIN = "X:1\nT:Plain\nM:4/4\nL:1/4\nK:HP\nA B A e | d B A e | f e B e | A2 e A |]\n"
GRACED = "X:1\nT:Graced\nM:4/4\nL:1/4\nK:HP\n{g}A B {g}A e | d {g}B A e | {g}f e B {g}e | A2 e A |]\n"
UPBEAT = "X:1\nT:Upbeat\nM:3/4\nL:1/4\nK:HP\nB | A B e | d B A | f e B | A2 |]\n"
HALF = "X:1\nT:Half\nM:6/8\nL:1/8\nK:HP\nB | A2 B e2 f | d2 B A2 B | f2 e B2 e | A3 e2 |]\n"


@dataclass
class Player:
    """Plays a tune by the page's keys: `offs_us` is how far off each note is, `left_out` and `wrong` by its place."""

    abc: str
    offs_us: dict[int, int] = field(default_factory=dict)
    left_out: frozenset[int] = frozenset()
    wrong: dict[int, int] = field(default_factory=dict)
    all_us: int = 0
    jitter_us: int = 0
    grace_us: int = 40_000
    seed: int = 1
    stops_at: float | None = None

    def play(self, by_hand: SessionByHand) -> None:
        """From asking for it to a while after its end; clicks come as a page tells them, a little uneven."""
        rng = random.Random(self.seed)
        music = own_tune(self.abc)
        by_hand.actor.carry_out(inbox.Listen("page"))
        by_hand.actor.carry_out(inbox.PlayOwn(music))
        port = by_hand.actor.page_port
        assert port is not None
        port.feed(STANDARD[0], by_hand.now_us)
        by_hand.chunks(port, 600_000)
        by_hand.actor.carry_out(inbox.PlayInTime())
        first_us = by_hand.now_us + 200_000
        notes = music.tune.played()
        compound = music.tune.meter == (6, 8)
        beats = 2 if compound else music.tune.meter[0]
        upbeat = float(music.tune.bars[0].length) * 8 / 3 if compound else float(music.tune.bars[0].length) * 4
        upbeat = 0 if music.tune.first_bar_number else upbeat
        # Whole bars of beats, of at least three seconds here, and the upbeat out of the last.
        bars = next(count for count in range(1, 9) if count * beats - upbeat >= max(2.5, beats))
        begins_us = first_us + (bars * beats - upbeat) * BEAT_US
        clicks = [(first_us + n * BEAT_US + rng.randint(-4_000, 4_000), "click", 0) for n in range(40)]
        fed: list[tuple[float, str, int]] = []
        for place, note in enumerate(notes):
            if place in self.left_out:
                continue
            at_us = begins_us + float(note.starts_at) * (8 / 3 if compound else 4) * BEAT_US
            at_us += self.all_us + self.offs_us.get(place, 0) + rng.randint(-self.jitter_us, self.jitter_us)
            graces = [(at_us - (len(note.graces) - n) * self.grace_us, "mask", STANDARD[grace])
                      for n, grace in enumerate(note.graces)]  # fmt: skip
            fed += [*graces, (at_us, "mask", STANDARD[self.wrong.get(place, note.note)])]
        end_us = begins_us + (float(notes[-1].starts_at) * (8 / 3 if compound else 4) + 4) * BEAT_US
        if self.stops_at is not None:
            end_us = begins_us + self.stops_at * BEAT_US
        for at_us, what, mask in sorted([*clicks, *fed, (end_us, "end", 0)]):
            if at_us > end_us or what == "end":
                break
            # A step may reach a little beyond; what is told carries its own time.
            by_hand.chunks(port, round(at_us) - by_hand.now_us, 5_000)
            if what == "click":
                by_hand.actor.carry_out(inbox.PageBeat(round(at_us)))
            else:
                port.feed(mask, round(at_us))
        by_hand.chunks(port, 300_000)


def told(by_hand: SessionByHand) -> events.PlayedInTime:
    (one,) = by_hand.of(events.PlayedInTime)
    return one


def outcome(played: Playthrough) -> list[str]:
    return [note.how for note in played.notes]


def test_the_note_that_is_due_is_lit_by_the_beat_whatever_is_played(tmp_path):
    by_hand = SessionByHand(tmp_path)
    lit: list[tuple[int, int]] = []
    tell = by_hand.actor._tell
    by_hand.actor._tell = lambda event: (  # type: ignore[method-assign]
        lit.append((by_hand.now_us, event.index)) if isinstance(event, events.Lit) else None, tell(event)
    )  # fmt: skip
    Player(PLAIN, left_out=frozenset(range(1, 16))).play(by_hand)
    counts = [one.now.count for one in by_hand.of(events.InTime) if one.now is not None and one.now.state == "counting"]
    assert counts == [1, 2, 3, 4]
    steps = [(at_us, index) for at_us, index in lit if index > 0]
    assert [index for _, index in steps[:14]] == list(range(1, 15))
    gaps = [after[0] - before[0] for before, after in pairwise(steps[:12])]
    assert all(abs(gap - BEAT_US) <= 15_000 for gap in gaps)


@pytest.mark.parametrize("abc", [PLAIN, GRACED, UPBEAT, HALF], ids=["plain", "graced", "upbeat", "half an upbeat"])
@pytest.mark.parametrize("all_us", [0, -60_000, 70_000], ids=["on the click", "ahead of it", "behind it"])
def test_who_plays_with_the_beat_has_every_note(abc, all_us, tmp_path):
    by_hand = SessionByHand(tmp_path)
    Player(abc, all_us=all_us, jitter_us=12_000).play(by_hand)
    played = told(by_hand).played
    assert set(outcome(played)) == {"with the beat"}
    assert len(played.notes) == len(own_tune(abc).wanted.notes)
    assert (played.fault, told(by_hand).next) == (None, None)
    assert playthrough_sentence(played) == "Every note came with the beat."


def test_an_embellishment_that_comes_late_is_told_as_the_analysis_tells_it(tmp_path):
    by_hand = SessionByHand(tmp_path)
    Player(GRACED, {8: 130_000}, jitter_us=3_000).play(by_hand)
    said = Telling(TABLE, say, lambda hold: "", lambda judged: "")
    said.take_in(told(by_hand))
    (late,) = told(by_hand).aside
    assert [fault.kind for fault in late.faults] == ["late"]
    assert said.now["sentence"].endswith(fault_sentence(late, late.faults[0]))
    assert "grace note: it comes late, by 1" in said.now["sentence"]
    by_hand.actor.close()
    (session,) = files(tmp_path)
    of_file = placed_movements(analyse(load(session)))
    assert [(one.start_us, one.faults) for one in of_file if one.faults] == [(late.start_us, late.faults)]


def test_the_place_where_most_went_wrong_is_named_with_its_rung():
    by_hand = SessionByHand()
    Player(PLAIN, {2: 90_000, 8: 130_000, 9: -120_000, 11: 99_000}, frozenset({4}), {6: 3}).play(by_hand)
    played = told(by_hand).played
    how = {note.place: note.how for note in played.notes if note.how != "with the beat"}
    assert how == {2: "late", 4: "missed", 6: "another", 8: "late", 9: "early", 11: "late"}
    assert played.with_beat == 9
    assert playthrough_sentence(played) == "9 of 15 notes came with the beat; in bar 3 the F came late."
    assert [note.place for note in played.place] == [8, 9, 10, 11]
    assert told(by_hand).next is not None
    assert told(by_hand).next.name == "E, F and high G"


def test_what_is_read_of_the_session_is_what_was_told(tmp_path):
    for seed, abc in enumerate((PLAIN, GRACED, UPBEAT, HALF)):
        folder = tmp_path / str(seed)
        by_hand = SessionByHand(folder)
        wanders = random.Random(seed)
        offs = {place: wanders.choice([0, 0, 0, 80_000, -150_000, 300_000]) for place in range(1, 15)}
        Player(abc, offs, frozenset({7}), {11: 8}, jitter_us=15_000, seed=seed).play(by_hand)
        by_hand.actor.carry_out(inbox.Finish())
        (path,) = files(folder)
        (again,) = playthroughs(analyse(load(path)))
        assert (again.notes, again.constant_us) == (told(by_hand).played.notes, told(by_hand).played.constant_us)
        assert 0 < again.with_beat < len(again.notes)


def test_its_sum_is_the_same_on_every_face(tmp_path):
    by_hand = SessionByHand(tmp_path)
    Player(PLAIN, {6: 300_000}, frozenset({11})).play(by_hand)
    by_hand.actor.carry_out(inbox.Finish())
    (path,) = files(tmp_path)
    sentence = f"In time, Plain: {small(playthrough_sentence(told(by_hand).played))}"
    page = tmp_path / "page.html"
    assert CliRunner().invoke(app, ["report", str(path), "-o", str(page)]).exit_code == 0
    pages = [page.read_text()]
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Isla", "left", "", "").key
        studio.take_in(key, path)
        (session,) = studio.index.sessions(key)
        pages.append(session_page(studio, session.digest))
    # In the report on the teacher's sheet and in what is folded.
    assert [page.count(sentence) for page in pages] == [2, 1]
    assert sentence in CliRunner().invoke(app, ["analyse", str(path)]).output


def test_stopped_before_its_end_nothing_is_told_and_it_waits_again(tmp_path):
    by_hand = SessionByHand(tmp_path)
    Player(PLAIN, stops_at=6.5).play(by_hand)
    by_hand.actor.carry_out(inbox.PlayInTime(on=False))
    by_hand.wait(0.2)
    assert by_hand.of(events.PlayedInTime) == []
    assert by_hand.of(events.InTime)[-1].now is None
    assert by_hand.of(events.MetronomeNow)[-1].settings["on"] is False  # as it was before
    by_hand.actor.carry_out(inbox.Finish())
    (path,) = files(tmp_path)
    (partly,) = playthroughs(analyse(load(path)))
    assert outcome(partly) == ["with the beat"] * len(partly.notes)
    assert len(partly.notes) == 7


ENDS = [
    inbox.ChooseRung("low-g-low-a-b"), inbox.BeginTonight(), inbox.BeginAgain(), inbox.Choose("sim"),
    inbox.SetMetronome(on=False), inbox.SetMetronome(bpm=90),
]  # fmt: skip


@pytest.mark.parametrize("ends", ENDS)
def test_whatever_else_is_asked_for_ends_it(ends):
    by_hand = SessionByHand()
    Player(PLAIN, stops_at=3).play(by_hand)
    by_hand.actor.carry_out(ends)
    by_hand.wait(3)
    assert by_hand.actor._practice.due_in_us is None
    assert by_hand.of(events.PlayedInTime) == []
    by_hand.actor.close()


def test_where_no_beat_is_heard_that_is_said_and_it_waits():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.actor.carry_out(inbox.PlayInTime())  # on a rung: there is nothing to go by
    assert by_hand.of(events.Notice)[-1].sentence.startswith("Expected a tune with a meter")
    by_hand.actor.carry_out(inbox.PlayOwn(own_tune(PLAIN)))
    by_hand.actor.carry_out(inbox.PlayInTime())
    by_hand.wait(4)
    assert by_hand.of(events.InTime)[-1] == events.InTime(None, silent=True)
    assert by_hand.of(events.Notice)[-1].sentence.startswith("No beat is heard")
    by_hand.actor.close()


@pytest.mark.parametrize(("meter", "beats"), [("4/4", 4), ("6/8", 2), ("3/4", 3), ("C|", 2), ("none", None)])
def test_a_tune_goes_by_in_its_own_bars(meter, beats):
    assert bar_beats(own_tune(f"X:1\nT:x\nM:{meter}\nL:1/8\nK:HP\nA B A B | A B A B |]\n").tune) == beats
    assert bar_beats(own_tune(f"X:1\nT:x\nM:{meter}\nL:1/8\nK:HP\nA B A B |]\n").tune) is None


def test_a_beat_that_stumbles_or_falls_silent():
    music = own_tune(PLAIN)
    course = TuneCourse(music.tune, music.wanted, BEAT_US, 0)
    course.click(-50_000)  # of the beat before
    assert course.begins_us is None
    course.click(400_000)  # another one of it, as the new one begins
    course.click(700_000)
    course.click(1_700_000)
    assert course.begins_us == 4_700_000
    course.click(2_703_000)
    course.click(3_100_000)  # from elsewhere: not this beat
    assert abs((course.begins_us or 0) - 4_700_000) <= 3_000
    assert course.now(4_699_000).state == "counting"
    assert (course.now(4_710_000).state, course.now(4_710_000).index) == ("playing", 0)
    assert course.now(6_710_000).state == "silent"


def test_nothing_is_told_of_the_fingers_until_it_is_over():
    by_hand = SessionByHand()
    Player(PLAIN, {5: 200_000}).play(by_hand)
    telling = Telling(TABLE, say, lambda hold: "", lambda movement: "")
    said = []
    for event in by_hand.told:
        if telling.take_in(event):
            said.append((telling.now["what"], telling.now["sentence"]))
    assert said[-1] == ("in time", "14 of 15 notes came with the beat; in bar 2 the B came late.")
    assert telling.now["next"]["name"]
    assert [one["how"] for one in telling.now["bar"]] == ["with the beat", "late", "with the beat", "with the beat"]
    telling.take_in(events.Lit(3, None, 5))
    assert telling.now["what"] == ""  # it is played again
