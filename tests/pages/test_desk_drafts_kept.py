"""Drafts that the desk keeps from one run to the next: of one studio, bounded, and gone with their pupil."""

from __future__ import annotations

import os
from datetime import date

import pytest

from fingerlead.faces.pages.desk import drafts
from fingerlead.faces.pages.desk.drafts import Drafts
from fingerlead.faces.pages.desk.routes import Desk
from fingerlead.store.files import own_folder
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.studio import Studio
from tests.full_disk import full_disk

testclient = pytest.importorskip("starlette.testclient", reason="needs httpx")


@pytest.fixture
def studio(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        yield studio


def client(studio):
    return testclient.TestClient(Desk(studio, lambda: date(2026, 9, 20)).app().inside)


def test_drafts_are_kept_for_the_next_run_of_the_same_studio_alone(studio, tmp_path):
    for text in ("first", "🎵 second"):
        assert client(studio).post("/drafts", data={"key": "a", "text": text}).status_code == 204
    assert client(studio).get("/drafts.json").json() == {"a": "🎵 second"}
    assert Drafts(tmp_path / "other").kept == {}
    client(studio).post("/drafts", data={"key": "a", "text": ""})
    assert client(studio).get("/drafts.json").json() == {}


def test_drafts_are_their_owners_alone(studio):
    Drafts(studio.folder).put("a", "x")
    files = list((own_folder() / "drafts").rglob("*"))
    assert files
    assert all(path.stat().st_mode & 0o077 == 0 for path in files)


def test_with_a_pupil_their_drafts_go(studio):
    key, other = studio.add("Ailsa").key, studio.add("Bea").key
    at_desk = client(studio)
    many = f'{{"at":1,"pupil":"","pairs":[["for","{key}"],["for","{other}"],["note","slowly"]]}}'
    at_desk.post("/drafts", data={"key": "/homework", "text": many})
    for name, text in ((f"/pupil/{key}", "x"), ("/session/d", f'{{"pupil":"{key}"}}'), (f"/pupil/{other}", "y")):
        at_desk.post("/drafts", data={"key": name, "text": text})
    assert at_desk.post(f"/pupil/{key}/delete", data={"name": "Ailsa"}).status_code == 200
    assert client(studio).get("/drafts.json").json() == {f"/pupil/{other}": "y", "/homework": many}


def test_too_much_is_refused_and_what_was_kept_stays(studio, monkeypatch):
    monkeypatch.setattr(drafts, "MOST_DRAFTS", 2)
    kept = Drafts(studio.folder)
    for key in ("a", "b", "a"):
        kept.put(key, "x")
    for key, text in (("c", "x"), ("k" * 301, "x"), ("a", "x" * (drafts.LONGEST_DRAFT + 1))):
        with pytest.raises(StudioError, match="expected at most 2 drafts"):
            kept.put(key, text)
    with full_disk(), pytest.raises(OSError, match="large"):
        kept.put("a", "y" * 10_000)
    assert Drafts(studio.folder).kept == {"a": "x", "b": "x"}


def test_two_desks_of_one_studio_keep_the_drafts_of_both(studio):
    one, other = Drafts(studio.folder), Drafts(studio.folder)
    one.put("a", "x")
    other.put("b", "y")
    one.put("c", "z")
    assert Drafts(studio.folder).kept == {"a": "x", "b": "y", "c": "z"}
    one.put("b", "")
    assert other.kept == {"a": "x", "c": "z"}


def test_drafts_that_would_not_be_read_again_are_refused(studio, monkeypatch):
    kept = Drafts(studio.folder)
    kept.put("a", "x")
    monkeypatch.setattr(drafts, "GREATEST_FILE", 1 << 20)
    with pytest.raises(StudioError, match="at most 1 MB in all"):
        kept.put("b", "\N{MUSICAL SYMBOL G CLEF}" * 100_000)
    assert Drafts(studio.folder).kept == {"a": "x"}


@pytest.mark.parametrize("data", [b"", b"[1]", b"[" * 50_000, b'{"a": 1, "b": "x"}', b"\xff", b'{"c": "\\ud800"}'])
def test_what_another_program_put_there_holds_nothing_up(studio, data):
    Drafts(studio.folder).put("a", "x")
    (path,) = (own_folder() / "drafts").glob("*.json")
    path.write_bytes(data)
    kept = Drafts(studio.folder)
    assert kept.kept == ({"b": "x"} if b"b" in data else {"c": "?"} if b"c" in data else {})
    assert client(studio).get("/drafts.json").status_code == 200
    kept.put("a", "y")
    assert Drafts(studio.folder).kept["a"] == "y"


@pytest.fixture(autouse=True)
def no_drafts_of_others(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


def test_drafts_of_the_studios_seen_last_are_kept(studio, tmp_path):
    Drafts(studio.folder).put("a", "x")
    for number in range(drafts.MOST_STUDIOS + 3):
        Drafts(tmp_path / f"{number}").put("a", f"{number}")
        os.utime(Drafts(tmp_path / f"{number}")._path, (number, number))
    # That of the one that is opened stays, however old the file of its drafts is.
    os.utime(Drafts(studio.folder)._path, (0, 0))
    assert Drafts(studio.folder).kept == {"a": "x"}
    assert len(list((own_folder() / "drafts").glob("*.json"))) == drafts.MOST_STUDIOS
    assert Drafts(tmp_path / "0").kept == {}
    assert Drafts(tmp_path / f"{drafts.MOST_STUDIOS + 2}").kept == {"a": f"{drafts.MOST_STUDIOS + 2}"}
