"""Lessons and homework on disk: what stands whatever the order of the lines, older files, and hostile ones."""

from __future__ import annotations

import json
import random
from datetime import date, timedelta

import pytest

from fingerlead.faces.report.learner import learner_in
from fingerlead.studio import pupils
from fingerlead.studio.homework import all_set, checked, give, keep, pieces, put_back, take_off
from fingerlead.studio.lessons import lessons, take_back, taken_back, write_down
from fingerlead.studio.overview import DAYS_BEFORE, glances
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.saves import StaleError
from fingerlead.studio.studio import Studio

TODAY = date(2026, 9, 20)


@pytest.fixture
def studio(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        yield studio


@pytest.fixture
def folder(studio):
    return studio.of(studio.add("Ailsa").key)


def shuffled(path, seed: int) -> None:
    """The lines of a file in another order, some of them twice, as when two copies of it were put together."""
    lines = path.read_text().splitlines()
    lot = random.Random(seed)
    lines += lot.sample(lines, len(lines) // 2)
    lot.shuffle(lines)
    path.write_text("".join(f"{line}\n" for line in lines))


def standing(folder) -> list[str]:
    return [piece.key for piece in pieces(folder)[0]]


def test_a_piece_stands_until_it_is_taken_off_and_comes_back_as_it_was(folder):
    give(folder, ["low-g-b", "c-d"], date(2026, 9, 1), "2026-09-08", "slowly")
    give(folder, ["c-d", "heron"], date(2026, 9, 8), note="ten minutes")
    assert {piece.key: piece.of.day for piece in pieces(folder)[0]} == {
        "c-d": "2026-09-08", "heron": "2026-09-08", "low-g-b": "2026-09-01"
    }  # fmt: skip
    take_off(folder, "c-d")
    assert standing(folder) == ["heron", "low-g-b"]
    with pytest.raises(StudioError, match="taken off already"):
        take_off(folder, "c-d")
    put_back(folder, "c-d")
    (back,) = (piece for piece in pieces(folder)[0] if piece.key == "c-d")
    assert (back.of.day, back.of.note, back.of.pieces) == ("2026-09-08", "ten minutes", ("c-d",))
    with pytest.raises(StudioError, match="this one stands"):
        put_back(folder, "c-d")


def test_of_older_homework_the_last_alone_stands_and_all_is_kept(folder):
    rows = [{"day": f"2026-08-0{n}", "rungs": [rung], "tunes": ["heron"]} for n, rung in enumerate(("a", "b"), 1)]
    (folder / "homework.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows))
    give(folder, ["c-d"], TODAY)
    assert standing(folder) == ["c-d", "b", "heron"]
    assert [each.pieces for each in all_set(folder)] == [("c-d",), ("b", "heron"), ("a", "heron")]
    take_off(folder, "heron")
    assert standing(folder) == ["c-d", "b"]


@pytest.mark.parametrize("seed", range(8))
def test_the_order_of_the_lines_says_nothing(folder, seed):
    lot = random.Random(seed)
    for day in range(1, 20):
        give(folder, lot.sample(["a", "b", "c", "d", "e"], 2), date(2026, 9, day))
        write_down(folder, f"2026-09-{day:02}", f"note {day}", TODAY)
        gone = lot.choice(standing(folder))
        take_off(folder, gone)
        if lot.random() < 0.5:
            put_back(folder, gone)
        lesson = lot.choice(lessons(folder))
        if lot.random() < 0.3:
            take_back(folder, lesson.id)
        elif lot.random() < 0.5:
            write_down(folder, lesson.day, "changed", TODAY, lesson.id)
    stood = {(piece.key, piece.of.day) for piece in pieces(folder)[0]}, lessons(folder), taken_back(folder)
    for file in ("homework.jsonl", "lessons.jsonl"):
        shuffled(folder / file, seed)
    assert ({(piece.key, piece.of.day) for piece in pieces(folder)[0]}, lessons(folder), taken_back(folder)) == stood


def test_a_lesson_changed_in_two_copies_stands_twice(folder):
    first = write_down(folder, "2026-09-01", "the birl", TODAY)
    file = folder / "lessons.jsonl"
    before = file.read_bytes()
    write_down(folder, "2026-09-01", "the birl at last", TODAY, first.id)
    one = file.read_bytes()
    file.write_bytes(before)
    write_down(folder, "2026-09-01", "the birl, nearly", TODAY, first.id)
    file.write_bytes(one + file.read_bytes())
    assert {lesson.note for lesson in lessons(folder)} == {"the birl at last", "the birl, nearly"}


def test_the_one_day_and_note_of_an_older_pupil_are_taken_over(studio, folder):
    studio.change(folder.name, lesson="2026-08-30", note="likes the heron tune")
    (first,) = lessons(folder)
    assert (first.day, studio.pupil(folder.name).note) == ("2026-08-30", "likes the heron tune")
    write_down(folder, "2026-09-06", "birls", TODAY)
    assert [lesson.day for lesson in lessons(folder)] == ["2026-09-06", "2026-08-30"]
    assert studio.pupil(folder.name).lesson == "2026-09-06"
    # A name that is changed leaves the lessons as they are.
    studio.change(folder.name, name="Ailsa B.")
    take_back(folder, lessons(folder)[0].id)
    assert studio.pupil(folder.name).lesson == "2026-08-30"
    write_down(folder, "2026-08-29", "it was a Saturday", TODAY, first.id)
    assert [lesson.day for lesson in lessons(folder)] == ["2026-08-29"]
    assert json.loads((folder / "pupil.json").read_text())["lesson"] == "2026-08-30"


def test_on_the_day_of_a_lesson_desk_and_report_tell_since_the_one_before(studio, folder):
    def since(today: date) -> set[str]:
        (glance,) = glances(studio.index, [studio.pupil(folder.name)], today)
        return {glance.since, learner_in(folder, today, "", lambda _: None).since}

    no_lesson = {(TODAY - timedelta(days=DAYS_BEFORE)).isoformat()}
    assert since(TODAY) == no_lesson
    write_down(folder, TODAY.isoformat(), "the first of all", TODAY)
    assert since(TODAY) == no_lesson
    write_down(folder, "2026-09-06", "", TODAY)
    write_down(folder, TODAY.isoformat(), "one thing more", TODAY)
    assert since(TODAY) == {"2026-09-06"}
    assert since(TODAY + timedelta(days=1)) == {TODAY.isoformat()}
    studio.change(folder.name, note="only what is known is written")
    assert "lesson_before" not in (folder / "pupil.json").read_text()


def test_hostile_lines_become_plain_ones(folder):
    lines = [
        {"day": "tomorrow", "rungs": ["a\u202e", "a", "\ud800", 7, "x" * 5_000], "note": "n" * 9_000, "due": 7},
        {"day": "0001-01-01", "rungs": [f"r{n}" for n in range(5_000)], "tunes": None, "id": "../../x"},
        {"id": "0" * 12, "day": "2026-09-01", "pieces": "low-g-b", "due": "<b>"},
        {"off": "everything", "piece": ["a"]},
        {"off": [7, None, {}], "piece": "a"},
    ]
    (folder / "homework.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines) + "\x00[1]\n{\n")
    known, far, odd = all_set(folder)
    assert (known.id, known.pieces, known.due) == ("0" * 12, (), "")
    assert (far.day, len(far.pieces)) == ("", pupils.MOST_KEYS)
    assert (odd.pieces, odd.due, len(odd.note)) == (("a", "x" * pupils.LONGEST_KEY), "", pupils.LONGEST_REMARK)
    days = ["9999-12-31", "x", 5, None, "2026-09-01", "2026-09-01T10:00"]
    told = [{"id": f"{n:012x}", "day": day, "note": "\u202eok" * 5_000} for n, day in enumerate(days)]
    told += [{**told[4], "id": "../../x"}, {"id": [], "taken_back": True}, {"id": "a" * 12, "instead_of": {"x": 1}}]
    (folder / "lessons.jsonl").write_text("".join(json.dumps(line) + "\n" for line in told))
    (only,) = lessons(folder)
    assert (only.day, len(only.note), "\u202e" in only.note) == ("2026-09-01", pupils.LONGEST_NOTE, False)


@pytest.mark.parametrize(
    ("told", "named"),
    [
        ((["a"], TODAY, "2026-09-19"), "from today"),
        ((["a"], TODAY, "2027-09-22"), "from today"),
        ((["a"], TODAY, "never"), "expected a day"),
        (([" ", "\u202e"], TODAY), "at least one"),
        ((["a"], TODAY, "", "x" * 100_000), "100000"),
    ],
)
def test_homework_that_is_none_leaves_no_line(folder, told, named):
    with pytest.raises(StudioError, match=named):
        give(folder, *told)
    assert not (folder / "homework.jsonl").exists()


def test_what_is_sent_once_more_because_no_answer_came_is_there_once(folder):
    id = pupils.new_key()
    for note in ("birls", "birls", "birls and grips"):
        write_down(folder, "2026-09-01", note, TODAY, id=id)
        keep(folder, checked(["low-g-b"], TODAY, note=note, id=id))
    assert sorted(lesson.note for lesson in lessons(folder)) == ["birls", "birls and grips"]
    assert sorted(each.note for each in all_set(folder)) == ["birls", "birls and grips"]
    changed = write_down(folder, "2026-09-02", "grips", TODAY, id, pupils.new_key())
    assert write_down(folder, "2026-09-02", "grips", TODAY, id, changed.id) == changed
    assert write_down(folder, "2026-09-03", "x", TODAY, id="../../etc").id != "../../etc"


def test_a_change_of_a_lesson_that_was_changed_since_is_merged_or_asked(folder):
    first = write_down(folder, "2026-09-01", "birls", TODAY)
    write_down(folder, "2026-09-01", "birls, better", TODAY, first.id)
    # Only its day was changed here: the note is the other page's.
    write_down(folder, "2026-09-02", "birls", TODAY, first.id)
    (stands,) = lessons(folder)
    assert (stands.day, stands.note) == ("2026-09-02", "birls, better")
    with pytest.raises(StaleError) as stale:
        write_down(folder, "2026-09-01", "birls, worse", TODAY, first.id)
    merged = stale.value.merged
    assert (merged.clashes, merged.stored["note"], merged.fields["note"]) == (
        ("note",),
        "birls, better",
        "birls, worse",
    )
    assert stale.value.hidden == {"instead_of": stands.id}
    assert lessons(folder) == [stands]
    write_down(folder, merged.fields["day"], "both", TODAY, stands.id)
    assert [(lesson.day, lesson.note) for lesson in lessons(folder)] == [("2026-09-02", "both")]
    take_back(folder, lessons(folder)[0].id)
    with pytest.raises(StudioError, match="taken back since"):
        write_down(folder, "2026-09-01", "birls, worse", TODAY, first.id)


def test_a_link_is_not_written_through(studio, folder, tmp_path):
    (folder / "lessons.jsonl").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(StudioError, match=r"lessons\.jsonl is a link"):
        studio.of(folder.name)
