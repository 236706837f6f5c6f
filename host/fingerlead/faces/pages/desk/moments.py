"""Moments of a session or a passage: a change or a movement with its place in time, its words and its strip.

What went astray is grouped by change, what was not as written by movement, the worst first: each group with a sentence,
the instance in the middle, and all instances in order of time.
"""

import contextlib
from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Any, Literal, TypeVar, cast, get_args

from fingering.moves import change_text
from fingering.notes import NOTES
from fingerlead.faces.pages.desk import words as say
from fingerlead.faces.pages.desk.files import mended_part
from fingerlead.faces.strip import SCALES_US, Strip, change_strip, lanes_of, movement_strip
from fingerlead.faces.strip_svg import BOTTOM, LABELS, LANES, SOUND, StripPage, strip_svg
from fingerlead.faces.words import clock_text, movement_sentence, what_happened
from fingerlead.phrases import capital, listed
from fingerlead.studio.overview import worths
from fingerlead.studio.pupils import StudioError
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.evenings import What
from fingerlead.timing.fault_words import not_as_written, short_words
from fingerlead.timing.measured_words import finger_name, ms
from fingerlead.timing.movement_sums import counted_movements, movement_sums
from fingerlead.timing.progress import tally
from fingerlead.timing.results import Change, PlayedMovement
from fingerlead.timing.summary import heard_stray_us
from fingerlead.timing.worth import rank

# Of one group; the rest is heard by playing on.
MOST_INSTANCES = 200
NOW = "now"  # the strip of what is heard, in the ids of its picture
ChangeKind = Literal["stray", "apart"]
CHANGE_KINDS: tuple[ChangeKind, ...] = get_args(ChangeKind)
Played = TypeVar("Played", Change, PlayedMovement)


def moment(analysis: Analysis, change: Change, strips: StripPage) -> dict[str, Any]:
    """A change with its strip, one of the `strips` of its page."""
    return {
        **_place(f"change={change.number}", change),
        "number": change.number,
        "name": capital(change_text(change.from_note, change.to_note)),
        "words": _change_words(analysis, change),
        "svg": strips.add(change_strip(change, analysis.timing)),
    }


def _change_words(analysis: Analysis, change: Change) -> str:
    """What happened in a change, and how the movements in it went; of a change that is not plain, these alone."""
    inside = [movement_sentence(each) for each in counted_movements(analysis) if each.change == change.number]
    plain = [] if inside and not change.is_plain else [capital(what_happened(change, analysis.timing))]
    return " ".join(plain + inside)


def movement_moment(analysis: Analysis, movement: PlayedMovement, strips: StripPage) -> dict[str, Any]:
    """A movement that was not as written, with its strip where it was played."""
    strip = movement_strip(analysis, movement)
    name = f"{capital(movement.written or movement.name)} on {NOTES[movement.to_note]}"
    return {
        **_place("", movement),
        "number": None,
        "name": name,
        "words": movement_sentence(movement).removeprefix(f"{name}: ").removeprefix(name).lstrip(",. "),
        "svg": strips.add(strip) if strip else "",
    }


def moment_asked(analysis: Analysis, kind: str, number: int, scale_us: int) -> dict[str, Any]:
    """The moment of a `change`, or of a `movement` that was not as written, by its number, its strip on a time scale.

    `mended` is what takes whose place, where the change can be mended. Raises StudioError.
    """
    changes, movements = analysis.changes, faulty_movements(analysis)
    if not 0 <= number < len(changes if kind == "change" else movements) or scale_us not in SCALES_US:
        raise StudioError(f"expected the number of a {kind} of this session and a time scale. Load the page again")
    change, mended = None, None
    if kind == "change":
        change = changes[number]
        told = moment(analysis, change, StripPage())
        strip: Strip | None = change_strip(change, analysis.timing)
        with contextlib.suppress(StudioError):
            mended = mended_part(analysis, number)
    else:
        movement = movements[number]
        told, strip = movement_moment(analysis, movement, StripPage()), movement_strip(analysis, movement)
        change = None if movement.change is None else changes[movement.change]
    return told | {
        "svg": strip_svg(strip, scale_us, NOW) if strip else "",
        "lanes": _lanes_drawn(strip, change, scale_us) if strip and change else None,
        "mended": mended,
    }


