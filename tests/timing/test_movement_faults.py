"""The judge of movements: every form of the table is right as it stands, and each fault is named with its note."""

from __future__ import annotations

from itertools import pairwise
from random import Random

import numpy as np
import pytest

from fingering.movements import movements
from fingering.notes import ABC_LETTERS
from fingering.table import standard_table
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.timing import movement_proof, movement_verdicts
from fingerlead.timing.analysis import analyse
from fingerlead.timing.fault_words import fault_sentence, faults_told, short_words
from fingerlead.timing.live import LiveAnalysis, LiveResult
from fingerlead.timing.movement_faults import judge
from fingerlead.timing.results import KnownSkew, PlayedMovement, Settings
from fingerlead.timing.summary import summarise
from fingerlead.timing.timeline import timing_for
from fingerlead.wire.events import Record

TABLE = standard_table()
STANDARD = TABLE.standard
HELD_MS = 900
FINGERS = ("T", "L1", "L2", "L3", "R1", "R2", "R3", "R4")


def spelled(letters):
    return tuple(map(ABC_LETTERS.index, letters))


def lifted(note, *fingers):
    """The mask of a note with fingers off their holes, or put on them."""
    mask = STANDARD[note] if isinstance(note, int) else STANDARD[ABC_LETTERS.index(note)]
    for finger in fingers:
        mask ^= 1 << FINGERS.index(finger)
    return mask


class Playing:
    """Masks one after the other, each for so many ms, and the music that is asked for meanwhile."""

    def __init__(self):
        self.now_us, self.states, self.music = 0, [], []

    def to(self, mask, ms):
        self.states.append((self.now_us, mask))
        self.now_us += round(1_000 * ms)

    def movement(self, before, sounds, after, graces):
        """A melody note, what sounds after it as (mask, ms), and the next, before which grace notes are written."""
        if not self.music or self.music[-1].note != before:
            self.to(STANDARD[before], HELD_MS)
            self.music.append(WrittenNote(before))
        for mask, ms in sounds:
            self.to(mask, ms)
        self.to(STANDARD[after], HELD_MS)
        self.music.append(WrittenNote(after, graces))

    def analysis(self, known=True, skew_us=1_000):
        t_us, covered = (np.array(column) for column in zip(*self.states, strict=True))
        record = Record(t_us.astype(np.int64), covered.astype(np.uint8), self.now_us, [])
        musics = (Music(tuple(self.music)),) if known else ()
        return analyse(record, TABLE, timing_for("chanter", 1_000, KnownSkew(skew_us)), musics=musics)


def one(before, sounds, after, graces, **how):
    playing = Playing()
    playing.movement(spelled(before)[0], sounds, spelled(after)[0], spelled(graces))
    (movement,) = playing.analysis(**how).movements
    return movement


def told(movement):
    return [(one.kind, one.note, None if one.finger is None else FINGERS[one.finger]) for one in movement.faults]


@pytest.mark.parametrize("pace", ["skilled", "learner"])
@pytest.mark.parametrize("from_note", range(9))
def test_every_form_of_the_table_is_right_at_the_middle_of_its_ranges(from_note, pace):
    playing, count = Playing(), 0
    for index, form in enumerate(movements()):
        to_note = form.on if form.on is not None else index % 9
        if form.after not in (None, from_note) or any(role.name == "held" for role in form.roles):
            continue
        ranges = [getattr(role, pace) for role in form.roles]
        # What may be long on purpose is as long as a catch.
        lengths = [(low * min(high, 3 * low)) ** 0.5 for low, high in ranges]
        notes = form.notes[form.notes[0] == from_note : len(form.notes) - (form.notes[-1] == to_note)]
        if not notes:
            continue
        sounds = [(STANDARD[note], ms) for note, ms in zip(form.notes, lengths, strict=True)]
        playing.movement(from_note, sounds, to_note, form.notes)
        count += 1
    found = playing.analysis().movements
    assert len(found) == count
    assert {(one.verdict, one.faults) for one in found} == {("as written", ())}


# A taorluath from E to low A: low G, D by the bottom index, low G, E by the top ring.
TAORLUATH = [(255, 50), (lifted("G", "R1"), 35), (255, 50), (lifted("G", "L3"), 35)]
DOUBLING = [(lifted("B", "L1"), 35), (STANDARD[2], 60), (lifted("B", "R1"), 35)]


def with_(sounds, place, *instead):
    return [*sounds[:place], *instead, *sounds[place + 1 :]]


