"""The clicks of a metronome in a session: on the chanter's clock, kept in copies, and no trouble to any reader."""

from __future__ import annotations

import contextlib
import json
import sqlite3

import pytest

from fingerlead import library
from fingerlead.listening.reader import Back, Lost
from fingerlead.listening.recording import Recording
from fingerlead.ports.base import Chunk
from fingerlead.store.session_clicks import MOST
from fingerlead.store.session_file import SCHEMA, VERSION, SessionWriter
from fingerlead.store.session_reading import read_session
from fingerlead.studio.index import digest_of
from fingerlead.studio.studio import Studio
from tests.faces.command_line import ran
from tests.reading.players import beginner
from tests.store.playing import frames

BEAT_US = 500_000
AHEAD_US = 40_000_000  # the host's clock is so far ahead of the chanter's
LINK_US = 3_000


def record(path, clicks_us=(), drift_ppm=0, lost=None):
    """The session of a recording in which a metronome sounds at some times of the chanter's clock."""
    played = beginner([0, 3, 1, 4, 2, 5, 0, 6] * 2, 4)
    recording, waiting = Recording(SessionWriter(path, "stream", "x", {"skew_us": 1_000})), list(clicks_us)

    def host_us(t_us):
        return AHEAD_US + round(t_us * (1 + drift_ppm / 1e6))

    for at_us, data in frames(played.edges, played.end_us):
        recording.take(Chunk(data, host_us(at_us) + LINK_US), "stream")
        due = [t_us for t_us in waiting if t_us <= at_us]
        del waiting[: len(due)]
        recording.clicked([host_us(t_us) for t_us in due], BEAT_US)
        if lost is not None and at_us >= lost:
            recording.take(Lost("pulled out", host_us(at_us)), "stream")
            recording.clicked([host_us(at_us) + 1_000], BEAT_US)
            recording.take(Back(host_us(at_us) + 2_000), "stream")
            lost = None
    recording.close()
    return read_session(path)


def kept(session):
    return [at_us for clicks in session.clicks for at_us in clicks.at_us]


@pytest.mark.parametrize("drift_ppm", [0, 80, -80])
def test_clicks_are_kept_by_the_chanters_clock(tmp_path, drift_ppm):
    clicks_us = [1_000_000 + number * BEAT_US for number in range(12)]
    session = record(tmp_path / "a.session", clicks_us, drift_ppm)
    assert len(kept(session)) == len(clicks_us)
    # The link's delay makes the chanter's clock seem late by as much; what drift does in the meantime is less.
    assert all(
        abs(at_us - (true_us - LINK_US)) < 1_500 for at_us, true_us in zip(kept(session), clicks_us, strict=True)
    )
    assert {clicks.beat_us for clicks in session.clicks} == {BEAT_US}
    assert all(len(clicks.at_us) <= MOST for clicks in session.clicks)


def test_another_tempo_is_another_mark_and_a_chanter_that_is_away_has_no_clicks(tmp_path):
    session = record(tmp_path / "a.session", [1_000_000, 1_500_000, 2_000_000], lost=1_200_000)
    assert len(kept(session)) == 3
    assert [mark.kind for mark in session.marks] == ["lost", "back"]
    recording = Recording(SessionWriter(tmp_path / "b.session", "stream", "x"))
    for number, (at_us, data) in enumerate(frames([(0, 255), (2_000_000, 127)], 4_000_000)):
        recording.take(Chunk(data, AHEAD_US + at_us), "stream")
        recording.clicked([AHEAD_US + at_us], BEAT_US + (number > 10))
    recording.close()
    tempos = [clicks.beat_us for clicks in read_session(tmp_path / "b.session").clicks]
    assert tempos == sorted(tempos)
    assert set(tempos) == {BEAT_US, BEAT_US + 1}


def test_the_file_is_laid_out_as_before_and_its_playing_is_the_same(tmp_path):
    """What knows nothing of clicks finds marks of a kind that it passes over, in the tables that it knows."""
    bare = record(tmp_path / "bare.session")
    session = record(tmp_path / "a.session", [1_000_000, 1_500_000])
    with contextlib.closing(sqlite3.connect(tmp_path / "a.session")) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (VERSION,) == (2,)
        assert {row[0] for row in db.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")} == set(
            SCHEMA.values()
        )
        ((host_us, kind, cause),) = db.execute("SELECT host_us, kind, cause FROM mark")
    assert (kind, type(host_us), cause.split()[0]) == ("clicks", int, str(BEAT_US))
    assert bare.clicks == ()
    assert (session.data, session.marks, digest_of(session)) == (bare.data, bare.marks, digest_of(bare))


def test_copies_have_them_too(tmp_path):
    session = record(tmp_path / "a.session", [1_000_000, 1_500_000, 2_000_000])
    assert ran("keep", tmp_path / "a.session", "-o", tmp_path / "b.session").returncode == 0
    assert read_session(tmp_path / "b.session").clicked == session.clicked
    with Studio(tmp_path / "studio") as studio:
        taken = studio.take_in(studio.add("Ailsa").key, tmp_path / "a.session")
        assert read_session(studio.session_path(taken.digest)).clicked == session.clicked
    assert library.analyse(library.read(tmp_path / "b.session")).clicks == session.clicks


@pytest.mark.parametrize(
    "cause",
    ["", "x", "500000", "500000 -1", "0 5", "500000 9 8", "500000 5 5", "500000 99999999999999999999", "500000 1 " * 99,
     "500000\n1", "500000 9223372036854775807", "٥٠٠٠٠٠ 1"],
)  # fmt: skip
def test_what_is_no_click_is_passed_over(tmp_path, cause):
    path = tmp_path / "a.session"
    session = record(path, [1_000_000, 1_500_000])
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("INSERT INTO mark (host_us, kind, cause) VALUES (1, 'clicks', ?)", (cause,))
        db.commit()
    assert read_session(path).clicks == session.clicks
    done = ran("analyse", path, "--format", "json")
    assert done.returncode == 0
    assert json.loads(done.stdout)["changes"]
