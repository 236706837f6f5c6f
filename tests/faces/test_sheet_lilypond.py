from __future__ import annotations

import os
import sys
import time

import pytest

from fingerlead.faces.sheet import lilypond
from fingerlead.faces.sheet.lilypond import MOST_KEPT, engrave, find_lilypond
from fingerlead.faces.sheet.piece import SheetError
from tests.waiting import wait_for

resource = pytest.importorskip("resource") if sys.platform != "win32" else None

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX shell for stand-in programs")


def program(tmp_path, script: str):
    path = tmp_path / "stand-in"
    if not path.exists():  # the cache knows a program by its time
        path.write_text(f"#!/bin/sh\n{script}\n")
        path.chmod(0o755)
    return path


def run(tmp_path, script: str, source: str = "x", format="pdf", **more):
    return engrave(source, format, cache=tmp_path / "cache", program=program(tmp_path, script), **more)


def test_a_hanging_program_is_ended_with_all_it_started(tmp_path):
    script = f"echo 'warning: thinking hard' >&2; sleep 600 & echo $! > {tmp_path}/child; wait"
    began = time.monotonic()
    with pytest.raises(SheetError, match=r"not done after 0.5 s and was ended; it said: warning: thinking hard"):
        run(tmp_path, script, timeout_s=0.5)
    assert time.monotonic() - began < 10
    child = int((tmp_path / "child").read_text())
    wait_for(lambda: not _lives(child))


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
        with open(f"/proc/{process}/stat") as stat:
            return stat.read().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def limited(script: str) -> str:
    """The script as soon as its limits have come."""
    return f'while [ "$(ulimit -n)" -gt 64 ]; do :; done; {script}'


linux_alone = pytest.mark.skipif(not hasattr(resource, "prlimit"), reason="only Linux limits another process")


@linux_alone
@pytest.mark.parametrize(
    ("name", "most", "script"),
    [
        ("RLIMIT_CPU", 1, "while :; do :; done"),
        ("RLIMIT_FSIZE", 1 << 16, "exec head -c 1000000 /dev/zero > sheet.pdf"),
    ],
)
def test_a_program_that_takes_too_much_is_ended_long_before_its_time(tmp_path, monkeypatch, name, most, script):
    monkeypatch.setitem(lilypond.LIMITS, name, most)
    with pytest.raises(SheetError, match="needed more than a sheet takes"):
        run(tmp_path, limited(script), timeout_s=600)


@linux_alone
def test_a_program_gets_no_more_than_its_limits(tmp_path):
    script = "for kind in -t -v -f -n -c; do ulimit $kind; ulimit -H $kind; done > sheet.pdf"
    told = run(tmp_path, limited(script))[0].decode().split()
    # A shell counts memory in KiB, and files in half of them.
    assert told[:4] == ["120", "121", str(4 << 20), str(4 << 20)]
    assert told[4:] == [str(64 << 11)] * 2 + ["64", "65", "0", "0"]


def test_what_a_program_leaves_behind_is_ended_too(tmp_path):
    run(tmp_path, f"sleep 600 & echo $! > {tmp_path}/child; echo x > sheet.pdf")
    child = int((tmp_path / "child").read_text())
    wait_for(lambda: not _lives(child))


def test_a_program_learns_nothing_of_the_environment_but_what_it_needs(tmp_path, monkeypatch):
    monkeypatch.setenv("A_TOKEN", "secret")
    monkeypatch.setenv("GUILE_LOAD_PATH", "/tmp")
    names = {line.partition("=")[0] for line in run(tmp_path, "env > sheet.pdf")[0].decode().splitlines()}
    assert names - {"PWD", "SHLVL", "_", "OLDPWD"} <= lilypond.ENVIRONMENT
    assert "PATH" in names


def test_a_failing_program_s_own_message_is_shown(tmp_path):
    script = "echo starting >&2; printf 'sheet.ly:3: error: \\033[31mno such thing\\n' >&2; exit 1"
    with pytest.raises(SheetError) as caught:
        run(tmp_path, script)
    assert "code 1" in str(caught.value)
    assert "error: [31mno such thing" in str(caught.value)
    assert "\x1b" not in str(caught.value)