@pytest.mark.parametrize(
    ("before", "sounds", "after", "graces", "faults"),
    [
        # The bottom index stays up until the E has sounded; or the E is not lifted at all.
        ("e", [TAORLUATH[0], (lifted("G", "R1"), 85), (lifted("G", "R1", "L3"), 35)], "A", "GdGe",
         [("missing", 2, "R1")]),
        ("B", [*TAORLUATH[:2], (255, 85)], "A", "GdGe", [("missing", 3, "L3")]),
        ("A", [(STANDARD[1], 35), *DOUBLING[1:]], "B", "gBd", [("missing", 0, "L1")]),
        ("e", with_(TAORLUATH, 1, (lifted("G", "R1"), 7)), "A", "GdGe", [("swallowed", 1, "R1")]),
        ("e", with_(TAORLUATH, 1, (lifted("G", "R1"), 12)), "A", "GdGe", [("crushed", 1, "R1"), ("uneven", 1, None)]),
        ("e", with_(TAORLUATH, 1, (lifted("G", "R1"), 130)), "A", "GdGe", [("dragged", 1, "R1"), ("uneven", 1, None)]),
        ("A", with_(DOUBLING, 2, (lifted("B", "R1"), 12)), "B", "gBd", [("crushed", 2, "R1"), ("uneven", 2, None)]),
        ("A", with_(DOUBLING, 1, (STANDARD[2], 12)), "B", "gBd", [("crushed", 1, None)]),
        # The little finger stays open: low A is caught for low G.
        ("e", with_(TAORLUATH, 2, (lifted("G", "R4"), 50)), "A", "GdGe", [("wrong note", 2, "R4")]),
        ("A", with_(DOUBLING, 2, (lifted("B", "L3"), 35)), "B", "gBd", [("wrong note", 2, None)]),
        ("c", with_(DOUBLING, 2, (STANDARD[3], 90)), "B", "gBd", [("wrong note", 2, "R1")]),
        # All that sounds of a grace note is another one, which is no stray of the change.
        ("f", [(STANDARD[2], 40)], "A", "d", [("wrong note", 0, None)]),
        # Through B a taorluath goes from D alone.
        ("e", with_(TAORLUATH, 1, (lifted("G", "R3"), 35)), "A", "GdGe", [("wrong note", 1, None)]),
        # The little finger stays down on the B inside.
        ("A", with_(DOUBLING, 1, (lifted("B", "R4"), 60)), "B", "gBd", [("false fingering", 1, "R4")]),
        ("A", [(lifted("c", "L1"), 35), (lifted("c", "R3"), 60), (255, 35)], "c", "gcG",
         [("false fingering", 1, "R3")]),
        # A low G as long as two is both, and the low A between them is missing; one that is short is one.
        ("B", [(STANDARD[1], 50), (255, 75)], "A", "AGAG", [("missing", 2, None)]),
        ("B", [(STANDARD[1], 50), (255, 35)], "A", "AGAG", [("missing", 3, None)]),
        ("B", [*TAORLUATH[:3], (lifted("G", "R3"), 45), (255, 50), TAORLUATH[3]], "A", "GdGe",
         [("extra catch", 3, "R3")]),
    ],
)  # fmt: skip
def test_each_fault_is_told_with_its_note_and_the_finger_that_is_proven(before, sounds, after, graces, faults):
    movement = one(before, sounds, after, graces)
    assert told(movement) == faults
    assert movement.verdict == "faulty"


# From D to low G: the bottom ring alone comes late, or the bottom index alone early; from low A to D.
LATE, EARLY = [(lifted("d", "R1"), 2), (lifted("d", "R1", "R2"), 30)], [(lifted("d", "R1"), 30)]
CROSSED = [(lifted("A", "R2"), 26), (lifted("A", "R2", "R4"), 10), (lifted("A", "R2", "R3", "R4"), 1)]


@pytest.mark.parametrize(
    ("before", "sounds", "after", "graces", "finger"),
    [
        ("d", [*LATE, *TAORLUATH], "A", "GdGe", "R3"),
        ("d", [*EARLY, *TAORLUATH], "A", "GdGe", "R1"),
        # Of two fingers either was out of turn; and here it was the bottom middle, which no mend by itself puts right.
        ("B", [(STANDARD[1], 30), *TAORLUATH], "A", "GdGe", None),
        ("A", [*CROSSED, (STANDARD[4], 200), (lifted("d", "L3"), 136)], "d", "de", None),
    ],
)
def test_of_a_stray_inside_the_finger_is_told_that_moved_alone_against_others_together(
    before, sounds, after, graces, finger
):
    assert told(one(before, sounds, after, graces)) == [("stray inside", 0, finger)]


