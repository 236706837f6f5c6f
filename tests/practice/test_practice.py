"""A practice: the lit note, what is judged and diagnosed, what passes a rung, whatever pieces the playing comes in."""

from __future__ import annotations

import random
from collections import Counter
from itertools import groupby, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.holes import fingers_of
from fingering.ladder import ladder
from fingering.orders import rung_named, rungs_in
from fingerlead.listening.reader import Back, Lost
from fingerlead.practice.events import GoingOn, Judged, Lit, Passed, Progressed, TakenBack, WentOn
from fingerlead.practice.takes import KEPT
from fingerlead.simulated.planting import plant_one
from fingerlead.simulated.script import ScriptNote
from fingerlead.store.practice_log import Progress
from fingerlead.timing.live import LiveResult
from fingerlead.timing.mended import diagnose_change, measured
from tests.practice.practice_playing import (
    HOLD_US,
    SETTINGS,
    STANDARD,
    TABLE,
    TODAY,
    TOMORROW,
    Player,
    a_practice,
    heard,
    played,
    wire_of,
)

PAIRS = [(a, b) for a in range(9) for b in range(9) if a != b]


def key_of(a: int, b: int) -> str:
    return next(rung.key for rung in ladder() if sorted(rung.notes) == sorted((a, b)))


def rows(player: Player) -> tuple[int, int | None]:
    """What the last word on progress was."""
    progressed = player.of(Progressed)[-1] if player.of(Progressed) else player.practice.snapshot().progressed
    return progressed.out, progressed.back


def there_and_back(player: Player, a: int, b: int, times: int, first: bool = True) -> None:
    if first:
        player.note(a)
    for _ in range(times):
        player.note(b)
        player.note(a)


def play_lit(player: Player, for_us: int) -> None:
    """The note that is lit, hands off before it where it sounds already."""
    note = player.practice.snapshot().lit.note
    if player.mask == STANDARD[note]:
        player.mask_for(0, 100_000)
    player.note(note, for_us)


# --- the lit note ---


@pytest.mark.parametrize("key", ["low-a-b", "c-d", "low-a-f", "d-high-a", "nine-stiles", "seven-sheep"])
def test_the_light_goes_through_the_music_and_begins_anew(key):
    practice = a_practice(key=key)
    wanted = practice.snapshot().notes
    player = Player(practice)
    for index, (note, place) in enumerate(wanted):
        assert practice.snapshot().lit == Lit(index, place, note)
        if index and wanted[index - 1][0] == note:
            player.mask_for(0)  # a rest parts them
        player.note(note)
    # Back at the beginning; where the last note is the first, it sounds already.
    begins = 1 if wanted[-1][0] == wanted[0][0] else 0
    assert practice.snapshot().lit == Lit(begins, wanted[begins][1], wanted[begins][0])
    assert player.of(Lit) == [
        Lit(index, wanted[index][1], wanted[index][0]) for index in [*range(1, len(wanted)), begins]
    ]


def test_the_next_note_lights_up_as_soon_as_this_one_is_steady():
    player = Player(a_practice(key="low-a-b"))
    player._state(STANDARD[1])
    player.wait(SETTINGS.steady_us)
    assert not player.of(Lit)
    player._state(STANDARD[1])
    assert [lit.index for lit in player.of(Lit)] == [1]


def test_the_light_stays_on_a_note_played_wrong_until_it_is_right_or_left():
    player = Player(a_practice(key="heron"))
    notes = [note for note, _ in player.practice.snapshot().notes]
    for note in notes[:4]:
        player.note(note)
    wrong = next(n for n in range(9) if n not in notes)
    player.note(wrong)
    assert player.practice.snapshot().lit.index == 4
    player.note(notes[4])
    assert player.practice.snapshot().lit.index == 5
    player.note(wrong)
    player.note(notes[6])  # it was left wrong
    assert player.practice.snapshot().lit.index == 7


def test_going_back_to_the_beginning_after_a_pause_is_followed():
    player = Player(a_practice(key="nine-stiles"))
    notes = [note for note, _ in player.practice.snapshot().notes]
    for note in notes[:12]:
        player.note(note)
    player.mask_for(0, 1_500_000)
    for note in notes[:5]:
        player.note(note)
    assert player.practice.snapshot().lit.index == 5


def test_restart_begins_the_music_anew_and_keeps_the_row():
    player = Player(a_practice(key="low-a-b"))
    there_and_back(player, 1, 2, 3)
    player.events += player.practice.restart()
    # Low A sounds still: it is the first note.
    assert player.practice.snapshot().lit.index == 1
    assert rows(player) == (3, 3)
    player.note(2)
    assert player.practice.snapshot().lit.index == 2


