"""The analysis as the published JSON object, schema `fingerlead-analysis-1`.

Times are integers in microseconds on the clock on which the first frame (or row) is 0; notes and fingers by name.
"""

from dataclasses import asdict
from typing import Any

from fingering.holes import FINGERS, to_text
from fingering.notes import NOTES
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.results import Change, Held
from fingerlead.wire.account import GAP_US

SCHEMA = "fingerlead-analysis-1"
_TEXT = tuple(to_text(mask) for mask in range(256))


def as_dict(analysis: Analysis, kind: str, path: str) -> dict[str, Any]:
    """The JSON object, ready for `json.dumps`."""
    intake = analysis.record.intake
    return {
        "schema": SCHEMA,
        "source": {"kind": kind, "path": path},
        "timing": asdict(analysis.timing),
        "intake": asdict(intake),
        "settings": {**asdict(analysis.settings), "gap_us": GAP_US, "table": analysis.table.name},
        "held": [_held(held) for held in analysis.held],
        "changes": [_change(change) for change in analysis.iter_changes()],
        "ornaments": [
            {
                "name": ornament.name,
                "start_us": ornament.start_us,
                "end_us": ornament.end_us,
                "on": NOTES[ornament.on],
                "notes": [
                    {"note": NOTES[note.note], "start_us": note.start_us, "duration_us": note.duration_us}
                    for note in ornament.notes
                ],
            }
            for ornament in analysis.ornaments
        ],
    }


def _held(held: Held) -> dict[str, Any]:
    return {
        "note": NOTES[held.note],
        "holes": _TEXT[held.covered_mask],
        "start_us": held.start_us,
        "end_us": held.end_us,
        "fingering": held.fingering,
        "wrong_fingers": [FINGERS[finger] for finger in held.wrong_fingers],
    }


def _change(change: Change) -> dict[str, Any]:
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
        "loose": change.loose,
        "verdict": change.verdict,
        "because": change.because,
    }
