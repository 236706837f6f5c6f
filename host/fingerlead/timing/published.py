"""The analysis as the published JSON object, schema `fingerlead-analysis-1`.

Times are integers in microseconds on the clock on which the first frame (or row) is 0; notes and fingers by name.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from fingering.holes import FINGERS, fingers_of, to_text
from fingering.notes import NOTES
from fingerlead.timing.analysis import VERDICTS, Analysis, finger_offsets, reasons, way_of
from fingerlead.wire.account import GAP_US

SCHEMA = "fingerlead-analysis-1"
_TEXT = tuple(to_text(mask) for mask in range(256))
_MOVED = tuple(fingers_of(mask) for mask in range(256))


def as_dict(analysis: Analysis, kind: str, path: str) -> dict[str, Any]:
    """The JSON object, ready for `json.dumps`."""
    intake = analysis.record.intake
    return {
        "schema": SCHEMA,
        "source": {"kind": kind, "path": path},
        "timing": asdict(analysis.timing),
        "intake": asdict(intake),
        "settings": {**asdict(analysis.settings), "gap_us": GAP_US, "table": analysis.table.name},
        "held": _held(analysis),
        "changes": _changes(analysis),
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


def _held(analysis: Analysis) -> list[dict[str, Any]]:
    a = analysis.arrays
    return [
        {
            "note": NOTES[note],
            "holes": _TEXT[mask],
            "start_us": start_us,
            "end_us": end_us,
            "fingering": fingering,
            "wrong_fingers": [FINGERS[finger] for finger in wrong],
        }
        for note, mask, start_us, end_us, (fingering, wrong) in zip(
            a.note.tolist(), a.mask.tolist(), a.start_us.tolist(), a.end_us.tolist(), analysis.fingerings(), strict=True
        )
    ]


def _changes(analysis: Analysis) -> list[dict[str, Any]]:
    a = analysis.arrays
    strays = _grouped(
        a.stray_change.tolist(),
        [
            {
                "note": NOTES[note],
                "holes": _TEXT[mask],
                "start_us": start_us,
                "duration_us": duration_us,
                "heard": duration_us >= analysis.settings.heard_us,
            }
            for note, mask, start_us, duration_us in zip(
                a.stray_note.tolist(),
                a.stray_mask.tolist(),
                a.stray_start_us.tolist(),
                a.stray_us.tolist(),
                strict=True,
            )
        ],
    )
    slips = _grouped(
        a.slip_change.tolist(),
        [
            {"finger": FINGERS[finger], "start_us": start_us, "duration_us": duration_us}
            for finger, start_us, duration_us in zip(
                a.slip_finger.tolist(), a.slip_start_us.tolist(), a.slip_us.tolist(), strict=True
            )
        ],
    )
    ends = finger_offsets(a)[1:].tolist()
    finger_us = a.finger_us.tolist()
    because = reasons(a)
    changes = []
    begin = 0
    for number, (note, to_note, was, is_now, start_us, spread_us, lead, verdict, plain, loose, end) in enumerate(
        zip(
            a.from_note.tolist(), a.to_note.tolist(), a.from_mask.tolist(), a.to_mask.tolist(),
            a.change_us.tolist(), a.spread_us.tolist(), a.lead.tolist(), a.verdict.tolist(), a.plain.tolist(),
            a.loose.tolist(), ends, strict=True,
        )
    ):  # fmt: skip
        fingers = sorted(zip(finger_us[begin:end], _MOVED[was ^ is_now], strict=True))
        begin = end
        changes.append(
            {
                "from": NOTES[note],
                "to": NOTES[to_note],
                "start_us": start_us,
                "end_us": start_us + spread_us,
                "way": way_of(was, is_now),
                "lead": None if lead < 0 else FINGERS[lead],
                "spread_us": spread_us,
                "fingers": [
                    {
                        "finger": FINGERS[finger],
                        "motion": "lift" if was >> finger & 1 else "lower",
                        "after_start_us": after_us,
                    }
                    for after_us, finger in fingers
                ],
                "strays": strays.get(number, []),
                "slips": slips.get(number, []),
                "loose": loose if plain else None,
                "verdict": VERDICTS[verdict],
                "because": because[number],
            }
        )
    return changes


def _grouped(numbers: list[int], items: list[dict[str, Any]]) -> dict[int, list[dict[str, Any]]]:
    groups: dict[int, list[dict[str, Any]]] = {}
    for number, item in zip(numbers, items, strict=True):
        groups.setdefault(number, []).append(item)
    return groups
