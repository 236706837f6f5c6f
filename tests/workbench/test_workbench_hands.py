"""People who calibrate as people do, and sensors that fail as sensors do: who is blamed, and what is asked again.

`many_makers` does the same many times over.
"""

from __future__ import annotations

import re
from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from fingerlead.workbench.evidence import wires_are_swapped
from fingerlead.workbench.guidance import REPEATS, ask_words
from fingerlead.workbench.samples import PLAN
from tests.workbench.makers import BAD_SENSORS, MISTAKES, SCALE, calibrate, is_named


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_hand_that_makes_mistakes_is_told_of_no_faulty_sensor(mistake):
    done, _ = calibrate(1, (mistake,))
    assert {hole: report.words for hole, report in done.blamed.items()} == {}
    for report in done.reports:
        # What might be a finger or a sensor is told as just that.
        assert report.fault is None or "If " in report.words


@pytest.mark.parametrize("kind", BAD_SENSORS)
def test_a_bad_sensor_under_a_careful_hand_is_named_and_no_other(kind):
    for seed in range(40, 42):
        done, sensors = calibrate(seed, (), kind)
        assert all(is_named(done.reports[hole], kind) for hole in sensors.holes), (seed, done.sentences)
        assert set(done.blamed) <= set(sensors.holes)


@pytest.mark.parametrize(
    ("kind", "mistake"), [*zip(BAD_SENSORS, ("skips", "forgets", "early", "skips half") * 2, strict=True)]
)
def test_beside_a_bad_sensor_mistakes_blame_no_healthy_one(kind, mistake):
    done, sensors = calibrate(7, (mistake,), kind)
    assert set(done.blamed) <= set(sensors.holes)
    assert all(done.reports[hole].verdict != "good" for hole in sensors.holes)


def test_half_covered_steps_that_were_skipped_are_asked_again_left_out_and_told():
    done, _ = calibrate(3, ("skips half",))
    assert [report.verdict for report in done.reports] == ["good"] * 8
    assert {report.half for report in done.reports} == {None}
    assert done.steps.left_out == [number for number, (kind, _) in enumerate(PLAN) if kind == "half"]
    asked = Counter(number for number, _, _ in done.said)
    # After two holes in vain, it is asked for once.
    assert [asked[number] for number in done.steps.left_out] == [1 + REPEATS] * 2 + [1] * 6
    assert done.sentences[2] == ask_words("half", 0)
    assert done.sentences[3] == ("The thumb still covers its whole hole: move it aside until half of the hole is open.")
    (told,) = done.steps.missing
    assert told.startswith("Not seen half covered: the thumb, the top index, ")


def test_what_is_done_when_it_is_asked_again_is_done():
    for seed in range(20, 24):
        done, _ = calibrate(seed, ("forgets",))
        again = [words for number, tries, words in done.said if tries and PLAN[number][0] == "all"]
        if again and len(again) < REPEATS:
            assert done.steps.left_out == []
            assert all(
                re.fullmatch("Nothing changed at the .+: play low G, with all holes covered.", words) for words in again
            )
            assert [report.verdict for report in done.reports] == ["good"] * 8
            return
    raise AssertionError("no hand forgot a finger and found it again")


@pytest.mark.parametrize("mistake", ["skips", "wrong hole", "starts on"])
def test_each_asking_is_one_sentence_and_steps_that_are_done_stay_done(mistake):
    done, _ = calibrate(11, (mistake,))
    for (before, _, _), (after, tries, words) in pairwise(done.said):
        assert words.count(". ") == 0
        assert words.endswith(".")
        assert 0 <= tries <= REPEATS
        # Back only to the very beginning, where a finger lay on its hole.
        assert after >= before or after == 0


def test_a_scale_tells_swapped_wires_from_fingers_that_were_taken_for_each_other():
    masks = np.array([[int(covered) for covered in note] for note in SCALE], dtype=float)
    played = np.repeat(np.concatenate((masks, masks[::-1])), 50, axis=0)
    t_us = np.arange(len(played)) * 8_000
    for a in range(8):
        for b in range(a):
            order = list(range(8))
            order[a], order[b] = b, a
            instead = {a: b, b: a}
            assert wires_are_swapped(t_us, played[:, order], instead), (a, b)
            assert not wires_are_swapped(t_us, played, instead), (a, b)
