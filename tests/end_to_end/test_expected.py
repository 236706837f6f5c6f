"""A tune, played with one fault that the simulator wrote down beforehand: the fault and nothing else is told.

The playing is read against the tune. What is told is where it departs from it (wrong, extra, restarts, idle fingers)
together with the strays of the plain changes, however long they sound, each with the finger that is named.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from fingering.holes import fingers_of
from fingering.ladder import ladder
from fingering.table import standard_table
from fingering.tunes import easy_tunes
from fingerlead.music.abc import parse_abc
from fingerlead.practice.pupil_port import written_notes
from fingerlead.reading.asked import SessionMusic
from fingerlead.simulated.chanter import setup_for
from fingerlead.simulated.planted_movements import MOVEMENT_KINDS, MovementPlant, plant_movements
from fingerlead.simulated.planting import CLEAN, KINDS, NotPlantableError, plant_one, sounds_alike
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import STANDARD
from fingerlead.simulated.script import tune_script
from fingerlead.simulated.sensing import sensors
from fingerlead.simulated.serve import wire_bytes
from fingerlead.store.session_music import MusicAt, musics_of
from fingerlead.timing.against import departures, notes_led_to, played_musics
from fingerlead.timing.analysis import analyse
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.movement_beats import placed_movements
from fingerlead.timing.timeline import timing_of
from fingerlead.wire.columns import read_record

PROGRAM = Path(sys.executable).with_name("fingerlead")
RUNS = 200
NAMED = 190
TEMPOS = (60, 90, 120)  # quarter notes a minute


@cache
def music():
    """Every rung and every easy tune, and what is asked of one who plays it."""
    pieces = [("rung", rung.key, rung.abc) for rung in ladder()]
    pieces += [("tune", tune.key, tune.abc) for tune in easy_tunes()]
    return [(key, parse_abc(abc, key)[0][0], asked(kind, key, abc)) for kind, key, abc in pieces]


def asked(kind, name, abc):
    return musics_of([MusicAt(0, SessionMusic(kind, name, abc))])


def script_of(tune, tempo):
    return tune_script(written_notes(tune), 4 * 60_000_000 // tempo)


def told(performance, musics, seed, kind="usual"):
    """What is found in a playing, as (kind, finger, number of the written note), and the words."""
    record = read_record(wire_bytes(performance, setup_for(seed), sensors(kind)), None)
    analysis = analyse(record, standard_table(), timing_of(record, "wire"), musics=musics)
    # A slip that sounds a note is told as that note, and names its finger.
    found = [
        ("idle" if each.kind == "extra" and each.finger is not None else each.kind, each.finger, each.number)
        for each in departures(analysis)
    ]
    written = [None if held.written is None else held.written.number for held in analysis.held]
    for change, reached in zip(analysis.changes, notes_led_to(analysis), strict=True):
        place = written[reached]
        # A note that was not asked for makes the changes on both sides of it doubtful.
        beside_extra = None in (written[reached - 1], place)
        if change.verdict == "stray":
            diagnosis = diagnose_change(change)
            assert diagnosis is not None
            found.append((diagnosis.how, diagnosis.finger, place))
        elif change.verdict == "apart" and not beside_extra:
            found.append(("apart", change.lead, place))
        elif change.verdict != "clean" and not beside_extra:
            # A written grace note makes a change an embellished one, a slip that is heard an extra one; nothing else.
            graced = bool(musics[0].notes[place].graces)
            slipped = any(kind == "idle" and number == place for kind, _, number in found)
            if not ((change.verdict == "embellished" and graced) or (change.verdict == "extra" and slipped)):
                found.append((change.verdict, None, place))
    found += [
        (movement.verdict, None, None)
        for movement in analysis.movements
        if movement.verdict not in ("as written", "unwritten")
    ]
    return found, [sentence for music in played_musics(analysis) for sentence in music.words]


def wanted(fault, script):
    """The sets of findings that name a fault: one set, or more where they sound alike."""
    if fault.kind == "early":
        return [{("early", fault.finger, fault.place)}]
    if fault.kind == "slow":
        # Of two fingers that come apart, it cannot be said whether one was late or the other early.
        moving = fingers_of(STANDARD[fault.from_note] ^ STANDARD[fault.to_note])
        fingers = moving if len(moving) == 2 else (fault.finger,)
        return [{(how, finger, fault.place)} for finger in fingers for how in ("early", "late")]
    if fault.kind == "wrong":
        return [{("wrong", None, fault.place)}]
    if fault.kind == "slip":
        return [{("idle", fault.finger, fault.place)}]
    notes = [step.note for step in script]
    return [{("restart", None, place)} for _, place in sounds_alike(notes, fault.stopped_at, fault.place)]


def test_the_planted_fault_is_told_and_nothing_else():
    rng = random.Random(20)
    missed, seed = [], 0
    counts = dict.fromkeys(KINDS, 0)
    while sum(counts.values()) < RUNS:
        seed += 1
        (key, tune, musics), kind, tempo = rng.choice(music()), KINDS[seed % len(KINDS)], rng.choice(TEMPOS)
        script = script_of(tune, tempo)
        try:
            performance, fault = plant_one(kind, script, seed)
        except NotPlantableError:
            continue
        counts[kind] += 1
        found, words = told(performance, musics, seed)
        if len(found) != 1 or set(found) not in wanted(fault, script):
            missed.append(f"{key} {tempo} seed {seed}: {fault}\n    {found} {words}")
    assert min(counts.values()) >= 20
    assert RUNS - len(missed) >= NAMED, "\n".join(missed)


def test_a_clean_pupil_is_told_that_nothing_stands_out():
    for seed, (key, tune, musics) in enumerate(music()):
        script = script_of(tune, TEMPOS[seed % len(TEMPOS)])
        assert told(perform(CLEAN, script, seed), musics, seed) == ([], []), key


def words_of(fault):
    if fault["kind"] == "wrong":
        return f"{fault['to']} instead of {fault['written']}."
    if fault["kind"] == "restart":
        return f"went back to {fault['to']}"
    return fault["finger"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_newcomer_plays_a_rung_and_reads_the_planted_fault(tmp_path, kind):
    truth, session = tmp_path / "truth.jsonl", tmp_path / "rung.session"
    simulate = [PROGRAM, "simulate", "--on", "pty", "--tune", "c-e", "--fault", kind, "--truth", truth]
    with subprocess.Popen([*simulate, "--speed", "max"], stdout=subprocess.PIPE, text=True) as simulator:
        port = simulator.stdout.readline().removeprefix("listening on ").strip()
        recorder = subprocess.Popen([PROGRAM, "record", port, "-o", session], stdout=subprocess.PIPE, text=True)
        assert simulator.wait(60) == 0
        recorder.terminate()
        assert recorder.wait(30) == 0
    (fault,) = [entry["fault"] for entry in map(json.loads, truth.open(encoding="utf-8")) if "fault" in entry]
    assert fault["kind"] == kind
    analyse_it = [PROGRAM, "analyse", session, "--expect", "c-e", "--format", "json"]
    result = json.loads(subprocess.run(analyse_it, capture_output=True, text=True, check=True).stdout)
    text = subprocess.run([PROGRAM, "analyse", session, "--expect", "c-e"], capture_output=True, text=True, check=True)
    misread = [one["kind"] for one in result["misread"]]
    if kind in ("early", "slow"):
        # With the tune known a run is a run, however long it sounds.
        assert misread == []
        (stray,) = [change for change in result["changes"] if change["verdict"] == "stray"]
        assert (stray["from"], stray["to"]) == (fault["from"], fault["to"])
        if kind == "early":
            assert stray["lead"] == fault["finger"]
        assert f"the {fault['finger']} " in text.stdout.lower()
    else:
        # Going back is no note misread, and a slip is one only where it sounds.
        assert misread in {"wrong": [["wrong"]], "restart": [[]], "slip": [[], ["extra"]]}[kind]
        (told,) = [
            line for line in text.stdout.split("notes were as written:")[1].split("\n\n")[0].splitlines() if line
        ]
        assert words_of(fault) in told


@pytest.mark.parametrize(
    ("options", "code", "says"),
    [
        (["--fault", "slow"], 2, "--tune"),
        (["--tune", "c-e", "--changes", "3"], 2, "to its end"),
        (["--tune", "c-e", "--fault", "slow", "--pupil", "mixed"], 2, "leave the pupil out"),
        (["--tune", "low-g", "--fault", "early"], 1, "try another tune"),
        (["--tune", "c-e", "--fault", "crushed:1"], 1, "no grace notes"),
        (["--tune", "c-e", "--fault", "crusht:1"], 2, "as crushed:3"),
        (["--tune", "c-e", "--fault", "slow", "--fault", "late:1"], 2, "alone"),
        (["--tune", "no such rung"], 1, "fingerlead ladder"),
        (["--tune", "missing.abc"], 1, "missing.abc"),
    ],
)
def test_what_cannot_be_played_is_refused_in_a_sentence(options, code, says):
    done = subprocess.run([PROGRAM, "simulate", "--on", "pty", *options], capture_output=True, text=True, check=False)
    assert done.returncode == code
    assert says in " ".join(done.stderr.replace("│", "").split())
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("bar", "says"),
    [("{gg}B2", "high G stands twice in a row"), ("{A}B2", "from low A to B; of {A} all of it sounds like the notes")],
)
def test_a_movement_that_cannot_be_played_is_refused_with_its_bar(tmp_path, bar, says):
    path = tmp_path / "t.abc"
    path.write_text(f"X:1\nT:t\nM:2/4\nL:1/4\nK:HP\nB2 | A2 | {bar} |]\n", encoding="utf-8")
    done = subprocess.run(
        [PROGRAM, "simulate", "--on", "pty", "--tune", path], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert f"{path}, bar 3: expected a movement that can be played" in done.stderr
    assert says in done.stderr


def test_a_tune_with_grace_notes_is_played_as_written_from_a_file_of_abc():
    # {GdGe} is the example of the standard (ABC 2.1, section 4.12).
    text = "X:1\nT:The Tide Mill\nM:2/4\nL:1/4\nQ:1/4=70\nK:HP\n{g}A {d}B | {GdGe}A {g}c | {gef}e {g}e | {e}A2 |]\n"
    tune = parse_abc(text)[0][0]
    assert told(perform(CLEAN, script_of(tune, 70), 3), asked("tune", "The Tide Mill", text), 3) == ([], [])


# "early" and "late" are told by the beat, which takes a longer tune: below.
@pytest.mark.parametrize("kind", [kind for kind in MOVEMENT_KINDS if kind not in ("early", "late", "another")])
def test_a_fault_planted_in_a_movement_is_told_on_that_movement_alone(kind):
    text = "X:1\nT:The Gate\nM:4/4\nL:1/2\nQ:1/4=60\nK:HP\nB {GdGe}A | {g}e {gBd}B | {Gdc}d A |]\n"
    script = script_of(parse_abc(text)[0][0], 60)
    number = 3 if kind in ("crushed", "swallowed", "extra catch") else 1
    performance = plant_movements([MovementPlant(kind, number)], script, 2)
    (fault,) = performance.faults
    record = read_record(wire_bytes(performance, setup_for(2), sensors("usual")), None)
    musics = asked("tune", "The Gate", text)
    movements = analyse(record, standard_table(), timing_of(record, "wire"), musics=musics).movements
    odd = {n: movement for n, movement in enumerate(movements, 1) if movement.verdict != "as written"}
    assert list(odd) == [number]
    told = [(each.kind, each.note, each.finger) for each in odd[number].faults] or [(odd[number].verdict, None, None)]
    named = [(note, finger) for name, note, finger in told if name == kind]
    assert named
    assert fault.index is None or fault.index in [note for note, _ in named]
    assert all(finger in (None, fault.finger) for _, finger in named if fault.finger is not None)


@pytest.mark.parametrize("key", ["kettle-lid", "two-gates"])
@pytest.mark.parametrize("kind", ["early", "late"])
@pytest.mark.parametrize("number", [2, 5])
def test_a_movement_planted_beside_the_beat_is_told_alone(key, kind, number):
    (easy,) = (tune for tune in easy_tunes() if tune.key == key)
    script = script_of(parse_abc(easy.abc)[0][0], 60)
    performance = plant_movements([MovementPlant(kind, number)], script, 7)
    (fault,) = performance.faults
    record = read_record(wire_bytes(performance, setup_for(7), sensors("usual")), None)
    analysis = analyse(record, standard_table(), timing_of(record, "wire"), musics=asked("tune", key, easy.abc))
    told = [
        (m.start_us, each) for m in placed_movements(analysis) for each in m.faults if each.kind in ("early", "late")
    ]
    ((start_us, each),) = told
    assert each.kind == kind
    assert abs(start_us - fault.t_us) < 10_000
    assert 50_000 < each.size_us < 100_000