def test_an_unknown_rung_is_refused_in_a_sentence_and_nothing_changes():
    practice = a_practice(key="low-a-b")
    before = practice.snapshot()
    for text in ("", "x" * 1000, "0", "999", "low-a-b\n", "low-a-b-c"):
        if text.strip() == "low-a-b":
            continue
        with pytest.raises(ValueError, match="expected the key of a rung"):
            practice.start(text)
    assert practice.snapshot() == before


# --- what is judged ---


@pytest.mark.parametrize(("a", "b"), PAIRS)
def test_a_diagnosis_is_given_only_with_its_proof_and_the_mended_take_is_clean(a, b):
    player = Player(a_practice(key=key_of(a, b)), STANDARD[a])
    player.wait(HOLD_US)
    player.dirty(b)
    player.wait(HOLD_US)
    (judged,) = player.of(Judged)
    assert (judged.change.from_note, judged.change.to_note) == (a, b)
    take = player.practice.take(judged.take)
    assert take.edges[1:] == judged.change.edges
    assert take.edges[0][1] == STANDARD[a]
    assert take.edges[0][0] < take.edges[1][0]
    if judged.outcome == "stray":
        assert judged.diagnosis is not None
        (mended,) = measured(STANDARD[a], take.mended_edges[1:], TABLE, SETTINGS)
        assert not any(stray.heard for stray in mended.strays)
        assert (mended.from_mask, mended.to_mask) == (STANDARD[a], STANDARD[b])
    else:
        assert judged.diagnosis is None
        assert take.mended_edges is None


def test_there_is_no_diagnosis_where_mending_one_move_leaves_a_stray():
    # Low G to B: the bottom little lifts, comes back, and lifts again too early. Timing one of its moves is not enough.
    player = Player(a_practice(key="low-g-b"), STANDARD[0])
    player.wait(HOLD_US)
    for finger, wait_us in ((7, 20_000), (7, 15_000), (7, 25_000), (6, HOLD_US)):
        player._state(player.mask ^ 1 << finger)
        player.wait(wait_us)
    player.wait(HOLD_US)
    (judged,) = player.of(Judged)
    assert judged.outcome == "stray"
    assert diagnose_change(judged.change) is not None
    assert judged.diagnosis is None
    assert player.practice.take(judged.take).mended_edges is None


def test_there_is_no_diagnosis_within_the_timing_uncertainty():
    # 12 ms apart is surely out of order for a chanter, and too close to call for a keyboard.
    for skew_us, certain in ((1_000, True), (20_000, False)):
        player = Player(a_practice(key="low-g-b"), STANDARD[0], doubt_skew_us=skew_us)
        player.wait(HOLD_US)
        player.dirty(2, by_us=12_000)
        player.wait(HOLD_US)
        (judged,) = player.of(Judged)
        assert judged.outcome == "stray"
        assert (judged.diagnosis is not None) is certain


@pytest.mark.parametrize("slow_us", [60_000, 100_000, 180_000])
def test_a_slow_stray_is_one_change_with_the_finger_that_was_slow(slow_us):
    player = Player(a_practice(key="low-g-b"), STANDARD[0])
    player.wait(HOLD_US)
    there_and_back(player, 0, 2, 3, first=False)
    assert rows(player) == (3, 3)
    player.dirty(2, by_us=slow_us)
    player.wait(HOLD_US)
    judged = player.of(Judged)[-1]
    assert (judged.change.from_note, judged.change.to_note, judged.outcome) == (0, 2, "stray")
    assert judged.diagnosis is not None
    assert {judged.diagnosis.first, judged.diagnosis.second} == {6, 7}
    assert player.practice.take(judged.take).mended_edges is not None
    assert rows(player) == (0, 3)
    assert player.practice.snapshot().lit.index == 8
    player.note(0)
    player.practice.close()
    counts = {(c.from_note, c.to_note): c for c in player.practice.summary().changes}
    assert (counts[0, 2].tried, counts[0, 2].stray) == (4, 1)
    assert (1, 2) not in counts
    # Where the note between was long, it was told as a change of its own before anyone could know; it does not count.
    assert (0, 1) not in counts


def test_a_change_of_a_known_rung_is_told_within_150_ms_of_its_second_note():
    player = Player(a_practice(key="low-g-b"), STANDARD[0])
    player.wait(HOLD_US)
    for note in (2, 0) * 4:
        told = len(player.of(Judged))
        player.note(note, 150_000)
        assert len(player.of(Judged)) == told + 1


