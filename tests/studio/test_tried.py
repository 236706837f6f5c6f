"""What pupils tried, as arrays, and the chances kept of it: the same as from tallies, whatever was played since."""

from __future__ import annotations

import sqlite3
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from fingerlead.faces.pages.desk.words import glance_sentence, work_clause, work_name
from fingerlead.studio.index import DaySpan, Index, IndexedSession
from fingerlead.studio.kept_chances import chances_of
from fingerlead.studio.overview import between, glances, span_of
from fingerlead.studio.pupils import Pupil, StudioError
from fingerlead.studio.tried import Wrong
from fingerlead.timing.evenings import clear_chances, compare, evening
from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.progress import Tally

TODAY = date(2026, 11, 20)
AILSA = Pupil("0" * 12, "Ailsa", lesson="2026-11-06")
BEA = Pupil("1" * 12, "Bea")
SPAN = span_of(AILSA.lesson, TODAY)


@pytest.fixture
def index(tmp_path):
    index = Index(tmp_path)
    yield index
    index.close()


def session(key: str, day: date, astray: int, number: int = 0):
    """A session of a day: ten changes from D to E, some astray, and ten grips, as many not as written."""
    row = IndexedSession(f"{key}{day:%Y%m%d}{number:012d}", key, f"{day}T18:00:00+00:00", 60_000_000, 1_000)
    grips = MovementSummary("grip", 3, Counter({"as written": 10 - astray, "faulty": astray}))
    return row, [Tally(4, 5, 10, strays_us=(30_000,) * astray), Tally(0, 8, 0)], [grips]


def put(index: Index, key: str, days_and_astray):
    rows = [session(key, TODAY - timedelta(days=back), astray, n) for n, (back, astray) in enumerate(days_and_astray)]
    for row in rows:
        index.put(*row)
    return rows


WORSE = [(40, 1), (35, 0), (30, 2), (25, 1), (20, 1), (16, 0), (10, 8), (8, 9), (6, 7), (4, 9), (2, 8), (0, 9)]


def test_what_was_tried_is_what_the_sessions_of_the_span_say(index):
    rows = put(index, AILSA.key, [*WORSE, (60, 9), (-3, 9)])
    put(index, BEA.key, WORSE)
    days = {row[0].digest: row[0].day for row in rows}
    evenings = [(days[row.digest], evening(tallies, grips)) for row, tallies, grips in rows]
    before = [one for day, one in evenings if SPAN.since <= day < SPAN.divide]
    after = [one for day, one in evenings if SPAN.divide <= day < SPAN.until]
    assert (len(before), len(after)) == (6, 6)
    assert between(index, AILSA.key, SPAN) == compare(before, after)
    tried = index.tried({AILSA.key: SPAN})
    assert tried.keys() == {AILSA.key}
    assert set(tried[AILSA.key].wrong) == {
        Wrong("stray", (4, 5), 50, 60, 50 * 30_000),
        Wrong("movement", ("grip", 3), 50, 60, 50 * 50_000),
    }


def test_sessions_of_one_day_are_one_evening(index):
    """Else a pupil who plays in four pieces would be told of a change four times as surely."""
    put(index, AILSA.key, [(back, astray) for back, astray in WORSE for _ in range(4)])
    (tried,) = index.tried({AILSA.key: SPAN}).values()
    assert (tried.before, tried.tried.shape) == (6, (12, 2))
    assert (tried.tried == 40).all()
    assert tried.astray[:, 0].tolist() == [4 * astray for _, astray in WORSE]
    assert (len(tried.days), sum(tried.playing_us)) == (24, 24 * 60_000_000)
    before, after = (
        [{(4, 5): (40, 4 * n), ("grip", 3): (40, 4 * n)} for _, n in half] for half in (WORSE[:6], WORSE[6:])
    )
    assert between(index, AILSA.key, SPAN) == compare(before, after)


