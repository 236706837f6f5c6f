"""One session says the same on every face: in words, as JSON and CSV, in the report, the numbers, the studio."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from datetime import UTC, datetime

import pytest
from typer.testing import CliRunner

import fingerlead
from fingering.moves import change_text
from fingering.notes import NOTES
from fingerlead.faces.cli.main import app
from fingerlead.faces.pages.desk.pages import pupil_page
from fingerlead.faces.pages.desk.routes import analysed as desk_analysed
from fingerlead.faces.pages.desk.sessions import session_page
from fingerlead.faces.report.learner import learner_of_files
from fingerlead.phrases import capital
from fingerlead.reading.asked import SessionMusic
from fingerlead.studio.index import analysed as studio_analysed
from fingerlead.studio.studio import Studio
from fingerlead.timing.analysis import VERDICTS
from fingerlead.timing.movement_sums import COUNTED, movement_sums
from fingerlead.timing.summary import summarise
from tests.embellishments.planted import recital
from tests.listening.test_music_live import chunks, listened
from tests.reading.players import beginner, run_player, together_player
from tests.store.playing import csv_of, music_of, write_playing

TODAY = datetime.now(UTC).date()
OFF = SessionMusic(judged=False, why="hands off asked")


def out_of(*words):
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return done.output


def playing():
    """Runs of 120 ms between low G and C; a beginner; fingers that roll, with a part in which nothing is judged."""
    runs = run_player(0, 3, 120_000, 1)
    tune = [0, 3, 1, 4, 2, 5, 0, 6]
    slow = beginner(tune, 4)
    rolled = together_player([0, 4, 0, 4] * 6, 60_000, 3, at_least_us=45_000)
    half_us = rolled.notes[12].start_us - 50_000
    return {
        "runs": (runs, [(0, music_of(runs.music))]),
        "beginner": (slow, [(0, music_of(tune))]),
        "rolled": (rolled, [(0, music_of(rolled.music, stage_us=25_000)), (half_us, OFF)]),
        "free": (runs, []),
    }


def counts_of(analysis):
    """For each directed change (by its notes' names) how many of it have each verdict; what is not judged apart."""
    return Counter(
        (NOTES[c.from_note], NOTES[c.to_note], c.verdict if c.judged else "not judged") for c in analysis.changes
    )


@pytest.mark.parametrize("which", ["runs", "beginner", "rolled", "free"])
def test_the_same_session_says_the_same_on_every_face(tmp_path, which):
    played, asked = playing()[which]
    path = write_playing(tmp_path / "a.session", played, *asked)
    loaded = fingerlead.read(path)
    truth = fingerlead.analyse(loaded)
    counts = counts_of(truth)
    found = json.loads(out_of("analyse", path, "--format", "json"))
    assert found == json.loads(json.dumps(fingerlead.as_dict(truth, loaded)))
    assert counts == Counter(
        (c["from"], c["to"], c["verdict"] if c["judged"] else "not judged") for c in found["changes"]
    )
    rows = list(csv.DictReader(out_of("analyse", path, "--format", "csv").splitlines()))
    assert [(row["from"], row["to"], row["verdict"]) for row in rows] == [
        (NOTES[c.from_note], NOTES[c.to_note], c.verdict) for c in truth.changes
    ]
    # The studio and the desk, of the session as the studio wrote it anew; a copy with `keep`; MIDI out and in again.
    out_of("keep", path, "-o", tmp_path / "kept.session")
    out_of("export", path, "-o", tmp_path / "a.mid")
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Isla", "left", "", "").key
        assert studio.take_in(key, path).outcome == "new"
        (session,) = studio.index.sessions(key)
        tallies = [tally for *_, tally in studio.index.tallies(key)]
        copies = [studio.session_path(session.digest), tmp_path / "kept.session"]
        read = [counts_of(read(copy)[1]) for copy in copies for read in (studio_analysed, desk_analysed)]
        assert read == [counts] * 4
    assert counts_of(fingerlead.analyse(fingerlead.read(tmp_path / "a.mid"), skew_us=1_000)) == counts
    # The numbers: of one file, and of the studio that has it.
    out_of("report", path, "-o", tmp_path / "n.json")
    numbers = json.loads((tmp_path / "n.json").read_text())["changes"]
    out_of("report", tmp_path / "studio", "-o", tmp_path / "s.json")
    of_studio = json.loads((tmp_path / "s.json").read_text())["changes"]
    assert [{**row, "who": ""} for row in numbers] == [{**row, "who": ""} for row in of_studio]
    for row in numbers:
        here = {verdict: counts[row["from"], row["to"], verdict] for verdict in VERDICTS}
        assert row["plain"] == sum(here[verdict] for verdict in ("clean", "apart", "stray"))
        assert row["astray"] == here["stray"]
        others = ("apart", "embellished", "extra", "perhaps", "unclear", "uncertain")
        assert [row[verdict] for verdict in others] == [here[verdict] for verdict in others]
    by_change = {(NOTES[t.from_note], NOTES[t.to_note]): t for t in tallies}
    assert {pair: (t.plain, t.astray, t.apart) for pair, t in by_change.items()} == {
        (row["from"], row["to"]): (row["plain"], row["astray"], row["apart"]) for row in numbers
    }
    # The page of the report, and live.
    out_of("report", path, "-o", tmp_path / "page.html")
    assert learner_of_files([(path, truth)], TODAY).played[0].analysis.changes == truth.changes
    page = (tmp_path / "page.html").read_text()
    apart = [worth for worth in summarise([truth]).worth_work() if worth.kind == "apart"]
    assert bool(apart) is ("Nothing was heard, and the fingers were not together:" in page) is (which == "rolled")
    for worth in apart:
        assert f"{change_text(*worth.key)} ({worth.times} of {worth.of_all})" in page
    pieces = chunks(played, 0)
    heard = [(sum(piece.host_us <= at_us for piece in pieces) if at_us else 0, music) for at_us, music in asked]
    assert counts_of(listened(tmp_path / "live.session", pieces, heard)) == counts


def test_fingers_apart_are_a_group_of_their_own_on_their_sessions_page(tmp_path):
    played, asked = playing()["rolled"]
    path = write_playing(tmp_path / "a.session", played, *asked)
    apart = Counter(
        (c.from_note, c.to_note)
        for c in fingerlead.analyse(fingerlead.read(path)).changes
        if c.is_plain and c.verdict == "apart"
    )
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Isla", "left", "", "").key
        studio.take_in(key, path)
        (session,) = studio.index.sessions(key)
        page, of_pupil = session_page(studio, session.digest), pupil_page(studio, key, TODAY)
    section = page.partition('id="loose-h"')[2].partition("</section>")[0]
    assert f"{sum(apart.values())} with the fingers apart" in page
    groups = section.split('<li class="moment">')[1:]
    assert len(groups) == len(apart)
    for group in groups:
        name, sentence = re.search("<h3>(.*?)</h3>\\s*<p>(.*?)</p>", group).groups()
        (times,) = {times for notes, times in apart.items() if capital(change_text(*notes)) == name}
        assert sentence.startswith(f"In {times} of ")
        assert len(re.findall('data-what="change=', group)) == (1 if times == 1 else times + 1)
        # What the pupil's page says of it is said here.
        assert name not in of_pupil or sentence in of_pupil


def movements_of(analysis):
    """Each movement with its verdict and the faults that are told of it."""
    return [
        (m.name, m.written, m.verdict, m.variant, [(f.kind, f.note, f.finger, f.size_us) for f in m.faults])
        for m in analysis.movements
    ]


@pytest.mark.parametrize("kind", ["well", "missing", "stray inside", "uneven", "left out"])
def test_a_movement_and_its_faults_are_the_same_on_every_face(tmp_path, kind):
    played = recital(kind, 12, 55_000, 80_000, seed=31).performance
    asked = (0, music_of(played.music))
    path = write_playing(tmp_path / "a.session", played, asked)
    truth = fingerlead.analyse(fingerlead.read(path))
    movements = movements_of(truth)
    assert any(faults for *_, faults in movements) is (kind not in ("well", "left out"))
    out_of("keep", path, "-o", tmp_path / "kept.session")
    for copy in (path, tmp_path / "kept.session"):
        for read in (studio_analysed, desk_analysed):
            assert movements_of(read(copy)[1]) == movements
    told = json.loads(out_of("analyse", path, "--format", "json"))["movements"]
    assert [m["verdict"] for m in told] == [verdict for _, _, verdict, *_ in movements]
    assert [[(f["kind"], f["note"], f["size_us"]) for f in m["faults"]] for m in told] == [
        [(kind, note, size_us) for kind, note, _, size_us in faults] for *_, faults in movements
    ]
    text = out_of("analyse", path)
    # Of a note that is crushed or dragged it goes without saying that it is uneven.
    words = [f["words"] for m in told for f in m["faults"] if f["kind"] != "uneven" or not has_length(m, f["note"])]
    assert words or kind in ("well", "left out")
    assert all(one[0].upper() + one[1:] in text for one in words), text
    heard = listened(tmp_path / "live.session", chunks(played, 0), [asked])
    assert movements_of(heard) == movements
    # Added up: in the summary that the report shows, in the studio's index, on the desk, in the numbers of both.
    counts = Counter((m["written"], m["between"][1], m["verdict"]) for m in told if m["written"] is not None)
    counts = Counter({key: times for key, times in counts.items() if key[2] not in ("unclear", "uncertain")})
    faults = Counter((m["written"], m["between"][1], f["kind"], m["variant"], f["note"], f["sounded"])
                     for m in told if m["written"] is not None and m["verdict"] in ("faulty", "another")
                     for f in {(f["kind"], f["note"], f["sounded"]): f for f in m["faults"]}.values()
                     if f["kind"] != "uneven" or not has_length(m, f["note"]))  # fmt: skip
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Isla", "left", "", "").key
        assert studio.take_in(key, path).outcome == "new"
        (session,) = studio.index.sessions(key)
        of_index = [one for *_, one in studio.index.movements(key)]
        for sums in (summarise([truth]).by_movement.values(), of_index, movement_sums(heard)):
            assert sum((verdicts_of(one) for one in sums), Counter()) == counts
            assert sum((faults_of(one) for one in sums), Counter()) == faults
        page = pupil_page(studio, key, TODAY) + session_page(studio, session.digest)
    out_of("report", path, "-o", tmp_path / "n.json")
    out_of("report", tmp_path / "studio", "-o", tmp_path / "s.json")
    of_file, of_studio = (json.loads((tmp_path / name).read_text())["movements"] for name in ("n.json", "s.json"))
    assert [{**row, "who": ""} for row in of_file] == [{**row, "who": ""} for row in of_studio]
    assert Counter({(row["movement"], row["on"], verdict): row[verdict.replace(" ", "_")]
                    for row in of_file for verdict in COUNTED if row[verdict.replace(" ", "_")]}) == counts  # fmt: skip
    pages = [page]
    if kind == "missing":  # engraving takes long
        out_of("report", path, "-o", tmp_path / "page.html")
        # On a phone each cell says what it is of: its number is the same.
        pages.append(re.sub(' data-head="[^"]*"', "", (tmp_path / "page.html").read_text()))
    for shown in pages:
        for row in of_file:
            cells = [row["asked"], *(row[name] for name in ("as_written", "faulty")), row["left_out"] + row["another"]]
            name = row["movement"][0].upper() + row["movement"][1:] + " on " + row["on"]
            assert f'>{name}</th><td class="num">' + '</td><td class="num">'.join(map(str, cells)) in shown
    wrong = sum(times for (*_, verdict), times in counts.items() if verdict != "as written")
    assert f"{sum(counts.values())} embellishments asked for, {wrong} not as written" in page


def has_length(movement, note):
    """Whether a note of a movement is told too short or too long: that it is uneven besides goes without saying."""
    return any(f["note"] == note and f["kind"] in ("swallowed", "crushed", "dragged") for f in movement["faults"])


def verdicts_of(one):
    """How often a movement on a note had each verdict."""
    return Counter({(one.name, NOTES[one.to_note], verdict): times for verdict, times in one.verdicts.items()})


def faults_of(one):
    """How often it had each fault on each note, but for what was left out or was another."""
    told = {what: times for what, times in one.faults.items() if what.kind not in ("left out", "another")}
    on, names = (one.name, NOTES[one.to_note]), {None: None, **dict(enumerate(NOTES))}
    return Counter({(*on, w.kind, w.form, w.note, names[w.sounded]): times for w, times in told.items()})


def test_with_its_music_all_runs_are_named_and_without_it_none_is_called_clean(tmp_path):
    played, asked = playing()["runs"]
    path = write_playing(tmp_path / "a.session", played, *asked)
    known, free = (fingerlead.analyse(fingerlead.read(path), asked=music) for music in (None, SessionMusic()))
    assert [c.verdict for c in known.changes] == ["stray"] * len(played.changes)
    assert len(free.changes) > len(known.changes)
    assert "clean" not in {c.verdict for c in free.changes}
    assert (
        out_of("analyse", path, "--expect", "none").splitlines()[0].split(":")[1]
        == out_of("analyse", write_playing(tmp_path / "free.session", played)).splitlines()[0].split(":")[1]
    )


def test_expect_reads_a_whole_file_against_a_tune_in_place_of_its_own(tmp_path):
    played, asked = playing()["runs"]
    tune, wrong = tmp_path / "tune.abc", music_of([8, 7])
    tune.write_text(asked[0][1].abc)
    path = write_playing(tmp_path / "a.session", played, (0, wrong))
    listed = tmp_path / "a.csv"
    listed.write_text(csv_of(played.edges, played.end_us))
    for file in (path, listed):
        found = json.loads(out_of("analyse", file, "--expect", tune, "--format", "json"))
        assert [c["verdict"] for c in found["changes"]] == ["stray"] * len(played.changes)
        assert [music["kind"] for music in found["music"]] == ["tune"]
        out_of("report", file, "--expect", tune, "-o", tmp_path / "n.json")
        rows = json.loads((tmp_path / "n.json").read_text())["changes"]
        assert sum(row["astray"] for row in rows) == len(played.changes)


def test_a_stage_is_kept_with_the_session_and_counts_on_every_face(tmp_path):
    # Fingers that roll by 45 to 60 ms: apart, but for one who asked for no more than 80 ms.
    played = together_player([0, 4] * 8, 60_000, 3, at_least_us=45_000)
    listed, tune = tmp_path / "a.csv", tmp_path / "tune.abc"
    listed.write_text(csv_of(played.edges, played.end_us))
    tune.write_text(music_of(played.music).abc)

    def apart(*words):
        return json.loads(out_of("analyse", *words, "--format", "json"))["changes"]

    assert {c["verdict"] for c in apart(listed)} == {"apart"}
    for number, music in enumerate(((), ("--music", tune))):
        kept, again = tmp_path / f"{number}.session", tmp_path / f"{number}.again"
        out_of("keep", listed, "-o", kept, "--stage-us", 80_000, *music)
        assert {(c["verdict"], c["stage_us"]) for c in apart(kept)} == {("clean", 80_000)}
        # What a session asks for counts more than what is named when it is read.
        assert {c["stage_us"] for c in apart(kept, "--stage-us", 1_000)} == {80_000}
        # Played again, it keeps its music; a stage that is named counts in place of its own.
        out_of("record", f"replay:{kept}@all", "-o", again, "--stage-us", 15_000)
        assert {(c["verdict"], c["stage_us"]) for c in apart(again)} == {("apart", 15_000)}
        names = [[music.name for _, music in fingerlead.read(file).asked] for file in (kept, again)]
        assert names[0] == names[1]
    assert {c["verdict"] for c in apart(listed, "--stage-us", 80_000)} == {"clean"}


def test_what_is_not_judged_is_in_no_statistic_and_the_json_says_why(tmp_path):
    played, asked = playing()["rolled"]
    path = write_playing(tmp_path / "a.session", played, *asked)
    found = json.loads(out_of("analyse", path, "--format", "json"))
    begin_us = asked[1][0]
    assert {"start_us": begin_us, "end_us": played.end_us, "why": "hands off asked"} in found["off"]
    judged = [c for c in found["changes"] if c["judged"]]
    assert 0 < len(judged) < len(found["changes"])
    assert all(c["start_us"] < begin_us for c in judged)
    out_of("report", path, "-o", tmp_path / "n.json")
    rows = json.loads((tmp_path / "n.json").read_text())["changes"]
    assert sum(row["plain"] for row in rows) == len(judged)


def test_music_that_cannot_be_read_is_said_on_every_face(tmp_path):
    import sqlite3

    played, asked = playing()["runs"]
    path = write_playing(tmp_path / "a.session", played, *asked)
    db = sqlite3.connect(path)
    with db:
        db.execute("UPDATE music SET format = 9")
    db.close()
    sentence = "Its music cannot be read, so any note may follow any: expected music of format 2, got format 9"
    assert sentence in out_of("analyse", path)
    out_of("report", path, "-o", tmp_path / "page.html")
    assert sentence in (tmp_path / "page.html").read_text()
    assert sentence in out_of("keep", path, "-o", tmp_path / "kept.session")
    assert sentence in fingerlead.read(tmp_path / "kept.session").music_problem


def test_a_passage_that_is_opened_says_what_the_session_says_and_no_more(tmp_path):
    # High A is left out, then a B too many, and low G in the place of low A; three times over.
    played = together_player([0, 3, 1, 4, 2, 5, 0, 6, 3, 1] * 3, 10_000, 3)
    path = write_playing(tmp_path / "a.session", played, (0, music_of([0, 3, 8, 1, 4, 5, 1, 6, 3, 1] * 3)))
    ours = json.loads(out_of("analyse", path, "--format", "json"))
    told, count = [], len(ours["changes"])
    for first in range(1, count + 1, 6):
        last = min(first + 5, count)
        message = CliRunner().invoke(app, ["send", str(path), "--changes", f"{first}..{last}"]).stdout
        theirs = json.loads(out_of("open", message, "--format", "json"))
        assert [(c["from"], c["to"], c["verdict"], c["lead"], c["spread_us"]) for c in theirs["changes"]] == [
            (c["from"], c["to"], c["verdict"], c["lead"], c["spread_us"]) for c in ours["changes"][first - 1 : last]
        ]
        assert theirs["passes"] == []
        at_us = theirs["passage"]["at_us"]
        assert [c["written"] for c in theirs["changes"]] == [c["written"] for c in ours["changes"][first - 1 : last]]
        written = {note["start_us"]: note["written"] for note in ours["notes"]}
        around = [note for note in theirs["notes"] if note["start_us"] + at_us in written]
        assert sum(note["written"] == written[note["start_us"] + at_us] for note in around) >= last + 2 - first
        assert all(note["written"] in (None, written[note["start_us"] + at_us]) for note in around)
        misread = [{**one, "start_us": one["start_us"] + at_us} for one in theirs["misread"]]
        assert all(one in ours["misread"] for one in misread)
        text = out_of("open", message)
        assert ("Not as written:" in text) == bool(misread)
        assert all(one["words"] in text for one in misread)
        told += misread
    # Neighbouring passages share a note; between them they say all of it.
    between = (ours["changes"][0]["start_us"], ours["changes"][-1]["end_us"])
    wanted = [one for one in ours["misread"] if between[0] <= one["start_us"] <= between[1]]
    assert {"missed", "wrong", "extra"} <= {one["kind"] for one in wanted}
    assert all(one in told for one in wanted)


def test_a_session_that_has_got_its_music_since_is_taken_in_once_more(tmp_path):
    played, asked = playing()["runs"]
    free = write_playing(tmp_path / "free.session", played)
    with_music = write_playing(tmp_path / "a.session", played, *asked)
    with Studio(tmp_path / "studio") as studio:
        key, other = (studio.add(name, "left", "", "").key for name in ("Isla", "Ewan"))
        assert [studio.take_in(key, free).outcome, studio.take_in(key, free).outcome] == ["new", "same"]
        assert sum(tally.astray for *_, tally in studio.index.tallies(key)) == 0
        assert studio.take_in(other, with_music).outcome == "same"
        assert [studio.take_in(key, path).outcome for path in (with_music, with_music, free)] == ["new", "same", "same"]
        assert len(studio.index.sessions(key)) == 1
        assert sum(tally.astray for *_, tally in studio.index.tallies(key)) == len(played.changes)
        assert studio.index.sessions(other) == []


def test_an_index_of_an_earlier_version_is_made_anew(tmp_path):
    import sqlite3

    played, asked = playing()["runs"]
    path = write_playing(tmp_path / "a.session", played, *asked)
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Isla", "left", "", "").key
        studio.take_in(key, path)
        before = list(studio.index.tallies(key))
    db = sqlite3.connect(tmp_path / "studio" / "index.sqlite")
    with db:
        db.execute("UPDATE result SET plain = 0, strays = x''")
        db.execute("PRAGMA user_version = 1")
    db.close()
    with Studio(tmp_path / "studio") as studio:
        assert list(studio.index.tallies(key)) == before


def test_what_record_and_live_are_told_is_in_the_session(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    played, asked = playing()["runs"]
    (tmp_path / "tune.abc").write_text(asked[0][1].abc)
    write_playing(tmp_path / "free.session", played)
    truth = ["stray"] * len(played.changes)
    for command in ("record", "live"):
        out_of(command, "replay:free.session@100", "-o", f"{command}.session", "--music", "tune.abc")
        loaded = fingerlead.read(f"{command}.session")
        ((at_us, music),) = loaded.asked
        assert (at_us, music.kind, music.name, music.abc) == (0, "tune", "Invented", asked[0][1].abc)
        assert [change.verdict for change in fingerlead.analyse(loaded).changes] == truth
        # Played again, it is read against the same music, live and kept.
        said = out_of("live", f"replay:{command}.session@100", "--no-strips", "-o", f"again-{command}.session")
        assert "Work on low G to C first: in 8 of 8" in said
        assert fingerlead.read(f"again-{command}.session").asked == loaded.asked
    refused = CliRunner().invoke(app, ["record", "replay:free.session", "-o", "no.session", "--music", "nothing.abc"])
    assert refused.exit_code == 1
    assert not (tmp_path / "no.session").exists()
