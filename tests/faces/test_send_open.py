"""`fingerlead send` and `fingerlead open`: a passage of playing from one machine to another, through a chat."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import wave
from dataclasses import replace

import numpy as np
import pytest
from typer.testing import CliRunner

from fingering.notes import NOTES
from fingerlead.faces.cli.main import app
from fingerlead.faces.cli.problem import Problem
from fingerlead.reading.asked import SessionMusic
from fingerlead.simulated import chanter, play, script, sensing
from fingerlead.simulated import scenario as pupil_file
from fingerlead.simulated import serve as whole
from fingerlead.store.passage.text import LONGEST_MESSAGE, LONGEST_PASTE
from tests.reading.players import together_player
from tests.store.playing import music_of, write_playing
from tests.waiting import PATIENCE_S

# Low G to low A to B to low G; the bottom little 18 ms before the bottom ring.
CSV = """time_us,holes
0,xxxxxxxx
1000001,xxxxxxxo
1000507,xxxxxxoo
1600000,xxxxxxxo
2200000,xxxxxxxx
3100000,xxxxxxxo
3118000,xxxxxxoo
4000000,xxxxxxoo
"""
HOLES = ["xxxxxxxx", "xxxxxxxo", "xxxxxxoo", "xxxxxoox", "xxxxooox", "xxxoxxxo", "xxooxxxo", "xoooxxxo", "oxxoooox"]


def run(*args, given: str | bytes | None = None):
    return CliRunner().invoke(app, [*map(str, args)], input=given)


def refusal(*args, given: str | bytes | None = None) -> str:
    """The one sentence, or two with what to try, that a command refuses with; `run` gives it exit code 1."""
    done = run(*args, given=given)
    assert isinstance(done.exception, Problem)
    assert done.stdout == ""
    assert str(done.exception).isprintable()
    return str(done.exception)


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    pupil = pupil_file.load_scenario("mixed").pupil
    performance = play.perform(pupil, script.write_script(pupil, 5, changes=60), 5)
    path = tmp_path_factory.mktemp("pupil") / "evening.bin"
    path.write_bytes(whole.wire_bytes(performance, chanter.setup_for(5), sensing.sensors("usual")))
    return path


@pytest.fixture(scope="module")
def message(session):
    return run("send", session, "--changes", "11..16").stdout


@pytest.fixture
def listed(tmp_path):
    path = tmp_path / "playing.csv"
    path.write_text(CSV)
    return path


def changes_of(found: dict, by_us: int = 0) -> list[dict]:
    """The changes so much earlier, each with its movement itself instead of its place in the list."""
    return [
        shifted(change, by_us) | {"movement": None if change["movement"] is None else movement(found, change, by_us)}
        for change in found["changes"]
    ]


def movement(found: dict, change: dict, by_us: int) -> dict:
    return shifted(found["movements"][change["movement"]], by_us)


def shifted(of: dict, by_us: int) -> dict:
    moved = {key: of[key] - by_us for key in ("start_us", "end_us")}
    for kind in {"strays", "slips", "notes"} & of.keys():
        moved[kind] = [{**each, "start_us": each["start_us"] - by_us} for each in of[kind]]
    return {**of, **moved}


@pytest.mark.parametrize(
    ("changes", "first", "last"), [("11..16", 11, 16), ("4", 4, 4), ("1..30", 1, 30), ("61", 61, 61)]
)
@pytest.mark.parametrize("options", [(), ("--skew-us", 1_234, "--heard-us", 20_000, "--alternates")])
def test_both_sides_say_the_same(session, changes, first, last, options):
    here = json.loads(run("analyse", session, "--format", "json", *options).stdout)
    sent = run("send", session, "--changes", changes, *options)
    assert len(sent.stdout) <= LONGEST_MESSAGE
    there = json.loads(run("open", "--format", "json", given=sent.stdout).stdout)
    at_us = there["passage"]["at_us"]
    assert there["passage"] == {"first": first, "last": last, "at_us": at_us}
    assert changes_of(there) == changes_of(here, at_us)[first - 1 : last]
    # How its edges came to be where they are, a passage does not say.
    assert there["timing"].pop("corrected") is None
    assert here["timing"].pop("corrected")["edges"] == "none"
    assert (there["schema"], there["timing"], there["settings"]) == (here["schema"], here["timing"], here["settings"])


def test_each_note_is_written_where_the_session_has_it(tmp_path):
    """Two tunes with a pause between, the second in its fourth pass; each is played more than once."""
    tune = [0, 3, 1, 4, 2, 5, 0, 6, 3, 1]
    play = together_player([*tune, 8, *tune, *tune, 7, *tune], 10_000, 3)
    again_us = play.end_us // 2
    asked = [
        (0, music_of(tune)),
        (again_us, SessionMusic(judged=False, why="a pause")),
        (again_us + 2_000_000, replace(music_of(tune), name="Another " + 99 * "x", pass_number=4)),
    ]
    path = write_playing(tmp_path / "a.session", play, *asked)
    here = json.loads(run("analyse", path, "--format", "json").stdout)
    of_start = {note["start_us"]: note["written"] for note in here["notes"]}
    seen = set()
    for first in range(1, len(here["changes"]) - 4, 4):
        sent = run("send", path, "--changes", f"{first}..{first + 4}").stdout
        there = json.loads(run("open", "--format", "json", given=sent).stdout)
        names = [one["name"][:60] for one in here["music"]]
        musics = [names.index(one["name"]) for one in there["music"]]
        for one in (*there["changes"], *there["notes"]):
            if one["written"] is not None:
                one["written"]["music"] = musics[one["written"]["music"]]
        changes = here["changes"][first - 1 : first + 4]
        assert [one["written"] for one in there["changes"]] == [one["written"] for one in changes]
        at_us = there["passage"]["at_us"]
        for note in there["notes"]:
            if note["written"] is not None:
                assert note["written"] == of_start[note["start_us"] + at_us]
                seen.add((note["written"]["music"], note["written"]["pass"]))
    assert seen >= {(0, 1), (0, 2), (2, 4)}


def test_a_table_of_ones_own_goes_along(session, tmp_path):
    rows = "".join(
        f'[[row]]\nnote = "{NOTES[note]}"\nholes = "{holes}"\nkind = "standard"\nsource = "ours"\n'
        for note, holes in enumerate(HOLES)
    )
    table = tmp_path / "ours.toml"
    table.write_text(f'name = "ours"\n{rows}')
    here = json.loads(run("analyse", session, "--format", "json", "--table", table).stdout)
    sent = run("send", session, "--changes", "20..40", "--table", table).stdout
    there = json.loads(run("open", "--format", "json", given=sent).stdout)
    at_us = there["passage"]["at_us"]
    assert changes_of(there) == changes_of(here, at_us)[19:40]
    assert there["settings"] == here["settings"]


def test_a_message_is_opened_however_it_comes(message, tmp_path):
    file = tmp_path / "message.txt"
    file.write_text(f"Ann wrote:\n> {message}")
    opened = run("open", given=message)
    assert opened.exit_code == 0
    for done in (
        run("open", message),
        run("open", *message.split()),
        run("open", file),
        run("open", "-", given=message),
        run("open", given=b"\xef\xbb\xbf" + message.replace("\n", "\r\n").encode()),
    ):
        assert done.stdout == opened.stdout


def test_what_a_teacher_reads(listed, golden):
    sent = run("send", listed, "--changes", "4")
    assert sent.stderr.startswith(f"Change 4 of {listed}, in {len(sent.stdout) - 1} characters.")
    opened = run("open", given=sent.stdout).stdout
    assert opened.startswith("Change 4 of a session, from 0:03.1 on: 0 of 1 clean.\n")
    golden("passage.txt", opened)
    without = run("open", "--no-strips", given=sent.stdout).stdout
    assert "   4  0:03.1  Low G to B: The bottom little lifted 18 ms before the bottom ring" in without
    assert "▄" in opened
    assert "▄" not in without


def test_lost_frames_are_told(session, tmp_path):
    pupil = pupil_file.load_scenario("mixed").pupil
    performance = play.perform(pupil, script.write_script(pupil, 5, changes=60), 5)
    path = tmp_path / "lossy.bin"
    path.write_bytes(
        whole.wire_bytes(
            performance,
            chanter.setup_for(5),
            sensing.sensors("usual"),
            damage=lambda frames: [frame for number, frame in enumerate(frames) if number % 23],
        )
    )
    there = run("open", "--no-strips", given=run("send", path, "--changes", "5..20").stdout).stdout
    assert "frames were lost" in there
    assert "uncertain" in there


def test_a_whole_session_goes_as_a_file(session):
    done = run("send", session)
    assert done.exit_code == 0
    assert done.stdout.startswith(f"A whole session goes as a file: send {session} itself")
    assert "some of its 61 changes as text for a chat: --changes 1..30." in done.stdout
    rows = run("analyse", session, "--format", "csv").stdout.splitlines()[1:]
    strays = [row.split(",")[0] for row in rows if row.split(",")[7] == "stray"]
    more = " and others" if len(strays) > 10 else ""
    assert f"A stray was heard in {', '.join(strays[:10])}{more}." in done.stdout


def test_playing_without_changes_is_told(tmp_path):
    path = tmp_path / "still.csv"
    path.write_text("time_us,holes\n0,xxxxxxxx\n1000000,xxxxxxxx\n")
    assert "There are no changes in it." in run("send", path).stdout
    assert "a session with changes in it" in refusal("send", path, "--changes", "1")


@pytest.mark.parametrize("speed", ["1", "0.25", "0.1"])
def test_the_passage_is_heard_at_any_speed(listed, tmp_path, speed):
    path = tmp_path / "passage.wav"
    sent = run("send", listed, "--changes", "4").stdout
    done = run("open", "--sound", path, "--speed", speed, given=sent)
    with wave.open(io.BytesIO(path.read_bytes())) as sound:
        rate, frames = sound.getframerate(), sound.getnframes()
        samples = np.frombuffer(sound.readframes(frames), dtype="<i2")
    # From 0.9 s of low G before the change (all there is) to the end, 0.882 s of B after it.
    assert frames == round((900_000 + 900_000) * rate / 1e6 / float(speed))
    assert np.abs(samples).max() > 300
    assert f"{path}: {frames / rate:.1f} seconds of sound." in done.stdout


def test_where_objects_are_written_the_sound_is_told_aside(message, tmp_path):
    path = tmp_path / "passage.wav"
    done = run("open", "--format", "json", "--sound", path, given=message)
    assert json.loads(done.stdout)["schema"] == "fingerlead-analysis-2"
    assert "seconds of sound" in done.stderr


def test_sound_that_cannot_be_written_is_refused_before_anything_is_told(message, tmp_path):
    assert "name another file with --sound" in refusal("open", "--sound", tmp_path, given=message)
    for speed in ("5", "0", "-1", "nan", "inf"):
        path = tmp_path / "passage.wav"
        assert "expected a speed from 0.01 to 1" in refusal("open", "--sound", path, "--speed", speed, given=message)
        assert not path.exists()


@pytest.mark.parametrize("changes", ["0", "x", "3..2", "1..", "..4", "-1", "1.5", "1...3", "", "9" * 5_000, "١"])
def test_changes_that_are_no_numbers_are_refused(session, changes):
    assert "expected the changes as numbers from 1, such as 12..20 or 12" in refusal(
        "send", session, f"--changes={changes}"
    )


def test_changes_that_are_not_there_are_refused(session):
    said = refusal("send", session, "--changes", "50..62")
    assert said.startswith("expected changes from 1 to 61; got 50 to 62")
    assert "--format csv" in said


def test_a_longer_passage_goes_in_several_messages_in_any_order_and_one_that_is_missing_is_named(tmp_path):
    pupil = pupil_file.load_scenario("trembling").pupil
    performance = play.perform(pupil, script.write_script(pupil, 2, changes=250), 2)
    path = tmp_path / "long.bin"
    path.write_bytes(whole.wire_bytes(performance, chanter.setup_for(2), sensing.sensors("usual")))
    done = run("send", path, "--changes", "1..240")
    messages = done.stdout.rstrip("\n").split("\n\n")
    count = len(messages)
    assert f"in {count} messages of at most" in done.stderr
    assert max(map(len, messages)) <= LONGEST_MESSAGE
    opened = run("open", given="\n".join(messages[::-1] + messages[:1]))
    assert opened.stdout.startswith("Changes 1 to 240 of a session")
    assert f"all {count} messages of this passage; got {count - 1} of them" in refusal(
        "open", given="\n".join(messages[1:])
    )


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ("", "text without either"),
        ("hello Ann", "text without either"),
        (b"\xff\xfe\x00", "bytes that are no text"),
        ("FINGERTIMES\nABC", "one without THATSALL"),
        ("FINGERTIMES\n" * 2, "2 beginnings"),
        ("A" * (LONGEST_PASTE + 1), f"at most {LONGEST_PASTE} characters"),
        (b"A" * 20_000_000, f"at most {LONGEST_PASTE} characters"),
    ],
)
def test_what_is_piped_in_and_no_message_is_refused(given, sentence):
    assert sentence in refusal("open", given=given)


def test_a_file_that_holds_no_message_is_refused(session, tmp_path):
    assert "is neither (No such file or directory)" in refusal("open", "no-such-file")
    assert "is neither" in refusal("open", tmp_path)
    assert "is neither" in refusal("open", "x" * 10_000)
    assert "fingerlead analyse FILE" in refusal("open", session)
    (tmp_path / "words.txt").write_text("hello")
    assert "text without either" in refusal("open", tmp_path / "words.txt")


def test_a_damaged_message_is_refused(message):
    assert "with a letter changed" in refusal(
        "open", given=message[:60] + ("A" if message[60] != "A" else "C") + message[61:]
    )


def test_what_is_pasted_at_a_terminal_is_read_to_its_end(message):
    """What follows the message in a paste must not be left for the shell."""
    pty = pytest.importorskip("pty")
    controller, terminal = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "fingerlead.faces.cli.main", "open", "--no-strips"],
        stdin=terminal,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    ) as process:
        os.close(terminal)
        os.write(controller, f"Hello\n{message}\necho not run\n\x04".encode())
        told, asked = process.communicate(timeout=PATIENCE_S)
    os.close(controller)
    assert asked.startswith("Paste the message, from FINGERTIMES to THATSALL; then press Enter and Ctrl-D.")
    assert told == run("open", "--no-strips", given=message).stdout
