"""One change or movement out of many, to be drawn: a typical fault, the worst one, or one that was right."""

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from fingerlead.faces.report.learner import Played
from fingerlead.faces.strip import Strip, change_strip, movement_strip
from fingerlead.faces.words import clock_text, movement_sentence, what_happened
from fingerlead.phrases import capital, day_words
from fingerlead.timing.evenings import What
from fingerlead.timing.fault_words import not_as_written
from fingerlead.timing.movement_sums import counted_movements
from fingerlead.timing.results import Change, PlayedMovement
from fingerlead.timing.summary import heard_stray_us


class Instance(NamedTuple):
    """What is drawn: its strip, its words, whether it is a fault, and when it was played."""

    strip: Strip
    words: str
    is_fault: bool
    at: str


def typical_fault(played: Sequence[Played], what: What) -> Instance | None:
    """The fault in the middle of all: of a change by how long its strays are heard, of a movement of its usual kind."""
    if _is_movement(what):
        kinds = Counter(kind for _, one in _movements(played, what, False) for kind in not_as_written(one))
        most = kinds.most_common(1)[0][0] if kinds else None
        return _movement([found for found in _movements(played, what, False) if most in not_as_written(found[1])])
    faults = _changes(played, what, "stray")
    return _change(*faults[(len(faults) - 1) // 2]) if faults else None


def worst_fault(played: Sequence[Played], what: What) -> Instance | None:
    """The stray heard longest; of movements none is worst."""
    faults = [] if _is_movement(what) else _changes(played, what, "stray")
    return _change(*faults[-1]) if faults else None


def typical_right(played: Sequence[Played], what: What) -> Instance | None:
    """One in the middle of those that were right, the widest last."""
    if _is_movement(what):
        return _movement(_movements(played, what, True))
    right = _changes(played, what, "clean")
    return _change(*right[(len(right) - 1) // 2]) if right else None


def _is_movement(what: What) -> bool:
    return isinstance(what[0], str)


def _changes(played: Sequence[Played], what: What, verdict: str) -> list[tuple[Played, Change]]:
    """All instances of a change with a verdict, the most heard or the widest last."""
    found = [
        (each, one)
        for each in played
        for one in each.analysis.changes
        if (one.from_note, one.to_note) == what and one.judged and one.verdict == verdict
    ]
    return sorted(found, key=lambda pair: (heard_stray_us(pair[1]), pair[1].spread_us))


def _movements(played: Sequence[Played], what: What, right: bool) -> list[tuple[Played, PlayedMovement]]:
    """All instances of a movement that were played, and were as written or were not, in order of time."""
    return [
        (each, one)
        for each in played
        for one in counted_movements(each.analysis)
        if (one.written, one.to_note) == what and one.notes and (one.verdict == "as written") is right
    ]


def _change(of: Played, one: Change) -> Instance:
    words = capital(what_happened(one, of.analysis.timing, advise=False))
    strip = change_strip(one, of.analysis.timing)
    return Instance(strip, words, one.verdict == "stray", _at(of, one.start_us))


def _movement(found: list[tuple[Played, PlayedMovement]]) -> Instance | None:
    """The one in the middle of some movements."""
    if not found:
        return None
    of, one = found[(len(found) - 1) // 2]
    strip = movement_strip(of.analysis, one)
    if strip is None:
        return None
    return Instance(strip, movement_sentence(one), one.verdict != "as written", _at(of, one.start_us))


def _at(of: Played, start_us: int) -> str:
    return f"{day_words(of.day)}, {clock_text(start_us)}" if of.day else clock_text(start_us)
