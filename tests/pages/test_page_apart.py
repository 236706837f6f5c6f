"""The practice page of a pupil whose teacher is far away: what its addresses give, take and refuse."""

from __future__ import annotations

import io
import json
import wave
from datetime import date

import pytest

pytest.importorskip("nacl", reason="needs the Python package pynacl")
pytest.importorskip("httpx", reason="needs the Python package httpx")

from fingering.table import standard_table
from fingerlead.bundle.keys import key_words
from fingerlead.bundle.packing import unpack
from fingerlead.bundle.pupil_side import PupilSide
from fingerlead.bundle.teacher_side import TeacherSide
from fingerlead.faces.pages.practice import page as practice
from fingerlead.store.passage import encode_changes
from fingerlead.store.session_file import SessionWriter
from fingerlead.studio import homework, pupils, questions
from fingerlead.studio.index import analysed
from fingerlead.studio.studio import Studio
from tests.pages.page_tools import Online
from tests.studio.studios import playing, write

DAY = date(2026, 9, 18)
BYTES = "application/octet-stream"


class Home(Online):
    """A practice page at a pupil's home, and what it shows of the teacher."""

    def __init__(self, page, folder) -> None:
        super().__init__(page)
        self.folder = folder

    def shown(self):
        with self.page() as line:
            return json.loads(line.recv())["teacher"]

    def asks(self, **said):
        return self.post("/teacher/ask", json.dumps(said), "application/json")


@pytest.fixture
def home(tmp_path):
    folder = tmp_path / "home"
    (folder / "sessions").mkdir(parents=True)
    write(folder / "sessions" / "a.session", playing(2, 30), 10)
    with practice.opened(None, standard_table(), folder=folder, sound=False) as page:
        yield Home(page, folder)


@pytest.fixture
def teacher(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        side = TeacherSide(studio)
        side.pupil = studio.add("Ailsa").key
        yield side


def test_a_question_goes_and_its_answer_comes_with_homework_a_remark_a_passage_and_a_model(home, teacher, tmp_path):
    for _ in range(2):  # sent once more because no answer came
        assert home.asks(text="Why?", piece="low-g-b", id="0123456789ab").json() == {"refused": "", "asked": "Why?"}
    assert home.asks(text=" ").json()["refused"] == "expected a question; it is empty. Write one"
    assert [each["text"] for each in home.shown()["asked"]] == ["Why?"]
    words = home.get("/teacher/words").json()["words"]
    made = home.post("/teacher/bundle?name=Ailsa", b"", BYTES)
    assert (made.headers["fingerlead-number"], made.headers["fingerlead-words"]) == ("1", "1 session and 1 question")
    assert unpack(made.content).name == "Ailsa"
    key, _ = teacher.take_in(made.content, DAY, teacher.pupil, words)

    folder = teacher.studio.of(key)
    (session,) = teacher.studio.index.sessions(key)
    (asked,) = questions.questions(folder)
    path = teacher.studio.session_path(session.digest)
    questions.reply(folder, asked.id, "Like so.", DAY)
    heard = questions.reply(folder, "", "Listen.", DAY, encode_changes(analysed(path)[1], 1, 5))
    pupils.add_remark(folder, session.digest, 61_500_000, "hear this", DAY)
    homework.give(folder, ["low-a-b"], DAY, note="slowly")
    teacher.add_model(key, write(tmp_path / "mine.session", playing(9), 4))
    back, own = teacher.make(key, DAY).data, key_words(teacher.key().public)
    before = home.shown()
    assert "not known here yet" in home.post("/teacher/take-in", back, BYTES).json()["refused"]
    assert "not the words" in home.post(f"/teacher/take-in?words={words}", back, BYTES).json()["refused"]
    assert home.shown() == before
    told = home.post(f"/teacher/take-in?words={own}", back, BYTES).json()
    assert told["told"] == "Taken in: 1 sheet of homework, 1 remark, 2 answers and 1 model take."
    shown = home.shown()
    assert [item["key"] for item in shown["items"]] == ["low-a-b"]
    assert shown["remarks"] == [{"day": session.day, "at": "1:01.5", "text": "hear this"}]
    assert [each["answers"][0]["text"] for each in shown["asked"]] == ["Like so."]
    assert [each["heard"] for each in shown["unasked"]] == [heard.id]
    assert shown["known"]
    for id in (heard.id, *shown["models"]):
        sound = home.get(f"/teacher/heard/{id}.wav")
        with wave.open(io.BytesIO(sound.content)) as file:
            assert file.getnframes() > 48_000
        masks = home.get(f"/teacher/heard/{id}.json").json()
        assert masks["end_us"] > masks["edges"][-1][0]


@pytest.mark.parametrize("id", ["0123456789ab", "0" * 32, "x" * 32, "..%2f..%2fbundle"])
def test_what_was_never_sent_cannot_be_heard(home, id):
    answer = home.get(f"/teacher/heard/{id}.wav")
    assert answer.status_code in (400, 404)
    assert "Traceback" not in answer.text


@pytest.mark.parametrize("body", [b"", b"[]", b"nonsense", b"[" * 60_000, b'{"text": 5}'])
def test_a_question_that_is_none_is_refused_in_a_sentence(home, body):
    answer = home.post("/teacher/ask", body, "application/json")
    assert answer.status_code == 400 or answer.json()["refused"].startswith("expected ")


def test_a_file_that_is_no_bundle_is_refused_and_the_page_goes_on(home):
    for body in (b"", b"hello", b"\0" * 1_000_000):
        assert home.post("/teacher/take-in", body, BYTES).json()["refused"].startswith("expected a bundle")
    assert home.get("/teacher/words").json()["refused"] == ""


def test_a_session_that_is_being_played_waits_for_the_next_bundle(home):
    live = SessionWriter(home.folder / "sessions" / "b.session", "stream", "fed")
    live.append(playing(1), 0)
    live.tick(1_000_000)
    assert home.post("/teacher/bundle", b"", BYTES).headers["fingerlead-words"] == "1 session"
    live.close()
    assert home.post("/teacher/bundle", b"", BYTES).headers["fingerlead-words"] == "2 sessions"


def test_who_practises_in_the_studio_itself_needs_no_bundle(teacher, tmp_path):
    folder = teacher.studio.of(teacher.pupil) / "practice"
    with practice.opened(None, standard_table(), folder=folder, sound=False, teacher={"items": []}) as page:
        assert Online(page).get("/teacher/words").status_code == 404
    assert PupilSide(folder).folder.exists() is False