def test_kept_chances_follow_every_session_lesson_and_day(index, monkeypatch):
    counted = []

    def counting(*told):
        counted.append(told)
        return clear_chances(*told)

    monkeypatch.setattr("fingerlead.studio.kept_chances.clear_chances", counting)
    rows = put(index, AILSA.key, WORSE)

    def told(pupil=AILSA, today=TODAY, anew=1):
        """What is told, with how much was found anew, is what would be told without what was kept."""
        before = len(counted)
        (glance,) = glances(index, [pupil], today)
        assert len(counted) - before == anew
        found = between(index, pupil.key, span_of(pupil.lesson, today))
        assert {each.what: each.difference for each in glance.changed} == {k: d for k, d in found.items() if d.is_told}
        return {each.what: each.difference.trend for each in glance.changed}

    both = {(4, 5): "worse", ("grip", 3): "worse"}
    assert told() == both
    assert told(anew=0) == both
    for row in rows[6:9]:
        index.drop(row[0].digest)
    assert told() == {}
    for row in rows[6:9]:
        index.put(*row)
    assert told() == both
    assert told(Pupil(AILSA.key, "Ailsa", lesson="2026-11-18")) == {}
    assert told(Pupil(AILSA.key, "Ailsa"), TODAY + timedelta(days=30)) == {}


def test_a_studio_that_cannot_be_written_is_read(index):
    put(index, AILSA.key, WORSE)
    tried = index.tried({AILSA.key: SPAN})
    index.db.execute("PRAGMA query_only = ON")
    found = chances_of(index, tried)[AILSA.key]
    assert (found <= 0.05).all()
    assert index.chances() == {}


def test_deleted_pupils_leave_no_chance_and_no_name_of_a_movement(index):
    put(index, AILSA.key, WORSE)
    row, tallies, _ = session(BEA.key, TODAY, 3)
    index.put(row, tallies, [MovementSummary("Bea's turn", 3, Counter({"faulty": 2}))])
    glances(index, [AILSA, BEA], TODAY)
    assert index.chances().keys() == {AILSA.key, BEA.key}
    index.drop_pupil(BEA.key)
    assert index.chances().keys() == {AILSA.key}
    assert list(index.db.execute("SELECT name FROM name")) == [("grip",)]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE session SET counts = 'text'",
        "UPDATE session SET counts = x'0102'",
        f"UPDATE session SET counts = x'{np.array([200, 1, 2, 0], '<u4').tobytes().hex()}00000000'",
        "DELETE FROM name",
        "UPDATE name SET name = x'00'",
        "UPDATE session SET playing_us = 'long'",
        "UPDATE chance SET chances = 'text'",
    ],
)
def test_counts_that_this_program_did_not_write_are_refused(index, statement):
    put(index, AILSA.key, WORSE)
    glances(index, [AILSA], TODAY)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(index, "db", sqlite3.connect(index.path, isolation_level=None))
        index.db.execute(statement)
        with pytest.raises(StudioError, match="changed by something else"):
            glances(index, [AILSA], TODAY)
        index.db.close()


def test_what_got_worse_is_called_it_only_where_the_sentence_names_it(index):
    put(index, AILSA.key, WORSE)
    (glance,) = glances(index, [AILSA], TODAY)
    assert glance.first is not None
    alone = replace(glance, changed=[each for each in glance.changed if each.what == glance.first.key])
    assert "has got worse; work on it first" in glance_sentence(alone)
    assert work_clause(alone).startswith(f"work on {work_name(glance.first)} first")


def test_the_sentence_says_whether_enough_was_played_to_tell_a_change(index):
    put(index, AILSA.key, [(back, 1) for back in range(1, 42, 4)])
    put(index, BEA.key, [(back, 2) for back in range(1, 56)])
    (few,), (many,) = (glances(index, [pupil], TODAY) for pupil in (AILSA, BEA))
    for glance, words in ((few, "not enough was played yet to tell a change since"), (many, "no clear change since")):
        assert words in glance_sentence(glance)
        span = span_of(glance.pupil.lesson, TODAY)
        verdicts = {each.trend for each in between(index, glance.pupil.key, span).values()}
        assert verdicts == {"no clear change" if glance.is_enough else "not enough yet"}


def test_who_played_nothing_tried_nothing(index):
    assert index.tried({AILSA.key: DaySpan("", "")}) == {}
    (glance,) = glances(index, [AILSA], TODAY)
    assert (glance.sessions, glance.first, glance.changed) == (0, None, ())
    assert between(index, AILSA.key, SPAN) == {}
