"""A pupil who is far away, at the desk: what they ask comes first and is answered, passages are kept, bundles go by."""

from __future__ import annotations

import re
from datetime import date
from html import unescape

import pytest

pytest.importorskip("nacl", reason="needs the Python package pynacl")

from fingerlead.bundle.keys import key_words
from fingerlead.bundle.packing import unpack
from fingerlead.bundle.pupil_side import PupilSide
from fingerlead.bundle.teacher_side import TeacherSide
from fingerlead.store.passage import decode_passage
from fingerlead.studio import questions
from fingerlead.studio.needs import needs
from fingerlead.studio.questions import Question
from tests.pages.test_desk import HOSTILE, TODAY, desk
from tests.studio.studios import playing, write

__all__ = ["desk"]
DAY = date(2026, 9, 18)


@pytest.fixture
def key(desk, tmp_path):
    key = desk.studio.add("Ailsa").key
    desk.studio.add("Bea")
    desk.studio.take_in(key, write(tmp_path / "a.session", playing(1, 60), 4, {"rungs": ["low-g-b"]}))
    return key


@pytest.fixture
def home(tmp_path):
    (tmp_path / "home" / "sessions").mkdir(parents=True)
    write(tmp_path / "home" / "sessions" / "b.session", playing(2, 30), 10)
    return PupilSide(tmp_path / "home")


def words_in(html):
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def take_in(desk, key, data, **fields):
    return desk.post(f"/pupil/{key}/bundle/take-in", data=fields, files={"bundle": ("a.fingerlead", data)})


def test_who_asked_comes_first_with_the_question_until_it_is_answered(desk, key):
    folder = desk.studio.of(key)
    (bea,) = (pupil.key for pupil in desk.studio.pupils() if pupil.name == "Bea")
    asked = questions.ask(desk.studio.of(bea), Question("", "", f"Why? {HOSTILE}", "low-g-b"), DAY)
    first = needs(desk.studio, TODAY)[0]
    assert (first.glance.pupil.name, first.reason, first.group) == (
        "Bea", "asked", "needs you",
    )  # fmt: skip
    page = desk.get("/").text
    assert HOSTILE not in page
    assert f"Asked you something: “Why? {HOSTILE}”" in words_in(page).replace("”.", "”")
    page = desk.get(f"/pupil/{bea}").text
    assert HOSTILE not in page
    assert f"Why? {HOSTILE}" in words_in(page)
    form = {
        "question": asked.id,
        "text": "Like so.",
        "id": re.search(r'name="question".*?name="id" value="(\w+)"', page)[1],
    }
    for _ in range(2):  # sent once more because no answer came
        assert "Like so." in desk.post(f"/pupil/{bea}/answer", data=form).text
    assert [each.text for each in questions.replies(desk.studio.of(bea))] == ["Like so."]
    assert "Asked you something" not in desk.get("/").text
    assert questions.questions(folder) == []


@pytest.mark.parametrize(
    ("form", "sentence"),
    [({"text": "x"}, "a question that is answered"), ({"question": "0" * 12, "text": "x"}, "a question of this pupil")],
)
def test_an_answer_to_nothing_is_refused(desk, key, form, sentence):
    answer = desk.post(f"/pupil/{key}/answer", data=form)
    assert (answer.status_code, sentence in answer.text) == (400, True)


def test_a_passage_that_is_pasted_lands_with_its_pupil_is_heard_and_answered(desk, key):
    (session,) = desk.studio.index.sessions(key)
    page = desk.get(f"/session/{session.digest}/message", params={"first": 2, "last": 6}).text
    message = unescape(re.search(r"<textarea[^>]*>([^<]*)</textarea>", page)[1])
    opened = desk.post("/message", data={"text": f"Ann, 10:32\n{message}"})
    assert "Whose passage is it?" in opened.text
    (number,) = re.findall(r'action="/message/(\w+)/keep"', opened.text)
    assert desk.post(f"/message/{number}/keep", data={}).status_code == 400
    for _ in range(2):
        page = desk.post(f"/message/{number}/keep", data={"key": key}).text
    (kept,) = questions.questions(desk.studio.of(key))
    assert decode_passage(kept.passage) == decode_passage(message)
    assert "Sent you a passage" in desk.get("/").text
    heard = desk.get(f"/pupil/{key}/passage/{kept.id}")
    again = desk.get(heard.json()["next"]) if heard.headers["content-type"] == "application/json" else heard
    assert 'id="player"' in again.text
    assert desk.get(f"/pupil/{key}/passage/000000000000").status_code == 400
    assert "Good." in desk.post(f"/pupil/{key}/answer", data={"question": kept.id, "text": "Good."}).text


