"""Files: whole or not at all, and on the disk; what is kept is its owner's alone, other files have usual rights."""

import os
import stat
import subprocess
import sys
import tracemalloc
from pathlib import Path

import pytest

from fingerlead.store import files
from fingerlead.store.files import (
    LineError,
    append_line,
    make_private,
    objects_in,
    own_private,
    read_lines,
    write_new,
    write_output,
    write_whole,
)
from tests.full_disk import full_disk
from tests.killed import killed_at_each_step

LIMIT = 1_000
# The disk is full once the program is loaded; what Python keeps of its modules does not matter here.
CARD = """
import resource, sys
import fingerlead.faces.cli.heard
from fingerlead.faces.cli.main import run
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv.pop()), resource.RLIM_INFINITY))
run()
"""


def test_where_no_room_is_left_the_earlier_file_stays_and_nothing_lies_beside_it(tmp_path):
    card = tmp_path / "card.html"
    card.write_text("the card from last week")
    command = [sys.executable, "-c", CARD, "heard", "--card", str(card)]
    ran = subprocess.run([*command, str(LIMIT)], capture_output=True, text=True)
    assert ran.returncode == 1
    assert ran.stderr.startswith("fingerlead: the card could not be written to ")
    assert card.read_text() == "the card from last week"
    assert os.listdir(tmp_path) == ["card.html"]
    assert subprocess.run([*command, str(1_000 * LIMIT)]).returncode == 0
    assert len(card.read_text()) > LIMIT


@pytest.mark.parametrize("mask", [0o022, 0o077])
def test_a_new_file_has_the_rights_that_the_person_gives_to_new_files(tmp_path, mask):
    before = os.umask(mask)
    try:
        write_output(tmp_path / "x", "text")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "x").stat().st_mode) == 0o666 & ~mask


def test_a_link_leads_to_the_file_and_stays_a_link(tmp_path):
    (tmp_path / "file").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "file")
    write_output(tmp_path / "link", "new ♩")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "file").read_text(encoding="utf-8") == "new ♩"


def mode(path: Path) -> int:
    return stat.S_IMODE(path.lstat().st_mode)


@pytest.fixture(params=[0, 0o022, 0o077, 0o777], ids=oct)
def umask(request):
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


def test_what_is_kept_is_the_owners_alone_whatever_the_umask(tmp_path, umask):
    make_private(tmp_path / "a" / "b")
    write_whole(tmp_path / "a" / "whole", b"x")
    write_whole(tmp_path / "a" / "whole", b"y")
    write_new(tmp_path / "a" / "new", b"x")
    append_line(tmp_path / "a" / "lines", {})
    modes = {path.name: mode(path) for path in tmp_path.rglob("*")}
    assert modes == {"a": 0o700, "b": 0o700, "whole": 0o600, "new": 0o600, "lines": 0o600}


def test_what_an_earlier_version_left_open_is_closed_once_and_links_are_left_alone(tmp_path):
    (tmp_path / "else").write_text("another's")
    folder = tmp_path / "sessions"
    (folder / "deep").mkdir(parents=True)
    for name, rights in (("old", 0o644), ("finished", 0o444), ("deep/one", 0o666)):
        (folder / name).write_text("x")
        (folder / name).chmod(rights)
    (folder / "link").symlink_to(tmp_path / "else")
    folder.chmod(0o755)
    (tmp_path / "else").chmod(0o644)
    make_private(folder)
    assert (mode(folder), mode(folder / "old")) == (0o755, 0o644)
    own_private(folder)
    assert {path.name: mode(path) for path in folder.rglob("*") if not path.is_symlink()} == {
        "old": 0o600, "finished": 0o400, "deep": 0o700, "one": 0o600,
    }  # fmt: skip
    assert (mode(folder), mode(tmp_path / "else")) == (0o700, 0o644)


def test_where_rights_cannot_be_changed_it_goes_on(tmp_path, monkeypatch):
    def refuse(*given, **named):
        raise PermissionError(1, "Operation not permitted")

    folder = tmp_path / "sessions"
    folder.mkdir(0o755)
    monkeypatch.setattr(Path, "chmod", refuse)
    own_private(folder)
    write_whole(folder / "whole", b"x")
    append_line(folder / "lines", {"a": 1})
    assert objects_in(folder / "lines") == [{"a": 1}]


