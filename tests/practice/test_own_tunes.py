"""Tunes of a player's own: what is taken, under which name, and when each note of the model sounds."""

from __future__ import annotations

import contextlib
from concurrent.futures import Future
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.tunes import easy_tunes
from fingerlead.music import abc
from fingerlead.practice import events, inbox, own_tunes
from fingerlead.practice.own_tunes import MOST_NOTES, MOST_TUNES, model_of, own_tune, refusal
from fingerlead.practice.tonight import music_names
from fingerlead.practice.tune_shelf import NAME, TuneShelf
from fingerlead.store.intake import load
from fingerlead.store.session_music import LONGEST_ABC
from tests.practice.practice_playing import STANDARD, TABLE
from tests.practice.session_tools import SessionByHand, played

HEAD = "X:1\nT:{}\nM:4/4\nL:1/4\nK:HP\n"
MINE = HEAD.format("Mine") + "|: G B G B :| {g}A2 e2 |]\n"


def test_a_tune_is_taken_with_its_repeats_under_its_title():
    music = own_tune(MINE)
    assert (music.key, music.name, music.rung) == ("own: Mine", "Mine", None)
    assert [wanted.note for wanted in music.wanted.notes] == [0, 2, 0, 2, 0, 2, 0, 2, 1, 5]
    assert own_tune(MINE, taken=["mine", "Mine (2)"]).name == "Mine (3)"
    assert own_tune(HEAD.format("") + "GABc|]").name == "Own tune"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "expected a tune"),
        (b"\xff\xfe\x00\x01", "expected a tune"),
        ("X:1\nK:HP\n", "none"),
        (HEAD.format("Long") + "|".join(["A B c d"] * 2_500) + "|]\n", "cut it up"),
        (HEAD.format("Again") + ("|: " + "A B c d|" * 200 + " :|") * 2, f"at most {MOST_NOTES} notes"),
        (HEAD.format("x") + "A B ^c d|]\n" * 30_000, "at most"),
        (HEAD.format("x") + "A,, B|]\n", "expected"),
    ],
)
def test_what_cannot_be_practised_is_refused_in_a_sentence(text, said):
    with pytest.raises(ValueError, match=said) as refused:
        own_tune(text)
    assert refusal(refused.value).endswith(".")
    assert refusal(refused.value)[0].isupper()


@given(st.text(max_size=80) | st.binary(max_size=80), st.text(max_size=300))
def test_whatever_comes_is_a_tune_or_a_sentence(text, title):
    for each in (text, HEAD.format(title) + "GABc|]\n"):
        with contextlib.suppress(ValueError):
            music = own_tune(each)
            assert music.name.isprintable()
            assert len(music.name) <= 110


@pytest.mark.parametrize("tune", easy_tunes(), ids=lambda tune: tune.key)
@pytest.mark.parametrize("bpm", [None, 30.0, 200.0])
def test_each_note_of_a_model_sounds_at_its_time(tune, bpm):
    music = own_tune(tune.abc)
    model = model_of(music.tune, bpm, TABLE)
    quarter_us = 60_000_000 / (bpm or float(music.tune.tempo or 60))
    times = [edge_us for edge_us, _ in model.edges]
    assert times == sorted(times)
    assert len(model.notes) == len(music.wanted.notes)
    for note, written in zip(model.notes, music.tune.played(), strict=True):
        assert note.start_us == pytest.approx(float(written.starts_at) * 4 * quarter_us, abs=1)
        assert note.end_us - note.start_us == pytest.approx(float(written.length) * 4 * quarter_us, abs=2)
        # What stands in its middle is its fingering.
        middle_us = (note.start_us + note.end_us) // 2
        assert [mask for edge_us, mask in model.edges if edge_us <= middle_us][-1] == STANDARD[written.note]


def test_an_own_tune_is_on_the_staff_offered_and_in_the_session(tmp_path):
    by_hand = SessionByHand(tmp_path)
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    answers = []
    for text in (MINE, MINE, MINE.replace("e2", "d2"), easy_tunes()[0].abc):
        answers.append(Future())
        by_hand.actor.carry_out(inbox.PlayOwn(own_tune(text), answers[-1]))
    keys = [answer.result(0) for answer in answers]
    assert keys[:3] == ["own: Mine", "own: Mine", "own: Mine (2)"]
    assert keys[3] == f"own: {easy_tunes()[0].title} (2)"  # its own staff, not that of the program's tune
    by_hand.actor.carry_out(inbox.ChooseRung("own: Mine"))
    shown = by_hand.of(events.MusicNow)[-1].snapshot
    assert (shown.key, shown.is_tune, shown.progressed.needed) == ("own: Mine", True, 0)
    own = [tune for tune in shown.tunes if tune.own]
    assert [tune.key for tune in own] == list(dict.fromkeys(keys))
    assert {tune.name for tune in own}.isdisjoint(music_names())
    by_hand.play(played()[0])
    by_hand.actor.carry_out(inbox.Listen("page"))  # another practice, the same tunes
    assert by_hand.of(events.MusicNow)[-1].snapshot.key == "own: Mine"
    by_hand.actor.close()
    (session,) = tmp_path.glob("*.session")
    assert MINE in {asked.music.abc for asked in load(session).asked}