def test_a_passage_that_is_too_long_for_one_message_goes_in_several(desk, tmp_path):
    key = desk.studio.add("Longer").key
    desk.studio.take_in(key, write(tmp_path / "long.session", playing(3, 120, "trembling"), 4))
    (session,) = desk.studio.index.sessions(key)
    page = desk.get(f"/session/{session.digest}/message", params={"first": 1, "last": 110}).text
    parts = [unescape(part) for part in re.findall(r"<textarea[^>]*>([^<]*)</textarea>", page)]
    assert f"The message, 1 of {len(parts)}" in page
    assert len(parts) > 1
    assert "A passage" in desk.post("/message", data={"text": "\n".join(parts[::-1])}).text
    missing = desk.post("/message", data={"text": "\n".join(parts[1:])})
    assert (missing.status_code, f"Paste 1 of {len(parts)} too" in missing.text) == (400, True)


def test_bundles_go_to_and_fro_with_the_words_that_are_read_out_once(desk, key, home, tmp_path):
    home.ask("Is this right?", DAY, "low-g-b")
    first, before = home.make(DAY, "Ailsa").data, questions.questions(desk.studio.of(key))
    page = desk.get(f"/pupil/{key}").text
    assert "The first bundle comes from the pupil" in page
    assert desk.get(f"/pupil/{key}/bundle").status_code == 400
    own = key_words(TeacherSide(desk.studio).key().public)
    assert own in page
    for words, sentence in (("", "not known here yet"), (own, "not the words of the key"), ("acorn", "8 words; got 1")):
        refused = take_in(desk, key, first, words=words)
        assert (refused.status_code, sentence in refused.text) == (400, True)
    assert questions.questions(desk.studio.of(key)) == before
    taken = take_in(desk, key, first, words=key_words(home.key().public))
    assert "Taken in: 1 session and 1 question." in taken.text
    assert "Is this right?" in taken.text
    assert "was taken in already" in take_in(desk, key, first).text
    assert len(desk.studio.index.sessions(key)) == 2

    (asked,) = questions.questions(desk.studio.of(key))
    desk.post(f"/pupil/{key}/answer", data={"question": asked.id, "text": "It is."})
    (session, *_) = desk.studio.index.sessions(key)
    sent = {"first": "2", "last": "6", "text": "Hear this"}
    assert "Hear this" in desk.post(f"/session/{session.digest}/passage", data=sent).text
    model = write(tmp_path / "mine.session", playing(9), 4).read_bytes()
    answer = desk.post(f"/pupil/{key}/bundle/take-in/model", files={"model": ("m.session", model)})
    assert "goes with the next bundle" in answer.text
    assert desk.post(f"/pupil/{key}/bundle/take-in/model", files={"model": ("m", b"x")}).status_code == 400
    back = desk.get(f"/pupil/{key}/bundle")
    assert back.headers["content-type"] == "application/octet-stream"
    assert unpack(back.content).name == ""
    told = home.take_in(back.content, DAY, own)
    assert told.sentence == "Taken in: 2 answers and 1 model take."
    assert [each.text for each in questions.replies(home.folder)] == ["It is.", "Hear this"]


def test_a_file_that_is_none_or_of_another_is_refused_in_a_sentence(desk, key, home):
    assert desk.post(f"/pupil/{key}/bundle/take-in", data={}).status_code == 400
    for data in (b"", b"hello", b"\0" * 100_000):
        answer = take_in(desk, key, data, words="")
        assert (answer.status_code, answer.text.startswith("expected ")) == (400, True)
    (bea,) = (pupil.key for pupil in desk.studio.pupils() if pupil.name == "Bea")
    bundle = home.make(DAY).data
    take_in(desk, key, bundle, words=key_words(home.key().public))
    assert "signed by Ailsa" in take_in(desk, bea, bundle).text
    assert take_in(desk, "0" * 12, bundle).status_code == 400