def test_what_was_told_too_early_is_one_change_in_the_end_and_counted_once():
    player = Player(a_practice(key="low-g-b"), STANDARD[0])
    player.wait(HOLD_US)
    there_and_back(player, 0, 2, 3, first=False)
    # The little finger early: low A is told as a note, and then B comes.
    at_us, number = player.now_us, player.of(Judged)[-1].change.number + 1
    edges = ((at_us, STANDARD[1]), (at_us + 200_000, STANDARD[2]))
    (first,), (whole,) = (measured(STANDARD[0], edges[:count], TABLE, SETTINGS) for count in (1, 2))
    player._pass_on(LiveResult(first._replace(number=number)))
    early = player.of(Judged)[-1]
    assert (early.change.from_note, early.change.to_note, early.again) == (0, 1, False)
    assert (0, 1) in {(c.from_note, c.to_note) for c in player.practice.summary().changes}
    player._pass_on(LiveResult(whole._replace(number=number), again=True))
    now = player.of(Judged)[-1]
    assert (now.take, now.again, now.outcome) == (early.take, True, "stray")
    assert (now.change.from_note, now.change.to_note) == (0, 2)
    assert rows(player) == (0, 3)
    take = player.practice.take(now.take)
    assert take.edges[1:] == now.change.edges
    assert take.mended_edges is not None
    player.practice.close()
    counts = {(c.from_note, c.to_note): (c.tried, c.clean, c.stray) for c in player.practice.summary().changes}
    assert counts == {(0, 2): (4, 3, 1), (2, 0): (3, 3, 0)}
    # Weaknesses are of what was played after all.
    assert {weak.change for weak in player.practice.progress.weakest()} == {(0, 2)}


def test_a_change_that_is_none_after_all_leaves_every_count():
    player = five_each_way("low-g-b", 0, 2)
    before = player.practice.summary().changes
    taken_back = LiveResult(player.of(Judged)[-1].change, again=True, taken_back=True)
    player._pass_on(taken_back)
    assert player.of(TakenBack) == [TakenBack(player.of(Judged)[-1].take)]
    assert rows(player) == (5, 4)
    assert player.practice.take(player.of(Judged)[-1].take) is None
    assert [c.tried for c in player.practice.summary().changes] == [before[0].tried, before[1].tried - 1]
    player._pass_on(taken_back)
    assert len(player.of(TakenBack)) == 1


def test_nothing_is_judged_on_the_way_to_the_first_note_nor_with_a_note_alone():
    player = Player(a_practice(key="low-g-b"), STANDARD[5])
    player.wait(HOLD_US)
    player.note(1)
    player.events += player.practice.start("low-g")
    for note in (1, 2, 0):
        player.note(note)
    # Whatever is played first is taken as the first note, so that the way to it alone is left out.
    assert [(j.change.from_note, j.change.to_note) for j in player.of(Judged)] == [(5, 1)]
    player.events += player.practice.start("low-g-b")
    assert player.asked[-1].judged  # low G sounds already
    player.events += player.practice.start("c-d")
    assert (player.asked[-1].judged, player.asked[-1].kind) == (False, "none")
    player.note(3)
    assert player.asked[-1].judged
    assert len(player.of(Judged)) == 1
    player.note(4)
    assert len(player.of(Judged)) == 2
    assert all(music.judged or music.why for music in player.asked)


def test_the_last_fifty_takes_are_kept_and_no_more():
    player = Player(a_practice(key="low-a-b"))
    player.note(1)
    for turn in range(KEPT + 20):
        player.note(2 - turn % 2, 150_000)
    last = player.of(Judged)[-1].take
    assert player.practice.take(last - KEPT) is None
    assert player.practice.take(last - KEPT + 1) is not None
    assert player.practice.take(0) is None


def test_the_phrase_is_the_last_notes_as_played():
    player = Player(a_practice(key="low-a-b"))
    assert player.practice.phrase() is None
    there_and_back(player, 1, 2, 6)
    phrase = player.practice.phrase()
    notes = [n for n in (1, 2) for _ in range(4)]
    assert sorted(n for _, mask in phrase.edges for n in (1, 2) if mask == STANDARD[n]) == notes
    player.mask_for(0, 5_000_000)
    player.note(5)
    assert [mask for _, mask in player.practice.phrase().edges] == [STANDARD[5]]


# --- what passes a rung ---


def test_ten_each_way_pass_and_another_day_five_confirm():
    progress = Progress()
    practice = a_practice(progress, "low-g-b")
    player = Player(practice)
    there_and_back(player, 0, 2, 9)
    assert rows(player) == (9, 9)
    assert not player.of(Passed)
    there_and_back(player, 0, 2, 1, first=False)
    assert player.of(Passed) == [Passed("low-g-b", "passed")]
    now = player.of(Progressed)[-1]
    assert (now.out, now.back, now.needed, now.passed, now.again) == (10, 10, 10, True, False)
    assert progress.state("low-g-b", TODAY) == "passed"
    assert practice.snapshot().due == ()
    there_and_back(player, 0, 2, 12, first=False)
    assert len(player.of(Passed)) == 1  # nothing more today

    due, now = practice.new_day(TOMORROW)
    assert due.rungs == ("low-g-b",)
    assert (now.out, now.needed, now.passed, now.again) == (0, 5, False, True)
    there_and_back(player, 0, 2, 4, first=False)
    player.dirty(2)
    there_and_back(player, 0, 2, 4, first=False)
    assert len(player.of(Passed)) == 1
    there_and_back(player, 0, 2, 2, first=False)
    assert [p.what for p in player.of(Passed)] == ["passed", "confirmed"]
    assert progress.state("low-g-b", TOMORROW) == "confirmed"
    assert practice.summary().passed == tuple(player.of(Passed))


