from __future__ import annotations

import json
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import zlib
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead import library
from fingerlead.reading.asked import SessionMusic
from fingerlead.store.session_file import SessionError, SessionWriter
from fingerlead.store.session_music import (
    KINDS,
    MOST_ROWS,
    MusicAt,
    MusicError,
    musics_of,
    read_rows,
    row_of,
)
from fingerlead.store.session_reading import read_session
from tests.reading.players import run_player
from tests.store.playing import abc_of, music_of, write_playing

TUNE = music_of([0, 3, 0, 3])
a_word = st.text(st.characters(exclude_categories=("C", "Z")), max_size=30)
some_us = st.none() | st.integers(1, 10_000_000)


@st.composite
def a_music(draw):
    kind = draw(st.sampled_from(KINDS))
    notes = draw(st.lists(st.integers(0, 8), min_size=1, max_size=12))
    abc = "" if kind == "none" else abc_of(notes, draw(a_word) or "x")
    judged = draw(st.booleans())
    return SessionMusic(
        kind, draw(a_word), abc, draw(st.integers(1, 99)), draw(some_us), draw(some_us), judged, draw(a_word)
    )


some_asked = st.lists(st.tuples(st.integers(0, 1 << 40), a_music()), max_size=8)


def write_asked(path, asked):
    with SessionWriter(path, "stream", "x") as writer:
        for at_us, music in asked:
            writer.begin_music(at_us, music)
    return path


@pytest.fixture(scope="module")
def played():
    return run_player(0, 3, 120_000, 1)


@pytest.fixture
def kept(tmp_path, played):
    path = write_playing(tmp_path / "a.session", played, (0, music_of(played.music)))
    assert library.read(path).asked
    return path


def change(path, *statements):
    db = sqlite3.connect(path)
    with db:
        for statement in statements:
            db.execute(statement)
    db.close()


# -- what goes in comes out -----------------------------------------------------------------------------------------


@settings(max_examples=30)
@given(some_asked)
def test_what_is_asked_for_comes_back_and_of_two_at_one_time_the_later(tmp_path_factory, asked):
    asked.sort(key=lambda row: row[0])
    session = read_session(write_asked(tmp_path_factory.mktemp("s") / "a", asked))
    last_at = dict(asked)
    assert session.asked == tuple(MusicAt(*row) for row in last_at.items())
    assert session.music_problem == ""


@settings(max_examples=50)
@given(some_asked)
def test_of_two_that_overlap_the_later_row_counts(asked):
    rows = [row_of(number, *each) for number, each in enumerate(asked, 1)]
    found = read_rows(rows)
    assert [row.at_us for row in found] == sorted({row.at_us for row in found})
    for at_us in {at for at, _ in asked}:
        counts = next((music for at, music in reversed(asked) if at <= at_us), None)
        assert next(row.music for row in reversed(found) if row.at_us <= at_us) == counts


def test_the_reading_gets_each_music_until_the_next_begins():
    graced = SessionMusic("rung", "r", "X:1\nM:2/4\nL:1/4\nK:HP\n{gdc}B c | {G}d |]\n", stage_us=15_000)
    off = SessionMusic(judged=False, why="hands off asked")
    first, second, last = musics_of([MusicAt(5, graced), MusicAt(90, off), MusicAt(200, TUNE)])
    assert (first.start_us, first.end_us, second.start_us, second.end_us, last.start_us) == (5, 90, 90, 200, 200)
    assert last.end_us > 1 << 61
    assert [tuple(note[:4]) for note in first.notes] == [
        (2, (7, 4, 3), True, 1),
        (3, (), False, 1),
        (4, (0,), True, 2),
    ]
    assert (first.is_known, first.asked) == (True, graced)
    assert (second.is_known, second.asked.judged, second.asked.why) == (False, False, "hands off asked")


def test_music_before_the_last_one_is_refused_and_the_session_goes_on(tmp_path):
    with SessionWriter(tmp_path / "a", "stream", "x") as writer:
        writer.begin_music(500, TUNE)
        with pytest.raises(SessionError, match="expected music from 500 µs on, where the last one begins; got 499"):
            writer.begin_music(499, TUNE)
        writer.begin_music(500, SessionMusic())
    assert read_session(tmp_path / "a").asked == (MusicAt(500, SessionMusic()),)


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": "march"},
        {"abc": ""},
        {"kind": "none"},
        {"abc": "x" * 60_001},
        {"name": "n" * 201},
        {"name": "two\nlines"},
        {"why": "\x1b[31m"},
        {"pass_number": 0},
        {"pass_number": True},
        {"beat_us": 0},
        {"beat_us": 1 << 40},
        {"stage_us": 1.5},
        {"judged": 1},
    ],
)
def test_what_cannot_be_meant_is_not_kept(tmp_path, wrong):
    with SessionWriter(tmp_path / "a", "stream", "x") as writer:
        with pytest.raises(SessionError, match="the music cannot be kept: expected "):
            writer.begin_music(0, replace(TUNE, **wrong))
        writer.begin_music(0, TUNE)
    assert read_session(tmp_path / "a").asked == (MusicAt(0, TUNE),)


