"""What was practised: the file tells what memory knows, two programs share it, and nothing in it is taken on trust."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.movements import LONGEST_NAME, MovementError, own_repertoire
from fingerlead.store.files import LineError, append_line
from fingerlead.store.practice_log import (
    FEWEST,
    FILE,
    SCHEMA,
    NotKept,
    Passing,
    Progress,
    Week,
    open_progress,
    passed_days,
    read_line,
    to_line,
)

DAY = date(2026, 11, 25)
NEXT = DAY + timedelta(days=1)

days = st.dates(date(2020, 1, 1), date(2040, 1, 1))
changes = st.tuples(st.integers(0, 8), st.integers(0, 8)).filter(lambda pair: pair[0] != pair[1])
outcomes = st.sampled_from(["clean", "stray", "apart", "false fingering"])
deeds = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(["passed", "left"]), days, st.sampled_from(["low-a-b", "c-d", "é-7"])),
        st.tuples(st.just("played"), days, st.integers(1, 10**9)),
        st.tuples(st.just("change"), days, changes, outcomes),
        st.tuples(st.just("other after all"), st.integers(0, 9), outcomes),
        st.tuples(st.just("note"), days, st.integers(0, 8), st.booleans()),
        st.just(("keep",)),
    ),
    max_size=40,
)


def do(progress: Progress, deed: tuple) -> None:
    if deed[0] == "passed":
        progress.rung_passed(*deed[1:])
    elif deed[0] == "played":
        progress.note_played(*deed[1:])
    elif deed[0] == "left":
        progress.rung_left(*deed[1:])
    elif deed[0] == "change":
        progress.change_played(*deed[1:])
    elif deed[0] == "note":
        progress.note_read(*deed[1:])
    else:
        progress.keep()


def do_all(progress: Progress, done: list[tuple]) -> list[tuple]:
    """Carry out deeds; the changes that were played, as each was in the end."""
    played = []
    for deed in done:
        if deed[0] != "other after all":
            do(progress, deed)
            played += [deed[1:]] if deed[0] == "change" else []
        elif deed[1] < len(played):
            day, change, _ = was = played[-1 - deed[1]]
            progress.change_taken_back(*was)
            progress.change_played(day, change, deed[2])
            played[-1 - deed[1]] = day, change, deed[2]
    return played


@settings(deadline=None)
@given(deeds)
def test_what_is_read_back_is_what_was_known(tmp_path_factory, done):
    folder = tmp_path_factory.mktemp("practised")
    progress = open_progress(folder)
    played = do_all(progress, done)
    progress.keep()
    again = open_progress(folder)
    assert again == progress
    assert passed_days(folder) == progress.passed_days()
    counted = {(change, day): counts for change, by_day in again._changes.items() for day, counts in by_day.items()}
    assert counted.keys() == {(change, day) for day, change, _ in played}
    for (change, day), counts in counted.items():
        outcomes = Counter(outcome for on, which, outcome in played if (which, on) == (change, day))
        assert counts.tried == outcomes.total()
        kinds = ("clean", "stray", "apart")
        assert [getattr(counts, kind) for kind in kinds] == [outcomes[kind] for kind in kinds]
    assert not again.remarks
    assert again.weakest() == progress.weakest()
    assert [again.help_for(note) for note in range(9)] == [progress.help_for(note) for note in range(9)]
    before = (folder / FILE).read_bytes() if (folder / FILE).exists() else b""
    progress.keep()
    assert ((folder / FILE).read_bytes() if (folder / FILE).exists() else b"") == before  # nothing is written twice


@settings(deadline=None)
@given(deeds, deeds)
def test_two_programs_add_to_one_file(tmp_path_factory, done, also_done):
    folder = tmp_path_factory.mktemp("practised")
    one, other = open_progress(folder), open_progress(folder)
    for deed in [deed for pair in zip(done, also_done, strict=False) for deed in pair]:
        if deed[0] != "other after all":
            do(one if deed in done else other, deed)
    one.keep()
    other.keep()
    both = open_progress(folder)
    assert not both.remarks

    def tried(progress: Progress) -> int:
        return sum(counts.tried for by_day in progress._changes.values() for counts in by_day.values())

    assert tried(both) == tried(one) + tried(other)


def test_more_is_never_taken_back_than_was_counted(tmp_path):
    progress = open_progress(tmp_path)
    progress.change_played(DAY, (1, 2), "clean")
    progress.keep()
    for tried, clean in ((2, 1), (1, 0)):
        counts = {"tried": tried, "clean": clean, "stray": 0, "apart": 0}
        line = {"schema": SCHEMA, "kind": "taken back", "day": DAY.isoformat(), "changes": {"low A to B": counts}}
        append_line(tmp_path / FILE, line)
    again = open_progress(tmp_path)
    assert [remark.partition(": ")[2] for remark in again.remarks] == [
        "expected no more of low A to B taken back than was counted; it is passed over"
    ] * 2
    assert again == progress


def test_two_processes_write_at_once_and_no_line_is_lost(tmp_path):
    program = (
        "import sys; from datetime import date; from pathlib import Path; from fingerlead.store.practice_log import *\n"
        "p = open_progress(Path(sys.argv[1]))\n"
        "for n in range(60):\n    p.change_played(date(2026, 11, 25), (1, 2), 'clean'); p.keep()\n"
    )
    running = [subprocess.Popen([sys.executable, "-c", program, str(tmp_path)]) for _ in range(2)]
    assert [process.wait(60) for process in running] == [0, 0]
    progress = open_progress(tmp_path)
    assert not progress.remarks
    assert progress._changes[1, 2][DAY].clean == 120


def test_a_rung_is_passed_on_one_day_and_confirmed_on_a_later_one():
    progress = Progress()
    assert progress.state("c-d", DAY) == "open"
    progress.rung_passed(DAY, "c-d")
    progress.rung_passed(DAY, "c-d")  # more of the same day confirms nothing
    assert progress.state("c-d", DAY) == "passed"
    assert progress.due(DAY) == ()
    # A clock that was set back, too.
    progress.rung_passed(DAY - timedelta(days=1), "c-d")
    assert progress.state("c-d", DAY - timedelta(days=1)) == "passed"
    assert progress.state("c-d", NEXT) == "due"
    assert progress.due(NEXT) == ("c-d",)
    progress.rung_passed(NEXT, "c-d")
    assert progress.state("c-d", NEXT) == "confirmed"
    assert progress.due(NEXT + timedelta(days=100)) == ()


def test_the_days_on_which_a_rung_was_passed_are_read_whatever_else_a_file_says(tmp_path):
    progress = open_progress(tmp_path)
    for day in (3, 3, 5, 9):
        progress.rung_passed(date(2026, 9, day), "c-d")
    progress.rung_left(date(2026, 9, 4), "d-e")
    progress.change_played(date(2026, 9, 4), (0, 2), "clean")
    progress.keep()
    with (tmp_path / FILE).open("ab") as file:
        file.write(b'{"kind": "passed"}\n"passed"\n\xff"passed"\n')
    assert passed_days(tmp_path) == {"c-d": (date(2026, 9, 3), date(2026, 9, 5))}
    assert passed_days(tmp_path / "none") == {}


def test_a_rung_that_was_left_stays_marked_until_it_is_passed(tmp_path):
    progress = open_progress(tmp_path)
    progress.rung_left(DAY, "c-d")
    progress.keep()
    assert [one.state("c-d", NEXT) for one in (progress, open_progress(tmp_path))] == ["unclean"] * 2
    assert progress.passed() == frozenset()
    assert progress.due(NEXT) == ()
    progress.rung_passed(NEXT, "c-d")
    progress.rung_left(NEXT, "c-d")
    assert progress.state("c-d", NEXT) == "passed"


@pytest.mark.parametrize(
    ("rows", "state"),
    [
        ([], "open"),
        ([(DAY, 1)], "open"),
        ([(DAY, 1), (DAY, 2)], "due"),
        ([(DAY, 1), (NEXT, 2)], "passed"),
        ([(DAY, 1), (DAY, 2), (NEXT, 1)], "due"),
        ([(DAY, 1), (DAY, 2), (NEXT, 1), (NEXT, 2)], "confirmed"),
    ],
)
def test_an_older_file_with_two_rows_to_pass_means_the_same(tmp_path, rows, state):
    for day, row in rows:
        append_line(tmp_path / FILE, to_line(Passing(day, "c-d", row)))
    progress = open_progress(tmp_path)
    assert not progress.remarks
    assert progress.state("c-d", NEXT) == state


def test_a_week_is_what_became_clean_what_came_back_and_how_long_was_played(tmp_path):
    progress = open_progress(tmp_path)
    for back, key in ((8, "old"), (7, "c-d"), (6, "low-g"), (0, "low-a-b")):
        progress.rung_passed(NEXT - timedelta(days=back), key)
        progress.note_played(NEXT - timedelta(days=back), 60_000_000)
    progress.rung_passed(NEXT, "c-d")
    progress.keep()
    for known in (progress, open_progress(tmp_path)):
        assert known.week(NEXT) == Week(120_000_000, ("low-g", "low-a-b"), ("c-d",))
        assert known.week(NEXT + timedelta(days=30)) == Week(0, (), ())


def test_the_weakest_come_first_and_old_days_fade():
    progress = Progress()
    for number in range(10):
        progress.change_played(DAY, (0, 2), "stray" if number < 5 else "clean")
        progress.change_played(DAY, (2, 0), "clean")
        progress.change_played(DAY, (3, 5), "stray" if number < 8 else "clean")
    for _ in range(FEWEST - 1):
        progress.change_played(DAY, (7, 8), "stray")
    assert [weak.change for weak in progress.weakest()] == [(3, 5), (0, 2), (2, 0)]
    for _ in range(10):
        progress.change_played(NEXT, (3, 5), "clean")
    # 8 of 10 a day ago weigh half: (4 + 1) / (10 + 5 + 4)
    assert {weak.change: weak.wrong for weak in progress.weakest()}[3, 5] == pytest.approx(5 / 19)
    assert [weak.change for weak in progress.weakest()] == [(0, 2), (3, 5), (2, 0)]


def test_help_fades_as_first_tries_come_right():
    progress = Progress()
    for count in range(40):
        assert progress.help_for(2) == (2 if count < 8 else 1 if count < 24 else 0)
        progress.note_read(DAY, 2, right=True)
    for _ in range(6):
        progress.note_read(DAY, 2, right=False)
    assert progress.help_for(2) == 1
    assert progress.help_for(3) == 2


GOOD = to_line(Passing(DAY, "c-d"))

BAD = [
    b"\xff\xfe\x00",
    b"{",
    b"[]",
    b"null",
    b"3",
    b'"' + b"x" * 70_000 + b'"',
    b"[" * 60_000,
    b"1" * 5_000,
    b'{"schema": "another-1", "kind": "passed"}',
    *(
        json.dumps({**GOOD, **change}).encode()
        for change in (
            {"schema": "fingerlead-practised-2"},
            {"schema": ["fingerlead-practised-1"]},
            {"kind": "praise"},
            {"kind": []},
            {"day": "2026-02-30"},
            {"day": "2026-W01-1"},
            {"day": "20261125"},
            {"day": 20261125},
            {"day": "٢٠٢٦-١١-٢٥"},
            {"rung": ""},
            {"rung": "x" * 65},
            {"rung": "a\nb"},
            {"rung": None},
            {"rung": {}},
            {"row": 3},
            {"row": True},
            {"row": 1.0},
            {"row": "1"},
            {"kind": "played"},
            {"kind": "played", "us": 0},
            {"kind": "played", "us": True},
            {"kind": "played", "us": 10**12},
            {"kind": "counts"},
            {"kind": "counts", "changes": [], "notes": {}},
            {"kind": "counts", "changes": {"low A to low A": {}}, "notes": {}},
            {"kind": "counts", "changes": {"low A to B": {"tried": 1, "clean": 1, "stray": 0}}, "notes": {}},
            {"kind": "counts", "changes": {"low A to B": dict(tried=1, clean=1, stray=0, apart=True)}, "notes": {}},
            {"kind": "counts", "changes": {"low A to B": dict(tried=1, clean=2, stray=0, apart=0)}, "notes": {}},
            {"kind": "counts", "changes": {"low A to B": dict(tried=-1, clean=0, stray=0, apart=0)}, "notes": {}},
            {"kind": "counts", "changes": {"low A to B": dict(tried=1e9, clean=0, stray=0, apart=0)}, "notes": {}},
            {"kind": "counts", "changes": {}, "notes": {"B": {"tried": 10**400, "right": 0}}},
            {"kind": "counts", "changes": {}, "notes": {"B": {"tried": 1, "right": 2}}},
            {"kind": "counts", "changes": {}, "notes": {"B": {"tried": float("nan"), "right": 0}}},
            {"kind": "counts", "changes": {}, "notes": {"H": {"tried": 1, "right": 0}}},
        )
    ),
]


def test_lines_that_say_loose_count_as_apart():
    def line(**counts):
        what = {"schema": SCHEMA, "kind": "counts", "day": "2026-11-25", "changes": {"low A to B": counts}, "notes": {}}
        return json.dumps(what).encode()

    assert read_line(line(tried=5, clean=2, stray=1, loose=2)) == read_line(line(tried=5, clean=2, stray=1, apart=2))
    with pytest.raises(LineError):
        read_line(line(tried=5, clean=2, stray=1, loose=1, apart=1))


@pytest.mark.parametrize("bad", BAD, ids=range(len(BAD)))
def test_a_damaged_or_foreign_line_is_passed_over_and_told(tmp_path, bad):
    with pytest.raises(LineError, match=r"^expected "):
        read_line(bad)
    progress = open_progress(tmp_path)
    progress.rung_passed(DAY, "c-d")
    progress.keep()
    with (tmp_path / FILE).open("ab") as file:
        file.write(bad + b"\n")
    progress.rung_passed(NEXT, "c-d")
    progress.keep()
    again = open_progress(tmp_path)
    assert again == progress
    (remark,) = again.remarks
    assert "line 2: expected" in remark
    assert len(remark) < 400


@given(st.binary(max_size=300))
def test_any_bytes_are_a_line_or_refused(data):
    try:
        line = read_line(data)
    except LineError:
        return
    assert read_line(json.dumps(to_line(line)).encode()) == line


def test_many_bad_lines_are_told_in_few_remarks(tmp_path):
    (tmp_path / FILE).write_bytes(b"oh\n" * 1_000)
    progress = open_progress(tmp_path)
    assert len(progress.remarks) == 11
    assert "990 more lines" in progress.remarks[-1]


@pytest.mark.parametrize("cut", range(1, 60, 7))
def test_a_line_that_a_crash_cut_off_does_not_swallow_the_next(tmp_path, cut):
    progress = open_progress(tmp_path)
    progress.rung_passed(DAY, "c-d")
    progress.rung_passed(DAY, "low-a-b")
    progress.keep()
    path = tmp_path / FILE
    path.write_bytes(path.read_bytes()[:-cut])
    later = open_progress(tmp_path)
    assert later.state("c-d", DAY) == "passed"
    later.rung_passed(NEXT, "c-d")
    later.keep()
    again = open_progress(tmp_path)
    assert again.state("c-d", NEXT) == "confirmed"
    assert len(again.remarks) == (cut > 1)  # without its line end alone, the line is whole


def test_what_is_no_file_is_told_and_never_waited_for(tmp_path):
    os.mkfifo(tmp_path / FILE)
    progress = open_progress(tmp_path)
    assert "nothing of it is read" in progress.remarks[0]
    progress.rung_passed(DAY, "c-d")
    with pytest.raises(NotKept, match="what is there is no file"):
        progress.keep()
    folder = tmp_path / "taken"
    folder.write_text("")
    blocked = open_progress(folder)
    blocked.rung_passed(DAY, "c-d")
    with pytest.raises(NotKept, match="it cannot be written"):
        blocked.keep()


def test_what_could_not_be_kept_is_kept_later(tmp_path, monkeypatch):
    progress = open_progress(tmp_path / "deep" / "folder")
    progress.rung_passed(DAY, "c-d")
    progress.change_played(DAY, (0, 2), "clean")

    def full(path, what):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("fingerlead.store.practice_log.append_line", full)
        with pytest.raises(NotKept, match="the disk is full"):
            progress.keep()
    progress.keep()
    assert open_progress(tmp_path / "deep" / "folder") == progress


def test_a_file_too_large_is_not_read(tmp_path, monkeypatch):
    monkeypatch.setattr("fingerlead.store.files.GREATEST_FILE", 1 << 20)
    (tmp_path / FILE).write_bytes(b"\n" * ((1 << 20) + 1))
    assert "at most 1 MB" in open_progress(tmp_path).remarks[0]


def test_in_memory_alone_nothing_is_written(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    progress = Progress()
    progress.rung_passed(DAY, "c-d")
    progress.keep()
    assert not list(tmp_path.rglob("*"))


def test_unless_told_it_is_in_the_users_own_data_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    progress = open_progress()
    assert progress.path is not None
    assert progress.path.name == FILE
    assert progress.path.parent.name == "fingerlead"
    assert SCHEMA == "fingerlead-practised-1"


def test_movements_are_counted_by_day_and_stand_in_one_order_with_changes(tmp_path):
    progress = open_progress(tmp_path)
    for number in range(6):
        progress.movement_played(DAY, "grip", right=number > 3)
        progress.movement_played(DAY, "birl", right=True)
        progress.change_played(DAY, (0, 2), "stray" if number < 2 else "clean")
    progress.movement_played(DAY, "taorluath", right=False)  # too rarely to say
    progress.keep()
    again = open_progress(tmp_path)
    assert again == progress
    assert not again.remarks
    assert [(weak.movement, weak.change) for weak in again.weakest()] == [("grip", ()), ("", (0, 2)), ("birl", ())]
    assert again.weakest()[0].wrong == pytest.approx((4 + 1) / (6 + 4))


def test_the_longest_name_of_a_teacher_s_own_is_read_back(tmp_path):
    own = tmp_path / "own.toml"
    table = '[[movement]]\nname = "{}"\nnotes = {{ A = "GBGe" }}\nroles = {{ other = "grace" }}\nsource = "mine"\n'
    own.write_text(table.format("x" * LONGEST_NAME))
    name = own_repertoire(own).own[0].name
    progress = open_progress(tmp_path)
    progress.movement_played(DAY, name, right=False)
    progress.note_read(DAY, 3, right=True)
    progress.keep()
    assert open_progress(tmp_path).remarks == ()
    own.write_text(table.format("x" * (LONGEST_NAME + 1)))
    with pytest.raises(MovementError, match=f"at most {LONGEST_NAME} characters"):
        own_repertoire(own)


def test_of_too_many_movements_the_first_are_read_and_more_can_be_played(tmp_path):
    counts = {"tried": 9, "right": 1}
    head = {"schema": SCHEMA, "kind": "counts", "day": "2026-11-25", "changes": {}, "notes": {}}
    lines = [{**head, "movements": {f"{line} {one}": counts for one in range(500)}} for line in range(5)]
    (tmp_path / FILE).write_text("".join(json.dumps(line) + "\n" for line in lines))
    progress = open_progress(tmp_path)
    assert len(progress.weakest()) == 2_000
    (remark,) = progress.remarks
    assert "line 5: expected at most 2000 different movements" in remark
    progress.movement_played(DAY, "grip", right=False)
    progress.keep()


def test_a_line_with_movements_is_one_that_earlier_versions_read(tmp_path):
    progress = open_progress(tmp_path)
    progress.movement_played(DAY, "grip", right=True)
    progress.keep()
    (line,) = (json.loads(row) for row in (tmp_path / FILE).read_text().splitlines())
    assert (line["schema"], line["kind"], line["changes"], line["notes"]) == (SCHEMA, "counts", {}, {})


@pytest.mark.parametrize(
    "movements",
    [[], 3, {"": {"tried": 1, "right": 0}}, {"grip\n": {"tried": 1, "right": 0}}, {"x" * 65: {"tried": 1, "right": 0}},
     {"grip": {"tried": 1, "right": 2}}, {"grip": {"tried": -1, "right": -1}}, {"grip": {"tried": True, "right": 0}},
     {"grip": {"tried": 1}}, {"grip": 1}],
)  # fmt: skip
def test_hostile_counts_of_movements_are_passed_over_with_a_remark(tmp_path, movements):
    line = {"schema": SCHEMA, "kind": "counts", "day": "2026-11-25", "changes": {}, "notes": {}, "movements": movements}
    (tmp_path / FILE).write_text(json.dumps(line) + "\n")
    progress = open_progress(tmp_path)
    assert len(progress.remarks) == 1
    assert progress.weakest() == ()
