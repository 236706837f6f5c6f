from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
import threading
from datetime import UTC, datetime
from itertools import count
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.store import session_reading
from fingerlead.store.session_file import (
    CHECKPOINT_PAGES,
    MAGIC,
    SAVE_AFTER_US,
    SessionError,
    SessionWriter,
    seconds_text,
)
from fingerlead.store.session_reading import PortMark, read_session, session_record
from fingerlead.wire.carriers import to_stream
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import Doubt
from fingerlead.wire.messages import Holes, encode
from tests.killed import killed_at_each_step
from tests.store.journals import hot_journal

an_arrival = st.tuples(st.binary(min_size=1, max_size=40), st.integers(-5_000, 400_000))


def write(path: Path, reads, carrier="stream", close=True):
    writer = SessionWriter(path, carrier, "/dev/ttyACM0")
    for data, host_us in reads:
        writer.append(data, host_us)
    if close:
        writer.close()
    return writer


def beside(path: Path) -> list[str]:
    return sorted(each.name for each in path.parent.iterdir())


def playing(count: int = 50) -> list[tuple[bytes, int]]:
    frames = [to_stream(encode(Holes(i, i * 20_000, 255 if i % 2 else 127))) for i in range(count)]
    return [(frame, 9_000_000 + i * 20_000) for i, frame in enumerate(frames)]


# -- what goes in comes out -----------------------------------------------------------------------------------------


@given(st.lists(an_arrival, max_size=40), st.sampled_from(["stream", "sysex", "plain"]))
def test_what_goes_in_comes_out(tmp_path_factory, pieces, carrier):
    path = tmp_path_factory.mktemp("s") / "a.session"
    reads, host_us = [], 1 << 40
    for data, step_us in pieces:
        host_us += step_us
        reads.append((data, host_us))
    write(path, reads, carrier)
    session = read_session(path)
    assert session.data == b"".join(data for data, _ in reads)
    assert session.carrier == carrier
    offsets = np.cumsum([0, *(len(data) for data, _ in reads)])[:-1]
    assert session.arrivals[:, 0].tolist() == offsets.tolist()
    assert session.arrivals[:, 1].tolist() == [at_us for _, at_us in reads]
    assert session.arrivals.dtype == np.int64
    assert beside(path) == ["a.session"]


def test_it_says_what_it_is(tmp_path):
    started = datetime(2031, 1, 25, 19, 30, tzinfo=UTC)
    path = tmp_path / "a.session"
    with SessionWriter(path, "sysex", "midi:Oak", {"base_note": 24}, started) as writer:
        writer.tell(carrier="plain")
    meta = read_session(path).meta
    assert meta["port"] == "midi:Oak"
    assert meta["carrier"] == "plain"
    assert meta["started_utc"] == "2031-01-25T19:30:00.000+00:00"
    assert meta["settings"] == '{"base_note": 24}'
    assert meta["program_version"]
    assert path.read_bytes().startswith(MAGIC)


def test_losing_and_finding_the_port_is_marked(tmp_path):
    path = tmp_path / "a.session"
    with SessionWriter(path, "stream", "x") as writer:
        writer.append(b"one", 5)
        writer.mark("lost", 90, "unplugged")
        writer.mark("back", 4_000_000)
        writer.append(b"two", 4_000_000)
    session = read_session(path)
    assert session.marks == [PortMark(90, "lost", "unplugged"), PortMark(4_000_000, "back", "")]
    assert session.data == b"onetwo"


def test_a_session_gives_the_record_of_its_bytes(tmp_path):
    path = tmp_path / "a.session"
    write(path, playing())
    record = session_record(read_session(path))
    assert record.t_us.tolist() == [i * 20_000 for i in range(50)]
    expected = read_record(b"".join(data for data, _ in playing()))
    assert record.covered.tolist() == expected.covered.tolist()


