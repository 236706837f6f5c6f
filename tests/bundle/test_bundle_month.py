"""A month of homework to and fro by bundles, through the command line; and bundles that must change nothing."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

pytest.importorskip("nacl", reason="needs the Python package pynacl")

from fingerlead.bundle import exchange
from fingerlead.bundle.keys import BundleError
from fingerlead.bundle.packing import pack, unpack
from fingerlead.bundle.pupil_side import PupilSide
from fingerlead.bundle.teacher_side import TeacherSide
from fingerlead.store import files
from fingerlead.store.session_reading import read_session
from fingerlead.studio import homework, pupils, questions
from fingerlead.studio.studio import Studio
from tests.bundle import test_bundle_packing as hostile
from tests.bundle.plain_reader import read_bundle, rows_of
from tests.bundle.sides import NAME, Apart, refused, state, well
from tests.killed import killed_at_each_step
from tests.studio.studios import playing, write

DAY = date(2026, 9, 1)


@pytest.fixture
def apart(tmp_path):
    return Apart(tmp_path)


@pytest.fixture
def known(apart):
    apart.introduce()
    return apart


def digests(apart):
    with Studio(apart.studio) as studio:
        return [each.digest for each in studio.index.sessions(apart.key)]


def test_a_month_of_homework_goes_to_and_fro(apart, tmp_path):
    apart.introduce()
    set_so_far, sent, taken_twice = [], [], 0
    for week, piece in enumerate(("low-g-b", "low-a-b", "low-a-c", "low-g"), 1):
        played = [apart.practise(7 * week + evening) for evening in (1, 3)]
        well(apart.pupil("ask", f"Question {week}?", "--about", "low-g-b", "--session", played[0], "--at", "1.5"))
        parcel = apart.from_pupil(f"week {week}")
        assert "Taken in: 2 sessions and 1 question." in well(apart.teacher("take-in", parcel, pupil=""))
        if week == 2:
            before = state(apart.studio)
            assert "was taken in already" in well(apart.teacher("take-in", parcel))
            assert state(apart.studio) == before
            taken_twice += 1
        # The teacher answers, remarks on what was played, sets the next piece, and plays a model once.
        well(apart.teacher("answer", week, f"Answer {week}."))
        with Studio(apart.studio) as studio:
            session = studio.index.sessions(apart.key)[-1]
            pupils.add_remark(apart.kept, session.digest, 1_000_000 * week, f"Remark {week}", DAY)
            homework.give(apart.kept, [piece], DAY, note=f"Line {week}")
        set_so_far.append(piece)
        if week == 3:
            well(apart.teacher("model", write(tmp_path / "mine.session", playing(99))))
        back = apart.from_teacher(f"back {week}")
        sent.append(back)
        if week == 3:
            altered = bytearray(back.read_bytes())
            altered[len(altered) // 2] ^= 1
            (apart.post / "altered").write_bytes(altered)
            before = state(apart.home)
            assert "altered or damaged on its way" in refused(apart.pupil("take-in", apart.post / "altered"))
            assert state(apart.home) == before
        told = well(apart.pupil("take-in", back))
        model = " and 1 model take" if week == 3 else ""
        parts = "1 sheet of homework, 1 remark" + (f", 1 answer{model}" if model else " and 1 answer")
        assert told == f"Taken in: {parts}.\n"
        if week == 4:
            before = state(apart.home)
            assert "was taken in already" in well(apart.pupil("take-in", back))
            assert state(apart.home) == before
            taken_twice += 1
    assert taken_twice == 2

    # Both sides have the same, and nothing twice.
    there = apart.home / "teacher"
    assert [piece.key for piece in homework.pieces(there)[0]] == [p.key for p in homework.pieces(apart.kept)[0]]
    assert {piece.key for piece in homework.pieces(there)[0]} == set(set_so_far)
    assert pupils.remarks(there) == pupils.remarks(apart.kept)
    assert questions.questions(there) == questions.questions(apart.kept)
    assert questions.replies(there) == questions.replies(apart.kept)
    assert [each.asked for each in questions.questions(there)] == [f"Question {week}?" for week in (1, 2, 3, 4)]
    assert questions.unanswered(apart.kept) == []
    assert len(digests(apart)) == 8
    assert [path.stem for path in (there / "models").iterdir()] == [p.stem for p in (apart.kept / "models").iterdir()]
    # What was taken in is not sent again.
    assert "nothing new" in well(apart.pupil("make", "-o", apart.post / "last"))
    # Nothing that stays with the teacher has travelled.
    for parcel in apart.post.iterdir():
        data = parcel.read_bytes()
        assert NAME.encode() not in data
        assert apart.key.encode() not in data


def test_a_question_without_an_answer_says_so_and_where_nothing_is_asked_there_is_none_to_answer(known, tmp_path):
    assert refused(known.teacher("answer", 1, "Slowly.")).startswith(f"{NAME} has asked nothing yet.")
    well(known.pupil("ask", "Why does it crackle?"))
    well(known.pupil("ask", "Is it fast enough?"))
    assert well(known.pupil("questions")).count("no answer yet") == 2
    well(known.teacher("take-in", known.from_pupil("asked")))
    well(known.teacher("answer", 1, "Slowly."))
    first, second = well(known.teacher("questions")).split("2. ")
    assert first.rstrip().endswith(": Slowly.")
    assert second.rstrip().endswith("no answer yet")
    assert refused(known.teacher("answer", 3, "Slowly.")).startswith("expected a question from 1 to 2; got 3")


def test_bundles_that_come_late_in_another_order_or_never_lose_nothing(known):
    week = {}
    for number in (1, 2, 3):
        known.practise(number)
        with Studio(known.studio):
            given = homework.give(known.kept, [("low-g-b", "low-a-b", "low-a-c")[number - 1]], DAY)
            remark = pupils.add_remark(known.kept, "ab" * 16, number, f"Remark {number}", DAY)
        if number == 3:
            pupils.take_back(known.kept, remark.id)
            homework.take_off(known.kept, given.pieces[0])
        week[number] = known.from_pupil(str(number)), known.from_teacher(f"back {number}")
        if number == 2:
            third = remark
    assert third in pupils.remarks(known.kept)
    # The second never comes to the teacher; to the pupil they come from the last to the first.
    for number in (3, 1):
        well(known.teacher("take-in", week[number][0]))
    for number in (3, 2, 1):
        well(known.pupil("take-in", week[number][1]))
    assert len(digests(known)) == 3
    there = known.home / "teacher"
    assert pupils.remarks(there) == pupils.remarks(known.kept)
    assert sorted(piece.key for piece in homework.pieces(there)[0]) == ["low-a-b", "low-g-b"]


def test_a_remark_that_was_taken_back_stays_so_though_an_older_bundle_comes_later(known):
    remark = pupils.add_remark(known.kept, "ab" * 16, 1, "Too harsh", DAY)
    older = known.from_teacher("older")
    pupils.take_back(known.kept, remark.id)
    well(known.pupil("take-in", known.from_teacher("newer")))
    well(known.pupil("take-in", older))
    assert pupils.remarks(known.home / "teacher") == []


def test_a_stranger_is_taken_in_only_with_the_words_that_were_read_out(apart, tmp_path):
    apart.practise(1)
    parcel, before = apart.from_pupil("first"), state(apart.studio)
    assert "not known here yet" in refused(apart.teacher("take-in", parcel))
    own = apart.words_of("teacher")
    before |= state(apart.studio)
    wrong = refused(apart.teacher("take-in", parcel, "--words", own))
    assert "not the words of the key that signed this bundle" in wrong
    assert "8 words; got 2" in refused(apart.teacher("take-in", parcel, "--words", "acorn acorn"))
    words = apart.words_of("pupil")
    assert "Say whose" in refused(apart.teacher("take-in", parcel, "--words", words, pupil=""))
    assert state(apart.studio) == before
    assert not any(word in wrong for word in words.split())
    assert well(apart.teacher("take-in", parcel, "--words", words)) == f"From {NAME}.\nTaken in: 1 session.\n"


def test_another_key_is_refused_until_the_old_one_is_forgotten(known, tmp_path):
    (known.home / "teacher" / "bundle.key").unlink()
    known.practise(1)
    parcel, before = known.from_pupil("from another machine"), state(known.studio)
    words = known.words_of("pupil")
    assert "another key than that of Ailsa" in refused(known.teacher("take-in", parcel, "--words", words))
    assert state(known.studio) == before
    well(known.teacher("forget"))
    assert "1 session" in well(known.teacher("take-in", parcel, "--words", words))


def test_to_a_teacher_whose_studio_is_another_all_is_sent_anew(known, tmp_path):
    known.practise(1)
    well(known.teacher("take-in", known.from_pupil("to the old one")))
    well(known.pupil("take-in", known.from_teacher("back")))
    assert "nothing new" in well(known.pupil("make", "-o", known.post / "nothing"))
    well(known.pupil("forget"))
    assert "1 session" in well(known.pupil("make", "-o", known.post / "all"))
    (tmp_path / "other").mkdir()
    other = Apart(tmp_path / "other")
    told = well(other.teacher("take-in", known.post / "all", "--words", known.words_of("pupil")))
    assert "Taken in: 1 session." in told
    well(other.teacher("make", "-o", other.post / "new"))
    well(known.pupil("take-in", other.post / "new", "--words", other.words_of("teacher")))
    assert "nothing new" in well(known.pupil("make", "-o", known.post / "after"))


def test_a_bundle_goes_one_way_and_to_one_side(known, tmp_path):
    known.practise(1)
    mine, back = known.from_pupil("mine"), known.from_teacher("back")
    before = state(known.home, known.studio)
    assert "was made here" in refused(known.pupil("take-in", mine))
    assert "was made here" in refused(known.teacher("take-in", back))
    assert "signed by Ailsa" in refused(known.teacher("take-in", mine, pupil="Bea"))
    other = tmp_path / "other"
    other.mkdir()
    stranger = Apart(other)
    stranger.introduce()
    assert "meant for another" in refused(stranger.pupil("take-in", back, "--words", known.words_of("teacher")))
    assert "meant for another" in refused(stranger.teacher("take-in", mine, "--words", known.words_of("pupil")))
    assert "from a pupil to a teacher" in refused(stranger.pupil("take-in", mine))
    assert "a bundle of theirs comes first" in refused(known.teacher("make", "-o", known.post / "b", pupil="Bea"))
    assert state(known.home, known.studio) == before


@pytest.mark.parametrize("name", ["bomb", "countless", "leads out", "link", "locked", "newer", "altered"])
@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_hostile_file_is_one_sentence_at_the_command_line_and_nothing_is_written(known, name):
    known.practise(1)
    sent, back = known.from_pupil("sent").read_bytes(), known.from_teacher("back").read_bytes()
    make = {
        "bomb": lambda packed: hostile.bomb(),
        "countless": lambda packed: hostile.countless(100_000),
        "leads out": lambda packed: hostile.zipped([(hostile.entry("../../bundle.key"), b"x")]),
        "link": lambda packed: hostile.zipped([(hostile.entry("questions.jsonl", 0o120777), b"/etc/passwd")]),
        "locked": hostile.locked,
        "newer": lambda packed: packed.replace(b"fingerlead-bundle-1", b"fingerlead-bundle-2"),
        "altered": lambda packed: packed.replace(b'"number":', b'"nunber":'),
    }[name]
    before = state(known.home, known.studio)
    (known.post / "bad").write_bytes(make(sent))
    refused(known.teacher("take-in", known.post / "bad"))
    (known.post / "bad").write_bytes(make(back))
    refused(known.pupil("take-in", known.post / "bad"))
    assert state(known.home, known.studio) == before
    assert not (known.post / "bundle.key").exists()


@pytest.mark.parametrize("what", ["nothing", "a folder", "no bundle", "empty"])
def test_a_file_that_is_none_is_refused_in_a_sentence(known, what):
    path = known.post / what
    if what == "a folder":
        path.mkdir()
    elif what != "nothing":
        path.write_bytes(b"" if what == "empty" else b"hello")
    before = state(known.home, known.studio)
    assert "xpected a bundle" in refused(known.pupil("take-in", path)) or what == "nothing"
    refused(known.teacher("take-in", path))
    assert state(known.home, known.studio) == before


def test_a_full_disk_leaves_nothing_of_a_bundle(known, monkeypatch):
    known.practise(1), known.practise(2)
    well(known.pupil("ask", "Why?"))
    parcel = known.from_pupil("full")
    real = files.add_lines

    def full_at(name):
        def add_lines(path, lines):
            if path.name == name:
                raise OSError(28, "No space left on device")
            real(path, lines)

        monkeypatch.setattr(exchange, "add_lines", add_lines)

    for name in ("questions.jsonl", "bundles.jsonl"):
        full_at(name)
        before = state(known.kept)
        assert "the disk is full" in refused(known.teacher("take-in", parcel))
        after = state(known.kept)
        assert {path: digest for path, digest in after.items() if not path.endswith("questions.jsonl")} == before
        assert questions.questions(known.kept) == [] == digests(known)
    monkeypatch.undo()
    assert "2 sessions and 1 question" in well(known.teacher("take-in", parcel))


@pytest.mark.slow
def test_killed_at_any_step_of_taking_in_it_is_whole_when_it_is_taken_in_again(apart, tmp_path):
    """The first bundle from a teacher, whose key is not known yet; the words are told each time."""
    well(apart.teacher("take-in", apart.from_pupil("first"), "--words", apart.words_of("pupil")))
    with Studio(apart.studio) as studio:
        homework.give(studio.of(apart.key), ["low-a-c"], DAY)
    parcel, words = apart.from_teacher("first back"), apart.words_of("teacher")
    for name in ("warm", *map(str, range(200))):
        shutil.copytree(apart.home / "teacher", tmp_path / "killed" / name / "teacher")
    take_in = f"PupilSide({{}}).take_in(data, date(2026, 9, 1), {words!r})"
    # What is imported only when it is needed opens files too, and is here by then.
    steps = killed_at_each_step(
        "from datetime import date\nfrom pathlib import Path\nfrom fingerlead.bundle.pupil_side import PupilSide\n"
        f"data = Path({str(parcel)!r}).read_bytes()\n" + take_in.format(f"Path({str(tmp_path / 'killed' / 'warm')!r})"),
        take_in.format("folder"),
        tmp_path / "killed",
    )
    assert steps > 10

    def kept(folder):
        PupilSide(folder).take_in(parcel.read_bytes(), DAY, words)
        there = [path for path in (folder / "teacher").rglob("*") if path.is_file() and not path.name.endswith(".part")]
        # A line that was cut off stays: none reads it.
        return {
            path.relative_to(folder): files.objects_in(path) if path.suffix == ".jsonl" else path.read_bytes()
            for path in there
        }

    whole = kept(tmp_path / "killed" / str(steps))
    assert {Path("teacher") / name for name in ("bundle.json", "bundles.jsonl", "homework.jsonl")} < whole.keys()
    for number in range(steps):
        assert kept(tmp_path / "killed" / str(number)) == whole, number


def test_a_bundle_names_a_pupil_only_as_they_want_it_and_no_port(known, tmp_path):
    assert read_session(known.practise(1)).meta["port"] == "sim"
    manifest, contents = read_bundle(known.from_pupil("plain").read_bytes())
    assert manifest["name"] == ""
    (session,) = (data for name, data in contents.items() if name.startswith("sessions/"))
    (tmp_path / "sent.session").write_bytes(session)
    assert read_session(tmp_path / "sent.session").meta["port"] == ""
    named = known.from_pupil("named", "--name", "Ailsa")
    manifest, _ = read_bundle(named.read_bytes())
    assert manifest["name"] == "Ailsa"
    assert "Its sender goes by Ailsa." in well(known.teacher("take-in", named))


def test_what_a_bundle_says_is_checked_row_by_row(known):
    """A teacher's own program may be any: what is no homework, remark or answer is passed over, letters are tidied."""
    with Studio(known.studio) as studio:
        side = TeacherSide(studio)
        made = unpack(side.make(known.key, DAY).data)
        rows = [
            {"id": "ab" * 6, "session": "cd" * 16, "at_us": 5, "text": "go\u202e\x1b[2J on", "day": "nonsense"},
            {"id": "../x", "session": "", "at_us": 1, "text": "x"},
            {"text": 5},
            [],
            {"id": "ab" * 6, "answers": ""},
            {"id": "ac" * 6, "answers": "\ud800", "text": "so"},
            {"id": "ad" * 6, "answers": "", "text": "\udfff", "passage": "\ud83d"},
            {"off": ["\ud800"], "piece": "\udc00"},
        ]
        odd = "\n".join(map(json.dumps, rows)).encode() + b'\n\xff\xfe\n{"id":'
        contents = dict.fromkeys(("remarks.jsonl", "homework.jsonl", "answers.jsonl"), odd)
        data = pack(replace(made, contents=contents), side.key())
    PupilSide(known.home).take_in(data, DAY)
    (remark,) = pupils.remarks(known.home / "teacher")
    assert (remark.text, remark.day) == ("go [2J on", "")
    assert homework.all_set(known.home / "teacher") == []
    assert [(each.answers, each.text) for each in questions.replies(known.home / "teacher")] == [("", "so")]
    (row,) = rows_of((known.home / "teacher" / "remarks.jsonl").read_bytes())
    assert set(row) == {"id", "session", "at_us", "text", "day", "played"}


def test_a_session_that_is_none_or_another_is_refused_and_nothing_is_written(known):
    known.practise(1)
    side = PupilSide(known.home)
    made = unpack(side.make(DAY).data)
    (name,) = (name for name in made.contents if name.startswith("sessions/"))
    before = state(known.studio)
    for contents, sentence in (
        ({name: b"no session"}, "cannot be read"),
        ({f"sessions/{'0' * 32}.session": made.contents[name]}, "another than its name says"),
    ):
        with Studio(known.studio) as studio, pytest.raises(BundleError, match=sentence):
            TeacherSide(studio).take_in(pack(replace(made, contents=contents), side.key()), DAY)
    assert state(known.studio) == before
