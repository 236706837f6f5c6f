from __future__ import annotations

import contextlib
import io
import json
import os
import random
import signal
import sqlite3
import stat
import time
import zipfile
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.store import session_reading
from fingerlead.store.session_reading import read_session, session_record
from fingerlead.studio import pupils
from fingerlead.studio.homework import give
from fingerlead.studio.index import DaySpan, analysed, digest_of
from fingerlead.studio.lessons import write_down
from fingerlead.studio.overview import glances
from fingerlead.studio.pupils import Pupil, StudioError
from fingerlead.studio.round import bring_home
from fingerlead.studio.studio import Studio, forget_index
from fingerlead.timing.movement_sums import movements_together
from fingerlead.timing.progress import tally, together
from fingerlead.timing.summary import summarise
from tests.embellishments.planted import recital
from tests.store.journals import hot_journal
from tests.store.playing import music_of, write_playing
from tests.studio.studios import playing, rebuild, write

NAME = "Ailsa Nic Unmistakable"


@pytest.fixture
def studio(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        yield studio


def contents(studio: Studio):
    rows = [(s.pupil, s.digest, s.started_utc, s.playing_us, s.rungs, s.problem) for s in studio.index.sessions()]
    tried = studio.index.tried({pupil.key: DaySpan("", "2026-09-03") for pupil in studio.pupils()})
    counts = {who: [str(getattr(one, name)) for name in one.__slots__] for who, one in tried.items()}
    music = [[*studio.index.written(pupil.key), *studio.index.pairs(pupil.key)] for pupil in studio.pupils()]
    return rows, list(studio.index.tallies()), list(studio.index.movements()), counts, music


def test_a_session_is_taken_in_once_and_says_what_its_file_says(studio, tmp_path):
    ailsa, bea = studio.add("Ailsa"), studio.add("Bea", "right")
    file = write(tmp_path / "a.session", playing(), settings={"rungs": ["low-g-b"]})
    first = studio.take_in(ailsa.key, file)
    assert first.outcome == "new"
    again = studio.take_in(bea.key, write(tmp_path / "copy.session", playing()))
    assert (again.outcome, again.digest) == ("same", first.digest)
    kept = studio.session_path(first.digest)
    assert kept.stat().st_mode & 0o222 == 0
    (session,) = studio.index.sessions(ailsa.key)
    assert session.rungs == ("low-g-b",)
    assert session.day == "2026-09-01"
    before, after = read_session(file), read_session(kept)
    assert (before.data, before.arrivals.tolist()) == (after.data, after.arrivals.tolist())
    assert digest_of(before) == digest_of(after)
    _, analysis = analysed(file)
    assert [each for *_, each in studio.index.tallies(ailsa.key)] == tally(analysis)


def test_the_index_made_anew_says_the_same(studio, tmp_path):
    keys = [studio.add(name).key for name in ("Ailsa", "Bea", "Catriona")]
    for number in range(6):
        studio.take_in(keys[number % 3], write(tmp_path / f"{number}.session", playing(number), number))
    before = contents(studio)
    assert rebuild(studio) == 6
    assert contents(studio) == before
    (studio.folder / "index.sqlite").unlink()
    with Studio(studio.folder) as opened:
        assert contents(opened) == before


def test_an_index_of_an_earlier_version_is_made_anew_without_loss(studio, tmp_path):
    """As version 3 left it, which knew nothing of movements."""
    key = studio.add("Ailsa").key
    file = write_playing(tmp_path / "a.session", *recital_asked("missing"))
    assert studio.take_in(key, file).outcome == "new"
    before = contents(studio)
    assert sum(one.wrong for *_, one in studio.index.movements()) > 0
    studio.close()
    with contextlib.closing(sqlite3.connect(studio.folder / "index.sqlite")) as db:
        db.executescript("DROP TABLE movement; UPDATE result SET plain = 0; PRAGMA user_version = 3")
    with Studio(studio.folder) as opened:
        assert contents(opened) == before


def test_movements_of_several_sessions_add_up(studio, tmp_path):
    key = studio.add("Ailsa").key
    for number, kind in enumerate(("well", "missing", "left out")):
        played, asked = recital_asked(kind)
        studio.take_in(key, write_playing(tmp_path / f"{number}.session", played, asked))
    apart = [analysed(studio.session_path(session.digest))[1] for session in studio.index.sessions(key)]
    assert movements_together(one for *_, one in studio.index.movements(key)) == summarise(apart).by_movement
    tried = studio.index.tried({key: DaySpan("", "")})[key]
    sums = zip(tried.whats, tried.tried.sum(0).tolist(), tried.astray.sum(0).tolist(), strict=True)
    by_index = {what: (asked, wrong) for what, asked, wrong in sums if isinstance(what[0], str)}
    assert by_index == {on: (of.count, of.wrong) for on, of in summarise(apart).by_movement.items()}


def recital_asked(kind):
    """A tune with movements, each played in one way, and its music."""
    played = recital(kind, 6, 55_000, 80_000, seed=31).performance
    return played, (0, music_of(played.music))


def test_a_span_of_days_is_cut_at_its_days(studio, tmp_path):
    key = studio.add("Ailsa").key
    for day in range(4):
        studio.take_in(key, write(tmp_path / f"{day}.session", playing(day), day))
    assert [s.day for s in studio.index.sessions(key, "2026-09-02", "2026-09-04")] == ["2026-09-02", "2026-09-03"]
    every = together(each for *_, each in studio.index.tallies(key))
    assert sum(each.plain for each in every.values()) > 0


def foreign(tmp_path: Path, statement: str) -> Path:
    path = write(tmp_path / "foreign.session", playing())
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript(statement)
    return path


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TRIGGER t AFTER INSERT ON mark BEGIN DELETE FROM batch; END",
        "CREATE VIEW v AS SELECT * FROM batch",
        "PRAGMA user_version = 99",
        "PRAGMA application_id = 7",
        "UPDATE batch SET bytes = 'text'",
        "INSERT INTO batch VALUES (999, 1, zeroblob(20000000), zeroblob(8))",
        "DROP TABLE mark",
    ],
)
def test_foreign_files_are_refused_in_a_sentence_and_leave_nothing(studio, tmp_path, statement):
    key = studio.add("Ailsa").key
    taken = studio.take_in(key, foreign(tmp_path, statement))
    assert taken.outcome == "refused"
    assert "expected" in taken.sentence
    assert list((studio.of(key) / "sessions").iterdir()) == []
    assert studio.index.sessions() == []