def test_a_line_is_closed_to_others_when_it_is_added_to(tmp_path):
    (tmp_path / "lines").write_text("{}\n")
    (tmp_path / "lines").chmod(0o644)
    append_line(tmp_path / "lines", {"a": 1})
    assert mode(tmp_path / "lines") == 0o600


def test_an_earlier_files_rights_stay(tmp_path):
    (tmp_path / "page.html").write_text("old")
    (tmp_path / "page.html").chmod(0o640)
    write_output(tmp_path / "page.html", "new")
    assert (mode(tmp_path / "page.html"), (tmp_path / "page.html").read_text()) == (0o640, "new")


WORK = {
    "write_whole": 'write_whole(folder / "x", b"new" * 1_000)',
    "write_output": 'write_output(folder / "x", b"new" * 1_000)',
    "write_new": 'write_new(folder / "y", b"new" * 1_000)',
    "append_line": 'append_line(folder / "z", {"a": "new"})',
}


@pytest.mark.parametrize("way", WORK)
def test_killed_at_any_step_a_file_is_as_before_or_whole(tmp_path, way):
    for number in range(200):
        (tmp_path / f"{number}").mkdir()
        (tmp_path / f"{number}" / "x").write_bytes(b"old")
        (tmp_path / f"{number}" / "z").write_bytes(b'{"a": "old"}\n')
    steps = killed_at_each_step(f"from fingerlead.store.files import {way}", WORK[way], tmp_path)
    seen = set()
    for number in range(steps + 1):
        folder = tmp_path / f"{number}"
        there = folder / ("y" if way == "write_new" else "x")
        lines = tuple(line["a"] for line in objects_in(folder / "z"))
        seen.add((there.read_bytes()[:3] if there.exists() else b"", lines))
        assert not there.exists() or there.read_bytes() in (b"old", b"new" * 1_000)
    assert len(seen) == 2
    assert steps >= 3


def test_a_file_and_its_name_are_on_the_disk_when_it_is_written(tmp_path, monkeypatch):
    synchronised = []
    whole = os.fsync

    def note(file):
        synchronised.append(stat.S_ISDIR(os.fstat(file).st_mode))
        whole(file)

    monkeypatch.setattr(os, "fsync", note)
    for write in (write_whole, write_output):
        synchronised.clear()
        write(tmp_path / "x", b"x")
        assert synchronised == [False, True]
    synchronised.clear()
    append_line(tmp_path / "lines", {})
    append_line(tmp_path / "lines", {})
    assert synchronised == [False, True, False]


@pytest.mark.parametrize("write", [write_whole, write_output, write_new])
def test_a_full_disk_leaves_the_earlier_file_and_nothing_beside_it(tmp_path, write):
    path = tmp_path / "x"
    if write is not write_new:
        path.write_text("old")
    with full_disk(10), pytest.raises(OSError, match=r"too large|No space"):
        write(path, b"new" * 1_000)
    assert {each.name: each.read_text() for each in tmp_path.iterdir()} == ({} if write is write_new else {"x": "old"})


def test_a_line_for_which_there_is_no_room_leaves_no_part_of_itself(tmp_path):
    append_line(tmp_path / "lines", {"a": 1})
    before = (tmp_path / "lines").read_bytes()
    with full_disk(len(before) + 5), pytest.raises(OSError, match="No space"):
        append_line(tmp_path / "lines", {"b": 2})
    assert (tmp_path / "lines").read_bytes() == before


def test_no_line_goes_where_it_would_not_be_read_again(tmp_path, monkeypatch):
    append_line(tmp_path / "lines", {"a": 1})
    before = (tmp_path / "lines").read_bytes()
    monkeypatch.setattr("fingerlead.store.files.GREATEST_FILE", len(before) + 5)
    with pytest.raises(OSError, match="too large"):
        append_line(tmp_path / "lines", {"b": 2})
    assert (tmp_path / "lines").read_bytes() == before
    assert objects_in(tmp_path / "lines") == [{"a": 1}]