def test_a_program_that_talks_without_end_is_cut_short(tmp_path):
    with pytest.raises(SheetError) as caught:
        run(tmp_path, "i=0; while [ $i -lt 5000 ]; do echo error $i error >&2; i=$((i+1)); done; exit 1")
    assert len(str(caught.value)) < 800


def test_a_program_that_makes_nothing(tmp_path):
    with pytest.raises(SheetError, match="ended without a sheet; it said nothing"):
        run(tmp_path, "exit 0")


def test_a_program_that_cannot_start(tmp_path):
    path = tmp_path / "stand-in"
    path.write_text("#!/no/such/interpreter\n")
    path.chmod(0o755)
    with pytest.raises(SheetError, match="could not be started"):
        engrave("x", "pdf", cache=tmp_path / "cache", program=path)


def test_missing_names_the_package(monkeypatch):
    monkeypatch.setitem(sys.modules, "lilypond", None)
    monkeypatch.setattr(lilypond.shutil, "which", lambda name: None)
    with pytest.raises(SheetError, match=r"pip install 'fingerlead\[sheet\]'"):
        find_lilypond()


def test_the_command_serves_where_the_package_is_missing(monkeypatch):
    monkeypatch.setitem(sys.modules, "lilypond", None)
    monkeypatch.setattr(lilypond.shutil, "which", lambda name: f"/opt/{name}")
    assert str(find_lilypond()) == "/opt/lilypond"


COUNTING = "echo x >> {0}/runs; for n in 1 2 10; do cat sheet.ly > sheet-page$n.png; echo $n >> sheet-page$n.png; done"


def runs(tmp_path) -> int:
    return len((tmp_path / "runs").read_text().splitlines())


def test_pages_come_in_order_and_the_second_time_from_the_cache(tmp_path):
    script = COUNTING.format(tmp_path)
    first = run(tmp_path, script, "one\n", "png")
    assert first == (b"one\n1\n", b"one\n2\n", b"one\n10\n")
    assert run(tmp_path, script, "one\n", "png") == first
    assert runs(tmp_path) == 1
    run(tmp_path, script, "two\n", "png")
    assert runs(tmp_path) == 2


def test_a_cache_that_is_not_whole_is_not_used(tmp_path):
    script = COUNTING.format(tmp_path)
    first = run(tmp_path, script, "one\n", "png")
    next((tmp_path / "cache").glob("*.2of3")).unlink()
    assert run(tmp_path, script, "one\n", "png") == first
    assert runs(tmp_path) == 2


def test_without_a_place_for_the_cache_sheets_are_made_all_the_same(tmp_path):
    (tmp_path / "cache").write_text("in the way")
    assert run(tmp_path, COUNTING.format(tmp_path), "one\n", "png")
    assert run(tmp_path, COUNTING.format(tmp_path), "one\n", "png")


def test_the_cache_does_not_grow_for_ever(tmp_path):
    cache = tmp_path / "cache"
    cache.mkdir()
    for number in range(MOST_KEPT + 20):
        (cache / f"old{number}.1of1").write_bytes(b"")
        os.utime(cache / f"old{number}.1of1", (number, number))
    run(tmp_path, COUNTING.format(tmp_path), "one\n", "png")
    assert len(list(cache.iterdir())) == MOST_KEPT
    assert not (cache / "old0.1of1").exists()


@pytest.mark.parametrize(
    "inside",
    ["<script>x</script>", "<image href='http://x.invalid/'/>", "<g onload='x'/>", "<g", "<!DOCTYPE x>", "<a/>"],
)
def test_an_svg_with_anything_but_drawing_in_it_is_refused(tmp_path, inside):
    script = f'cat > sheet.svg <<"END"\n<svg xmlns="http://www.w3.org/2000/svg">{inside}</svg>\nEND'
    with pytest.raises(SheetError, match="not the drawing"):
        run(tmp_path, script, format="svg")


def test_where_there_is_no_room_to_engrave_that_is_said(tmp_path, monkeypatch):
    nowhere = tmp_path / "nowhere"
    monkeypatch.setattr(lilypond.tempfile, "tempdir", str(nowhere))
    with pytest.raises(SheetError, match=r"cannot be engraved: .*\. Make room where the system keeps temporary files"):
        run(tmp_path, "exit 0")