def test_where_a_missing_note_would_not_be_heard_by_itself_the_whole_is_to_be_played():
    movement = one("f", [(lifted("f", "L1"), 40)], "f", "gfg")
    assert faults_told(movement) == ["the second high G is missing. Play it whole: high G, F, high G."]


def test_the_sentence_is_a_teacher_s():
    sounds = [TAORLUATH[0], (lifted("G", "R1"), 85), (lifted("G", "R1", "L3"), 35)]
    movement = one("e", sounds, "A", "GdGe")
    assert [fault_sentence(movement, fault) for fault in movement.faults] == [
        "Taorluath: the second low G is missing; the bottom index stayed up. Close fully before the E."
    ]
    assert (movement.variant, movement.faults[0].size_us) == ("GdGe", 0)


def test_a_note_that_is_crushed_is_not_said_to_be_uneven_too():
    movement = one("A", with_(DOUBLING, 2, (lifted("B", "R1"), 12)), "B", "gBd")
    assert faults_told(movement) == ["the D is crushed: it sounds for 12 ms. Give the bottom index time for it."]


def test_beside_a_note_that_is_dragged_none_that_is_alike_is_blamed_for_being_shorter():
    tap, low_a = (255, 40), STANDARD[1]
    birl = one("e", [(lifted("A", "L1"), 34), (low_a, 132), tap, (low_a, 30), tap], "A", "gAGAG")
    assert {(fault.kind, fault.note) for fault in birl.faults} == {("dragged", 1), ("uneven", 1)}


def test_of_two_uneven_notes_the_one_is_told_that_is_farther_from_the_tempo_of_the_others():
    tap, low_a = (255, 120), STANDARD[1]
    birl = one("A", [(lifted("A", "T"), 116), (low_a, 284), tap, (low_a, 105), tap], "A", "aAGAG")
    assert told(birl) == [("uneven", 1, None)]


def test_what_the_edges_leave_open_is_told_as_no_fault():
    crushed = with_(TAORLUATH, 1, (lifted("G", "R1"), 12))
    assert one("e", crushed, "A", "GdGe", skew_us=1_000).verdict == "faulty"
    assert one("e", crushed, "A", "GdGe", skew_us=30_000).faults == ()


def test_a_movement_that_is_slow_as_a_whole_is_not_dragged():
    for factor in (0.8, 1, 2, 4, 5):
        slow = one("e", [(mask, factor * ms) for mask, ms in TAORLUATH], "A", "GdGe")
        assert (slow.verdict, slow.faults) == ("as written", ())
        assert slow.tempo_ratio == pytest.approx(factor * 1.03, rel=0.1)


def test_a_last_grace_note_that_is_the_theme_note_is_neither_missing_nor_measured():
    movement = one("A", TAORLUATH[:3], "e", "GdGe")
    assert (movement.verdict, movement.faults, len(movement.notes)) == ("as written", (), 3)


@pytest.mark.parametrize(
    ("before", "sounds", "after", "graces", "variant"),
    [
        ("d", [(255, 50), (lifted("G", "R3"), 35), (255, 50), TAORLUATH[3]], "A", "GdGe", "GBGe"),
        ("G", TAORLUATH[1:], "A", "GdGe", "GdGe"),
        ("B", [(STANDARD[0], 35)], "d", "c", "G"),
        ("e", [(STANDARD[0], 35), (STANDARD[1], 45), (STANDARD[0], 35)], "A", "AGAG", "GAG"),
    ],
)
def test_the_variants_of_the_schools_are_right(before, sounds, after, graces, variant):
    movement = one(before, sounds, after, graces)
    assert (movement.verdict, movement.faults, movement.variant) == ("as written", (), variant)


@pytest.mark.parametrize("played", ["gd", "gcd"])
def test_a_form_that_the_music_spells_in_part_is_right_in_part_and_whole(played):
    movement = one("A", [(STANDARD[note], 40) for note in spelled(played)], "c", "gd")
    assert (movement.name, movement.verdict, movement.variant) == ("doubling", "as written", played)
    halved = one("A", [(STANDARD[7], 40)], "c", "gd")
    assert [(fault.kind, halved.variant[fault.note]) for fault in halved.faults] == [("missing", "d")]


def test_a_movement_that_nothing_asks_for_has_faults_and_stays_unwritten():
    movement = one("e", with_(TAORLUATH, 1, (lifted("G", "R1"), 13)), "A", "GdGe", known=False)
    assert (movement.verdict, told(movement)) == ("unwritten", [("crushed", 1, "R1"), ("uneven", 1, None)])