def test_the_marks_of_an_sqlite_file_are_set(tmp_path):
    path = tmp_path / "a.session"
    write(path, playing())
    head = path.read_bytes()[:100]
    # SQLite's file format, section 1.3: user version at 60, application id at 68; 1 at 18 and 19 is no write-ahead log.
    assert head[60:64] == (2).to_bytes(4, "big")
    assert head[68:72] == b"FLse"
    assert head[18:20] == b"\x01\x01"


# -- nothing older than 250 ms is unsaved ---------------------------------------------------------------------------


@given(st.lists(st.integers(0, 120_000), min_size=1, max_size=60), st.randoms(use_true_random=False))
def test_with_a_tick_every_50_ms_nothing_is_unsaved_for_longer_than_250(tmp_path_factory, steps_us, rng):
    writer = SessionWriter(tmp_path_factory.mktemp("s") / "a.session", "stream", "x")
    now_us, appended, unsaved = 0, 0, []
    for step_us in steps_us:
        for _ in range(step_us // 50_000):
            now_us += 50_000
            writer.tick(now_us)
        now_us += step_us % 50_000
        data = bytes(rng.randrange(1, 9))
        writer.append(data, now_us)
        appended += len(data)
        unsaved.append((appended, now_us))
        unsaved = [(end, at_us) for end, at_us in unsaved if end > writer.saved_bytes]
        assert all(now_us - at_us <= 250_000 for _, at_us in unsaved)
    writer.discard()


def test_a_batch_is_saved_when_it_is_old_enough_and_not_before(tmp_path):
    writer = SessionWriter(tmp_path / "a.session", "stream", "x")
    writer.append(b"abc", 1_000_000)
    writer.tick(1_000_000 + SAVE_AFTER_US - 1)
    assert writer.saved_bytes == 0
    writer.tick(1_000_000 + SAVE_AFTER_US)
    assert writer.saved_bytes == 3
    writer.append(b"de", 9_000_000)
    assert writer.saved_bytes == 3
    writer.close()
    assert writer.saved_bytes == 5


RECORDER = """
import sys
from pathlib import Path
from fingerlead.store.session_file import SessionWriter
writer = SessionWriter(Path(sys.argv[1]), "stream", "x")
said = 0
while True:
    # Five milliseconds of the host's clock go by between two reads, however long a busy disk takes.
    now_us = said * 5_000
    writer.append(said.to_bytes(4, "big"), now_us)
    said += 1
    # In one write, which a kill cannot cut.
    sys.stdout.write(f"{said} {now_us}\\n")
    sys.stdout.flush()
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a system with SIGKILL")
@pytest.mark.parametrize("seed", range(4))
def test_pulling_the_plug_loses_the_last_quarter_of_a_second_at_most(tmp_path, seed):
    path = tmp_path / "a.session"
    process = subprocess.Popen([sys.executable, "-c", RECORDER, str(path)], stdout=subprocess.PIPE, text=True)
    kill_after = random.Random(seed).randrange(60, 220)
    said, now_us = 0, 0
    for line in process.stdout:
        said, now_us = map(int, line.split())
        if said >= kill_after:
            break
    process.kill()
    last = (process.stdout.read() or "").split("\n")
    for line in filter(None, last):
        said, now_us = map(int, line.split())
    process.wait()
    session = read_session(path)
    kept = [int.from_bytes(session.data[i : i + 4], "big") for i in range(0, len(session.data), 4)]
    assert kept == list(range(len(kept)))
    assert session.arrivals[-1, 1] >= now_us - 250_000
    assert len(kept) <= said + 1
    # Reading it has healed nothing and left nothing: a second reading is the same.
    assert read_session(path).data == session.data


# -- full disk: see also test_session_held.py ------------------------------------------------------------------------


def fill(writer: SessionWriter) -> None:
    for i in range(100):
        writer.append(bytes(5000), 10_000_000 + i * SAVE_AFTER_US)


def test_after_a_failure_nothing_is_written_twice(tmp_path):
    path = tmp_path / "a.session"
    writer = SessionWriter(path, "stream", "x")
    writer.append(b"kept", 0)
    writer.tick(SAVE_AFTER_US)
    writer._db.execute("PRAGMA max_page_count = 1")
    fill(writer)
    with pytest.raises(SessionError, match="the disk is full"):
        writer.close()
    data = read_session(path).data
    assert data[:4] == b"kept"
    assert len(data) - 4 == (len(data) - 4) // 5000 * 5000


# -- a beginning that is cut off -------------------------------------------------------------------------------------


def test_killed_at_any_step_of_its_beginning_a_session_is_one_or_not_there_at_all(tmp_path):
    for number in range(200):
        (tmp_path / f"{number}").mkdir()
    imports = "from fingerlead.store.session_file import SessionWriter"
    steps = killed_at_each_step(imports, 'SessionWriter(folder / "a.session", "stream", "x")', tmp_path)
    there = [path for path in tmp_path.glob("*/a.session") if read_session(path).data == b""]
    assert len(there) == len(list(tmp_path.glob("*/a.session")))
    assert 1 < len(there) < steps


# -- names that cannot be used --------------------------------------------------------------------------------------


def test_an_existing_file_is_never_written_over(tmp_path):
    path = tmp_path / "a.session"
    path.write_bytes(b"precious")
    with pytest.raises(SessionError, match="this one exists; choose another name, or move it away"):
        SessionWriter(path, "stream", "x")
    assert path.read_bytes() == b"precious"
    with pytest.raises(SessionError, match="this one exists"):
        SessionWriter(tmp_path, "stream", "x")


def test_a_place_that_cannot_be_written_is_said(tmp_path):
    with pytest.raises(SessionError, match="it cannot be written: No such file or directory; choose another place"):
        SessionWriter(tmp_path / "none" / "a.session", "stream", "x")


def test_a_session_begun_in_vain_leaves_nothing(tmp_path):
    writer = SessionWriter(tmp_path / "a.session", "stream", "x")
    writer.append(b"x", 0)
    writer.discard()
    assert beside(tmp_path / "a.session") == []


@pytest.mark.parametrize("later", [True, False])
def test_a_file_that_is_removed_or_moved_meanwhile_is_told_at_once_and_at_the_end(tmp_path, later):
    (tmp_path / "there").mkdir()
    writer = SessionWriter(tmp_path / "there" / "a.session", "stream", "sim")
    reads = playing(100)
    for data, host_us in reads[:50]:
        writer.append(data, host_us)
    writer.save()
    (tmp_path / "there").rename(tmp_path / "elsewhere")
    if later:
        for data, host_us in reads[50:]:
            writer.append(data, host_us)
        assert writer.trouble == "it cannot be written: its file was removed or moved"
        assert writer.unkept
    with pytest.raises(SessionError, match="removed or moved while it was written"):
        writer.close()
    # All that was played counts as lost, not only what came after.
    assert writer.lost_us == reads[99 if later else 49][1] - reads[0][1]
    assert writer.loss.endswith(f"what was played went with it, {seconds_text(writer.lost_us)} in all")
    kept = read_session(tmp_path / "elsewhere" / "a.session")
    assert kept.data == b"".join(data for data, _ in reads[:50])


def test_a_file_that_comes_back_is_written_on(tmp_path):
    writer = SessionWriter(tmp_path / "a.session", "stream", "sim")
    reads = playing(300)
    for number, (data, host_us) in enumerate(reads):
        if number in (50, 100):
            (tmp_path / "a.session").rename(tmp_path / "b") if number == 50 else (tmp_path / "b").rename(writer.path)
        writer.append(data, host_us)
    writer.close()
    assert writer.loss == ""
    assert read_session(writer.path).data == b"".join(data for data, _ in reads)


def test_an_old_log_beside_the_name_is_not_taken_in(tmp_path):
    left = tmp_path / "left"
    left.mkdir()
    write(left / "a.session", [(b"old", 0), (b"old", 10**6)], close=False)
    shutil.copy(left / "a.session-wal", tmp_path / "b.session-wal")
    write(tmp_path / "b.session", [(b"new", 0)])
    assert read_session(tmp_path / "b.session").data == b"new"


# -- reading leaves nothing and needs nothing -----------------------------------------------------------------------


def unfinished(folder: Path) -> Path:
    """A session whose recorder is gone before it closed it: with its log beside it."""
    work = folder / "work"
    work.mkdir()
    writer = write(work / "a.session", [(b"one", 0), (b"two", 10**6), (b"lost", 2 * 10**6)], close=False)
    kept = folder / "kept"
    shutil.copytree(work, kept)
    writer.close()
    (kept / "a.session-shm").unlink()
    return kept / "a.session"


def test_a_session_cut_off_is_read_with_its_log_and_left_alone(tmp_path):
    path = unfinished(tmp_path)
    before = {each.name: each.read_bytes() for each in path.parent.iterdir()}
    assert set(before) == {"a.session", "a.session-wal"}
    assert read_session(path).data == b"onetwo"
    assert {each.name: each.read_bytes() for each in path.parent.iterdir()} == before


def test_without_its_log_it_still_opens(tmp_path):
    path = unfinished(tmp_path)
    (path.parent / "a.session-wal").unlink()
    # The file says of itself that a log belongs to it (2 at 18 and 19), and there is none.
    assert path.read_bytes()[18:20] == b"\x02\x02"
    assert read_session(path).carrier == "stream"
    assert beside(path) == ["a.session"]


@pytest.mark.parametrize("with_log", [False, True])
def test_a_folder_that_cannot_be_written_will_do(tmp_path, with_log):
    path = unfinished(tmp_path)
    if not with_log:
        (path.parent / "a.session-wal").unlink()
    before = beside(path)
    path.parent.chmod(stat.S_IRUSR | stat.S_IXUSR)
    path.chmod(stat.S_IRUSR)
    try:
        assert read_session(path).data == (b"onetwo" if with_log else b"")
        assert beside(path) == before
    finally:
        path.parent.chmod(stat.S_IRWXU)


def test_it_can_be_read_while_it_is_written(tmp_path):
    path = tmp_path / "a.session"
    writer = SessionWriter(path, "stream", "x")
    over = threading.Event()
    seen: list[int] = []

    def read() -> None:
        while not over.is_set():
            data = read_session(path).data
            assert data == (bytes(range(256)) * (len(data) // 256 + 1))[: len(data)]
            seen.append(len(data))

    thread = threading.Thread(target=read)
    thread.start()
    try:
        for i in count():
            writer.append(bytes([i % 256]), i * SAVE_AFTER_US)
            if not thread.is_alive() or (i >= 1500 and len(seen) > 3):
                break
    finally:
        over.set()
        thread.join()
    writer.close()
    assert seen == sorted(seen)
    assert len(seen) > 3
    assert beside(path) == ["a.session"]


@pytest.mark.parametrize("since", ["it was looked at", "it was opened"])
def test_a_log_that_comes_while_it_is_read_in_place_is_seen(tmp_path, monkeypatch, since):
    path = tmp_path / "a.session"
    writer = SessionWriter(path, "stream", "x")
    step = "_opened" if since == "it was looked at" else "_check_schema"
    really, pages = getattr(session_reading, step), 2 * CHECKPOINT_PAGES

    def meanwhile(*of):
        monkeypatch.setattr(session_reading, step, really)
        for number in range(pages):
            writer.append(bytes([number % 256]) * 4_096, number * SAVE_AFTER_US)
            writer.save()
        return really(*of)

    monkeypatch.setattr(session_reading, step, meanwhile)
    assert len(read_session(path).data) == pages * 4_096
    writer.close()


def test_a_strange_name_is_a_name(tmp_path):
    path = tmp_path / "Màiri? #1 50%.session"
    write(path, playing())
    assert session_record(read_session(path)).intake.frames == 50


# -- strangers ------------------------------------------------------------------------------------------------------


def change(path: Path, *statements: str) -> Path:
    db = sqlite3.connect(path)
    for statement in statements:
        db.execute(statement)
    db.commit()
    db.close()
    return path


@pytest.fixture
def good(tmp_path):
    path = tmp_path / "a.session"
    write(path, playing(3))
    return path


def refused(path: Path) -> str:
    with pytest.raises(SessionError) as error:
        read_session(path)
    sentence = str(error.value)
    assert "\n" not in sentence
    assert len(sentence) < 300
    return sentence


@pytest.mark.parametrize(
    ("statements", "words"),
    [
        (["CREATE TRIGGER t AFTER INSERT ON mark BEGIN DELETE FROM batch; END"], "has a 'trigger' named 't'"),
        (["CREATE VIEW v AS SELECT * FROM batch"], "has a 'view' named 'v'"),
        (["CREATE TABLE more (x)"], "has a 'table' named 'more'"),
        (["CREATE INDEX i ON batch (abs(first_us))"], "has a 'index' named 'i'"),
        (["CREATE VIRTUAL TABLE f USING fts5(x)"], "has a 'table' named 'f'"),
        (["DROP TABLE batch", "CREATE VIEW batch AS SELECT 1 AS number, 2 AS first_us"], "has a 'view' named 'batch'"),
        (["DROP TABLE batch"], "lacks batch"),
        (["ALTER TABLE batch ADD COLUMN x AS (zeroblob(1000000000))"], "has a 'table' named 'batch'"),
        (["PRAGMA user_version = 3"], "expected a session of version 2; this one is of version 3. Use a newer"),
        (["PRAGMA user_version = 0"], "lacks a version"),
        (["PRAGMA application_id = 7"], "belongs to another program"),
        (["UPDATE batch SET first_us = 'noon'"], "a cell that should be int is something else"),
        (["UPDATE batch SET first_us = 1.5"], "a cell that should be int is something else"),
        (["UPDATE batch SET first_us = 9223372036854775807"], "no sound times of arrival"),
        (["UPDATE batch SET first_us = -9223372036854775808"], "no sound times of arrival"),
        (["UPDATE batch SET bytes = 'text'"], "a cell that should be bytes is something else"),
        (["UPDATE batch SET bytes = x'00'"], "a batch has other bytes than its reads brought"),
        (["UPDATE batch SET arrivals = x''"], "no sound times of arrival"),
        (["UPDATE batch SET arrivals = x'010203'"], "no sound times of arrival"),
        (["UPDATE batch SET bytes = zeroblob(20000000)"], "too big"),
        (["UPDATE meta SET value = 'smoke' WHERE key = 'carrier'"], "its carrier is 'smoke'"),
        (["DELETE FROM meta"], "its carrier is None"),
        (["UPDATE meta SET value = x'00'"], "a cell that should be str is something else"),
        (["UPDATE meta SET value = CAST(x'ff' AS TEXT)"], "damaged"),
        (["UPDATE meta SET value = printf('%.*c', 70000, 'x') WHERE key = 'port'"], "more than 65536 letters"),
        (
            ["WITH r(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM r LIMIT 1001) INSERT INTO meta SELECT i, 'x' FROM r"],
            "more than 1000 rows",
        ),
        (["INSERT INTO mark VALUES (1, 'soon', 'lost', '')"], "a cell that should be int is something else"),
    ],
)
def test_a_strangers_file_is_refused_in_one_sentence(good, statements, words):
    assert words in refused(change(good, *statements))
    assert beside(good) == ["a.session"]


def test_batches_have_a_limit_as_all_rows_have(good, monkeypatch):
    monkeypatch.setattr(session_reading, "MOST_BATCHES", 3)
    assert "more than 3 rows" in refused(
        change(good, "WITH r(i) AS (SELECT 2 UNION ALL SELECT i + 1 FROM r LIMIT 3) INSERT INTO batch "
                     "SELECT i, first_us, bytes, arrivals FROM r, batch WHERE number = 1")
    )  # fmt: skip


def test_another_kind_of_file_is_refused(tmp_path):
    for name, data in (("empty", b""), ("text", b"time_us,holes\n"), ("stub", MAGIC), ("page", MAGIC + bytes(5000))):
        path = tmp_path / name
        path.write_bytes(data)
        assert "expected a session of fingerlead" in refused(path)
    assert "cannot be read" in refused(tmp_path)
    assert "cannot be read: No such file" in refused(tmp_path / "none")


def test_a_huge_file_is_refused_unread(tmp_path):
    path = tmp_path / "huge"
    path.write_bytes(MAGIC)
    os.truncate(path, 2 << 30)
    assert "at most 1024 MiB" in refused(path)


def test_every_cut_of_a_small_session_is_refused_or_whole(good, tmp_path):
    whole = good.read_bytes()
    data = read_session(good).data
    cut = tmp_path / "cut"
    for size in [*range(0, 200), *range(200, len(whole), 97)]:
        cut.write_bytes(whole[:size])
        assert "expected a session of fingerlead" in refused(cut)
    cut.write_bytes(whole)
    assert read_session(cut).data == data


@given(st.data())
def test_a_flipped_byte_is_refused_or_harmless(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("s") / "a.session"
    write(path, playing(3))
    whole = bytearray(path.read_bytes())
    place = data.draw(st.integers(0, len(whole) - 1))
    whole[place] ^= data.draw(st.integers(1, 255))
    path.write_bytes(whole)
    with contextlib.suppress(SessionError):
        session_record(read_session(path))
    assert beside(path) == ["a.session"]


@given(st.binary(max_size=200))
def test_a_strangers_log_is_no_danger(tmp_path_factory, log):
    path = tmp_path_factory.mktemp("s") / "a.session"
    write(path, playing(3))
    path.with_name("a.session-wal").write_bytes(log)
    assert session_record(read_session(path)).intake.frames == 3


# -- plain notes ----------------------------------------------------------------------------------------------------


def test_a_strangers_journal_deletes_no_file(good, tmp_path):
    victim = tmp_path / "diary"
    victim.write_text("mine")
    hot_journal(good, victim)
    assert "names a file to be deleted" in refused(good)
    assert victim.read_text() == "mine"


def test_sqlite_would_delete_the_file_that_a_journal_names(good, tmp_path):
    victim = tmp_path / "diary"
    victim.write_text("mine")
    hot_journal(good, victim)
    with contextlib.closing(sqlite3.connect(good)) as db:
        db.execute("SELECT * FROM meta").fetchall()
    assert not victim.exists()


def note(hole: int, covered: bool) -> bytes:
    return bytes([0x9F, 24 + hole, 64 if covered else 0])


def test_the_time_a_plain_chanter_was_away_is_in_doubt(tmp_path):
    path = tmp_path / "a.session"
    with SessionWriter(path, "plain", "midi:Oak") as writer:
        for hole in range(8):
            writer.append(note(hole, True), 1_000_000 + hole)
        writer.append(note(7, False), 2_000_000)
        writer.mark("lost", 2_500_000, "unplugged")
        writer.mark("back", 4_000_000)
        writer.append(note(6, False), 4_000_000)
        writer.append(note(6, True), 5_000_000)
        writer.mark("lost", 6_000_000, "unplugged")
    record = session_record(read_session(path))
    assert record.t_us.tolist() == [7, 1_000_000, 3_000_000, 4_000_000]
    assert record.doubts == [Doubt(1_000_000, 3_000_000, "gap")]
    assert record.clock == "host"