def faulty_movements(analysis: Analysis) -> list[PlayedMovement]:
    """The movements that were not as written, in order of time."""
    return [each for each in counted_movements(analysis) if each.verdict != "as written"]


def change_groups(analysis: Analysis, strips: StripPage, kind: ChangeKind) -> list[dict[str, Any]]:
    """The changes that went astray, or those with the fingers apart, the most of it first.

    The page's scale holds every instance.
    """
    wrong: dict[What, list[tuple[str, Change]]] = defaultdict(list)
    for change in analysis.changes:
        if change.is_plain and change.verdict == kind:
            wrong[change.from_note, change.to_note].append((f"change={change.number}", change))
            strips.add(change_strip(change, analysis.timing))
    size, text = (heard_stray_us, _stray_text) if kind == "stray" else (_spread_us, _apart_text)
    works = [one for of in tally(analysis) for one in worths(of) if one.kind == kind and one.times]
    groups = []
    for work in sorted(works, key=rank):
        instances = wrong[cast(What, work.key)]
        what, typical = _middle(instances, size)
        shown = moment(analysis, typical, strips) | {"what": what}
        groups.append(_group(say.work_sentence(work), shown, instances, text))
    return groups


def movement_groups(analysis: Analysis, strips: StripPage) -> list[dict[str, Any]]:
    """The movements that were not as written, the most often spoilt first. The page's scale holds every instance."""
    faulty: dict[What, list[tuple[str, PlayedMovement]]] = defaultdict(list)
    for number, movement in enumerate(faulty_movements(analysis)):
        faulty[movement.written or "", movement.to_note].append((f"movement={number}", movement))
        if strip := movement_strip(analysis, movement):
            strips.add(strip)
    groups = []
    for of in sorted(movement_sums(analysis), key=lambda one: (-one.wrong, one.name, one.to_note)):
        instances = faulty[of.name, of.to_note]
        if not instances:
            continue
        most = of.faults.most_common(1)
        usual = [each for each in instances if most and most[0][0] in not_as_written(each[1])]
        what, typical = _middle(usual or instances, lambda one: one.end_us - one.start_us)
        shown = movement_moment(analysis, typical, strips) | {"what": what}
        groups.append(_group(say.movement_sentence_of(of), shown, instances, _fault_text))
    return groups


def _group(
    sentence: str,
    typical: dict[str, Any],
    instances: Sequence[tuple[str, Played]],
    text: Callable[[Played], str],
) -> dict[str, Any]:
    name, _, told = sentence.partition(": ")
    return {
        "name": name,
        "sentence": capital(told),
        "count": len(instances),
        "typical": typical,
        "instances": [{**_place(what, one), "text": text(one)} for what, one in instances[:MOST_INSTANCES]],
        "more": max(0, len(instances) - MOST_INSTANCES),
    }


def _place(what: str, one: Change | PlayedMovement) -> dict[str, Any]:
    """When it was, and what a page asks by for its strip and its sound."""
    return {"what": what, "at": clock_text(one.start_us), "at_us": one.start_us, "until_us": one.end_us}


def _lanes_drawn(strip: Strip, change: Change, scale_us: int) -> dict[str, Any]:
    """Where a strip's picture has its lanes, and from when to when in the session: for a line that goes along."""
    lanes = lanes_of(strip, scale_us)
    from_us = change.edges[0][0] if strip.is_movement else change.start_us
    return {
        "left": LABELS,
        "right": LABELS + LANES,
        "path": f"M0 {SOUND}V{BOTTOM}",
        "beginUs": from_us + lanes.begin_us,
        "endUs": from_us + lanes.end_us,
    }


def _middle(some: Sequence[tuple[str, Played]], size: Callable[[Played], int]) -> tuple[str, Played]:
    return sorted(some, key=lambda each: size(each[1]))[(len(some) - 1) // 2]


def _stray_text(change: Change) -> str:
    return f"{listed([NOTES[stray.note] for stray in change.strays if stray.heard])}, {ms(heard_stray_us(change))}"


def _spread_us(change: Change) -> int:
    return change.spread_us


def _apart_text(change: Change) -> str:
    last = change.fingers[-1]
    return f"{finger_name(last.finger)} {ms(last.after_start_us)} after the first"


def _fault_text(movement: PlayedMovement) -> str:
    return "; ".join(short_words(what, movement.to_note) for what in not_as_written(movement))
