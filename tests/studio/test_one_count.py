"""What is worth work is the same at the desk, from rows of an index, and in a report, from the playing itself."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from fingerlead.faces.pages.desk.words import glance_sentence, work_name, work_sentence
from fingerlead.studio.index import Index, IndexedSession
from fingerlead.studio.overview import glances, lots_since, span_of, worth_work
from fingerlead.studio.pupils import Pupil
from fingerlead.timing.findings import findings
from fingerlead.timing.progress import sums_of
from fingerlead.timing.summary import summarise
from tests.faces.playing import random_playing
from tests.timing.test_findings import runs_and_wrong_notes, written
from tests.timing.test_pulse import play_pointed, pointed_abc

TODAY = date(2026, 11, 20)
PUPIL = Pupil("0" * 12, "Ailsa", lesson="2026-11-06")
PLAYING = {
    "stray": lambda: [random_playing(120, seed) for seed in range(3)],
    "apart": lambda: [random_playing(120, seed, 90_000) for seed in range(3)],
    "wrong": lambda: [fingers.analysis(written(notes)) for fingers, notes in map(runs_and_wrong_notes, (6, 8))],
    "pairs": lambda: [play_pointed(ratio, seed).analysis(pointed_abc()) for seed in range(2) for ratio in (1, 1 / 3)],
}


@pytest.mark.parametrize("kind", PLAYING)
def test_the_desk_and_a_report_tell_the_same_in_the_same_order(tmp_path, kind):
    index, analyses = Index(tmp_path), PLAYING[kind]()
    days = [*(f"{TODAY - timedelta(days=9 - number)}" for number in range(len(analyses))), "2026-11-01"]
    # What came before the lesson counts for nothing.
    for number, (day, analysis) in enumerate(zip(days, [*analyses, random_playing(60, 9)], strict=True)):
        session = IndexedSession(f"{number:032}", PUPIL.key, f"{day}T12:00:00+00:00", 60_000_000)
        index.put(session, *sums_of(analysis))
    (glance,) = glances(index, [PUPIL], TODAY)
    desk = worth_work(lots_since(index, PUPIL.key, span_of(PUPIL.lesson, TODAY)))
    summary = summarise(analyses)
    report = summary.worth_work()
    assert kind in {work.kind for work in report}
    assert [(work.kind, work.key, *work[2:]) for work in desk] == [(work.kind, work.key, *work[2:]) for work in report]
    assert glance.first == desk[0]
    assert f"work on {work_name(desk[0])} first".lower() in glance_sentence(glance).lower()
    for work, found in zip(desk, findings(summary), strict=True):
        if work.kind in ("apart", "wrong", "pairs"):
            # The same words, but for the interval, which the desk does not say.
            interval = found.words[found.words.index(" (") : found.words.index(" %)") + 3]
            assert work_sentence(work).split(", typically")[0] in found.words.replace(interval, "")
    index.close()
