"""Played against written, as findings in words: what `analyse --expect` puts beside the analysis.

A finding says what happened at one place; equal ones are gathered in the summary, the most frequent first.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from fingering.holes import FINGERS
from fingering.notes import NOTES
from fingering.table import Table, standard_table
from fingerlead.music.align import JUMPS, Item, align
from fingerlead.music.findings import Finding, FindingReader
from fingerlead.music.tune import Expectation, Tune, expect
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.results import Change, Held
from fingerlead.wire.events import Doubt

_LISTS: dict[str, str] = {
    "wrong": "wrong",
    "missed": "missed",
    "extra": "extra",
    "slow stray": "slow_strays",
    "repeated": "repeated",
    "restart": "restarts",
    "left out": "left_out",
    "idle": "idle",
}


@dataclass(frozen=True, slots=True)
class Comparison:
    """All that playing and writing have to say to each other.

    `wanted` holds for each change the two notes it should have been between, None where nothing tells.
    """

    expectation: Expectation
    items: tuple[Item, ...]
    findings: tuple[Finding, ...]
    wanted: tuple[tuple[int, int] | None, ...]
    reached: int

    @property
    def summary(self) -> list[str]:
        """Sentences for people, the most frequent finding first."""
        gists = Counter(finding.gist for finding in self.findings if not finding.uncertain)
        said = [gist if count == 1 else f"{gist} ({count} times)" for gist, count in gists.most_common()]
        return said or ["Nothing stands out."]

    def as_dict(self) -> dict[str, Any]:
        """The object `expected` of the published JSON."""
        kinds = Counter(item.kind for item in self.items)
        found: dict[str, Any] = {
            "name": self.expectation.name,
            "notes": len(self.expectation.notes),
            "played": sum(item.held is not None and item.kind not in JUMPS for item in self.items),
            "times": 1 + kinds["again"],
            "reached": self.reached,
            "right": kinds["right"],
            "slow_graces": kinds["grace"],
        }
        for kind, name in _LISTS.items():
            found[name] = [_entry(finding) for finding in self.findings if finding.kind == kind]
        return {**found, "words": self.summary}


def _entry(finding: Finding) -> dict[str, Any]:
    def name(note: int | None) -> str | None:
        return None if note is None else NOTES[note]

    return {
        "note": name(finding.note),
        "played": name(finding.played),
        "between": None if finding.change is None else [NOTES[note] for note in finding.change],
        "finger": None if finding.finger is None else FINGERS[finding.finger],
        "expected": finding.expected,
        "held": finding.held,
        "bar": finding.bar,
        "start_us": finding.start_us,
        "duration_us": finding.duration_us,
        "uncertain": finding.uncertain,
        "words": finding.words,
    }


def expected_json(
    analysis: Analysis, tune_or_notes: Tune | Sequence[int] | Expectation, name: str = ""
) -> tuple[dict[str, Any], list[dict[str, str] | None]]:
    """`expected` and each change's `wanted` for the published JSON; raises ExpectationError for an empty exercise."""
    comparison = compare_analysis(analysis, tune_or_notes, name)
    wanted = [None if pair is None else {"from": NOTES[pair[0]], "to": NOTES[pair[1]]} for pair in comparison.wanted]
    return comparison.as_dict(), wanted


def compare_analysis(
    analysis: Analysis, tune_or_notes: Tune | Sequence[int] | Expectation, name: str = ""
) -> Comparison:
    """Compare a whole analysis; see `compare`."""
    expectation = expect(tune_or_notes, name)
    return compare(expectation, list(analysis.held), list(analysis.changes), analysis.doubts, analysis.table)


def compare(
    expectation: Expectation,
    held: Sequence[Held],
    changes: Sequence[Change] = (),
    doubts: Sequence[Doubt] = (),
    table: Table | None = None,
) -> Comparison:
    """Align held notes and say what was not as written. `changes` are those between the held notes, in order."""
    walk = align(expectation, held)
    reader = FindingReader(expectation, held, changes, doubts, table or standard_table())
    findings, wanted = reader.read_all(walk.items)
    return Comparison(expectation, walk.items, tuple(findings), tuple(wanted), walk.reached)
