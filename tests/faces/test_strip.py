"""The finger strip read back: what is drawn is what was played, in a terminal and as SVG."""

from __future__ import annotations

import random
import re
from dataclasses import replace
from datetime import date
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from fingering.holes import FINGERS, HOLES
from fingering.notes import NOTES, SOUNDING
from fingerlead.faces.cli.listen import teller
from fingerlead.faces.strip import (
    LETTERS,
    SCALES_US,
    change_strip,
    lanes_of,
    movement_strip,
    shared_scale,
)
from fingerlead.faces.strip_svg import BAND, LABELS, LANES, WIDE, StripPage, lane_top
from fingerlead.faces.strip_svg import strip_svg as svg_of_strip
from fingerlead.faces.strip_text import WIDTH
from fingerlead.faces.strip_text import strip_text as text_of_strip
from fingerlead.faces.words import change_sentence
from fingerlead.studio.index import analysed as session_analysed
from fingerlead.studio.invented import invented, play_sessions, write_session
from fingerlead.timing.live import LiveResult
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.results import Timing
from tests.faces.playing import PAIRS, STANDARD, SURE, analysed, one_change, random_playing, random_times

SVG = "{http://www.w3.org/2000/svg}"


def some_changes():
    for from_note, to_note in PAIRS:
        chance = random.Random(from_note * 9 + to_note)
        for within_us in (9_000, 20_000, 38_000):
            yield one_change(from_note, random_times(from_note, to_note, chance, within_us))
    yield from random_playing(150).changes


CHANGES = list(some_changes())


def unsure_by(change, us):
    """The change with its first finger's time uncertain by so much, and the others' by a little."""
    first, *others = change.fingers
    return change._replace(
        fingers=(first._replace(uncertainty_us=us), *(one._replace(uncertainty_us=500) for one in others))
    )


def strip_text(change, timing=SURE, width=WIDTH):
    strip = change_strip(change, timing)
    return text_of_strip(strip, shared_scale([strip]), width)


def strip_svg(change, timing=SURE, number="a"):
    strip = change_strip(change, timing)
    return svg_of_strip(strip, shared_scale([strip]), number)


def drawing(change):
    strip = change_strip(change, SURE)
    return lanes_of(strip, shared_scale([strip]))