@pytest.mark.parametrize("data", [b"", b"nothing of the kind", b"SQLite format 3\0" + bytes(4096), playing()])
def test_other_files_are_refused(studio, tmp_path, data):
    file = tmp_path / "x.session"
    file.write_bytes(data)
    key = studio.add("Ailsa").key
    assert studio.take_in(key, file).outcome == "refused"
    assert studio.take_in(key, tmp_path / "missing").outcome == "refused"
    assert studio.take_in(key, tmp_path).outcome == "refused"


def test_a_kept_session_that_rots_is_told_and_holds_nothing_up(studio, tmp_path):
    key = studio.add("Ailsa").key
    taken = studio.take_in(key, write(tmp_path / "a.session", playing()))
    studio.session_path(taken.digest).chmod(0o644)
    studio.session_path(taken.digest).write_bytes(b"rot")
    rebuild(studio)
    (session,) = studio.index.sessions(key)
    assert "expected a session" in session.problem


def test_after_deletion_no_byte_of_a_pupil_is_left(studio, tmp_path):
    gone, stays = studio.add(NAME, note=f"{NAME} has small hands").key, studio.add("Bea").key
    taken = studio.take_in(gone, write(tmp_path / "a.session", playing()))
    studio.take_in(stays, write(tmp_path / "b.session", playing(2)))
    pupils.add_remark(studio.of(gone), taken.digest, 5, f"{NAME}, listen here", date(2026, 9, 2))
    studio.delete(gone)
    for file in [each for each in studio.folder.rglob("*") if each.is_file()]:
        data = file.read_bytes()
        assert NAME.encode() not in data
        assert gone.encode() not in data
        assert taken.digest.encode() not in data
    assert [pupil.key for pupil in studio.pupils()] == [stays]
    assert len(studio.index.sessions()) == 1


