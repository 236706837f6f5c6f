"""Files that a person asks for: whole or not at all, through links, and straight into devices and pipes."""

import os
import stat
import subprocess
import sys
import tracemalloc
from pathlib import Path

import pytest

from fingerlead.store import files
from fingerlead.store.files import LineError, read_lines, write_output

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