def test_the_practice_actor_reads_no_tune_anew(monkeypatch):
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    music, twin = own_tune(MINE), own_tune(MINE.replace("e2", "d2"))
    monkeypatch.setattr(abc, "parse_abc", lambda *given: pytest.fail("what takes a second holds the sound up"))
    monkeypatch.setattr(own_tunes, "parse_abc", abc.parse_abc)
    answers = [Future(), Future()]
    for each, answer in zip((music, twin), answers, strict=True):
        by_hand.actor.carry_out(inbox.PlayOwn(each, answer))
    assert [answer.result(0) for answer in answers] == ["own: Mine", "own: Mine (2)"]
    assert by_hand.of(events.MusicNow)[-1].snapshot.tune.title == "Mine (2)"


def test_of_too_many_the_oldest_give_way():
    by_hand = SessionByHand()
    for number in range(MOST_TUNES + 3):
        by_hand.actor.carry_out(inbox.PlayOwn(own_tune(HEAD.format(f"Number {number}") + "GABc|]")))
    own = [tune.name for tune in by_hand.of(events.MusicNow)[-1].snapshot.tunes if tune.own]
    assert own == [f"Number {number}" for number in range(3, MOST_TUNES + 3)]


def test_a_tune_that_is_taken_off_is_offered_no_more_until_it_is_put_back(tmp_path):
    kept: list[list[str]] = []
    by_hand = SessionByHand(tmp_path, keep_own=lambda tunes: kept.append([tune.name for tune in tunes]))
    do = by_hand.actor.carry_out

    def offered() -> list[str]:
        return [tune.key for tune in by_hand.of(events.MusicNow)[-1].snapshot.tunes if tune.own]

    do(inbox.Listen("quiet"))
    do(inbox.PlayOwn(own_tune(MINE)))
    do(inbox.PlayOwn(own_tune(MINE.replace("T:Mine", "T:Yours"))))
    do(inbox.ChooseRung("own: Mine"))
    by_hand.play(played()[0])
    do(inbox.TakeOff("own: Mine"))
    do(inbox.TakeOff("own: Mine"))  # a second click
    assert offered() == ["own: Yours"]
    assert by_hand.of(events.MusicNow)[-1].snapshot.key == "own: Mine"  # it may be played to its end
    assert kept[-1] == ["Yours"]
    for _ in range(2):
        do(inbox.PutBack("own: Mine"))
        assert offered() == ["own: Yours", "own: Mine"]
    assert kept[-1] == ["Yours", "Mine"]
    do(inbox.TakeOff("low-g-b"))  # no tune of one's own
    do(inbox.TakeOff("own: Mine"))
    for number in range(MOST_TUNES):
        do(inbox.PlayOwn(own_tune(HEAD.format(f"Number {number}") + "GABc|]")))
    do(inbox.PutBack("own: Mine"))
    assert "own: Mine" not in offered()
    assert by_hand.of(events.Notice)[-1].sentence.startswith("Expected at most")
    by_hand.actor.close()
    (session,) = tmp_path.glob("*.session")
    assert MINE in {asked.music.abc for asked in load(session).asked}


def test_own_tunes_are_there_again_the_next_time_each_once_and_under_a_name_of_its_own(tmp_path):
    shelf = TuneShelf(tmp_path / "data")
    first, twin = own_tune(MINE), own_tune(MINE.replace("e2", "d2"))
    shelf.keep([first, own_tune(twin.abc, taken=["Mine"])])
    again = TuneShelf(tmp_path / "data").tunes([])
    assert [(tune.key, tune.abc) for tune in again] == [("own: Mine", first.abc), ("own: Mine (2)", twin.abc)]
    # One that is named at the start keeps its name; what is kept of it already is the same one.
    assert [tune.key for tune in shelf.tunes([twin])] == ["own: Mine (2)", "own: Mine"]
    assert [tune.key for tune in shelf.tunes([first])] == ["own: Mine (2)", "own: Mine"]


@pytest.mark.parametrize("kept", [b"", b"\xff", b"[", b"{}", b"[1, null, {}]", b'["no tune"]', b"[" * 100_000])
def test_a_damaged_shelf_is_an_empty_one(tmp_path, kept):
    (tmp_path / NAME).write_bytes(kept)
    assert TuneShelf(tmp_path).tunes([]) == []


def test_a_shelf_full_of_the_longest_texts_is_read_again(tmp_path):
    texts = [chr(0x1D100 + number) * LONGEST_ABC for number in range(MOST_TUNES)]
    TuneShelf(tmp_path).keep([SimpleNamespace(abc=text) for text in texts])
    assert TuneShelf(tmp_path)._texts() == texts


def test_where_no_tune_can_be_kept_it_lasts_as_long_as_the_program(tmp_path):
    (tmp_path / "file").write_text("")
    shelf = TuneShelf(tmp_path / "file")
    shelf.keep([own_tune(MINE)])
    assert shelf.tunes([]) == []


def test_what_a_page_asks_for_is_kept_at_once(tmp_path):
    kept = []
    by_hand = SessionByHand(keep_own=kept.append)
    for text in (MINE, MINE, MINE.replace("e2", "d2")):
        by_hand.actor.carry_out(inbox.PlayOwn(own_tune(text)))
    assert [[tune.name for tune in tunes] for tunes in kept] == [["Mine"], ["Mine", "Mine (2)"]]