def test_a_deletion_cut_off_is_finished_when_the_studio_opens(studio, tmp_path):
    key = studio.add(NAME).key
    studio.take_in(key, write(tmp_path / "a.session", playing()))
    studio.of(key).replace(studio.folder / f".deleting-{key}")
    with Studio(studio.folder) as opened:
        assert opened.pupils() == []
        assert opened.index.sessions() == []
    assert [each.name for each in (studio.folder).iterdir() if each.name.startswith(".")] == []


def test_a_pupil_goes_out_whole(studio, tmp_path):
    key = studio.add(NAME).key
    taken = studio.take_in(key, write(tmp_path / "a.session", playing()))
    give(studio.of(key), ("low-g-b",), date(2026, 9, 2), note="slowly")
    with zipfile.ZipFile(io.BytesIO(studio.export(key))) as bundle:
        assert sorted(bundle.namelist()) == ["homework.jsonl", "pupil.json", f"sessions/{taken.digest}.session"]


@pytest.fixture
def open_umask():
    before = os.umask(0)
    yield
    os.umask(before)


def open_to_others(folder: Path) -> list[str]:
    return [path.name for path in (folder, *folder.rglob("*")) if path.stat().st_mode & 0o077]


def test_all_of_a_studio_is_its_owners_alone_whatever_the_umask(tmp_path, open_umask):
    folder = tmp_path / "new" / "studio"
    with Studio(folder) as studio:
        key = studio.add("Ailsa").key
        taken = studio.take_in(key, write(tmp_path / "a.session", playing()))
        give(studio.of(key), ("low-g-b",), date(2026, 9, 2))
        write_down(studio.of(key), "2026-09-02", "slowly", date(2026, 9, 2))
        pupils.add_remark(studio.of(key), taken.digest, 0, "slowly", date(2026, 9, 2))
        assert len(list(folder.rglob("*"))) > 8
        assert open_to_others(tmp_path / "new") == []
        assert stat.S_IMODE(studio.session_path(taken.digest).stat().st_mode) == 0o400


def test_a_studio_that_an_earlier_version_left_open_is_closed_when_it_is_opened(tmp_path):
    folder = tmp_path / "studio"
    with Studio(folder) as studio:
        key = studio.add("Ailsa").key
        studio.take_in(key, write(tmp_path / "a.session", playing()))
    for path in folder.rglob("*"):
        path.chmod(0o755 if path.is_dir() else 0o444 if path.suffix == ".session" else 0o644)
    # What else lies in the folder, and the folder itself, may be the person's own.
    (folder / "letter.txt").write_text("x")
    (folder / "letter.txt").chmod(0o644)
    folder.chmod(0o755)
    with Studio(folder) as studio:
        assert sorted(open_to_others(folder)) == ["letter.txt", "studio"]
        (session,) = studio.index.sessions(key)
        assert stat.S_IMODE(studio.session_path(session.digest).stat().st_mode) == 0o400


def test_remarks_are_read_back_and_taken_back(studio):
    folder = studio.of(studio.add("Ailsa").key)
    first = pupils.add_remark(folder, "d", 7, "  here\u202e the   little finger\nwaits ", date(2026, 9, 2))
    second = pupils.add_remark(folder, "d", 3, "<b>=not bold", date(2026, 9, 2))
    assert first.text == "here the little finger\nwaits"
    assert pupils.remarks(folder) == [second, first]
    pupils.take_back(folder, second.id)
    assert pupils.remarks(folder) == [first]


