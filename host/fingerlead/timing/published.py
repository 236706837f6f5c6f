"""The analysis as the published JSON object, schema `fingerlead-analysis-2`.

Times are integers in microseconds on the clock on which the first frame (or row) is 0; notes and fingers by name.
"""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from fingering.holes import FINGERS, to_text
from fingering.notes import NOTES
from fingerlead.reading.music import Music
from fingerlead.timing.against import Misread, Pass, misread, passes
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.results import Change, Held, PlayedMovement
from fingerlead.wire.account import GAP_US

SCHEMA = "fingerlead-analysis-2"
_TEXT = tuple(to_text(mask) for mask in range(256))


def as_dict(analysis: Analysis, kind: str, path: str) -> dict[str, Any]:
    """The JSON object, ready for `json.dumps`."""
    intake = analysis.record.intake
    found, pass_of = passes(analysis)
    of_change = {movement.change: place for place, movement in enumerate(analysis.movements)}
    return {
        "schema": SCHEMA,
        "source": {"kind": kind, "path": path},
        "timing": asdict(analysis.timing),
        "intake": asdict(intake),
        "settings": {**asdict(analysis.settings), "gap_us": GAP_US, "table": analysis.table.name},
        "music": [_music(music, analysis.record.end_us) for music in analysis.musics],
        "passes": _passes(found),
        "off": _off(analysis),
        "notes": [
            _note(note, analysis.musics, None if at is None else found[at].number)
            for note, at in zip(analysis.held, pass_of, strict=True)
        ],
        "changes": [_change(change, of_change.get(change.number)) for change in analysis.iter_changes()],
        "movements": [_movement(movement) for movement in analysis.movements],
        "misread": [_misread(one) for one in misread(analysis)],
    }


def _music(music: Music, end_us: int) -> dict[str, Any]:
    asked = music.asked
    return {
        "start_us": music.start_us,
        "end_us": _end_of(music, end_us),
        "kind": asked.kind,
        "name": asked.name,
        "abc": asked.abc,
        "beat_us": asked.beat_us,
        "stage_us": asked.stage_us,
        "judged": asked.judged,
    }


def _end_of(music: Music, end_us: int) -> int:
    """Where a music ends within playing that ends at `end_us`."""
    return max(min(music.end_us, end_us), music.start_us)


def _passes(found: Sequence[Pass]) -> list[dict[str, Any]]:
    return [
        {
            "music": one.music,
            "pass": one.number,
            "start_us": one.start_us,
            "end_us": one.end_us,
            "reached": one.reached,
            "right": one.right,
        }
        for one in found
    ]


def _misread(one: Misread) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "written": None if one.written is None else NOTES[one.written],
        "note": None if one.note is None else NOTES[one.note],
        "start_us": one.start_us,
        "words": one.words,
    }


def _off(analysis: Analysis) -> list[dict[str, Any]]:
    """When nothing counts: the hands were off, or the session says why."""
    end_us = analysis.record.end_us
    spans = [(start_us, end_us, "hands off") for start_us, end_us in analysis.off]
    spans += [
        (music.start_us, _end_of(music, end_us), music.asked.why)
        for music in analysis.musics
        if not music.asked.judged and music.start_us < end_us
    ]
    return [{"start_us": start_us, "end_us": stop_us, "why": why} for start_us, stop_us, why in sorted(spans)]


def _note(note: Held, musics: Sequence[Music], pass_number: int | None) -> dict[str, Any]:
    written = note.written
    return {
        "note": NOTES[note.note],
        "holes": _TEXT[note.covered_mask],
        "start_us": note.start_us,
        "end_us": note.end_us,
        "fingering": note.fingering,
        "wrong_fingers": [FINGERS[finger] for finger in note.wrong_fingers],
        "written": None
        if written is None
        else {
            "music": written.music,
            "pass": pass_number,
            "index": written.number,
            "bar": musics[written.music].notes[written.number].bar,
        },
    }


def _movement(movement: PlayedMovement) -> dict[str, Any]:
    return {
        "name": movement.name,
        "written": movement.written,
        "between": [NOTES[movement.from_note], NOTES[movement.to_note]],
        "start_us": movement.start_us,
        "end_us": movement.end_us,
        "notes": [
            {
                "note": NOTES[one.note],
                "written": None if one.written is None else NOTES[one.written],
                "start_us": one.start_us,
                "duration_us": one.duration_us,
            }
            for one in movement.notes
        ],
        "verdict": movement.verdict,
    }


def _change(change: Change, movement: int | None) -> dict[str, Any]:
    return {
        "from": NOTES[change.from_note],
        "to": NOTES[change.to_note],
        "start_us": change.start_us,
        "end_us": change.end_us,
        "way": change.way,
        "lead": None if change.lead is None else FINGERS[change.lead],
        "spread_us": change.spread_us,
        "fingers": [
            {"finger": FINGERS[each.finger], "motion": each.motion, "after_start_us": each.after_start_us}
            for each in change.fingers
        ],
        "strays": [
            {
                "note": NOTES[stray.note],
                "holes": _TEXT[stray.covered_mask],
                "start_us": stray.start_us,
                "duration_us": stray.duration_us,
                "heard": stray.heard,
            }
            for stray in change.strays
        ],
        "slips": [
            {"finger": FINGERS[slip.finger], "start_us": slip.start_us, "duration_us": slip.duration_us}
            for slip in change.slips
        ],
        "verdict": change.verdict,
        "stage_us": change.stage_us,
        "judged": change.judged,
        "movement": movement,
        "because": change.because,
    }