@pytest.mark.parametrize("key", ["low-g-low-a-b", "low-a-top-hand", "low-g-b"])
def test_a_beginner_who_never_improves_never_passes(key):
    # Two in three changes of several fingers go well, as they always have.
    practice = a_practice(key=key)
    chance, player = random.Random(16), Player(practice)
    row = [note for note, _ in groupby(note for note, _ in practice.snapshot().notes)]
    player.note(row[0])
    for note in row[1:] * 4:
        astray = chance.random() < 1 / 3 and len(fingers_of(player.mask ^ STANDARD[note])) > 1
        (player.dirty if astray else player.note)(note, for_us=200_000)
    assert len(player.of(Judged)) > 100
    assert not player.of(Passed)
    practice.go_on(key)
    assert practice.progress.state(key, TODAY) == "unclean"
    assert not practice.progress.passed()


def test_passing_shows_what_is_next_and_goes_there_by_one_wish():
    practice = a_practice(key="low-g-low-a-b")
    assert practice.go_next("low-g-low-a-b") == []  # it is not passed
    practice.progress.rung_passed(TODAY, "low-g-low-a-b")
    now = practice.snapshot().progressed
    assert (now.passed, now.next.key, now.next.number) == (True, "low-g-c-d", 3)
    assert practice.go_next("low-g-c-d") == []  # a page that shows another rung
    went, *_ = practice.go_next("low-g-low-a-b")
    assert went == WentOn("low-g-c-d")
    assert practice.snapshot().key == "low-g-c-d"
    assert practice.go_next("low-g-low-a-b") == []  # a second click


def test_one_may_always_go_on_and_it_stays_marked():
    practice = a_practice()
    keys = [rung.key for rung in practice.rungs if not rung.movements]
    for key, after in pairwise(keys):
        assert practice.snapshot().key == key
        assert practice.go_on(key)[0] == WentOn(after)
        assert practice.go_on(key) == []  # a second click
    assert [rung.state for rung in practice.snapshot().ladder][: len(keys)] == ["unclean"] * 10 + ["open"]
    # With nothing open it comes back to what is not clean, the lowest first.
    assert practice.go_on(keys[-1])[0] == WentOn(keys[0])
    assert practice.snapshot().progressed.unclean
    practice.progress.rung_passed(TODAY, keys[0])
    assert not practice.snapshot().progressed.unclean
    # What comes back on another day goes first, and is no less passed for going on from it.
    practice.new_day(TOMORROW)
    assert practice.start(keys[3])[-1].next.key == keys[0]
    practice.start(keys[0])
    practice.go_on(keys[0])
    assert practice.progress.state(keys[0], TOMORROW) == "due"


def passed_at(key: str, **how) -> Player:
    """A player who has just passed a rung, at its first note."""
    player = Player(a_practice(key=key, **how))
    notes = rung_named(key).notes
    player.note(notes[0], 300_000)
    for note in [*notes[1:], *notes[-2::-1]] * 12:
        player.note(note, 300_000)
    player.wait(300_000)
    assert player.of(Passed)
    return player


def take_up_low_a(player: Player, for_us: int) -> None:
    player.mask_for(0, 300_000)
    player.mask_for(STANDARD[1] & ~1, 30_000)  # the thumb comes last
    player.mask_for(STANDARD[1], for_us)


def test_a_low_a_held_after_passing_goes_on():
    player = passed_at("low-g-low-a-b")
    player.note(1, 5_000_000)
    assert not player.of(WentOn)  # not from hands off
    take_up_low_a(player, 3_000_000)  # let go a little early
    take_up_low_a(player, 2_000_000)
    player.mask_for(STANDARD[1] ^ 4, 3_000)  # too short to be open
    player.mask_for(STANDARD[1], 1_900_000)
    assert not player.of(WentOn)
    assert player.of(GoingOn)[-1].held_us >= 3_800_000
    player.wait(300_000)
    assert player.of(WentOn) == [WentOn("low-g-c-d")]
    assert player.of(GoingOn)[-1].held_us == 0
    assert player.practice.snapshot().key == "low-g-c-d"
    player.wait(10_000_000)
    take_up_low_a(player, 6_000_000)
    assert len(player.of(WentOn)) == 1