def test_a_thousand_remarks_and_foreign_lines_are_no_trouble(studio):
    folder = studio.of(studio.add("Ailsa").key)
    for number in range(1_000):
        pupils.add_remark(folder, "d", number, f"remark {number}", date(2026, 9, 2))
    with (folder / "remarks.jsonl").open("ab") as file:
        file.write(b'[1]\n{"id": 3}\n\xff\xfe\n' + b"[" * 50_000 + b'\n{"id":"cut off')
    pupils.add_remark(folder, "d", 5_000, "the last", date(2026, 9, 2))
    assert [each.at_us for each in pupils.remarks(folder)] == [*range(1_000), 5_000]


def test_what_a_killed_program_left_is_swept_away_and_what_is_being_written_is_not(studio):
    sessions = studio.of(studio.add("Ailsa").key) / "sessions"
    old, new = f".{'a' * 32}-1", f".{'b' * 32}-2"
    (sessions / old).write_bytes(b"half")
    (sessions / new).write_bytes(b"half")
    os.utime(sessions / old, (0, 0))
    studio.catch_up()
    assert [each.name for each in sessions.iterdir()] == [new]


@pytest.mark.parametrize("name", ["", "   ", "\u200b", "x" * 81])
def test_names_that_are_none_are_refused(studio, name):
    with pytest.raises(StudioError, match="expected a name"):
        studio.add(name)


@given(st.text(max_size=200))
def test_any_text_tidied_is_one_printable_line_and_stays_so(text):
    tidied = pupils.tidy(text)
    assert tidied.isprintable()
    assert pupils.tidy(tidied) == tidied


@given(st.text(st.characters(max_codepoint=127), max_size=60), st.booleans())
def test_a_text_of_plain_letters_is_tidied_as_any_other(text, lines):
    assert pupils.tidy(f"{text}x", lines) + "ß" == pupils.tidy(f"{text}xß", lines)


@pytest.mark.parametrize("key", ["", "..", "../../etc", "0123456789ab", "0123456789AB"])
def test_what_is_no_pupil_is_refused(studio, key):
    with pytest.raises(StudioError, match="there is none"):
        studio.of(key)


def test_a_damaged_pupil_file_holds_nothing_up(studio, tmp_path):
    ailsa, bea = studio.add("Ailsa"), studio.add("Bea")
    studio.take_in(ailsa.key, write(tmp_path / "a.session", playing()))
    (studio.of(ailsa.key) / "pupil.json").write_bytes(b'{"schema": "fingerlead-pupil-1", "name": 7}')
    found = studio.pupils()
    assert found[0].key == ailsa.key
    assert "expected a name" in found[0].problem
    assert found[1] == Pupil(bea.key, "Bea")
    studio.change(bea.key, name="Bea B.", lesson="2026-09-03")
    assert studio.pupil(bea.key).lesson == "2026-09-03"
    with pytest.raises(StudioError, match="expected a day"):
        studio.change(bea.key, lesson="yesterday")


@pytest.mark.parametrize("statement", ["PRAGMA user_version = 99", "PRAGMA application_id = 7"])
def test_another_index_is_refused_and_not_touched(studio, statement):
    studio.close()
    path = studio.folder / "index.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript(statement)
    with pytest.raises(StudioError, match="expected a studio's index"):
        Studio(studio.folder)
    path.write_bytes(b"no database at all, but longer than a header")
    with pytest.raises(StudioError, match="expected a studio's index"):
        Studio(studio.folder)


def test_two_programs_take_in_the_same_sessions_and_nothing_is_double(tmp_path):
    folder, files = tmp_path / "studio", [write(tmp_path / f"{n}.session", playing(n), n) for n in range(6)]
    with Studio(folder) as studio:
        keys = [studio.add("Ailsa").key, studio.add("Bea").key]
    children = [_in_a_child(folder, key, files) for key in keys]
    assert [os.waitpid(child, 0)[1] for child in children] == [0, 0]
    _whole(folder, files)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system with fork")