def badly_played(seed):
    """Taorluaths and doublings, many of them badly played, in a row."""
    chance, playing = Random(seed), Playing()
    for _ in range(12):
        sounds, after, graces = chance.choice([(TAORLUATH, 1, "GdGe"), (DOUBLING, 2, "gBd")])
        sounds = [(mask, ms * chance.choice([1, 1, 0.2, 0.35, 4])) for mask, ms in sounds]
        if chance.random() < 0.3:
            del sounds[chance.randrange(len(sounds))]
        playing.movement(chance.choice([3, 4, 5]), sounds, after, spelled(graces))
    return playing


def heard_in_pieces(playing, chance, tell):
    """The live analysis of all the playing, some frames of it sent twice; `tell` is called with what it tells."""
    live = LiveAnalysis(TABLE, Settings(), tell, skew=KnownSkew(1_000))
    live.scan(1_000)
    live.begin_music(playing.music, at_us=0)
    for t_us, mask in playing.states:
        live.state(t_us, mask)
        if chance.random() < 0.5:
            live.state(t_us + 1_000 * chance.randrange(1, 8), mask)
            live.idle()
    live.close(playing.now_us)
    return live


@pytest.mark.parametrize("seed", range(4))
def test_live_tells_the_faults_that_batch_tells_however_it_is_cut(seed):
    playing, chance, said = badly_played(seed), Random(seed), []
    batch = playing.analysis()
    live = heard_in_pieces(playing, chance, said.append)
    assert sum(len(movement.faults) for movement in batch.movements) > 5
    assert live.analysis().movements == batch.movements
    movements = {}
    for one in said:
        if isinstance(one, LiveResult) and isinstance(one.result, PlayedMovement):
            movements[one.result.start_us] = one.result
            if one.taken_back:
                del movements[one.result.start_us]
    assert [movements[start_us] for start_us in sorted(movements)] == batch.movements


def live_told(playing, idle):
    """All that is told live, and after which state; `idle` is called with the analysis after each."""
    said, now_us = [], 0
    live = LiveAnalysis(TABLE, Settings(), lambda told: said.append((now_us, told)), skew=KnownSkew(1_000))
    live.scan(1_000)
    live.begin_music(playing.music, at_us=0)
    for (t_us, mask), (until_us, _) in pairwise([*playing.states, (playing.now_us, 0)]):
        for now_us in range(t_us, until_us, 50_000):
            live.state(now_us, mask)
            idle(live)
    live.close(playing.now_us)
    return said


def test_however_much_is_worked_out_ahead_the_same_is_told_at_the_same_time(monkeypatch):
    playing, chance, tried = badly_played(2), Random(2), []

    def one_by_one(live):
        more = True
        while more:
            before = len(tried)
            more = live.idle()
            assert len(tried) - before <= 1

    never = live_told(playing, lambda live: None)
    assert live_told(playing, lambda live: [live.idle() for _ in range(chance.randrange(4))]) == never
    helps = movement_proof._helps
    monkeypatch.setattr(movement_proof, "_helps", lambda *of: tried.append(of) or helps(*of))
    assert live_told(playing, one_by_one) == never
    assert len(tried) > 20


def test_live_judges_no_movement_twice_however_often_it_looks_and_settles(monkeypatch):
    playing, judged = badly_played(1), []

    def counted(take, timeline):
        judged.append(take)
        return judge(take, timeline)

    monkeypatch.setattr(movement_verdicts, "judge", counted)
    live = LiveAnalysis(TABLE, Settings(), lambda _: None, skew=KnownSkew(1_000))
    live.scan(1_000)
    live.begin_music(playing.music, at_us=0)
    for t_us, mask in playing.states:
        for later_us in range(0, 16_000, 4_000):
            live.state(t_us + later_us, mask)
            live.idle()
    live.close(playing.now_us)
    assert len(judged) == len(set(judged)) >= 12


def test_the_summary_says_what_became_of_a_movement_most():
    playing = Playing()
    for _ in range(6):
        playing.movement(5, [*TAORLUATH[:2], (255, 85)], 1, spelled("GdGe"))
    (found,) = summarise([playing.analysis()]).by_movement.values()
    assert (found.name, found.to_note, found.verdicts) == ("taorluath", 1, {"faulty": 6})
    assert {short_words(what, found.to_note): times for what, times in found.faults.items()} == {"the E is missing": 6}