# -- old, newer, damaged --------------------------------------------------------------------------------------------


def test_a_session_without_a_table_of_music_opens_as_before(kept):
    before = library.analyse(library.read(kept), asked=SessionMusic())
    change(kept, "DROP TABLE music", "PRAGMA user_version = 1")
    loaded = library.read(kept)
    assert (loaded.asked, loaded.music_problem) == ((), "")
    assert library.analyse(loaded).changes == before.changes


def damaged_body(body):
    return f"UPDATE music SET body = '{body}', crc = {zlib.crc32(f'[1, 0, 1, {quoted(body)}]'.encode())}"


def quoted(body):
    return json.dumps(body, ensure_ascii=False)


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE music SET format = 3", "expected music of format 2, got format 3; use a newer fingerlead"),
        ("UPDATE music SET at_us = 7", "row 1 as it was written, got a damaged one"),
        ("UPDATE music SET body = replace(body, 'G', 'A')", "row 1 as it was written, got a damaged one"),
        ("UPDATE music SET crc = crc + 1", "row 1 as it was written, got a damaged one"),
        ("UPDATE music SET number = 2", "expected row 1, got row 2"),
        ("UPDATE music SET body = x'00'", "numbers and text in each row"),
        ("UPDATE music SET at_us = 'noon'", "numbers and text in each row"),
        ("UPDATE music SET body = CAST(x'ff' AS TEXT)", "cannot be read"),
        (damaged_body("{"), "expected kind, name, abc"),
        (damaged_body("[1]"), "expected kind, name, abc"),
        (damaged_body('{"kind":"tune","key":1}'), "expected kind, name, abc"),
        (damaged_body('{"kind":7}'), "expected one of rung, tune, none, got 7"),
        (damaged_body('{"kind":"tune","abc":"no tune"}'), "expected a tune, which begins with a line X:1"),
        (damaged_body('{"kind":"tune","abc":"X:1\\nK:HP\\nz4 |]"}'), "expected an exercise with notes to play"),
        (
            "WITH r(i) AS (SELECT 2 UNION ALL SELECT i + 1 FROM r LIMIT 10001) "
            "INSERT INTO music SELECT i, 0, 1, '', 0 FROM r",
            "row 2 as it was written",
        ),
    ],
)
def test_music_that_cannot_be_read_is_told_in_one_sentence_and_the_playing_is_read_freely(kept, statement, words):
    free = library.analyse(library.read(kept), asked=SessionMusic())
    change(kept, statement)
    loaded = library.read(kept)
    assert loaded.asked == ()
    assert loaded.music_problem.startswith("Its music cannot be read, so any note may follow any: ")
    assert words in loaded.music_problem
    assert loaded.music_problem.count("\n") == 0
    assert loaded.music_problem.isprintable()
    analysis = library.analyse(loaded)
    assert analysis.changes == free.changes
    assert analysis.music_problem == loaded.music_problem
    # What is asked for instead counts, and nothing is said of the other.
    assert library.analyse(loaded, asked=TUNE).music_problem == ""


def test_more_rows_than_any_session_has_are_told(kept):
    rows = [row_of(number, number, SessionMusic()) for number in range(2, MOST_ROWS + 2)]
    db = sqlite3.connect(kept)
    with db:
        db.executemany("INSERT INTO music VALUES (?, ?, ?, ?, ?)", rows)
    db.close()
    assert "expected at most 10000 rows, got more" in library.read(kept).music_problem


def test_a_flipped_bit_in_the_music_changes_no_playing_and_never_the_music(kept):
    whole, lot = kept.read_bytes(), random.Random(4)
    truth = read_session(kept)
    begin = whole.index(b'{"kind":"tune"')
    row = range(begin - 40, begin + len(abc_of(run_player(0, 3, 120_000, 1).music)) + 120)
    told = 0
    for at in lot.sample(row, 150):
        flipped = bytearray(whole)
        flipped[at] ^= 1 << lot.randrange(8)
        kept.write_bytes(flipped)
        session = read_session(kept)
        assert (session.data, session.arrivals.tolist()) == (truth.data, truth.arrivals.tolist())
        assert session.asked == truth.asked or (session.asked == () and session.music_problem)
        told += bool(session.music_problem)
    assert told > 100