def test_killed_at_random_while_taking_in_nothing_is_lost_or_double(tmp_path):
    chance = random.Random(7)
    folder, files = tmp_path / "studio", [write(tmp_path / f"{n}.session", playing(n), n) for n in range(8)]
    with Studio(folder) as studio:
        key = studio.add("Ailsa").key
    for _ in range(200):
        child = _in_a_child(folder, key, files)
        time.sleep(chance.random() * 0.02)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        if chance.random() < 0.2:
            with Studio(folder) as studio:
                for session in studio.index.sessions():
                    assert session.problem == ""
                    studio.index.drop(session.digest) if chance.random() < 0.1 else None
        if chance.random() < 0.1:
            for file in (folder / "pupils" / key / "sessions").glob("*.session"):
                if chance.random() < 0.5:
                    file.unlink()
    with Studio(folder) as studio:
        for file in files:
            assert studio.take_in(key, file).outcome in ("new", "same")
    _whole(folder, files)


def _in_a_child(folder: Path, key: str, files: list[Path]) -> int:
    child = os.fork()
    if child:
        return child
    code = 1
    try:
        with Studio(folder) as studio:
            for file in files:
                assert studio.take_in(key, file).outcome in ("new", "same")
        code = 0
    finally:
        os._exit(code)


def _whole(folder: Path, files: list[Path]) -> None:
    """Each file is in the studio once, in the folders and in the index, with what it holds."""
    with Studio(folder) as studio:
        wanted = {digest_of(read_session(file)): file for file in files}
        lying = sorted(file.stem for file in folder.rglob("*.session"))
        assert lying == sorted(wanted)
        assert sorted(s.digest for s in studio.index.sessions()) == lying
        for digest, file in wanted.items():
            kept = session_record(read_session(studio.session_path(digest)))
            assert kept.covered.tolist() == session_record(read_session(file)).covered.tolist()
        before = contents(studio)
        rebuild(studio)
        assert contents(studio) == before


def test_files_with_other_names_links_and_pipes_are_no_sessions(studio, tmp_path):
    key = studio.add("Ailsa").key
    taken = studio.take_in(key, write(tmp_path / "a.session", playing()))
    sessions = studio.of(key) / "sessions"
    (sessions / ("b" * 32 + ".session")).symlink_to(write(tmp_path / "b.session", playing(2)))
    os.mkfifo(sessions / ("c" * 32 + ".session"))
    (sessions / ("d" * 32 + ".session")).mkdir()
    for name in (b"\xff.session", b"<b>.session", b"..session", b"x" * 200 + b".session"):
        Path(os.fsdecode(os.fsencode(sessions) + b"/" + name)).write_bytes(b"SQLite format 3\0")
    (studio.folder / "pupils" / "0123456789ab").write_bytes(b"a file where a folder should be")
    (studio.folder / "pupils" / "0123456789ac").symlink_to(studio.of(key))
    (studio.folder / "pupils" / "0123456789ad").mkdir()
    (studio.folder / "pupils" / "0123456789ad" / "sessions").write_bytes(b"a file too")
    with Studio(studio.folder) as opened:
        assert [session.digest for session in opened.index.sessions()] == [taken.digest]
        assert [pupil.key for pupil in opened.pupils()] == [key]


def test_a_studio_from_elsewhere_reaches_no_file_outside_by_a_link(studio, tmp_path):
    key = studio.add("Ailsa").key
    folder, home = studio.of(key), tmp_path / "home"
    (home / "sessions").mkdir(parents=True)
    for name in (".profile", "diary"):
        (home / name).write_text("mine")
        os.utime(home / name, (0, 0))
    write(home / "sessions" / "a.session", playing())
    before = {path: (path.stat().st_mode, path.stat().st_size) for path in home.rglob("*")}
    (folder / "sessions").rmdir()
    for name, to in {"sessions": home, "turns": home / "sessions", "remarks.jsonl": home / "diary"}.items():
        (folder / name).symlink_to(to)
        with Studio(studio.folder) as opened:
            assert bring_home(opened) == 0
            for write_there in (opened.of, opened.delete, opened.export, lambda key: opened.change(key, name="B")):
                with pytest.raises(StudioError, match=f"{name} is a link"):
                    write_there(key)
        assert {path: (path.stat().st_mode, path.stat().st_size) for path in home.rglob("*")} == before
        (folder / name).unlink()