@pytest.mark.parametrize("bpm", [None, 20, 60])
@pytest.mark.parametrize("key", ["low-a-top-hand", "low-a-b"])
def test_playing_never_goes_on_by_itself(key, bpm):
    # The music itself from hands off, its low As held by the beat, or without one as long as a low A is asked to be.
    player = passed_at(key)
    player.events += player.practice.beat(bpm)
    beat_us = 60_000_000 // (bpm or 60)
    for first in (5, 1, 2):
        player.mask_for(0, 2 * beat_us)
        if first != 1 and bpm is None:
            player.note(first, 1_200_000)  # whatever is taken up first, the chanter goes on no more
            player.mask_for(0, beat_us)
            player.note(1, 20_000_000)
        for note in player.practice.tune.played():
            player.note(note.note, round(note.length * 4 * beat_us))
    assert not player.of(WentOn)


def test_a_loss_within_the_low_a_goes_on_to_nothing():
    player = passed_at("low-g-low-a-b")
    take_up_low_a(player, 3_000_000)
    player.lose()  # whether it was held all the time is not known
    player.wait(9_000_000)
    assert not player.of(WentOn)
    take_up_low_a(player, 4_200_000)
    assert player.of(WentOn)


def test_what_was_passed_before_goes_on_by_the_page_alone():
    player = Player(a_practice(key="low-g-low-a-b"))
    player.practice.progress.rung_passed(TODAY, "low-g-low-a-b")
    take_up_low_a(player, 9_000_000)
    assert not player.of(WentOn)


def test_the_two_directions_are_counted_apart():
    player = Player(a_practice(key="low-g-b"), STANDARD[0])
    player.wait(HOLD_US)
    for _ in range(12):
        player.dirty(2)
        player.note(0)
    assert rows(player) == (0, 10)
    assert not player.of(Passed)
    there_and_back(player, 0, 2, 9, first=False)
    assert rows(player) == (9, 10)
    player.dirty(2)
    assert rows(player) == (0, 10)
    player.note(0)
    there_and_back(player, 0, 2, 10, first=False)
    assert player.of(Passed) == [Passed("low-g-b", "passed")]


def five_each_way(key: str, a: int, b: int) -> Player:
    player = Player(a_practice(key=key), STANDARD[a])
    player.wait(HOLD_US)
    there_and_back(player, a, b, 5, first=False)
    assert rows(player) == (5, 5)
    return player


def roll(player: Player, by_us: int) -> None:
    """Low G to B, the bottom ring first, as it should be, but the little finger behind."""
    player._state(player.mask ^ 1 << 6)
    player.wait(by_us)
    player.mask_for(STANDARD[2])


def test_fingers_that_are_not_together_break_the_row():
    player = five_each_way("low-g-b", 0, 2)
    roll(player, 45_000)
    assert player.of(Judged)[-1].outcome == "apart"
    assert rows(player) == (0, 5)


@pytest.mark.parametrize("stage_us", [40_000, 25_000, 15_000])
def test_a_player_may_choose_how_close_together_to_move(stage_us):
    player = Player(a_practice(key="low-g-b", stage_us=stage_us), STANDARD[0])
    player.wait(HOLD_US)
    for today in (TODAY, TOMORROW):
        player.events += player.practice.new_day(today)
        for by_us in (stage_us + 15_000, stage_us - 5_000):
            roll(player, by_us)
            player.note(0)
        assert [one.outcome for one in player.of(Judged)[-4::2]] == ["apart", "clean"]
        assert {one.change.stage_us for one in player.of(Judged)} == {player.asked[-1].stage_us} == {stage_us}
        assert player.practice.snapshot().together_us == stage_us
        there_and_back(player, 0, 2, 10, first=False)
    assert [p.what for p in player.of(Passed)] == ["passed", "confirmed"]
    assert f"together within {stage_us // 1_000} ms" in player.practice.snapshot().passed_text


@pytest.mark.parametrize("key", ["low-g", "high-g-grace-notes", "low-g-b", "tonight"])
def test_only_where_a_change_is_asked_for_are_fingers_to_be_together(key):
    practice = a_practice(key="low-g-b" if key == "tonight" else key)
    if key == "tonight":
        practice.tonight()
    together_us = practice.snapshot().together_us
    assert together_us == (None if key in ("low-g", "high-g-grace-notes") else practice.settings.stage_us)


