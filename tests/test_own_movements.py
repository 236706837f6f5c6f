"""A teacher's own movements are read and judged like the table's, on every face, and go with their session."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from fractions import Fraction

import pytest

import fingerlead
from fingering.movements import own_repertoire
from fingering.table import standard_table
from fingerlead.faces.pages.desk.sessions import session_page
from fingerlead.faces.words import intake_sentence
from fingerlead.listening.listening import Listening
from fingerlead.ports.base import Chunk
from fingerlead.reading.asked import SessionMusic
from fingerlead.simulated import chanter, play, sensing
from fingerlead.simulated import serve as whole
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.script import Written, tune_script
from fingerlead.store.session_file import SessionWriter
from fingerlead.studio.index import analysed as studio_analysed
from fingerlead.studio.studio import Studio
from tests.faces.command_line import ran
from tests.test_one_verdict import movements_of

OWN = """
[[movement]]
name = "my turn"
notes = { A = "GcGe" }
roles = { G = "catch", other = "grace" }
faults = ["missing", "crushed"]
source = "my teacher"
"""
ABC = "X:1\nT:Turns\nM:4/4\nL:1/4\nK:HP\n" + "B2 {GcGe}A2 | " * 6 + "B4 |]\n"
MUSIC = SessionMusic("tune", "Turns", ABC)
TURN = (0, 3, 0, 5)


@pytest.fixture
def own(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(OWN, encoding="utf-8")
    return path


def playing(left_out=None):
    """The bytes of the tune played; of every other movement a note is left out."""
    notes = []
    for number in range(6):
        graces = TURN if left_out is None or number % 2 else TURN[:left_out] + TURN[left_out + 1 :]
        notes += [Written(2, Fraction(1, 2)), Written(1, Fraction(1, 2), graces)]
    script = tune_script([*notes, Written(2, Fraction(1))], 2_400_000)
    return whole.wire_bytes(play.perform(SimulatedPupil(), script, 3), chanter.setup_for(3), sensing.sensors("usual"))


def write_session(path, data):
    """The playing as a session that carries its music."""
    with SessionWriter(path, "stream", "sim", {"skew_us": 1_000}) as writer, writer.at_once():
        writer.begin_music(0, MUSIC)
        for number, at in enumerate(range(0, len(data), 64)):
            writer.append(data[at : at + 64], number * 10_000)
    return path


def told_by(*words):
    done = ran(*words)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_an_own_movement_is_named_and_judged_where_the_table_knows_only_grace_notes(tmp_path, own):
    path = write_session(tmp_path / "a.session", playing(left_out=3))
    without = json.loads(told_by("analyse", path, "--format", "json"))
    assert {one["written"] for one in without["movements"]} == {"grace notes"}
    assert "own_movements" not in without["settings"]
    told = json.loads(told_by("analyse", path, "--own", own, "--format", "json"))
    assert told["settings"]["own_movements"] == "mine.toml"
    assert [one["written"] for one in told["movements"]] == ["my turn"] * 6
    assert [[fault["kind"] for fault in one["faults"]] for one in told["movements"]] == [["missing"], []] * 3
    assert "My turn on low A" in told_by("analyse", path, "--own", own)
    assert "from mine.toml." in told_by("analyse", path, "--own", own)
    told_by("report", path, "--own", own, "-o", tmp_path / "n.json")
    (row,) = json.loads((tmp_path / "n.json").read_text())["movements"]
    assert (row["movement"], row["as_written"], row["faulty"]) == ("my turn", 3, 3)


def test_what_is_kept_with_its_own_movements_says_the_same_on_every_face(tmp_path, own):
    played = playing(left_out=3)
    bare = write_session(tmp_path / "bare.session", played)
    told_by("keep", bare, "--own", own, "-o", tmp_path / "kept.session")
    truth = fingerlead.analyse(fingerlead.read(bare), own=own)
    kept = fingerlead.read(tmp_path / "kept.session")
    assert movements_of(fingerlead.analyse(kept)) == movements_of(truth)
    assert fingerlead.analyse(kept).changes == truth.changes
    own.unlink()  # the session needs it no more
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Ailsa").key
        taken = studio.take_in(key, tmp_path / "kept.session")
        again, analysis = studio_analysed(studio.session_path(taken.digest))
        assert movements_of(analysis) == movements_of(truth)
        assert "mine.toml" in intake_sentence(analysis)
        assert [one.name for *_, one in studio.index.movements(key)] == ["my turn"]
        assert "My turn on low A" in session_page(studio, taken.digest)
        assert str(tmp_path) not in again.meta["own_movements_name"]


def test_live_hears_them_too_and_keeps_them(tmp_path, own):
    played, known = playing(left_out=3), own_repertoire(own)
    writer = SessionWriter(tmp_path / "live.session", "stream", "x", {"skew_us": 1_000})
    listening = Listening(standard_table(), lambda what, timing: None, skew_us=1_000, keep=writer, known=known)
    listening.begin_music(MUSIC)
    for number, at in enumerate(range(0, len(played), 64)):
        listening.take(Chunk(played[at : at + 64], number * 10_000), "stream")
        listening.idle()
    listening.close()
    batch = fingerlead.analyse(fingerlead.read(tmp_path / "live.session"))
    assert batch.known.own == known.own
    assert movements_of(listening.analysis()) == movements_of(batch)
    assert {one.written for one in batch.movements} == {"my turn"}


def test_a_passage_takes_them_along_and_says_the_same_of_them(tmp_path, own):
    bare, kept = write_session(tmp_path / "bare.session", playing(left_out=2)), tmp_path / "kept.session"
    told_by("keep", bare, "--own", own, "-o", kept)
    opened = json.loads(told_by("open", told_by("send", kept, "--changes", "3..6"), "--format", "json"))
    assert {one["name"] for one in opened["movements"]} == {"my turn"}
    ours = [one for one in fingerlead.analyse(fingerlead.read(kept)).movements if one.change in range(2, 6)]
    assert [one["verdict"] for one in opened["movements"]] == [one.verdict for one in ours]
    told = [[(f["kind"], f["note"], f["size_us"]) for f in one["faults"]] for one in opened["movements"]]
    assert told == [[(f.kind, f.note, f.size_us) for f in one.faults] for one in ours]
    assert any(told)


@pytest.mark.parametrize("command", ["analyse", "report", "keep", "live", "record", "practice"])
def test_a_broken_file_is_one_sentence_with_file_and_line_and_nothing_is_written(tmp_path, own, command):
    path = write_session(tmp_path / "a.session", playing())
    own.write_text(OWN.replace("GcGe", "GcGx"), encoding="utf-8")
    words = {
        "live": ["live", f"replay:{path}@max"],
        "record": ["record", f"replay:{path}@max", "-o", tmp_path / "out"],
        "practice": ["practice", "--no-browser", "--folder", tmp_path / "out"],
    }.get(command, [command, path, *([] if command == "analyse" else ["-o", tmp_path / "out"])])
    done = ran(*words, "--own", own)
    assert done.returncode == 1
    said = " ".join(done.stderr.split())
    assert f"{own}, line 4: expected each note to be a letter of GABcdefga; got 'x'" in said, said
    assert "Traceback" not in said
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("cell", "told"),
    [
        ("name = [", "cannot be read"),
        (OWN.replace("GcGe", "GcGx"), "cannot be read, so the table's count: line 4"),
        ("x" * 60_000, "cannot be read"),
    ],
)
def test_a_session_whose_own_movements_are_hostile_is_read_with_the_table_and_says_so(tmp_path, cell, told):
    path = write_session(tmp_path / "a.session", playing())
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("INSERT INTO meta VALUES ('own_movements', ?), ('own_movements_name', 'a' || char(27))", (cell,))
        db.commit()
    analysis = fingerlead.analyse(fingerlead.read(path))
    assert not analysis.known.own
    assert {one.written for one in analysis.movements} == {"grace notes"}
    assert told in intake_sentence(analysis)
    assert studio_analysed(path)[1].music_problem == analysis.music_problem


def test_more_than_a_session_keeps_is_refused_beforehand(tmp_path, own):
    path = write_session(tmp_path / "a.session", playing())
    own.write_text(OWN + "# " + "x" * 70_000, encoding="utf-8")
    done = ran("keep", path, "--own", own, "-o", tmp_path / "out")
    assert done.returncode == 1
    assert "65536 letters" in done.stderr
    assert not (tmp_path / "out").exists()