def test_of_hidden_files_only_what_this_program_left_is_swept(studio):
    sessions = studio.of(studio.add("Ailsa").key) / "sessions"
    left = (f".{'a' * 32}-77", f".{'a' * 32}-77-journal", ".0123456789abcdef.part")
    for name in (*left, ".profile", ".a-1"):
        (sessions / name).write_bytes(b"")
        os.utime(sessions / name, (0, 0))
    Studio(studio.folder).close()
    assert sorted(path.name for path in sessions.iterdir()) == [".a-1", ".profile"]


def test_a_session_too_long_to_analyse_is_kept_and_says_so(studio, tmp_path, monkeypatch):
    key = studio.add("Ailsa").key
    monkeypatch.setattr(session_reading, "MOST_STATES", 10)
    taken = studio.take_in(key, write(tmp_path / "a.session", playing()))
    (session,) = studio.index.sessions(key)
    assert session.problem.startswith("expected at most 10 states of the holes")
    assert studio.session_path(taken.digest).exists()


def test_a_journal_beside_the_index_or_a_turn_deletes_no_file(studio, tmp_path):
    victim = tmp_path / "diary"
    victim.write_text("mine")
    turns = studio.of(studio.add("Ailsa").key) / "turns"
    turns.mkdir()
    hot_journal(write(turns / "a.session", playing()), victim)
    assert bring_home(studio) == 0
    studio.close()
    hot_journal(studio.index.path, victim)
    with pytest.raises(StudioError, match=r"journal beside it names a file"):
        Studio(studio.folder)
    assert victim.read_text() == "mine"
    forget_index(studio.folder)
    Studio(studio.folder).close()
    assert victim.read_text() == "mine"


def test_what_links_point_at_does_not_go_out_and_old_files_do(studio, tmp_path):
    folder = studio.of(studio.add("Ailsa").key)
    (tmp_path / "secret").write_text("not a pupil's")
    (folder / "notes.txt").symlink_to(tmp_path / "secret")
    (folder / "old.txt").write_text("from 1970")
    os.utime(folder / "old.txt", (0, 0))
    with zipfile.ZipFile(io.BytesIO(studio.export(folder.name))) as bundle:
        assert sorted(bundle.namelist()) == ["old.txt", "pupil.json"]
    Path(os.fsdecode(os.fsencode(folder) + b"/\xff")).write_bytes(b"x")
    with pytest.raises(StudioError, match="cannot be packed"):
        studio.export(folder.name)


def test_hostile_lines_of_remarks_become_plain_ones(studio):
    folder = studio.of(studio.add("Ailsa").key)
    moments = [10**4_000, -1, True, 1.5, "5", None, 7]
    told = [{"id": f"{n:012x}", "session": "d", "at_us": us, "text": "t", "day": "x"} for n, us in enumerate(moments)]
    told += [{**told[-1], "id": "../../x"}, {**told[-1], "id": "f" * 12, "text": "\ud800ok"}]
    (folder / "remarks.jsonl").write_text("".join(json.dumps(line) + "\n" for line in told))
    assert [(each.at_us, each.text, each.day) for each in pupils.remarks(folder)] == [(7, "t", ""), (7, "ok", "")]


def test_a_remark_is_taken_back_once_and_only_where_it_stands(studio):
    folder = studio.of(studio.add("Ailsa").key)
    remark = pupils.add_remark(folder, "d", 7, "here", date(2026, 9, 2))
    pupils.take_back(folder, remark.id)
    for id in (remark.id, "x" * 100_000):
        with pytest.raises(StudioError, match="taken back already"):
            pupils.take_back(folder, id)
    for at_us in (-1, 10**4_000):
        with pytest.raises(StudioError, match="within its session"):
            pupils.add_remark(folder, "d", at_us, "here", date(2026, 9, 2))