def test_write_new_takes_no_name_that_is_taken_also_where_no_link_can_be_made(tmp_path, monkeypatch):
    def refuse(*given, **named):
        raise PermissionError(1, "Operation not permitted")

    for _ in range(2):
        (tmp_path / "x").write_text("old")
        with pytest.raises(FileExistsError):
            write_new(tmp_path / "x", b"new")
        write_new(tmp_path / "y", b"new")
        assert ((tmp_path / "x").read_text(), (tmp_path / "y").read_text()) == ("old", "new")
        (tmp_path / "y").unlink()
        monkeypatch.setattr(os, "link", refuse)
    assert os.listdir(tmp_path) == ["x"]


def card(target: Path | str, **named) -> subprocess.CompletedProcess:
    command = [sys.executable, "-m", "fingerlead.faces.cli.main", "heard", "--card", str(target)]
    return subprocess.run(command, stderr=subprocess.PIPE, text=True, timeout=30, **named)


def test_standard_output_is_added_to_where_the_shell_adds(tmp_path):
    (tmp_path / "pages").write_text("earlier\n")
    with (tmp_path / "pages").open("a") as file:
        assert card("/dev/stdout", stdout=file).returncode == 0
    text = (tmp_path / "pages").read_text()
    assert text.startswith("earlier\n")
    assert "<html" in text


def test_what_cannot_be_written_is_one_sentence(tmp_path):
    ran = card(tmp_path, stdout=subprocess.DEVNULL)
    assert ran.returncode == 1
    assert ran.stderr.startswith(f"fingerlead: the card could not be written to {tmp_path}: Is a directory")
    assert ran.stderr.count("\n") == 1
    for target in ("/sys/card.html", tmp_path / "no" / "card.html", "/dev/full"):
        with pytest.raises(OSError, match=r"\w"):
            write_output(Path(target), "page")


def test_a_file_that_its_owner_has_locked_is_not_written_over(tmp_path, monkeypatch):
    (tmp_path / "x").write_text("old")
    # The system's own superuser may write everywhere.
    monkeypatch.setattr(os, "access", lambda path, how: how != os.W_OK)
    with pytest.raises(PermissionError):
        write_output(tmp_path / "x", "new")
    assert (tmp_path / "x").read_text() == "old"


def test_a_link_in_a_circle_and_one_to_nothing_give_a_file(tmp_path):
    (tmp_path / "circle").symlink_to(tmp_path / "circle")
    (tmp_path / "nothing").symlink_to(tmp_path / "there")
    for name in ("circle", "nothing"):
        write_output(tmp_path / name, "new")
        assert (tmp_path / name).read_text() == "new"
    assert (tmp_path / "there").read_text() == "new"


def test_a_fifo_takes_the_page_when_it_is_read(tmp_path):
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)
    with subprocess.Popen(["cat", str(fifo)], stdout=subprocess.PIPE) as reader:
        assert card(fifo).returncode == 0
        assert b"<html" in reader.communicate(timeout=30)[0]
    assert stat.S_ISFIFO(fifo.lstat().st_mode)


def test_a_device_and_a_pipe_take_the_bytes():
    write_output(Path("/dev/null"), b"gone")
    assert Path("/dev/null").is_char_device()
    reader, writer = os.pipe()
    write_output(Path(f"/dev/fd/{writer}"), b"through")
    assert os.read(reader, 100) == b"through"
    os.close(reader)
    os.close(writer)


def test_lines_take_memory_by_what_is_in_them_and_have_a_limit(tmp_path, monkeypatch):
    path = tmp_path / "lines.jsonl"
    path.write_bytes(b"\n" * 500_000 + b"{}\r\n  \n{}")
    tracemalloc.start()
    try:
        assert [(number, line.strip()) for number, line in read_lines(path)] == [(500_001, b"{}"), (500_003, b"{}")]
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 1 << 20
    monkeypatch.setattr(files, "MOST_LINES", 3)
    path.write_bytes(b"{}\n" * 3)
    assert len(read_lines(path)) == 3
    path.write_bytes(b"{}\n" * 4)
    with pytest.raises(LineError, match="at most 3 lines"):
        read_lines(path)
