"""The analysis as the published JSON object, schema `fingerlead-analysis-2`.

Times are integers in microseconds on the clock on which the first frame (or row) is 0; notes and fingers by name.
"""

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from fingering.holes import FINGERS, to_text
from fingering.notes import NOTES
from fingerlead.reading.music import Music
from fingerlead.timing import collector
from fingerlead.timing.against import MISREAD, Pass, departures, notes_led_to, passes
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.fault_words import fault_words
from fingerlead.timing.findings import Finding, findings
from fingerlead.timing.movement_beats import placed_movements
from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.playthrough import Playthrough, playthrough_sentence, playthroughs
from fingerlead.timing.pulse import OnsetOf, PassPulse, pulses
from fingerlead.timing.results import Change, Held, MovementFault, PlayedMovement
from fingerlead.timing.summary import summarise
from fingerlead.timing.worth import PairsSummary
from fingerlead.wire.account import GAP_US

SCHEMA = "fingerlead-analysis-2"
_TEXT = tuple(to_text(mask) for mask in range(256))


@collector.put_off()
def as_dict(analysis: Analysis, kind: str, path: str, onset: OnsetOf = "theme") -> dict[str, Any]:
    """The JSON object, ready for `json.dumps`; `onset` is what counts as the beginning of a note in `pulse`."""
    intake, in_time = analysis.record.intake, {one.music: one for one in playthroughs(analysis)}
    found, pass_of = passes(analysis)
    written = [
        _written(note, None if at is None else found[at].number)
        for note, at in zip(analysis.held, pass_of, strict=True)
    ]
    of_change = {movement.change: place for place, movement in enumerate(analysis.movements)}
    return {
        "schema": SCHEMA,
        "source": {"kind": kind, "path": path},
        "timing": _timing(analysis, kind),
        "intake": asdict(intake),
        "settings": {
            **asdict(analysis.settings),
            "gap_us": GAP_US,
            "table": analysis.table.name,
            **({"own_movements": analysis.known.name} if analysis.known.own else {}),
        },
        "music": [
            {**_music(music, analysis.record.end_us), **_in_time(in_time.get(number))}
            for number, music in enumerate(analysis.musics)
        ],
        "passes": _passes(found),
        "off": _off(analysis),
        "notes": [_note(note, analysis.musics, at) for note, at in zip(analysis.held, written, strict=True)],
        "changes": [
            _change(change, of_change.get(change.number), follows(written[number - 1], written[number]))
            for change, number in zip(analysis.changes, notes_led_to(analysis), strict=True)
        ],
        "movements": [_movement(movement) for movement in placed_movements(analysis)],
        "misread": [
            misread_dict(one.kind, one.written, one.note, one.start_us, one.words)
            for one in departures(analysis)
            if one.kind in MISREAD
        ],
        "pulse": [_pulse(one) for one in pulses(analysis, onset)],
        "findings": [_finding(one) for one in findings(summarise([analysis], onset))],
    }


def as_json(analysis: Analysis, kind: str, path: str, onset: OnsetOf = "theme") -> str:
    """The JSON object as text on one line."""
    import orjson

    told = as_dict(analysis, kind, path, onset)
    try:
        return orjson.dumps(told).decode()
    except orjson.JSONEncodeError:  # a path may hold bytes that are no text
        return json.dumps(told)


