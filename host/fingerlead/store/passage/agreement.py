"""What both sides of a message must find alike: some changes of an analysis, with all that is said of them.

Two analyses agree on some changes where their `findings` of these are equal, whenever each began.
"""

from dataclasses import fields, replace
from typing import Any

import numpy as np

from fingerlead.timing.analysis import Analysis, finger_offsets
from fingerlead.timing.kernel import Part

# The columns of a part that tell of its changes.
COMPARED = (
    "from_mask", "to_mask", "spread_us", "lead", "verdict", "plain", "stage_us", "judged",
    "finger_us", "unsure_us", "common_us", "stray_change", "stray_note", "stray_mask", "stray_us", "stray_heard",
    "slip_change", "slip_finger", "slip_us",
)  # fmt: skip
COMPARED_TIMES = ("change_us", "stray_start_us", "slip_start_us")


def changes_alone(analysis: Analysis, begin: int, stop: int) -> Part:
    """The results with no other changes, nor movements outside them, than those from `begin` to before `stop`."""
    part = analysis.arrays
    of_change = slice(begin, stop)
    offsets = finger_offsets(part)
    chosen = {
        name: getattr(part, name)[of_change]
        for name in (
            "from_note", "to_note", "from_mask", "to_mask", "first", "last", "change_us", "spread_us", "lead",
            "verdict", "plain", "stage_us", "judged",
        )
    }  # fmt: skip
    for kind in ("stray", "slip"):
        numbers = getattr(part, f"{kind}_change")
        here = (numbers >= begin) & (numbers < stop)
        for column in fields(part):
            if column.name.startswith(f"{kind}_"):
                chosen[column.name] = getattr(part, column.name)[here]
        chosen[f"{kind}_change"] = chosen[f"{kind}_change"] - begin
    from_us = int(analysis.edge_us[part.first[begin]])
    until_us = int(analysis.edge_us[part.last[stop - 1]])
    return replace(
        part,
        **chosen,
        **{
            name: getattr(part, name)[offsets[begin] : offsets[stop]]
            for name in ("finger_us", "unsure_us", "common_us")
        },
        movements=[
            movement if movement.change is None else replace(movement, change=movement.change - begin)
            for movement in part.movements
            if from_us <= movement.start_us and movement.end_us <= until_us
        ],
    )


def notes_around(analysis: Analysis, first: int, last: int) -> tuple[int, int]:
    """The numbers of the held note that change `first` leaves, and of the one that change `last` leads to."""
    a = analysis.arrays
    edges = (a.first[first] - 1, a.last[last])
    begin, end = (int(np.searchsorted(a.start_us, analysis.edge_us[edge], side="right")) - 1 for edge in edges)
    return begin, end


def findings(analysis: Analysis, first: int, last: int, at_us: int = 0) -> dict[str, list[Any]]:
    """What an analysis that begins at `at_us` says of some changes, of the notes around them and the movements."""
    part = changes_alone(analysis, first, last + 1)
    begin, end = notes_around(analysis, first, last)
    found: dict[str, list[Any]] = {column: getattr(part, column).tolist() for column in COMPARED}
    found |= {column: (getattr(part, column) + at_us).tolist() for column in COMPARED_TIMES}
    found["edge_us"] = (analysis.edge_us[np.concatenate((part.first, part.last))] + at_us).tolist()
    # How a note is fingered hangs on the notes beside it, so it may differ where the changes do not.
    found["notes"] = [
        note._replace(start_us=note.start_us + at_us, end_us=note.end_us + at_us, written=None)
        for note in analysis.held[begin : end + 1]
    ]
    found["movements"] = [
        replace(
            movement,
            start_us=movement.start_us + at_us,
            end_us=movement.end_us + at_us,
            notes=tuple(note._replace(start_us=note.start_us + at_us) for note in movement.notes),
        )
        for movement in part.movements
    ]
    return found