@pytest.mark.parametrize("lesson", ["0001-01-01", "9999-12-31"])
def test_a_lesson_at_the_end_of_the_calendar_breaks_no_page(studio, lesson):
    key = studio.add("Ailsa").key
    with pytest.raises(StudioError, match="too far away"):
        studio.change(key, lesson=lesson)
    path = studio.of(key) / "pupil.json"
    path.write_text(path.read_text().replace('"lesson": ""', f'"lesson": "{lesson}"'))
    assert "too far away" in studio.pupil(key).problem
    (glance,) = glances(studio.index, studio.pupils(), date(2026, 9, 20))
    assert glance.sessions == 0


def test_a_damaged_pupil_is_mended_by_a_name_written_anew(studio):
    key = studio.add("Ailsa").key
    (studio.of(key) / "pupil.json").write_bytes(b"\x00")
    assert studio.pupil(key).name == f"({key})"
    studio.change(key, name="Ailsa", note="")
    assert studio.pupil(key) == Pupil(key, "Ailsa")


@pytest.mark.parametrize("day", ["", "no day", "9999-12-31T23:00:00+00:00", "0001-01-01T00:00:00+00:00"])
def test_a_session_of_no_day_or_a_strange_one_is_kept_and_found(studio, tmp_path, day):
    key = studio.add("Ailsa").key
    file = foreign(tmp_path, f"UPDATE meta SET value = '{day}' WHERE key = 'started_utc'")
    taken = studio.take_in(key, file)
    assert taken.outcome == "new"
    (session,) = studio.index.sessions(key)
    assert session.day == (day[:10] if day[:1].isdigit() else "")
    assert session.playing_us > 0
    assert rebuild(studio) == 1
    assert studio.index.sessions(key) == [session]


def movement_cells(cells: str) -> str:
    """A statement that puts a movement's row with these cells into the index."""
    return f"INSERT INTO movement SELECT digest, {cells} FROM session"


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TRIGGER t AFTER INSERT ON session BEGIN DELETE FROM result; END",
        "DROP TABLE result",
        "DROP TABLE result; CREATE VIEW result AS SELECT * FROM session",
        "ALTER TABLE session ADD COLUMN name TEXT",
        "UPDATE session SET rungs = 'junk'",
        "UPDATE session SET rungs = '{}'",
        "UPDATE session SET playing_us = 'x'",
        "UPDATE session SET started_utc = 'soon'",
        "UPDATE session SET pupil = x'00'",
        "UPDATE result SET to_note = to_note + 9",
        "UPDATE result SET plain = 'x'",
        "UPDATE result SET strays = 'none'",
        "UPDATE result SET strays = x'00'",
        "UPDATE result SET faults = '['",
        "UPDATE result SET faults = '[[1]]'",
        "UPDATE result SET faults = '[[9, true, 2, 3, 4, 5, 6]]'",
        "UPDATE result SET spreads = x'00'",
        "UPDATE session SET counts = x'00'",
        "UPDATE session SET counts = x'" + (4 << 28).to_bytes(4, "little").hex() + "01000000" * 2 + "00" * 8 + "'",
        "INSERT INTO written SELECT digest, 9, 0, 1, '[]' FROM session",
        "INSERT INTO written SELECT digest, 1, 0, 'x', '[]' FROM session",
        "INSERT INTO written SELECT digest, 1, 0, 1, '[[9, 1]]' FROM session",
        "INSERT INTO written SELECT digest, 1, 0, 1, '{}]' FROM session",
        "INSERT INTO pairs SELECT digest, 1, 3.0, 'x', '[]' FROM session",
        "INSERT INTO pairs SELECT digest, 1, -3.0, 1, '[]' FROM session",
        "INSERT INTO pairs SELECT digest, 1, 3.0, 1, '[[\"evil\", 1.0, 1]]' FROM session",
        'INSERT INTO pairs SELECT digest, 1, 3.0, 1, \'[["even", "x", 1]]\' FROM session',
        "UPDATE result SET faults = '[[1, true, 2, 3, 4, 5, \"x\"]]'",
        "UPDATE session SET rungs = '[1]'",
        "UPDATE session SET problem = x'00'",
        movement_cells("'grip', 9, 1, 0, 0, 0, '[]'"),
        movement_cells("'grip', 2, 'x', 0, 0, 0, '[]'"),
        movement_cells("x'00', 2, 1, 0, 0, 0, '[]'"),
        movement_cells("'gr' || char(10), 2, 1, 0, 0, 0, '[]'"),
        movement_cells("'grip', 2, 0, 1, 0, 0, '{}]'"),
        movement_cells('\'grip\', 2, 0, 1, 0, 0, \'[["evil", "GdG", 1, null, "", 1]]\''),
        movement_cells('\'grip\', 2, 0, 1, 0, 0, \'[["missing", "x", 1, null, "", 1]]\''),
        movement_cells('\'grip\', 2, 0, 1, 0, 0, \'[["missing", "G", 5, null, "", 1]]\''),
        movement_cells("'grip', 2, 0, 1, 0, 0, '[[[], \"G\", 1, null, \"\", 1]]'"),
    ],
)
def test_an_index_that_was_tampered_with_is_refused_and_made_anew(studio, tmp_path, statement):
    studio.take_in(studio.add("Ailsa").key, write(tmp_path / "a.session", playing()))
    before = contents(studio)
    studio.close()
    with contextlib.closing(sqlite3.connect(studio.folder / "index.sqlite")) as db:
        db.executescript(statement)
    if "SET pupil" in statement:
        # The row of a pupil that there is not is dropped, and the session entered anew.
        with Studio(studio.folder) as opened:
            assert contents(opened) == before
    else:
        with pytest.raises(StudioError, match="changed by something else"), Studio(studio.folder) as opened:
            contents(opened)
    forget_index(studio.folder)
    with Studio(studio.folder) as opened:
        assert contents(opened) == before


