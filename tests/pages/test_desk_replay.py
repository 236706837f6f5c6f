"""What the replay asks the desk for: its groups of moments, their strips, and their sound, measured."""

from __future__ import annotations

import io
import re
import wave
from collections import defaultdict
from datetime import date
from html import unescape
from itertools import pairwise
from statistics import median_low

import numpy as np
import pytest

from fingering.moves import change_text
from fingering.notes import SOUNDING
from fingerlead.phrases import capital
from fingerlead.studio.index import analysed
from fingerlead.studio.studio import Studio
from fingerlead.timing.mended import trusted_diagnosis
from tests.pages.test_desk import client_of
from tests.sound.harmonics import loudness_of
from tests.studio.studios import playing, write

SPEED = 0.25


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """A desk, the address of a session there, and what the session is analysed to."""
    with Studio(tmp_path_factory.mktemp("studio")) as studio:
        key = studio.add("Ailsa").key
        path = write(tmp_path_factory.mktemp("scratch") / "a.session", playing(1, 300))
        digest = studio.take_in(key, path).digest
        _, analysis = analysed(studio.session_path(digest))
        yield client_of(studio, lambda: date(2026, 9, 20)), f"/session/{digest}", analysis


def strays_of(analysis):
    return [change for change in analysis.changes if change.verdict == "stray"]


def heard_us(change) -> int:
    return sum(stray.duration_us for stray in change.strays if stray.heard)


def sounded(session, from_us, until_us, **more):
    desk, address, _ = session
    asked = {"from_us": from_us, "until_us": until_us, "speed": SPEED, **more}
    with wave.open(io.BytesIO(desk.get(f"{address}.wav", params=asked).content)) as sound:
        return np.frombuffer(sound.readframes(sound.getnframes()), "<i2") / 32_768, sound.getframerate()


def test_what_went_astray_is_grouped_the_worst_first(session):
    desk, address, analysis = session
    page = desk.get(address).text.partition('id="astray-h"')[2].partition("</section>")[0]
    by_change = defaultdict(list)
    for change in strays_of(analysis):
        by_change[change.from_note, change.to_note].append(change)
    ranked = sorted(by_change.items(), key=lambda one: (-sum(map(heard_us, one[1])), one[0]))
    assert len(ranked) > 12
    groups = page.split('<li class="moment">')[1:]
    for group, (notes, changes) in zip(groups, ranked, strict=True):
        (name,) = re.findall("<h3>(.*?)</h3>", group)
        assert unescape(name) == capital(change_text(*notes))
        assert f"{len(changes)} of " in group
        typical, *instances = (int(number) for number in re.findall(r'data-what="change=(\d+)"', group))
        assert heard_us(analysis.changes[typical]) == median_low(map(heard_us, changes))
        assert (instances or [typical]) == [change.number for change in changes]
    # The strips of the first few are drawn; all others come when they are asked for.
    assert ['<svg class="strip"' in group for group in groups] == [n < 6 for n in range(len(groups))]
    assert page.index("more, ") < page.index(groups[12][:200])


def test_mended_sounds_without_the_stray_and_the_same_elsewhere(session):
    _, _, analysis = session
    tried = 0
    for change in sorted(strays_of(analysis), key=heard_us)[-8:]:
        diagnosis = trusted_diagnosis(change, analysis.timing, analysis.table, analysis.settings)
        if diagnosis is None or len(change.strays) > 1 or change.start_us < 300_000:
            continue
        (stray,), from_us, until_us = change.strays, change.start_us - 300_000, change.end_us + 300_000
        as_played, rate = sounded(session, from_us, until_us)
        mended, _ = sounded(session, from_us, until_us, mended=change.number)
        begin, end = (
            round((at_us - from_us) / 1e6 / SPEED * rate)
            for at_us in (stray.start_us, stray.start_us + stray.duration_us)
        )
        notes = (stray.note, change.from_note, change.to_note)
        loudest = [
            max(notes, key=lambda note: loudness_of(sound[begin:end], note, rate)) for sound in (as_played, mended)
        ]
        assert loudest[0] == stray.note
        assert loudest[1] != stray.note
        first = round((change.edges[0][0] - from_us) / 1e6 / SPEED * rate)
        assert np.array_equal(as_played[: first - 1], mended[: first - 1])
        tried += 1
    assert tried >= 4


def test_the_holes_of_a_mended_change_sound_only_its_two_notes(session):
    desk, address, analysis = session
    for change in strays_of(analysis)[:20]:
        asked = {"change": change.number, "scale_us": 100_000}
        told = desk.get(f"{address}/moment.json", params=asked).json()
        is_trusted = trusted_diagnosis(change, analysis.timing, analysis.table, analysis.settings) is not None
        assert (told["mended"] is not None) == is_trusted
        if told["mended"]:
            first_us, last_us, edges = told["mended"]
            assert (first_us, last_us) == (change.edges[0][0], change.edges[-1][0])
            heard = {SOUNDING[mask] for (at_us, mask), (until_us, _) in pairwise(edges)
                     if until_us - at_us >= analysis.settings.bounce_us}  # fmt: skip
            assert heard <= {change.from_note, change.to_note}
            assert SOUNDING[edges[-1][1]] == change.to_note
        assert told["svg"].startswith("<svg")
        lanes = told["lanes"]
        assert lanes["beginUs"] < change.edges[0][0] <= change.edges[-1][0] < lanes["endUs"]


@pytest.mark.parametrize(
    "query",
    [
        "from_us=-5&until_us=5000",
        "from_us=0&until_us=" + "9" * 4_000,
        "from_us=5&until_us=999999999",
        "from_us=0&until_us=1000000&speed=0.001",
        "from_us=0&until_us=1000000&speed=-1",
        "from_us=0&until_us=1000000&speed=inf",
        "from_us=0&until_us=4000000&speed=0.05",
        "from_us=0&until_us=1000000&mended=99999",
        "from_us=0&until_us=1000000&mended=-1",
        "from_us=0&until_us=1000000&mended=" + "9" * 4_000,
        "from_us=0&until_us=1000000&mended=1.5",
    ],
)
def test_a_sound_that_cannot_be_is_refused_in_a_sentence(session, query):
    desk, address, _ = session
    answer = desk.get(f"{address}.wav?{query}")
    assert answer.status_code == 400
    assert re.fullmatch(r"expected [^\n]{10,200}", answer.text)


@pytest.mark.parametrize(
    "query",
    ["", "change=x&scale_us=100000", "change=-1&scale_us=100000", "change=99999&scale_us=100000",
     "change=" + "9" * 5_000 + "&scale_us=100000", "movement=0&scale_us=100000", "change=1&scale_us=7", "change=1"],
)  # fmt: skip
def test_a_moment_that_is_none_is_refused_in_a_sentence(session, query):
    desk, address, _ = session
    answer = desk.get(f"{address}/moment.json?{query}")
    assert answer.status_code == 400
    assert re.fullmatch(r"expected [^\n]{10,200}", answer.text)
