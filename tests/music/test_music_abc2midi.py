"""Notes and durations against abc2midi, a reader of ABC by other hands (Debian package abcmidi)."""

from __future__ import annotations

import shutil
import subprocess
from fractions import Fraction

import pytest

from fingerlead.music.abc import parse_abc

# What abc2midi plays for the nine notes under K:D and K:HP: low G is 67, C and F are sharp.
MIDI = (67, 69, 71, 73, 74, 76, 78, 79, 81)

PLAIN = {
    "lengths": "G A2 B/2c/ d3/2 e4 f// g3/ a8|",
    "broken": "A>B c<d e>>f g<<a|G>>>A|",
    "triplets": "(3ABc (3d2e2f2 (2AB (4ABcd|(3:2:2A4B2 c|",
    "tied": "A2-A B-|B2 c-|c4|",
    "repeat": "|:A B|c d:|e f|",
    "endings": "|:A B|1 c d:|2 e f|]g a|",
    "two repeats": "|:A|B:|\n|:c|d:|",
    "double repeat": "|:A B::c d:|",
    "rests": "A z B2 z2|c z/ d|",
    "inline": "A B|[L:1/4]c d|[M:3/4]e f g|",
}


@pytest.fixture(scope="module")
def abc2midi(tmp_path_factory):
    program = shutil.which("abc2midi")
    if program is None:
        pytest.skip("abc2midi is missing: install the Debian package abcmidi")
    folder = tmp_path_factory.mktemp("abc2midi")

    def played(text):
        """Notes in order as (MIDI number, start, length), times in whole notes."""
        import mido

        (folder / "tune.abc").write_text(text, encoding="utf-8")
        subprocess.run([program, "tune.abc", "-o", "tune.mid"], cwd=folder, check=True, capture_output=True, timeout=20)
        found = mido.MidiFile(folder / "tune.mid")
        notes, sounding = [], {}
        for track in found.tracks:
            now = 0
            for message in track:
                now += message.time
                if message.type == "note_on" and message.velocity:
                    sounding[message.note] = now
                elif message.type in ("note_off", "note_on") and message.note in sounding:
                    begin = sounding.pop(message.note)
                    whole = 4 * found.ticks_per_beat
                    notes.append((message.note, Fraction(begin, whole), Fraction(now - begin, whole)))
        return sorted(notes, key=lambda note: note[1])

    return played


@pytest.mark.parametrize("name", PLAIN)
def test_notes_starts_and_lengths_agree(abc2midi, name):
    head = "X:1\nT:x\nM:4/4\nL:1/8\nK:D\n"
    (tune,), _ = parse_abc(head + PLAIN[name] + "\n")
    ours = [(MIDI[note.note], note.starts_at, note.length) for note in tune.played()]
    theirs = abc2midi(head + "%%MIDI trim 0\n" + PLAIN[name] + "\n")
    assert [note for note, _, _ in ours] == [note for note, _, _ in theirs]
    # abc2midi counts in ticks, of which a triplet's note may not take a whole number.
    for (_, start, length), (_, their_start, their_length) in zip(ours, theirs, strict=True):
        assert abs(start - their_start) <= Fraction(1, 300)
        assert abs(length - their_length) <= Fraction(1, 300)


def test_graces_are_heard_by_both_before_the_same_notes(abc2midi):
    head = "X:1\nT:x\nM:4/4\nL:1/4\nK:HP\n"
    text = "{g}A {gcd}c {GdGe}A {ag}a|{d}f>{g}e z {gef}e|\n"
    (tune,), _ = parse_abc(head + text)
    ours = []
    for note in tune.played():
        ours += [*note.graces, note.note]
    # By default abc2midi cuts four graces short; an eighth of the note holds them all.
    theirs = abc2midi(head + "%%MIDI grace 1/8\n" + text)
    assert [note for note, _, _ in theirs] == [MIDI[note] for note in ours]