def test_killed_at_once_the_music_is_on_the_disk(tmp_path):
    path = tmp_path / "a.session"
    program = (
        "import os, signal, sys\n"
        "from fingerlead.store.session_file import SessionWriter\n"
        "from tests.store.playing import music_of\n"
        "writer = SessionWriter(sys.argv[1], 'stream', 'x')\n"
        "writer.append(b'abc', 10)\n"
        "writer.begin_music(77, music_of([0, 3]))\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", program, str(path)])
    assert done.returncode == -signal.SIGKILL
    session = read_session(path)
    # What came before it is saved with it.
    assert (session.data, session.asked) == (b"abc", (MusicAt(77, music_of([0, 3])),))


def test_the_same_from_the_same_time_on_is_kept_once(tmp_path):
    path, other = tmp_path / "a.session", music_of([2, 1])
    begun = [(7, TUNE)] * 50 + [(7, other)] * 50 + [(7, TUNE)] * 50 + [(8, TUNE)] * 50
    with SessionWriter(path, "stream", "x") as writer:
        for at_us, music in begun:
            writer.begin_music(at_us, music)
    db = sqlite3.connect(path)
    assert [at_us for (at_us,) in db.execute("SELECT at_us FROM music ORDER BY number")] == [7, 7, 7, 8]
    db.close()
    assert read_session(path).asked == (MusicAt(7, TUNE), MusicAt(8, TUNE))


# -- what it means --------------------------------------------------------------------------------------------------


def test_music_that_ends_before_the_playing_leaves_the_rest_free(tmp_path, played):
    middle_us = played.notes[8].start_us - 100_000
    path = write_playing(tmp_path / "a", played, (0, music_of(played.music)), (middle_us, SessionMusic()))
    held = library.analyse(library.read(path)).held
    before = [note for note in held if note.end_us < middle_us]
    after = [note for note in held if note.start_us > middle_us]
    assert all(note.written is not None and note.written.music == 0 for note in before)
    assert len(before) >= 7
    assert all(note.written is None for note in after)
    assert len(after) > 8  # the runs of 120 ms too


def test_music_that_goes_on_after_the_playing_does_no_harm(tmp_path, played):
    asked = (0, music_of(played.music))
    late = (played.end_us + 10_000_000, SessionMusic())
    found = [
        library.analyse(library.read(write_playing(tmp_path / str(len(some)), played, *some))).changes
        for some in ((asked,), (asked, late))
    ]
    assert found[0] == found[1]
    assert len(found[0]) == len(played.changes)


def test_the_session_s_own_copy_counts_when_the_file_of_the_tune_has_changed(tmp_path, played):
    from fingerlead.faces.cli.tunes import session_music

    tune = tmp_path / "tune.abc"
    tune.write_text(abc_of(played.music))
    path = write_playing(tmp_path / "a", played, (0, session_music(str(tune))))
    before = library.analyse(library.read(path)).changes
    tune.write_text(abc_of([8, 7, 8, 7]))
    assert library.analyse(library.read(path)).changes == before


def test_the_first_tune_of_a_book_goes_along_with_the_fields_above_it(tmp_path):
    from fingerlead.faces.cli.tunes import session_music, tune_of

    book = tmp_path / "book.abc"
    book.write_text("M:2/4\nL:1/4\n\nX:1\nT:One\nK:HP\nG A |]\n\nX:2\nT:Two\nK:HP\n" + "a e | " * 200)
    music = session_music(str(book))
    assert music.name == "One"
    assert "Two" not in music.abc
    book.write_text(music.abc)
    assert tune_of(str(book)).meter == (2, 4)


def test_music_chosen_over_and_over_is_written_a_few_times_and_all_of_it_kept(tmp_path, monkeypatch):
    writes, write_portion = [], SessionWriter._write_portion

    def count(writer):
        writes.append(writer)
        write_portion(writer)

    monkeypatch.setattr(SessionWriter, "_write_portion", count)
    two = (TUNE, music_of([2, 1]))
    with SessionWriter(tmp_path / "a", "stream", "x") as writer:
        for number in range(400):
            writer.begin_music(number, two[number % 2])
            if number % 20 == 19:
                writer.tick(number * 2_500)
    assert len(writes) <= 26
    assert read_session(tmp_path / "a").asked == tuple(MusicAt(number, two[number % 2]) for number in range(400))


def test_rows_of_the_wrong_kind_are_told():
    with pytest.raises(MusicError, match="numbers and text"):
        read_rows([(1, 0, 1, None, 0)])


def test_a_copy_of_a_session_being_recorded_has_its_music(tmp_path):
    writer = SessionWriter(tmp_path / "a", "stream", "x")
    writer.begin_music(3, TUNE)
    shutil.copytree(tmp_path, tmp_path.with_name(tmp_path.name + "-copy"))
    assert read_session(tmp_path.with_name(tmp_path.name + "-copy") / "a").asked == (MusicAt(3, TUNE),)
    writer.close()