def svg_of(change, timing=SURE):
    text = strip_svg(change, timing, "a")
    assert text.startswith("<svg ")
    return ElementTree.fromstring(text.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def of_class(svg, kind):
    return [element for element in svg.iter() if kind in element.get("class", "").split()]


def test_text_has_eight_lanes_from_the_thumb_down_between_the_sounds_and_the_scale():
    for change in CHANGES:
        lines = strip_text(change, SURE).split("\n")
        names = [line[2:17].strip() for line in lines]
        assert names[:10] == ["sounds", *FINGERS, "ms"]
        assert all(len(line) <= 80 for line in lines)
        assert all(line == line.rstrip() for line in lines)


def test_text_lanes_show_the_masks_that_were_played_in_their_order():
    for change in CHANGES:
        lines = strip_text(change, SURE, width=400).split("\n")
        lanes = [line[17:] for line in lines[1:9]]
        assert {len(lane) for lane in lanes} == {400}
        masks = [sum(1 << hole for hole in range(HOLES) if lanes[hole][column] == "▄") for column in range(400)]
        seen = [masks[0]] + [mask for before, mask in pairwise(masks) if mask != before]
        played = [change.from_mask, *(mask for _, mask in change.edges)]
        assert seen[0] == change.from_mask
        assert seen[-1] == change.to_mask
        # At 400 columns only stretches shorter than a column can go unseen.
        assert is_part_of(seen, played)


def is_part_of(some, whole):
    rest = iter(whole)
    return all(one in rest for one in some)


def test_text_names_what_sounds_and_hatches_the_strays():
    for change in CHANGES:
        sounds = strip_text(change, SURE, width=400).split("\n")[0][17:]
        letters = re.sub(r"[ ░]", "", sounds)
        assert letters[0] == LETTERS[change.from_note]
        assert letters[-1] == LETTERS[change.to_note]
        for stray in change.strays:
            if stray.duration_us * 400 > 4 * (drawing(change).end_us - drawing(change).begin_us):
                assert f"{LETTERS[stray.note]}░" in sounds
        assert ("░" in sounds) <= bool(change.strays)


def test_the_lead_is_marked_and_named_and_a_tie_is_not():
    led = strip_text(one_change(0, {6: 0, 7: 20_000}), SURE)
    assert "▶ bottom ring " in led
    assert "▶ bottom ring led" in led
    assert "▷" not in led
    tie = strip_text(one_change(0, {6: 0, 7: 500}), SURE)
    assert "too close to call" in tie
    assert "▶" not in tie


def test_the_finger_of_the_advice_is_marked_where_a_stray_was_heard():
    both = 0
    for change in CHANGES:
        text = strip_text(change, SURE)
        marked = [line[2:17].strip() for line in text.split("\n")[1:9] if re.search("[▷◁]", line[:2])]
        diagnosis = diagnose_change(change) if any(stray.heard for stray in change.strays) else None
        if diagnosis is None:
            assert not re.search("[▷◁]", text)
            continue
        told = re.search("Together, the (.*) (a hair ahead|a hair behind)", change_sentence(change, SURE))
        finger, hint = told.groups()
        mark = "▷" if hint == "a hair ahead" else "◁"
        assert marked == [finger]
        assert f"{mark} {finger} should go {hint}" in text
        # One finger can have led, and yet should go behind.
        both += f"▶{mark}{finger} " in text
        drawn = strip_svg(change, SURE, "one")
        assert drawn.count(f'class="{hint[7:]}"') == 2
        assert f">{finger} should go {hint}<" in drawn
    assert both


def test_short_notes_have_one_letter_each():
    assert len(set(LETTERS)) == len(NOTES)
    assert all(LETTERS[note] in name for note, name in enumerate(NOTES) if " " not in name)


def test_svg_is_well_formed_scales_and_has_words():
    for change in CHANGES[:150]:
        svg = svg_of(change)
        left, top, width, height = map(float, svg.get("viewBox").split())
        assert (left, top, width) == (0, 0, WIDE)
        ids = [element.get("id") for element in svg.iter() if element.get("id")]
        assert len(ids) == len(set(ids))
        assert set(svg.get("aria-labelledby").split()) <= set(ids)
        assert svg.find(f"{SVG}title").text.endswith(f"{NOTES[change.from_note]} to {NOTES[change.to_note]}")
        words = svg.find(f"{SVG}desc").text
        for finger in change.fingers:
            assert FINGERS[finger.finger] in words
        for element in svg.iter(f"{SVG}rect"):
            if element.get("x"):
                assert 0 <= float(element.get("x")) <= float(element.get("x")) + float(element.get("width")) <= width
                assert float(element.get("y")) + float(element.get("height")) <= height
        for element in svg.iter(f"{SVG}text"):
            assert 0 < float(element.get("y")) < height


def test_svg_lanes_show_the_masks_that_were_played():
    for change in CHANGES:
        picture = drawing(change)
        svg = svg_of(change)
        scale = LANES / (picture.end_us - picture.begin_us)
        covered = {hole: [] for hole in range(HOLES)}
        for rect in of_class(svg, "ink"):
            if rect.get("x") and rect.get("height") == str(BAND):
                hole = next(hole for hole in range(HOLES) if lane_top(hole) == float(rect.get("y")))
                covered[hole].append((float(rect.get("x")), float(rect.get("x")) + float(rect.get("width"))))
        for begin_us, end_us, mask in picture.stretches:
            middle = LABELS + ((begin_us + end_us) / 2 - picture.begin_us) * scale
            if (end_us - begin_us) * scale < 1:
                continue
            drawn = sum(1 << hole for hole, bands in covered.items() if any(a < middle < b for a, b in bands))
            assert drawn == mask


def test_svg_hatches_each_stray_and_letters_it_in_its_place():
    for change in CHANGES:
        svg = svg_of(change)
        hatched = [rect for rect in of_class(svg, "sound") if rect.get("fill").startswith("url(#")]
        letters = of_class(svg, "letter")
        assert len(hatched) == len(change.strays)
        assert [letter.text for letter in letters] == [LETTERS[stray.note] for stray in change.strays]
        places = [float(letter.get("x")) for letter in letters]
        assert all(after - before >= 9.9 for before, after in pairwise(places))
        for letter, rect in zip(places, hatched, strict=True):
            begin = float(rect.get("x"))
            assert begin - 6 <= letter <= begin + float(rect.get("width")) + 30


SHORT = one_change(0, {6: 0, 7: 20_000})
LONGER = one_change(0, {6: 0, 7: 120_000})


def long_one(apart_us):
    """A movement between low A and B with so much time between its first edge and its last."""
    mask, to_mask = STANDARD[1], STANDARD[2]
    edges = ((0, mask | 1), (apart_us, to_mask))
    return replace(change_strip(SHORT, SURE), notes=(1, 2), from_mask=mask, edges=edges, lead=None, is_movement=True)


def test_strips_that_stand_together_have_the_smallest_scale_that_holds_them_all():
    short, longer = (change_strip(change, SURE) for change in (SHORT, LONGER))
    assert shared_scale([short]) == 100_000
    assert shared_scale([short, longer]) == shared_scale([longer]) == 200_000
    assert [shared_scale([long_one(us), short]) for us in (100_000, 100_001, 200_001, 400_000, 900_000)] == [
        100_000, 200_000, 400_000, 400_000, 400_000,
    ]  # fmt: skip
    page = StripPage()
    first = page.add(short)
    alone = first.__html__()
    page.add(longer)
    assert page.scale_us == 200_000
    assert first.__html__() == svg_of_strip(short, 200_000, "strip-1") != alone
    assert "200 ms wide, a fifth of a second" in page.scale_words
    assert StripPage().scale_words == ""


def test_a_length_is_drawn_in_proportion_to_its_time_on_each_scale():
    for scale_us in SCALES_US:
        for change in CHANGES:
            strip = change_strip(change, SURE)
            svg = ElementTree.fromstring(svg_of_strip(strip, scale_us, "a"))
            wide = [float(r.get("width")) for r in of_class(svg, "sound") if r.get("fill").startswith("url(#")]
            for stray, drawn in zip(change.strays, wide, strict=True):
                assert drawn == pytest.approx(max(1, stray.duration_us / scale_us / 1.25 * LANES), abs=0.2)


@pytest.mark.parametrize(("us", "cut"), [(400_000, False), (419_000, False), (421_000, True), (2_000_000, True)])
def test_what_is_longer_than_the_longest_scale_is_cut_and_says_so(us, cut):
    strip = long_one(us)
    told = f"goes on to {us // 1_000} ms"
    assert (told in svg_of_strip(strip, 400_000, "a")) is (told in text_of_strip(strip, 400_000)) is cut
    assert ('class="tear"' in svg_of_strip(strip, 400_000, "a")) is cut
    assert text_of_strip(strip, 400_000).count("⋯") == 9 * cut


def test_a_movement_between_two_notes_of_one_pitch_has_its_strip():
    low_a, high_g, e = STANDARD[1], STANDARD[1] ^ 0b10, STANDARD[1] ^ 0b1000
    played = ((0, high_g), (38_000, low_a), (61_000, e), (104_000, low_a))
    states = [(0, low_a), *((700_000 + at_us, mask) for at_us, mask in played), (1_900_000, STANDARD[4])]
    analysis = analysed(states)
    assert [movement.change for movement in analysis.movements] == [None]
    strip = movement_strip(analysis, analysis.movements[0])
    assert (strip.notes, strip.from_mask, strip.edges) == ((1, 1), low_a, played)
    assert (strip.moving, strip.lead_words, shared_scale([strip])) == ({1, 3}, [], 200_000)
    svg = ElementTree.fromstring(svg_of_strip(strip, 200_000, "a"))
    assert [letter.text for letter in of_class(svg, "letter")] == ["g", "A", "E"]
    assert [name.text for name in of_class(svg, "note")] == ["low A", "low A"]
    left_out = replace(analysis.movements[0], notes=())
    assert movement_strip(analysis, left_out) is None


def test_live_names_the_scale_at_first_and_where_it_grows(capsys):
    tell, astray = teller(True), one_change(0, {7: 0, 6: 20_000})
    for us in (18_000, 120_000, 20_000):
        change = astray._replace(edges=(astray.edges[0], (astray.start_us + us, astray.to_mask)))
        tell(LiveResult(change), SURE)
    told = capsys.readouterr().out
    assert re.findall("Strips from here on: (.*)\n", told) == [
        "100 ms wide, a tenth of a second.", "200 ms wide, a fifth of a second.",
    ]  # fmt: skip
    assert re.findall(r"^  ms .* (\d+)$", told, re.MULTILINE) == ["100", "200", "200"]


def test_an_edge_before_the_lead_is_drawn_too():
    strip = replace(
        change_strip(SHORT, SURE), edges=((-60_000, STANDARD[0] | 1), (0, STANDARD[0]), (20_000, STANDARD[2]))
    )
    lanes = lanes_of(strip, shared_scale([strip]))
    assert lanes.begin_us < -60_000
    assert lanes.end_us > 20_000


def test_the_two_triangles_are_told_apart_without_a_style():
    svg = svg_of(one_change(5, {2: 0, 1: 14_000}))
    (lead, _), (ahead, _) = of_class(svg, "lead"), of_class(svg, "ahead")
    assert lead.get("fill") is None
    assert ahead.get("fill") == "none"
    assert ahead.get("stroke") == "#000"


def test_svg_reads_at_6_cm():
    # Type of 12 units in a picture of so many units, 6 cm wide, in points of 1/72 inch; the type is 12 units high.
    points = 12 / WIDE * 6 / 2.54 * 72
    assert points > 6.5


def test_the_uncertainty_of_its_least_certain_finger_is_a_bar_at_the_scale_and_stays_within():
    change = one_change(0, {6: 0, 7: 20_000})
    wide = [float(of_class(svg_of(unsure_by(change, us)), "unsure")[0].get("width")) for us in (2_000, 8_000, 900_000)]
    assert wide[1] == pytest.approx(4 * wide[0], abs=0.5)
    assert wide[2] < LANES
    assert "±8 ms" in strip_text(unsure_by(change, 8_000), SURE)
    narrow, wider = (strip_text(unsure_by(change, us), SURE).count("▒") for us in (20_000, 900_000))
    assert narrow < wider <= WIDTH


def test_every_run_of_the_picture_sounds_what_it_says():
    for change in CHANGES:
        picture = drawing(change)
        assert picture.joined(SOUNDING.__getitem__)[0][2] == change.from_note
        assert picture.joined(SOUNDING.__getitem__)[-1][2] == change.to_note
        assert (
            sum(end - begin for begin, end, _ in picture.joined(SOUNDING.__getitem__))
            == picture.end_us - picture.begin_us
        )
        assert all(SOUNDING[mask] == note for _, _, mask, note in joined(picture))


def joined(picture):
    for begin_us, end_us, mask in picture.stretches:
        (note,) = [note for a, b, note in picture.joined(SOUNDING.__getitem__) if a <= begin_us and end_us <= b]
        yield begin_us, end_us, mask, note


def test_golden_strips(golden):
    astray = one_change(5, {2: 0, 1: 14_000})
    crossing = one_change(4, {3: 38_000, 4: 0, 5: 5_000, 6: 17_000, 7: 24_000})
    assert crossing.to_mask == STANDARD[5]
    timing = Timing("chanter", 5_000, 1_000, 3_000, "assumed")
    shown = [unsure_by(change, timing.uncertainty_us) for change in (astray, crossing)]
    golden("strips.txt", "\n\n".join(strip_text(change, timing) for change in shown) + "\n")
    golden("strip.svg", strip_svg(shown[1], timing, "strip").replace("><", ">\n<") + "\n")


def test_the_strip_in_the_readme_is_drawn_by_the_program_as_it_is():
    pytest.importorskip("playwright", reason="needs the Python package playwright")
    from tests.pictures import FOLDER, strip_picture

    assert (FOLDER / "strip.svg").read_text(encoding="utf-8") == strip_picture(), "run: make pictures"


def test_the_note_of_a_movement_that_has_a_fault_is_hatched_as_a_stray_is(tmp_path):
    jory = next(person for person in invented() if person.movement)
    _, analysis = session_analysed(write_session(tmp_path / "a.session", play_sessions(jory, date(2026, 11, 20))[-1]))
    faulty = [one for one in analysis.movements if any(fault.kind == "crushed" for fault in one.faults)]
    assert faulty
    for movement in faulty:
        strip = movement_strip(analysis, movement)
        crushed = next(fault for fault in movement.faults if fault.kind == "crushed")
        assert crushed.size_us in {end_us - begin_us for begin_us, end_us in strip.strays}
        assert {at_us for span in strip.strays for at_us in span} <= {at_us for at_us, _ in strip.edges}
        assert svg_of_strip(strip, 400_000, "a").count("url(#a-hatch)") == len(strip.strays)
    well = [movement_strip(analysis, one) for one in analysis.movements if one.notes and not one.faults]
    assert well
    assert not any(strip.strays for strip in well)
