"""Homework: a pupil's weakest changes, one rung of the ladder each, on one sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from fingering.ladder import ladder
from host.faces.sheet.piece import Sheet, change_advice, rung_piece
from host.faces.words import change_name

if TYPE_CHECKING:
    from host.faces.sheet.piece import SheetPiece
    from host.timing.summary import ChangeSummary, Summary

MOST = 3

Changed = tuple[int, int]


def weakest(summary: Summary, most: int = MOST) -> list[ChangeSummary]:
    """The changes to work on, the one that costs most first, each pair of notes once; empty where nothing stands out.

    Those that stand out come before those that may be chance.
    """
    if summary.first() is None:
        return []
    chosen: dict[frozenset[int], ChangeSummary] = {}
    for change in sorted(summary.ranked(), key=lambda change: not change.stands_out):
        chosen.setdefault(frozenset((change.from_note, change.to_note)), change)
    return list(chosen.values())[:most]


def what_was_heard(change: ChangeSummary) -> str:
    """How often a change went astray."""
    return f"another note sounded in between in {len(change.astray)} of {change.count}"


def homework(
    changes: Sequence[Changed], pupil: str = "", day: str = "", reasons: Mapping[Changed, str] | None = None
) -> Sheet:
    """A sheet of one rung for each change (from, to). `reasons` say what was heard; `day` is printed as it stands."""
    pieces = [_piece(change, (reasons or {}).get(change, "")) for change in changes]
    # How a rung is passed is the same for all of them: it is said once.
    pieces = [replace(piece, after="") for piece in pieces[:-1]] + pieces[-1:]
    subtitle = ", ".join(part for part in (f"for {pupil}" if pupil else "", day) if part)
    return Sheet(tuple(pieces), "Homework", subtitle[:1].upper() + subtitle[1:], page_each=True)


def _piece(change: Changed, reason: str) -> SheetPiece:
    rungs = ladder()
    number, rung = next(
        (number, rung) for number, rung in enumerate(rungs, 1) if len(rung.notes) > 1 and set(rung.notes) == set(change)
    )
    piece = rung_piece(rung, number, len(rungs))
    name = change_name(*change)
    first = change_advice(*change)
    return replace(
        piece,
        trains=f"To work on: {name}{f' ({reason})' if reason else ''}.",
        advice=(first, *(line for line in piece.advice if line != first)),
    )
