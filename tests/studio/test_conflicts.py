"""Folders that another program changes: copies it leaves are found by what is in them and merged; nothing is lost."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import random
import shutil
import tempfile
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead.store.files import append_line, objects_in
from fingerlead.store.practice_log import open_progress
from fingerlead.studio import homework, lessons, pupils, questions
from fingerlead.studio.conflicts import BUNDLES
from fingerlead.studio.pupils import GREATEST_PUPIL_FILE, StudioError
from fingerlead.studio.questions import Question
from fingerlead.studio.saves import StaleError, fields_of
from fingerlead.studio.studio import Studio
from tests.full_disk import full_disk
from tests.studio.studios import playing, put, write

TODAY = date(2026, 9, 20)
# As programs of several kinds name what both sides have changed.
NAMES = (
    "{stem} (conflicted copy 2026-09-20).{ending}",
    "{stem}.sync-conflict-20260920-101112-ABCDEFG.{ending}",
    "{stem} 2.{ending}",
    "{stem}(1).{ending}",
    "{stem}_conf(2026-09-20).{ending}",
    "{stem}.{ending}~",
    "{stem}.{ending}.orig",
    "Kopie von {stem}",
)
LOG = "practice/practised.jsonl"
OWN = ("pupil.json", "remarks.jsonl", homework.FILE, lessons.FILE, LOG)


@pytest.fixture
def studio(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        yield studio


def copy_name(own: str, kind: str) -> str:
    place, _, name = own.rpartition("/")
    stem, _, ending = name.rpartition(".")
    return f"{place}/{kind.format(stem=stem, ending=ending)}".lstrip("/")


def fill(folder: Path, who: str) -> None:
    pupils.add_remark(folder, "d", 5, f"remark {who}", TODAY)
    lessons.write_down(folder, "2026-09-13", f"lesson {who}", TODAY)
    homework.give(folder, [f"piece-{who}"], TODAY)
    progress = open_progress(folder / "practice")
    progress.note_played(TODAY, 1_000 + len(who))
    progress.keep()


def told(folder: Path):
    """All that stands in the files that only grow."""
    return (
        {remark.text for remark in pupils.remarks(folder)},
        {lesson.note for lesson in lessons.lessons(folder)},
        {piece.key for piece in homework.pieces(folder)[0]},
        open_progress(folder / "practice").week(TODAY).played_us,
    )


@pytest.mark.parametrize("kind", NAMES)
def test_of_files_that_only_grow_both_sides_stay_whatever_the_copy_is_called(studio, tmp_path, kind):
    folder = studio.of(studio.add("Ailsa").key)
    fill(folder, "of both")
    with Studio(tmp_path / "other") as other:
        there = other.of(other.add("x").key)
        for own in OWN[1:]:
            put(there / own, (folder / own).read_bytes())
        fill(there, "there")
        fill(folder, "here")
        for own in OWN[1:]:
            put(folder / copy_name(own, kind), (there / own).read_bytes())
    studio.look()
    texts, notes, pieces, played_us = told(folder)
    assert texts == {"remark of both", "remark here", "remark there"}
    assert notes == {"lesson of both", "lesson here", "lesson there"}
    assert pieces == {"piece-of both", "piece-here", "piece-there"}
    assert played_us == 3_000 + len("of both" + "here" + "there")
    assert sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*.*")) == sorted(OWN)
    before = {own: (folder / own).read_bytes() for own in OWN}
    studio.catch_up()
    assert {own: (folder / own).read_bytes() for own in OWN} == before


@pytest.mark.parametrize("kind", NAMES)
def test_questions_answers_and_bundles_of_both_sides_stay(studio, kind):
    folder = studio.of(studio.add("Ailsa").key)
    asked = questions.ask(folder, Question("", "", "Both know this"), TODAY)
    theirs = folder.parent / "theirs"
    theirs.mkdir()
    shutil.copy(folder / questions.FILE, theirs)
    for side, who in ((folder, "here"), (theirs, "there")):
        questions.ask(side, Question("", "", f"Asked {who}"), TODAY)
        questions.reply(side, asked.id, f"Answered {who}", TODAY)
        append_line(side / BUNDLES, {"made": 1, "day": "2026-09-20", "sessions": {"a": who}})
        append_line(side / BUNDLES, {"taken": who, "number": 1, "day": "2026-09-20", "theirs": []})
    for own in (questions.FILE, BUNDLES):
        put(folder / copy_name(own, kind), (theirs / own).read_bytes())
    shutil.rmtree(theirs)
    studio.catch_up()
    assert {path.name for path in folder.iterdir()} == {"pupil.json", "sessions", questions.FILE, BUNDLES}
    assert {each.asked for each in questions.questions(folder)} == {"Both know this", "Asked here", "Asked there"}
    assert {each.text for each in questions.replies(folder)} == {"Answered here", "Answered there"}
    rows = objects_in(folder / BUNDLES)
    assert {row["sessions"]["a"] for row in rows if "made" in row} == {"here", "there"}
    assert {row["taken"] for row in rows if "taken" in row} == {"here", "there"}


def test_what_was_taken_back_stays_so(studio):
    folder = studio.of(studio.add("Ailsa").key)
    fill(folder, "x")
    copies = {own: (folder / own).read_bytes() for own in OWN[1:]}
    pupils.take_back(folder, pupils.remarks(folder)[0].id)
    lessons.take_back(folder, lessons.lessons(folder)[0].id)
    homework.take_off(folder, "piece-x")
    for own, data in copies.items():
        put(folder / f"{own}.bak", data)
    # Of lines that take back alone, their ids say whose they are.
    put(folder / "back only", (folder / lessons.FILE).read_bytes().splitlines(keepends=True)[-1])
    studio.look()
    assert told(folder)[:3] == (set(), set(), set())
    assert list(folder.glob("*.bak")) == []
    assert not (folder / "back only").exists()


def test_who_a_pupil_is_is_a_question_and_the_same_twice_is_none(studio):
    pupil = studio.add("Ailsa", chanter="blue", note="here")
    folder = studio.of(pupil.key)
    content = json.loads((folder / "pupil.json").read_bytes())
    put(folder / "pupil 2.json", json.dumps(content).encode())
    put(folder / "pupil 3.json", json.dumps({**content, "note": "there", "lesson": "2026-09-01"}).encode())
    put(folder / "another's.json", json.dumps({**content, "key": "0" * 12}).encode())
    (copy,) = studio.copies(pupil.key)
    assert (copy.name, copy.pupil.note) == ("pupil 3.json", "there")
    assert not (folder / "pupil 2.json").exists()
    assert studio.pupil(pupil.key).lesson == "2026-09-01"
    shown = copy.name, copy.digest
    for other in (("pupil.json", copy.digest), (copy.name, "0"), ("../../x", copy.digest), ("another's.json", "")):
        with pytest.raises(StudioError, match="has changed since, or has gone"):
            studio.settle(pupil.key, other, {}, name="B")
    studio.settle(pupil.key, shown, fields_of(pupil), **{**fields_of(pupil), "note": "here\nthere"})
    assert studio.pupil(pupil.key).note == "here\nthere"
    assert studio.copies(pupil.key) == []
    assert sorted(path.name for path in folder.glob("*.json")) == ["another's.json", "pupil.json"]


def test_a_copy_stands_in_for_a_file_that_is_missing_or_damaged(studio):
    for damage in (None, b'{"schema": "finger'):
        key = studio.add("Ailsa", note="kept").key
        folder = studio.of(key)
        put(folder / "pupil (1).json", (folder / "pupil.json").read_bytes())
        (folder / "pupil.json").unlink() if damage is None else (folder / "pupil.json").write_bytes(damage)
        studio.look()
        assert studio.pupil(key).note == "kept"
        assert not (folder / "pupil (1).json").exists()
        assert [path.read_bytes() for path in folder.glob("pupil-damaged-*")] == [damage] * (damage is not None)


def test_other_files_and_what_was_written_just_now_are_left_alone(studio, tmp_path):
    folder = studio.of(studio.add("Ailsa").key)
    fill(folder, "x")
    line = (folder / "remarks.jsonl").read_bytes()
    others = {
        "letter.txt": b"to the parents",
        "mixed.jsonl": line + (folder / homework.FILE).read_bytes(),
        "deep.json": b"[" * 50_000,
        ".hidden": line,
        "empty": b"",
    }
    for name, data in others.items():
        put(folder / name, data)
    (folder / "link.jsonl").symlink_to(put(tmp_path / "mine", line.replace(b"remark x", b"remark y")))
    os.mkfifo(folder / "pipe")
    (folder / "now.jsonl").write_bytes(line)
    before = (folder / "remarks.jsonl").read_bytes()
    studio.look()
    assert {name: (folder / name).read_bytes() for name in others} == others
    assert (folder / "now.jsonl").exists()
    assert (folder / "link.jsonl").is_symlink()
    assert (folder / "remarks.jsonl").read_bytes() == before
    # A moment later it has come to rest.
    os.utime(folder / "now.jsonl", (1_000_000_000, 1_000_000_000))
    studio.look()
    assert not (folder / "now.jsonl").exists()


def test_on_a_full_disk_no_copy_goes(studio):
    folder = studio.of(studio.add("Ailsa").key)
    fill(folder, "here")
    extra = json.dumps({"id": "a" * 12, "session": "d", "at_us": 7, "text": "there", "day": "2026-09-20"}).encode()
    copy = put(folder / "remarks 2.jsonl", (folder / "remarks.jsonl").read_bytes() + extra)
    with full_disk((folder / "remarks.jsonl").stat().st_size + 20):
        studio.look()
        assert copy.exists()
    assert told(folder)[0] == {"remark here"}
    studio.catch_up()
    assert not copy.exists()
    assert told(folder)[0] == {"remark here", "there"}


def test_copies_of_sessions_go_by_what_was_played(studio, tmp_path):
    key = studio.add("Ailsa").key
    files = [write(tmp_path / f"{n}.session", playing(n), n) for n in range(3)]
    digests = [studio.take_in(key, file).digest for file in files[:2]]
    sessions = studio.of(key) / "sessions"
    rotten = studio.session_path(digests[1])
    put(sessions / f"{digests[0]} (conflicted copy).session", files[0].read_bytes())
    put(sessions / f"{digests[1]}.sync-conflict.session", files[1].read_bytes())
    put(sessions / "a new one.session", files[2].read_bytes())
    put(sessions / "no session.session", b"letter")
    rotten.chmod(0o600)
    rotten.write_bytes(b"half")
    studio.look()
    assert len(studio.index.sessions(key)) == 3
    assert not any(session.problem for session in studio.index.sessions(key))
    assert sorted(path.name for path in sessions.iterdir()) == sorted(
        [*(f"{session.digest}.session" for session in studio.index.sessions(key)), "no session.session"]
    )


def test_sessions_that_come_go_and_are_half_written_while_the_desk_is_open(studio, tmp_path):
    key = studio.add("Ailsa").key
    with Studio(tmp_path / "other") as other:
        there = other.add("x").key
        digest = other.take_in(there, write(tmp_path / "a.session", playing())).digest
        data = other.session_path(digest).read_bytes()
    path = put(studio.of(key) / "sessions" / f"{digest}.session", data[: len(data) // 2])
    studio.look()
    assert studio.index.sessions(key)[0].problem
    path.write_bytes(data)
    studio.look()
    assert studio.index.sessions(key)[0].problem == ""
    assert studio.index.sessions(key)[0].playing_us > 0
    path.unlink()
    studio.look()
    assert studio.index.sessions(key) == []


def test_a_pupils_folder_renamed_or_deleted_while_the_desk_is_open(studio, tmp_path):
    kept, gone = studio.add("Bea").key, studio.add("Ailsa").key
    studio.take_in(gone, write(tmp_path / "a.session", playing()))
    folder = studio.of(gone)
    folder.replace(folder.with_name("Ailsa's"))
    studio.look()
    assert [pupil.key for pupil in studio.pupils()] == [kept]
    assert studio.index.sessions() == []
    assert "Ailsa's: a folder of the pupil Ailsa under another name" in studio.astray()[0]
    big = folder.with_name("big") / "pupil.json"
    big.parent.mkdir()
    big.write_bytes((folder.with_name("Ailsa's") / "pupil.json").read_bytes() + b" " * GREATEST_PUPIL_FILE)
    assert len(studio.astray()) == 1
    shutil.rmtree(big.parent)
    folder.with_name("Ailsa's").replace(folder)
    studio.look()
    assert studio.astray() == []
    assert len(studio.index.sessions(gone)) == 1


class Sync:
    """A program that keeps two pupil's folders alike: what both changed stands twice, once under another name."""

    def __init__(self, sides: list[Path], chance: random.Random) -> None:
        self._sides, self._chance = sides, chance
        self._base: dict[str, bytes | None] = {}
        self._late: list[tuple[Path, bytes]] = []
        self._count = itertools.count()

    def run(self) -> bool:
        """Whether anything was done."""
        late, self._late = self._late, []
        for path, data in late:
            put(path, data)
        names = {
            path.relative_to(side).as_posix() for side in self._sides for path in side.rglob("*") if path.is_file()
        }
        done = [self._file(name) for name in sorted(names | self._base.keys())]
        return bool(late) or any(done)

    def _file(self, name: str) -> bool:
        contents = [side / name for side in self._sides]
        one, other = (path.read_bytes() if path.exists() else None for path in contents)
        base = self._base.get(name)
        if one == other:
            self._base[name] = one
            return False
        if base in (one, other) or None in (one, other):
            data = other if one == base or one is None else one
            for path in contents:
                path.unlink() if data is None and path.exists() else data is not None and put(path, data)
            self._base[name] = data
            return True
        stays, copy = self._chance.sample((one, other), 2)
        kind = self._chance.choice(NAMES)
        named = copy_name(name if name in OWN else "copy.of", kind) + f" {next(self._count)}"
        for side in self._sides:
            put(side / name, stays)
            if self._chance.random() < 0.3:
                put(side / named, copy[: self._chance.randrange(len(copy))])
                self._late.append((side / named, copy))
            else:
                put(side / named, copy)
        self._base |= {name: stays, named: copy}
        return True


