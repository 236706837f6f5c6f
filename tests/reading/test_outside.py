"""Movements against an outside list: every pipe macro of LilyPond's own bagpipe music, played and named.

The macros are read from the installed file. Each is played by its sounding notes alone, between melody notes that it
can stand between, and has the name that the trade has for it. What the table has not is listed with the reason.

Plain melodies are aligned beside an edit distance, and beside a matcher of scores and performances that knows timing:
parangonar 3.4.0, its `AutomaticNoteMatcher`. What it matched is in matched_elsewhere.json.
"""

from __future__ import annotations

import json
import re
import sysconfig
from collections import Counter
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from fingering.moves import possible_strays
from fingerlead.reading.music import Music, WrittenNote
from tests.reading.analysed import analysed
from tests.reading.hands import Performance
from tests.reading.instrument import LETTERS, STANDARD, shape_of

# Its letters, from low G to high A.
THEIRS = "GabcdefgA"
GRACE_US, HELD_US = 50_000, 700_000

# A macro: what the trade calls it, and the note it leads to, our letter; a group in the pattern is that note itself.
NAMED = [
    (r"gr[Gac]|gr[Ga]cad", "strike", {"grG": "B", "gra": "e", "grc": "d", "grGcad": "B", "gracad": "e"}),
    (r"grd", "D grace note", "A"),
    (r"gre|thcad", "E grace note", "A"),
    (r"grf", "F grace note", "A"),
    (r"grg", "high G grace note", "A"),
    (r"grA", "high A grace note", "A"),
    (r"dbl([GabcdefgA])|hdbl([gA])", "doubling", None),
    (r"hdbl([Gabcdef])", "half doubling", None),
    (r"tdbl([Gabcdef])", "thumb doubling", None),
    (r"w?shake([abcdef])", "shake", None),
    (r"w?hshake([abcdefg])", "half shake", None),
    (r"w?tshake([abcdefg])|wtshake(d)", "thumb shake", None),
    (r"w?slur([abcdef])", "high G strike", None),
    (r"w?hslur([abcdef])", "half strike", None),
    (r"w?tslur([abcdef])|tslur(g)|wtslur(d)", "thumb strike", None),
    (r"w?catch([abcde])", "high G grip", None),
    (r"w?hcatch([abcde])", "half grip", None),
    (r"w?tcatch([abcde])|wtcatch(d)", "thumb grip", None),
    (r"thrw(d)|Gthrw(d)|pthrw(d)|thrw(e)|thrw(f)", "throw", None),
    (r"dre|dare|dari", "throw", {"dre": "e", "dare": "f", "dari": "g"}),
    (r"gripthrw(d)", "heavy throw", None),
    (r"w?birl", "birl", "A"),
    (r"gbirl", "high G birl", "A"),
    (r"dbirl", "D birl", "A"),
    (r"grip|bgrip", "grip", "A"),
    (r"egrip", "E grip", "A"),
    (r"[bG]?taor", "taorluath", "A"),
    (r"taorjmd|taorold", "old taorluath", "A"),
    (r"taoram([bcd])", "taorluath a mach", None),
    (r"[dG]?crun", "crunluath", "e"),
    (r"crunam[bcd]", "crunluath a mach", "e"),
    (r"crunam[bcd]fosg", "crunluath fosgailte a mach", "e"),
    (r"cad|hcad|tcad", "cadence", "A"),
    (r"bari", "embari", "e"),
    (r"p?G?darodo", "darodo", "B"),
]
# The melody note before, where the macro is for that one alone.
AFTER = {"bgrip": "d", "btaor": "d", "dcrun": "d", "Gthrwd": "G", "Gtaor": "G", "Gcrun": "G", "Gdarodo": "G"}
AFTER["pGdarodo"] = "G"
# What lies between is no gap: a strike and a half doubling on high G are one thing to the ear.
ALIKE = {"tdblg": "thumb strike", "hslurg": "doubling"}
UNKNOWN = {
    r"grb": "no strike and no grace note is a B by itself",
    r"shake[gA]|[ht]shakeA|slur[gA]|hslurA|tslurA": "the file says itself that a few of these cannot really be played",
    r"tripleA": "a triple strike on high A is in no other list",
    r"wthrwe": "a throw on E through D is in no other list; the ear takes it for a crunluath fosgailte on D",
    r"G?(fifteenth|seventeenth)cuttingG?|G?barluadhG?": "out of use since Joseph MacDonald's book of 1760",
}


def lilypond_file():
    """Where LilyPond's bagpipe music is installed, as a package or with the system; None where it is not."""
    packages = Path(sysconfig.get_path("purelib")).glob("*/share/lilypond/*/ly/bagpipe.ly")
    system = Path("/usr/share/lilypond").glob("*/ly/bagpipe.ly")
    return next(iter([*packages, *system]), None)


def macros():
    """Each pipe macro of the file with its notes, 0 (low G) to 8 (high A)."""
    path = lilypond_file()
    if path is None:
        return {}
    found = {}
    for name, body in re.findall(r"^(\w+) *= *\{ *\\pgrace \{(.*?)\} *\}", path.read_text(encoding="utf-8"), re.M):
        plain = re.sub(r"\\stemspace #'\([^)]*\)|[\[\]]", " ", body)
        found[name] = tuple(THEIRS.index(letter) for letter in re.findall(r"\b([GabcdefgA])\d*\b", plain))
    return found


MACROS = macros()


