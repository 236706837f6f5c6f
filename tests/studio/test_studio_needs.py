"""Who needs the teacher first, from rows of an index that say what each pupil played."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from fingerlead.store.practice_log import open_progress
from fingerlead.studio.homework import give
from fingerlead.studio.index import IndexedSession
from fingerlead.studio.names import named, signs
from fingerlead.studio.needs import REASONS, needs
from fingerlead.studio.overview import lots_since, span_of, worth_work
from fingerlead.studio.pupils import Pupil
from fingerlead.studio.studio import Studio
from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.progress import Tally

TODAY = date(2026, 9, 20)
LESSON = "2026-09-10"


@pytest.fixture
def studio(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        yield studio


def day(number: int) -> str:
    return (date.fromisoformat(LESSON) + timedelta(days=number)).isoformat()


def pupil(studio, name: str, evenings=(), lesson: str = LESSON, rungs=()) -> str:
    """A pupil who went astray so often of twenty of one change on these evenings, by their days after the lesson."""
    key = studio.add(name).key
    studio.change(key, lesson=lesson)
    for number, astray in evenings:
        session = IndexedSession(
            f"{key}{number + 50:020}", key, f"{day(number)}T18:00:00+00:00", 60_000_000, rungs=rungs
        )
        studio.index.put(session, [Tally(0, 2, plain=20, strays_us=(30_000,) * astray)])
    return key


def clean(count: int = 6):
    return [(number, 0) for number in range(-count, count)]


def by_name(studio) -> dict[str, str]:
    return {need.glance.pupil.name: need.reason for need in needs(studio, TODAY)}


def test_pupils_stand_in_one_order_by_one_reason_each(studio):
    pupil(studio, "Never played")
    pupil(studio, "Away long", [(-40, 0)])
    pupil(studio, "Away lately", [(-3, 19)])
    pupil(studio, "Well", clean())
    pupil(studio, "Some work", [(number, 7) for number in range(-6, 6)])
    pupil(studio, "Much work", [(number, 15) for number in range(-6, 6)])
    pupil(studio, "Worse", [(number, 1 if number < 0 else 18) for number in range(-8, 8)])
    for name, due in (("Due later", day(9)), ("Due", day(8))):
        give(studio.of(pupil(studio, name, clean())), ["low-g-b"], date.fromisoformat(LESSON), due)
    unread = pupil(studio, "Unread", clean())
    studio.index.put(IndexedSession("f" * 32, unread, "", problem="expected a session"), [])
    found = by_name(studio)
    assert list(found) == [
        "Worse", "Due", "Due later", "Much work", "Some work", "Unread", "Well", "Away lately", "Away long",
        "Never played",
    ]  # fmt: skip
    assert sorted(found.values(), key=REASONS.index) == list(found.values())
    last = {need.glance.pupil.name: need.last for need in needs(studio, TODAY)}
    assert (last["Away long"], last["Never played"], last["Well"]) == (day(-40), None, day(5))


@pytest.mark.parametrize(
    ("due", "reason"), [(2, "untouched"), (10, "untouched"), (11, "untouched"), (12, "well"), (None, "well")]
)
def test_homework_asks_for_the_teacher_from_the_evening_before_it_is_due(studio, due, reason):
    key = pupil(studio, "Ailsa", clean())
    give(studio.of(key), ["low-g-b"], date.fromisoformat(LESSON), "" if due is None else day(due))
    assert by_name(studio) == {"Ailsa": reason}


def test_homework_that_was_practised_or_became_clean_asks_for_nothing(studio):
    tried = pupil(studio, "Tried", clean(), rungs=("low-g-b",))
    done = pupil(studio, "Done", clean())
    for key in (tried, done):
        give(studio.of(key), ["low-g-b"], date.fromisoformat(LESSON), day(9))
    assert by_name(studio) == {"Done": "untouched", "Tried": "well"}
    progress = open_progress(studio.of(done) / "practice")
    progress.rung_passed(date.fromisoformat(day(4)), "low-g-b")
    progress.keep()
    assert by_name(studio) == {"Done": "well", "Tried": "well"}


@pytest.mark.parametrize("file", ["homework.jsonl", "lessons.jsonl", "practice"])
def test_a_folder_that_is_refused_keeps_no_other_pupil_from_being_seen(studio, tmp_path, file):
    linked, whole = (pupil(studio, name, clean()) for name in ("Linked", "Whole"))
    for key in (linked, whole):
        give(studio.of(key), ["low-g-b"], date.fromisoformat(LESSON), day(9))
    (studio.folder / "pupils" / linked / file).unlink(missing_ok=True)
    (studio.folder / "pupils" / linked / file).symlink_to(tmp_path / "elsewhere")
    assert by_name(studio) == {"Whole": "untouched", "Linked": "well"}


def test_a_session_of_a_clock_that_is_a_year_ahead_is_not_when_a_pupil_last_played(studio):
    pupil(studio, "Ailsa", [(-60, 0), (365, 0)])
    (need,) = needs(studio, TODAY)
    assert need.last == day(-60)


def test_what_comes_first_is_the_same_in_a_glance_and_among_all_that_is_worth_work(studio):
    key = pupil(studio, "Ailsa", [(number, 9) for number in range(-6, 6)])
    movement = MovementSummary("grip", 4)
    movement.verdicts.update({"as written": 2, "with a fault": 18})
    session = IndexedSession("e" * 32, key, f"{day(3)}T20:00:00+00:00", 60_000_000)
    studio.index.put(session, [Tally(0, 3, plain=40, strays_us=(50_000,) * 30)], [movement])
    (need,) = needs(studio, TODAY)
    first, second = worth_work(lots_since(studio.index, key, span_of(LESSON, TODAY)))[:2]
    assert (first, second.key) == (need.glance.first, (0, 3))


def test_a_name_is_found_however_it_is_written():
    pupils = [Pupil(key, name, chanter=chanter) for key, name, chanter in (
        ("a", "Síle NicDhòmhnaill", ""), ("b", "Bea", "the blue one"), ("c", "STRASSER", ""), ("d", "Straßer", "")
    )]  # fmt: skip
    for wanted, found in (
        ("sile", {"a"}), ("NICDHOMH  síle", {"a"}), ("blue", {"b"}), ("strasser", {"c", "d"}),
        ("", {"a", "b", "c", "d"}), ("x" * 10_000, set()), ("\u202e", {"a", "b", "c", "d"}), (".*", set()),
    ):  # fmt: skip
        assert named(pupils, wanted) == found, wanted


def test_two_of_one_name_are_told_apart_by_as_little_as_does():
    def told(*pupils, played=None):
        return list(signs(pupils, played or {}).values())

    a, b = Pupil("aaaa00000000", "Bea"), Pupil("aaaa00000001", "bea")
    assert told(a, Pupil("c", "Cat")) == []
    assert told(a, Pupil("b", "Béa", "right")) == ["left hand on top", "right hand on top"]
    assert told(Pupil("a", "Bea", chanter="blue"), Pupil("b", "Bea", chanter="red")) == ["blue", "red"]
    assert told(a, b, played={a.key: ("2026-03-01", ""), b.key: ("2026-04-02", "")}) == [
        "since 1 March 2026",
        "since 2 April 2026",
    ]
    assert told(a, b, played={a.key: ("2026-03-01", "")}) == [a.key, b.key]
    assert told(a, Pupil("bbbb00000000", "Bea")) == ["aaaa", "bbbb"]