@pytest.mark.parametrize(
    ("apart_us", "off_us", "counts"),
    [(1_000_000, 0, True), (1_000_000, 35_000, True), (2_000_000, -35_000, True),
     (1_000_000, 60_000, False), (1_000_000, -60_000, False), (750_000, 0, False), (500_000, 0, False)],
)  # fmt: skip
def test_where_a_beat_is_heard_notes_off_it_break_the_row(apart_us, off_us, counts):
    player = Player(a_practice(key="low-g-b"), STANDARD[0])
    practice = player.practice
    practice.off_beat_us = lambda t_us: (t_us + 500_000) % 1_000_000 - 500_000  # a beat each second
    player.wait(1_000_000 + off_us)
    player.events += practice.beat(60.0)
    for place in range(1, 41):
        # The last finger comes down at its time.
        player.note([0, 2][place % 2], 1)
        player.wait(1_000_000 + off_us + place * apart_us - player.now_us)
    late = {one.off_beat_us for one in player.of(Judged)[4:]}
    assert bool(player.of(Passed)) == counts == (late == {None})
    assert {one.outcome for one in player.of(Judged)} == {"clean"}
    assert {(one.tried, one.clean) for one in practice.summary().changes} == {(20, 20)}


def test_a_beat_that_is_not_heard_is_not_judged():
    for bpm, off_us in ((60.0, None), (None, 300_000)):
        player = Player(a_practice(key="low-g-b"), STANDARD[0])
        player.practice.off_beat_us = lambda t_us, off_us=off_us: off_us
        player.practice.beat(bpm)
        player.wait(HOLD_US)
        there_and_back(player, 0, 2, 11, first=False)
        assert player.of(Passed)


def test_uncertain_changes_neither_count_nor_break():
    player = five_each_way("low-g-b", 0, 2)
    player.lose()
    player.wait(10_000)
    player.note(2)
    assert player.of(Judged)[-1].change.verdict == "uncertain"
    assert player.of(Judged)[-1].diagnosis is None
    assert rows(player) == (5, 5)
    player.note(0)
    assert rows(player) == (5, 6)


def test_ornamented_changes_are_not_counted():
    player = five_each_way("low-a-e", 1, 5)
    player.mask_for(STANDARD[1] & ~(1 << 1), 40_000 - 15_000)  # a high G grace note
    player.mask_for(STANDARD[5])
    assert player.of(Judged)[-1].change.verdict == "embellished"
    assert rows(player) == (5, 5)


def test_a_false_fingering_breaks_the_row_and_the_way_out_of_it_does_not_count():
    player = five_each_way("low-a-e", 1, 5)
    player.mask_for(STANDARD[1] & ~(1 << 3) & ~(1 << 6))  # E with the bottom ring up
    assert player.of(Judged)[-1].outcome == "false fingering"
    assert rows(player) == (0, 5)
    player.mask_for(STANDARD[1])
    assert rows(player) == (0, 5)


def test_a_fingering_put_right_late_is_judged_again_and_breaks_the_row():
    player = five_each_way("low-g-b", 0, 2)
    player._state(player.mask ^ 1 << 6)
    player.wait(150_000)  # told by now: B with the little finger down
    player.mask_for(STANDARD[2], 800_000)
    player.note(0)
    last = [judged for judged in player.of(Judged) if judged.again]
    assert [judged.outcome for judged in last] == ["apart"]
    assert rows(player) == (0, 6)


def test_changes_of_other_rungs_do_not_count_here_but_are_known():
    # The music of low A and B mixes in low G.
    player = five_each_way("low-a-b", 1, 2)
    notes = [note for note, _ in player.practice.snapshot().notes]
    for note in notes[11 : notes.index(0) + 2]:
        player.note(note)
    player.practice.close()
    counts = {(c.from_note, c.to_note): c.clean for c in player.practice.summary().changes}
    assert counts.keys() == {(1, 2), (2, 1), (1, 0), (0, 1)}
    assert rows(player) == (counts[1, 2], counts[2, 1])


# --- reading, leaving, coming back ---


def test_help_fades_with_right_first_tries_and_comes_back():
    progress = Progress()
    player = Player(a_practice(progress, "low-a-b"))
    assert player.practice.snapshot().help == (2,) * 9
    shown = []
    for _ in range(150):
        play_lit(player, 150_000)
        shown.append(player.practice.snapshot().help[2])
    assert sorted(shown, reverse=True) == shown
    assert set(shown) == {2, 1, 0}
    assert player.practice.snapshot().help[8] == 2
    for _ in range(60):
        if player.practice.snapshot().lit.note == 2:
            player.note(6, 400_000)  # a wrong note where B is lit
        play_lit(player, 400_000)
    assert player.practice.snapshot().help[2] > 0


