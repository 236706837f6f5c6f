"""The analysis as the published JSON object, schema `fingerlead-analysis-2`.

Times are integers in microseconds on the clock on which the first frame (or row) is 0; notes and fingers by name.
"""

from dataclasses import asdict
from typing import Any

from fingering.holes import FINGERS, to_text
from fingering.notes import NOTES
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.results import Change, Held, PlayedMovement
from fingerlead.wire.account import GAP_US

SCHEMA = "fingerlead-analysis-2"
_TEXT = tuple(to_text(mask) for mask in range(256))


def as_dict(analysis: Analysis, kind: str, path: str) -> dict[str, Any]:
    """The JSON object, ready for `json.dumps`."""
    intake = analysis.record.intake
    of_change = {movement.change: place for place, movement in enumerate(analysis.movements)}
    return {
        "schema": SCHEMA,
        "source": {"kind": kind, "path": path},
        "timing": asdict(analysis.timing),
        "intake": asdict(intake),
        "settings": {**asdict(analysis.settings), "gap_us": GAP_US, "table": analysis.table.name},
        "off": [{"start_us": start_us, "end_us": end_us, "why": "hands off"} for start_us, end_us in analysis.off],
        "notes": [_note(note) for note in analysis.held],
        "changes": [_change(change, of_change.get(change.number)) for change in analysis.iter_changes()],
        "movements": [_movement(movement) for movement in analysis.movements],
    }


def _note(note: Held) -> dict[str, Any]:
    return {
        "note": NOTES[note.note],
        "holes": _TEXT[note.covered_mask],
        "start_us": note.start_us,
        "end_us": note.end_us,
        "fingering": note.fingering,
        "wrong_fingers": [FINGERS[finger] for finger in note.wrong_fingers],
        "written": None if note.written is None else {"music": note.written.music, "index": note.written.number},
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