def test_an_index_is_forgotten_in_a_studio_only(tmp_path):
    (tmp_path / "index.sqlite").write_bytes(b"of another program")
    with pytest.raises(StudioError, match="expected a studio"):
        forget_index(tmp_path)
    assert (tmp_path / "index.sqlite").exists()


def test_a_full_index_refuses_and_takes_in_again_when_there_is_room(studio, tmp_path):
    key = studio.add("Ailsa").key
    (pages,) = studio.index.db.execute("PRAGMA page_count").fetchone()
    studio.index.db.execute(f"PRAGMA max_page_count = {pages}")
    for seed in range(20):
        taken = studio.take_in(key, write(tmp_path / f"{seed}.session", playing(seed, 40), seed))
        if taken.outcome == "refused":
            break
    assert "full" in taken.sentence
    assert not studio.index.db.in_transaction
    studio.index.db.execute("PRAGMA max_page_count = 1000000")
    assert studio.take_in(key, tmp_path / f"{seed}.session").outcome == "new"
    assert rebuild(studio) == seed + 1


def test_a_line_that_a_full_disk_cuts_off_is_an_error_and_not_a_line(studio, monkeypatch):
    folder = studio.of(studio.add("Ailsa").key)
    write_all = os.write
    monkeypatch.setattr("fingerlead.store.files.os.write", lambda file, data: write_all(file, data[: len(data) // 2]))
    with pytest.raises(OSError, match="No space left"):
        pupils.add_remark(folder, "d", 7, "here", date(2026, 9, 2))
    monkeypatch.undo()
    assert pupils.remarks(folder) == []
    pupils.add_remark(folder, "d", 7, "there", date(2026, 9, 2))
    assert [each.text for each in pupils.remarks(folder)] == ["there"]


@pytest.mark.parametrize("name", ["pupils", "index.sqlite"])
def test_a_studio_whose_own_files_are_links_is_refused_and_nothing_is_touched_where_they_lead(tmp_path, name):
    there = tmp_path / "there"
    there.mkdir(mode=0o755)
    if name != "pupils":
        there = there / "notes"
        there.write_text("mine")
    folder = tmp_path / "studio"
    folder.mkdir()
    (folder / name).symlink_to(there)
    rights = there.stat().st_mode
    with pytest.raises(StudioError, match=f"{name} is a link"):
        Studio(folder)
    assert there.stat().st_mode == rights
    assert there.is_dir() or there.read_text() == "mine"