def test_a_page_that_joins_in_the_middle_is_told_what_the_events_told():
    player = Player(a_practice(order="derived", key="low-g-b"), STANDARD[0])
    player.wait(HOLD_US)
    there_and_back(player, 0, 2, 4, first=False)
    snapshot = player.practice.snapshot()
    assert snapshot.progressed == player.of(Progressed)[-1]
    assert snapshot.lit == player.of(Lit)[-1]
    assert (snapshot.key, snapshot.number) == ("low-g-b", None)
    assert player.practice.snapshot() == snapshot  # a snapshot changes nothing


def test_a_chanter_that_goes_away_leaves_everything_as_it_was():
    player = Player(a_practice(key="low-g-b"), STANDARD[0])
    player.wait(HOLD_US)
    there_and_back(player, 0, 2, 4, first=False)
    before = player.practice.snapshot()
    player._pass_on(Lost("pulled out", 1))
    player._pass_on(Back(2))
    assert player.practice.snapshot() == before
    player.lose(3_000_000)
    player.now_us += 3_000_000
    player.mask_for(STANDARD[0])
    there_and_back(player, 0, 2, 1, first=False)
    assert rows(player) == (5, 5)


def test_simulated_playing_leaves_the_learners_progress_alone(tmp_path):
    progress = Progress(tmp_path / "practised.jsonl")
    player = Player(a_practice(progress, "low-a-b", kept=False))
    there_and_back(player, 1, 2, 10)
    player.practice.close()
    assert player.of(Passed)
    player.practice.progress.keep()
    progress.keep()
    assert progress == Progress()
    assert not list(tmp_path.iterdir())


def test_it_begins_on_what_is_due_then_on_the_lowest_that_is_open():
    progress = Progress()
    assert a_practice(progress).snapshot().key == "low-g"
    for key in ("low-g", "low-g-low-a", "c-d"):
        progress.rung_passed(TODAY, key)
    assert a_practice(progress, order="derived").snapshot().key == "low-a-b"
    assert a_practice(progress).snapshot().key == "low-g-low-a-b"
    assert a_practice(progress, today=TOMORROW).snapshot().key == "low-g"
    assert set(a_practice(progress, today=TOMORROW).snapshot().due) == {"low-g", "low-g-low-a", "c-d"}


def test_the_light_goes_round_and_round_the_music_and_no_more_is_kept():
    player = Player(a_practice(key="low-a-b"))
    lit = []
    for _ in range(200):
        lit.append(player.practice.snapshot().lit.index)
        play_lit(player, 150_000)
    # Beginning anew at the end of the music, and the next row, are not seen from outside.
    size = len(player.practice.snapshot().notes)
    assert lit == [*range(size), *(1 + index % (size - 1) for index in range(200 - size))]
    assert len(player.practice._takes._kept) == KEPT
    assert len(player.live._covered) - player.live._place.edge < 50


def test_the_summary_adds_up_what_was_told():
    player = Player(a_practice(key="low-g-b"), STANDARD[0])
    player.wait(HOLD_US)
    for turn in range(8):
        (player.dirty if turn < 5 else player.note)(2)
        player.note(0)
    player.events += player.practice.close()
    summary = player.practice.summary()
    told_of = [(j.change.from_note, j.change.to_note, j.outcome) for j in player.of(Judged)]
    assert {(c.from_note, c.to_note): (c.tried, c.clean, c.stray, c.apart) for c in summary.changes} == {
        pair: tuple(
            sum((one[:2] == pair) and (how is None or one[2] == how) for one in told_of)
            for how in (None, "clean", "stray", "apart")
        )
        for pair in ((0, 2), (2, 0))
    }
    assert summary.worth_work == next(c for c in summary.changes if (c.from_note, c.to_note) == (0, 2))
    assert (summary.worth_work.tried, summary.worth_work.stray) == (8, 5)
    assert summary.played == ("low-g-b",)
    assert summary.kept


def test_the_end_leaves_one_thing_for_tomorrow():
    practice = a_practice()
    assert practice.summary().tomorrow == ("low G alone", False)
    practice.go_on("low-g")
    assert practice.summary().left == ("low G alone",)
    assert practice.summary().tomorrow == ("low G, low A and B", False)
    practice.progress.rung_passed(TODAY, "low-g")
    assert practice.summary().left == ()
    assert practice.summary().tomorrow == ("low G alone", True)  # it comes back


def test_for_tomorrow_one_goes_on_from_where_one_practised():
    third, fourth = rungs_in()[3:5]
    practice = a_practice(key=third.key)
    assert practice.summary().tomorrow == (third.name, False)
    practice.go_on(third.key)
    assert practice.summary().tomorrow == (fourth.name, False)


