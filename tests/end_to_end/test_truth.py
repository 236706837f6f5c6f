"""The whole chain against the truth that the simulated pupil wrote down before any sensor saw it.

The simulated chanter is a program of its own on a pseudo-terminal; `fingerlead record` takes it down through pyserial;
the analysis of the session is held against the truth, judged by plain loops (tests/timing/plain_judge.py).
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from fingering.table import standard_table
from fingerlead.reading.costs import LONGEST_INNER_US
from fingerlead.simulated.sensing import sensors
from fingerlead.store.intake import load
from fingerlead.timing.analysis import analyse
from fingerlead.timing.results import KnownSkew, Settings
from fingerlead.timing.timeline import timing_of
from tests.end_to_end.capture import AGAIN, Capture
from tests.simulated.known import known_lag_us, read_truth
from tests.timing.plain_judge import judge

PROGRAM = Path(sys.executable).with_name("fingerlead")
CHANGES = 2_000
PIECE = 30


def played(folder: Path, *options: str, on: str = "pty") -> tuple[Path, Path]:
    """Simulate and record as two processes; returns the session and the truth file."""
    truth, session = folder / "truth.jsonl", folder / "evening.session"
    simulate = [PROGRAM, "simulate", "--on", on, "--truth", truth, "--speed", "max", *options]
    with subprocess.Popen(simulate, stdout=subprocess.PIPE, text=True) as simulator:
        assert simulator.stdout is not None
        port = simulator.stdout.readline().removeprefix("listening on ").strip()
        recorder = subprocess.Popen([PROGRAM, "record", port, "-o", session], stdout=subprocess.PIPE, text=True)
        assert simulator.wait(120) == 0
        recorder.terminate()
        assert recorder.wait(30) == 0
    return session, truth


def expected_states(truth, kind):
    """When an ideal scan sees each finger: the first scan at or after the known lag of its sensor."""
    # A sample is rounded: it reaches a level as soon as it is less than half a count short of it.
    rounded = [replace(s, cover_at=s.cover_at - 0.5, uncover_at=s.uncover_at + 0.5) for s in sensors(kind)]
    crossings = sorted(
        (edge.t_us + known_lag_us(rounded[edge.finger], edge.motion), edge.finger) for edge in truth.performance.edges
    )
    first_us, scan_us = truth.first_stamp_us, truth.scan_us
    states, mask = [(0, truth.performance.start_mask)], truth.performance.start_mask
    for crossing_us, finger in crossings:
        seen_us = -int(-(crossing_us - first_us) // scan_us) * scan_us
        mask ^= 1 << finger
        if states[-1][0] == seen_us:
            states.pop()
        states.append((seen_us, mask))
    return states


def analysed(session, skew=None):
    loaded = load(session)
    timing = timing_of(loaded.record, loaded.kind, skew)
    return analyse(loaded.record, standard_table(), timing), loaded


def judged(states, end_us, uncertainty_us):
    """Notes and changes of a long performance, judged a piece at a time: the plain reader is for short ones.

    A note as long as no embellishment's is a melody note whatever surrounds it; a piece is judged with three of them
    on either side, and gives what starts between two others.
    """
    lasting = [(a, b, mask) for (a, mask), (b, _) in pairwise([*states, (end_us, 0)]) if b - a >= LONGEST_INNER_US]
    # The middle of each: nothing starts there.
    middles = [(0, 0), *(((a + b) // 2, mask) for a, b, mask in lasting), (end_us, 0)]
    notes, changes = [], []
    cuts = [*range(0, len(middles) - 1, PIECE), len(middles) - 1]
    for first, last in pairwise(cuts):
        (begin_us, _), (stop_us, _) = middles[first], middles[last]
        from_us, mask = middles[max(first - 3, 0)]
        until_us = middles[min(last + 3, len(middles) - 1)][0]
        piece = [(t_us, mask) for t_us, mask in states if from_us < t_us < until_us]
        piece.insert(0, (from_us, mask) if from_us else states[0])
        some_notes, some_changes, _, _ = judge(piece, until_us, [], Settings(), uncertainty_us)
        notes += [note for note in some_notes if begin_us <= note[2] < stop_us]
        changes += [change for change in some_changes if begin_us <= change["start"] < stop_us]
    return notes, changes


def assert_every_change_is_as_the_truth_says(session, truth_file, least):
    truth = read_truth(truth_file)
    analysis, loaded = analysed(session, KnownSkew(3_000))
    intake, uncertainty_us = loaded.record.intake, analysis.timing.uncertainty_us
    assert (intake.lost_frames, intake.bad_frames, loaded.record.doubts) == (0, 0, [])
    states = expected_states(truth, "ideal")
    held, changes = judged(states, loaded.record.end_us, uncertainty_us)
    assert len(changes) >= least
    assert [(h.note, h.covered_mask, h.start_us) for h in analysis.held] == [h[:3] for h in held]
    for change, true in zip(analysis.changes, changes, strict=True):
        assert (change.from_note, change.to_note) == (true["from_note"], true["to_note"])
        assert change.start_us == true["start"]
        assert [(f.finger, f.after_start_us) for f in change.fingers] == true["fingers"]
        assert [(s.note, s.covered_mask, s.start_us, s.duration_us) for s in change.strays] == true["strays"]
        assert (change.lead, change.spread_us, change.verdict) == (true["lead"], true["spread"], true["verdict"])


IDEAL = ("--pupil", "heavy-crossing", "--seed", "11", "--sensors", "ideal", "--changes")


def test_every_change_is_exactly_as_the_truth_says(tmp_path):
    assert_every_change_is_as_the_truth_says(*played(tmp_path, *IDEAL, str(CHANGES)), CHANGES)


@pytest.mark.usefixtures("jack")
def test_every_change_is_exactly_as_the_truth_says_over_midi(tmp_path):
    for again in range(AGAIN + 1):
        folder = tmp_path / str(again)
        folder.mkdir()
        with Capture(folder) as captured:
            session, truth = played(folder, *IDEAL, "400", on="midi:alder chanter")
        lost = load(session).record.intake.lost_frames
        if not lost or not (len(captured.xruns) or captured.breaks):
            break
        # A server that falls behind drops what it carries in that cycle.
        print(f"take {again + 1}: {lost} frames lost, {len(captured.xruns)} under-runs of the server")
    assert_every_change_is_as_the_truth_says(session, truth, 400)


def test_usual_sensors_shift_fingers_by_no_more_than_the_stated_uncertainty(tmp_path):
    session, truth_file = played(
        tmp_path, "--pupil", "early-little-finger", "--seed", "5", "--changes", str(CHANGES), "--sensors", "usual"
    )
    truth = read_truth(truth_file)
    analysis, _ = analysed(session)
    shift_us = truth.first_stamp_us
    edges = {}
    for edge in truth.performance.edges:
        edges.setdefault(edge.finger, []).append(edge.t_us - shift_us)
    plain = [change for change in analysis.changes if change.is_plain and not change.slips]
    assert len(plain) > CHANGES * 0.9
    for change in plain:
        true_us = {
            f.finger: min(edges[f.finger], key=lambda t, at=change.start_us + f.after_start_us: abs(t - at))
            for f in change.fingers
        }
        for finger in change.fingers:
            assert abs(change.start_us + finger.after_start_us - true_us[finger.finger]) <= finger.uncertainty_us
        # What is called the lead did lead: no finger truly moved before it by more than what is uncertain.
        if change.lead is not None:
            assert true_us[change.lead] - min(true_us.values()) <= 0