def _timing(analysis: Analysis, kind: str) -> dict[str, Any]:
    timing, moved = analysis.timing, analysis.moved
    corrected = {
        "edges": moved.which,
        "moves": moved.moves,
        "of": moved.of,
        "calibrated": (timing.seal and timing.seal.made) or None,
        "heights": timing.seal.heights if timing.seal and moved.moves else "none",
    }
    return {
        "clock": timing.clock,
        "uncertainty_us": timing.uncertainty_us,
        "scan_us": timing.scan_us,
        "skew_us": timing.skew_us,
        "skew": timing.skew,
        # A passage's edges are where they were read from; it does not say how they came there.
        "corrected": None if kind == "passage" else corrected,
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


def _in_time(played: Playthrough | None) -> dict[str, Any]:
    """How a music that went by in time was played; nothing for one that waited for the player."""
    if played is None:
        return {}
    counts = {"notes": len(played.notes), "with_beat": played.with_beat, "within_us": played.within_us}
    return {"in_time": {**counts, "constant_us": played.constant_us, "words": playthrough_sentence(played)}}


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


def misread_dict(kind: str, written: int | None, note: int | None, start_us: int, words: str) -> dict[str, Any]:
    """A note missed, wrong, too many or twice."""
    return {
        "kind": kind,
        "written": None if written is None else NOTES[written],
        "note": None if note is None else NOTES[note],
        "start_us": start_us,
        "words": words,
    }


def _pulse(one: PassPulse) -> dict[str, Any]:
    """The pulse of a pass; a ratio is that of long to short, dotted or cut."""
    return {
        "music": one.music,
        "pass": one.number,
        "beat_us": one.beat_us,
        "from": one.source,
        "onset": one.onset,
        "spread_us": one.spread_us,
        "drift_percent_per_minute": one.drift,
        "pairs": [
            {"bar": pair.bar, "written_ratio": pair.written_ratio, "played_ratio": round(pair.played_ratio, 3)}
            for pair in one.pairs
        ],
        "uncertainty_us": one.uncertainty_us,
        **({} if one.lag_us is None else {"lag_us": one.lag_us}),
    }


def _finding(one: Finding) -> dict[str, Any]:
    """What to work on, a change, a movement on a note, or pairs of one kind: `in` so many `of` all."""
    of = one.of
    what: dict[str, Any] = (
        {"movement": {"name": of.name, "on": NOTES[of.to_note]}}
        if isinstance(of, MovementSummary)
        else {"pairs": {"kind": "dotted" if of.dotted else "cut", "written_ratio": of.written_ratio}}
        if isinstance(of, PairsSummary)
        else {"change": {"from": NOTES[of.from_note], "to": NOTES[of.to_note]}}
    )
    counts = {"of": one.of_all, "in": one.times, "size_us": one.size_us, "interval": list(one.interval)}
    return {"words": one.words, **what, **counts}


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


def _written(note: Held, pass_number: int | None) -> dict[str, Any] | None:
    """Where a note is written."""
    at = note.written
    return None if at is None else {"music": at.music, "pass": pass_number, "index": at.number}


def follows(before: dict[str, Any] | None, note: dict[str, Any] | None) -> dict[str, Any] | None:
    """Where the second of two notes is written, if the first is written right before it."""
    if before is None or note is None or before["music"] != note["music"]:
        return None
    return note if note["index"] == before["index"] + 1 else None


def _note(note: Held, musics: Sequence[Music], written: dict[str, Any] | None) -> dict[str, Any]:
    return {
        "note": NOTES[note.note],
        "holes": _TEXT[note.covered_mask],
        "start_us": note.start_us,
        "end_us": note.end_us,
        "fingering": note.fingering,
        "wrong_fingers": [FINGERS[finger] for finger in note.wrong_fingers],
        "written": written and {**written, "bar": musics[written["music"]].notes[written["index"]].bar},
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
        "variant": movement.variant,
        "tempo_ratio": movement.tempo_ratio,
        "faults": [_fault(movement, fault) for fault in movement.faults],
    }


def _fault(movement: PlayedMovement, fault: MovementFault) -> dict[str, Any]:
    return {
        "kind": fault.kind,
        "note": fault.note,
        "finger": None if fault.finger is None else FINGERS[fault.finger],
        "size_us": fault.size_us,
        "sounded": None if fault.sounded is None else NOTES[fault.sounded],
        "words": fault_words(movement, fault),
    }


def _change(change: Change, movement: int | None, written: dict[str, Any] | None) -> dict[str, Any]:
    return {
        "from": NOTES[change.from_note],
        "to": NOTES[change.to_note],
        "start_us": change.start_us,
        "end_us": change.end_us,
        "way": change.way,
        "lead": None if change.lead is None else FINGERS[change.lead],
        "spread_us": change.spread_us,
        "fingers": [
            {
                "finger": FINGERS[each.finger],
                "motion": each.motion,
                "after_start_us": each.after_start_us,
                "uncertainty_us": each.uncertainty_us,
            }
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
        "written": written,
        "because": change.because,
    }