def test_a_session_is_summed_up_by_the_verdicts_as_a_report_is():
    player = Player(a_practice(key="low-g-b"), mask=STANDARD[0])
    wrong = STANDARD[2] ^ 1 << 3  # the top ring is off: it sounds an E with false fingering
    for _ in range(3):
        player.mask_for(wrong, HOLD_US)
        player.mask_for(STANDARD[0], HOLD_US)
    player.note(2)
    player.events += player.practice.close()
    last = {judged.take: judged for judged in player.of(Judged)}
    told = Counter((one.change.from_note, one.change.to_note) for one in last.values() if one.change.is_plain)
    assert {(c.from_note, c.to_note): c.tried for c in player.practice.summary().changes} == told
    assert {one.outcome for one in last.values()} >= {"false fingering", "not counted"}


# --- over the wire ---


@pytest.mark.parametrize("rung", ladder()[1:], ids=lambda rung: rung.key)
def test_every_rung_is_climbed_by_one_who_plays_its_music_clean(rung):
    practice = a_practice(key=rung.key)
    notes = [note for note, _ in practice.snapshot().notes] * 2
    script = [ScriptNote(note, 300_000) for place, note in enumerate(notes) if not place or notes[place - 1] != note]
    events = heard(practice, wire_of(script, 3))
    judged = [event for event in events if isinstance(event, Judged)]
    assert [(j.change.from_note, j.change.to_note) for j in judged] == [
        (one.note, other.note) for one, other in pairwise(script)
    ]
    assert {j.outcome for j in judged} == {"clean"}
    assert [event for event in events if isinstance(event, Passed)] == [Passed(rung.key, "passed")]
    assert practice.snapshot().lit.index == 1


@pytest.mark.parametrize("kind", ["early", "slow"])
@pytest.mark.parametrize("seed", range(12))
def test_a_planted_fault_is_told_once_with_its_change_and_breaks_its_row_alone(kind, seed):
    key = ("low-g-b", "low-a-d", "d-e", "b-high-a")[seed % 4]
    practice = a_practice(key=key)
    a, b = next(rung.notes for rung in ladder() if rung.key == key)
    performance, fault = plant_one(kind, tuple(ScriptNote(note, 400_000) for note in (a, b) * 5), seed)
    events = heard(practice, played(performance, seed))
    stray = [event for event in events if isinstance(event, Judged) and event.outcome == "stray"]
    assert [(j.change.from_note, j.change.to_note) for j in stray] == [(fault.from_note, fault.to_note)]
    assert stray[0].diagnosis is not None
    assert fault.finger in (stray[0].diagnosis.first, stray[0].diagnosis.second)
    tries = {(a, b): 5, (b, a): 4}
    counts = {(c.from_note, c.to_note): (c.tried, c.stray) for c in practice.summary().changes}
    assert counts == {pair: (count, pair == (fault.from_note, fault.to_note)) for pair, count in tries.items()}


# --- in whatever pieces ---


def told(events) -> list:
    return [event for event in events if isinstance(event, (Judged, Progressed, Passed))]


SESSION = wire_of([ScriptNote(note, 300_000) for note in (0, 2) * 12 + (0, 1, 5, 2, 0)], 5)


@pytest.fixture(scope="module")
def whole():
    return told(heard(a_practice(key="low-g-b"), SESSION))


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_playing_in_any_pieces_is_judged_and_counted_the_same(whole, data):
    assert any(isinstance(event, Passed) for event in whole)
    cuts = data.draw(st.lists(st.integers(1, len(SESSION) - 1), max_size=60))
    idle = data.draw(st.sampled_from([lambda n: True, lambda n: False, lambda n: n % 3 == 0]))
    assert told(heard(a_practice(key="low-g-b"), SESSION, cuts, idle)) == whole


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(["early", "slow", "slip", "wrong", "restart"]),
    st.integers(0, 10_000),
    st.lists(st.integers(1, 20_000), max_size=40),
)
def test_faulty_playing_too(kind, seed, cuts):
    performance, _ = plant_one(
        kind, tuple(ScriptNote(note, 350_000) for note in (0, 3, 0, 3, 1, 2, 0, 3, 0, 3, 0)), seed
    )
    data = played(performance, seed)
    bounds = [cut for cut in cuts if cut < len(data)]
    whole = told(heard(a_practice(key="low-g-c"), data))
    assert told(heard(a_practice(key="low-g-c"), data, bounds, lambda n: n % 2 == 0)) == whole
    assert sum(isinstance(event, Judged) for event in whole) >= 4


def test_what_was_left_comes_back_before_any_embellishment():
    progress = Progress()
    plain = [rung.key for rung in rungs_in("taught") if not rung.movements]
    progress.rung_passed(TODAY, plain[0])
    progress.rung_passed(TODAY, plain[1])
    for key in plain[2:]:
        progress.rung_left(TODAY, key)
    practice = a_practice(progress)
    assert practice.snapshot().key == plain[2]
    practice.start(plain[-1])
    assert practice.snapshot().progressed.next.key == plain[2]