def name_of(macro):
    """What the trade calls a macro, and the melody note it leads to; None where the table has it not."""
    for pattern, name, on in NAMED:
        match = re.fullmatch(pattern, macro)
        if match:
            if isinstance(on, dict):
                on = on[macro]
            elif on is None:
                on = LETTERS[THEIRS.index(next(group for group in match.groups() if group))]
            return name, LETTERS.index(on)
    return (ALIKE[macro], LETTERS.index("g")) if macro in ALIKE else None


def played(before, notes, after):
    """A melody note, the notes one after the other, and a melody note; held on either side by another."""
    masks = [STANDARD[before], *(shape_of(note, after) for note in notes), STANDARD[after]]
    edges, t_us = [(0, masks[0])], HELD_US
    for mask in masks[1:]:
        edges.append((t_us, mask))
        t_us += GRACE_US
    assert all(one[1] != other[1] for one, other in pairwise(edges))
    return Performance((), tuple(edges), t_us + HELD_US, (), ())


def test_every_macro_is_named_or_listed_with_its_reason():
    if not MACROS:
        pytest.skip("needs LilyPond")
    assert len(MACROS) > 150
    unknown = {macro for macro in MACROS if name_of(macro) is None}
    assert unknown == {macro for macro in MACROS if any(re.fullmatch(one, macro) for one in UNKNOWN)}


@pytest.mark.parametrize("macro", [macro for macro in MACROS if name_of(macro)])
def test_a_macro_is_heard_as_what_the_trade_calls_it(macro):
    name, after = name_of(macro)
    notes = MACROS[macro]
    before = AFTER.get(macro) or next(one for one in "Aedf" if LETTERS.index(one) not in (notes[0], after))
    before = LETTERS.index(before)
    performance = played(before, notes, after)
    written = Music((WrittenNote(before), WrittenNote(after, notes)))
    (found,) = analysed(performance, written).movements
    assert (found.name, found.written, found.verdict) == (name, name, "as written")
    assert tuple(note.note for note in found.notes) == notes
    if not possible_strays(before, after).issuperset(notes):
        (freely,) = analysed(performance).movements
        assert (freely.name, tuple(note.note for note in freely.notes)) == (name, notes)


def edited(written, random):
    """The notes with a wrong one, a missed one or one too many here and there, never two within four notes."""
    notes, at = [], 0
    while at < len(written):
        around = written[max(at - 1, 0) : at + 2]
        other = random.choice([note for note in range(9) if note not in around])
        what = random.choice(["right", "wrong", "missed", "more"]) if at % 5 == 3 and at < len(written) - 2 else "right"
        if what == "missed" and written[at - 1] == written[at + 1]:
            what = "wrong"
        notes += {"right": [written[at]], "wrong": [other], "missed": [], "more": [other, written[at]]}[what]
        at += 1
    return notes


def edits_in(analysis, notes, written):
    """Wrong notes, missed notes and notes too many, as the reading places what was played."""
    places = [one.written.number for one in analysis.held if one.written is not None]
    assert places == sorted(set(places)), "no note is played again"
    wrong = sum(one.note != written[one.written.number] for one in analysis.held if one.written is not None)
    return Counter(wrong=wrong, missed=len(written) - len(places), more=len(notes) - len(places))


@pytest.mark.parametrize("seed", range(12))
def test_plain_melodies_are_aligned_with_as_few_edits_as_there_are(seed):
    distance = pytest.importorskip("rapidfuzz.distance", reason="needs rapidfuzz").Levenshtein.distance
    random = Random(f"edits {seed}")
    written = [random.randrange(9)]
    while len(written) < 25:
        written.append(random.choice([note for note in range(9) if note not in written[-2:]]))
    notes = edited(written, random)
    edges = tuple((HELD_US * number, STANDARD[note]) for number, note in enumerate(notes))
    performance = Performance((), edges, HELD_US * len(notes), (), ())
    found = edits_in(analysed(performance, Music(tuple(map(WrittenNote, written)))), notes, written)
    assert sum(found.values()) == distance(notes, written) > 0


def matched(case):
    """Which played note the reading takes for which written one, where it sounds right, as pairs of numbers."""
    at_us = {1_000 * at_ms: number for number, (_, at_ms, _) in enumerate(case["played"])}
    edges = tuple((1_000 * at_ms, STANDARD[note]) for note, at_ms, _ in case["played"])
    music = Music(tuple(map(WrittenNote, case["written"])))
    held = analysed(Performance((), edges, 1_000 * case["end_ms"], (), ()), music).held
    placed = [(at_us[one.start_us], one.written.number, one.note) for one in held if one.written is not None]
    return {(number, at) for number, at, note in placed if case["written"][at] == note}


def test_plain_melodies_are_aligned_as_a_matcher_aligns_them_that_knows_timing():
    # Each note with the one that was meant by it, None where it was too many; a wrong one is matched with none.
    cases = json.loads((Path(__file__).parent / "matched_elsewhere.json").read_text(encoding="utf-8"))
    ours = theirs = of_all = 0
    for case in cases:
        meant = {
            (number, at)
            for number, (note, _, at) in enumerate(case["played"])
            if at is not None and case["written"][at] == note
        }
        found, elsewhere = matched(case), set(map(tuple, case["matched"]))
        assert found == meant
        ours, theirs, of_all = ours + len(found), theirs + len(found & elsewhere), of_all + len(found | elsewhere)
    assert ours > 700
    # What it has more is a wrong note that it takes for another one of the melody.
    assert theirs >= 0.99 * of_all