class Desk:
    """A desk, and what the page that is open at it shows."""

    def __init__(self, studio: Studio, key: str) -> None:
        self.studio, self.key = studio, key
        self.folder, self.shown = studio.of(key), fields_of(studio.pupil(key))


class Evening:
    """Two desks on one folder and one on another, kept alike by a program, and what must survive."""

    def __init__(self, folder: Path, chance: random.Random) -> None:
        self._chance, self._stack = chance, contextlib.ExitStack()
        studios = [self._stack.enter_context(Studio(folder / name)) for name in ("here", "there")]
        studios.insert(0, self._stack.enter_context(Studio(folder / "here")))
        key = studios[0].add("Ailsa").key
        here, there = (folder / name / "pupils" / key for name in ("here", "there"))
        put(there / "pupil.json", (here / "pupil.json").read_bytes()) if there.mkdir() is None else None
        studios[2].look()
        self.desks = [Desk(studio, key) for studio in studios]
        self.sync = Sync([here, there], chance)
        self.grown: list[set[str]] = [set(), set(), set()]
        self.played_us = 0
        self.saved: dict[str, set[str]] = {"note": set(), "chanter": set()}
        self._count = itertools.count(1)

    def __enter__(self) -> Evening:
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def step(self, what: str) -> None:
        desk, number = self._chance.choice(self.desks), next(self._count)
        folder, word = desk.folder, f"w{number}."
        if what == "sync":
            self.sync.run()
        elif what == "look":
            desk.studio.look()
        elif what == "load":
            desk.studio.copies(desk.key)
            desk.shown = fields_of(desk.studio.pupil(desk.key))
        elif what == "remark":
            pupils.add_remark(folder, "d", number, word, TODAY)
            self.grown[0].add(word)
        elif what == "lesson":
            lessons.write_down(folder, "2026-09-13", word, TODAY)
            self.grown[1].add(word)
        elif what == "homework":
            homework.give(folder, [word], TODAY)
            self.grown[2].add(word)
        elif what == "practise":
            progress = open_progress(folder / "practice")
            progress.note_played(TODAY, 1 << number)
            progress.keep()
            self.played_us += 1 << number
        elif what == "save":
            field = self._chance.choice(("note", "chanter"))
            self._save(desk, desk.shown, {**desk.shown, field: word})
        else:
            self._answer(desk)

    def _save(self, desk: Desk, was, fields) -> None:
        try:
            desk.studio.change(desk.key, was, **fields)
        except StaleError as stale:
            merged = stale.merged
            side = merged.fields if self._chance.random() < 0.5 else merged.stored
            chosen = {**merged.fields, **{field: side[field] for field in merged.clashes}}
            was = {**was, **{field: merged.stored[field] for field in merged.clashes}}
            for field in merged.clashes:
                self.saved[field] -= {merged.stored[field]} - {chosen[field]}
            self._save(desk, merged.stored, chosen)
            desk.shown = chosen
            return
        for field, texts in self.saved.items():
            if fields[field] != was[field]:
                # Who changed it saw what was there before.
                texts.discard(was[field])
                texts.add(fields[field])

    def _answer(self, desk: Desk) -> None:
        while copies := desk.studio.copies(desk.key):
            copy = copies[0]
            stored, other = fields_of(desk.studio.pupil(desk.key)), fields_of(copy.pupil)
            side = stored if self._chance.random() < 0.5 else other
            desk.studio.settle(desk.key, (copy.name, copy.digest), stored, **side)
            for field, texts in self.saved.items():
                texts -= {stored[field], other[field]} - {side[field]}
                texts |= {side[field]} - {stored[field], ""}

    def end(self) -> None:
        """All is kept alike, and all questions are answered."""
        for _ in range(20):
            for desk in self.desks:
                desk.studio.catch_up()
            self._answer(self.desks[0])
            if not self.sync.run():
                return
        raise AssertionError("the folders do not come to rest")


@settings(max_examples=25)
@given(
    st.integers(0, 1 << 30),
    st.lists(
        st.sampled_from(
            ["sync", "sync", "look", "load", "remark", "lesson", "homework", "practise", "save", "save", "answer"]
        ),
        max_size=30,
    ),
)
def test_in_any_order_of_two_desks_and_a_program_that_keeps_folders_alike_nothing_is_lost(seed, steps):
    with tempfile.TemporaryDirectory() as place, Evening(Path(place), random.Random(seed)) as evening:
        for step in steps:
            evening.step(step)
        evening.end()
        for desk in evening.desks:
            *grown, played_us = told(desk.folder)
            assert grown == evening.grown
            assert played_us == evening.played_us
            stored = fields_of(desk.studio.pupil(desk.key))
            for field, texts in evening.saved.items():
                assert all(text in stored[field] for text in texts)
            assert {path.relative_to(desk.folder).as_posix() for path in desk.folder.rglob("*.*")} <= set(OWN)
