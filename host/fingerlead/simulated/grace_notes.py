"""How the fingers of a movement go: one mask for each of its grace notes, and how long it sounds. Pure, times in µs.

The lengths are those of the roles in the table of movements. A row of grace notes without a name has them all alike.
"""

from collections.abc import Sequence
from typing import NamedTuple

from fingering.movements import Role, forms_between, nearest_mask
from fingering.notes import SOUNDING

# From 0 for a skilled player's tempo to 1 for a learner's.
SKILLED = 0.0
SHARE = 0.4  # the most of the note after it that a movement takes
UNNAMED_US = 33_000


class GraceStep(NamedTuple):
    """One grace note as it is fingered; `written` counts the written ones from 0, None for one that is not written."""

    covered_mask: int
    length_us: int
    written: int | None


def grace_steps(
    from_mask: int, to_mask: int, graces: Sequence[int], hold_us: int, pace: float = SKILLED
) -> list[GraceStep]:
    """The steps of a movement between two masks. A note that sounds already is no step of its own."""
    kept: list[tuple[int, int]] = []
    mask = from_mask
    for index, note in enumerate(graces):
        if note != SOUNDING[mask]:
            # The melody note inside a movement is fingered as it is outside.
            mask = to_mask if note == SOUNDING[to_mask] else nearest_mask(note, mask, to_mask)
            kept.append((index, mask))
    if kept and SOUNDING[kept[-1][1]] == SOUNDING[to_mask]:
        kept.pop()
    roles = roles_between(SOUNDING[from_mask], SOUNDING[to_mask], [SOUNDING[mask] for _, mask in kept])
    lengths = [usual_us(role, pace) for role in roles] or [UNNAMED_US] * len(kept)
    share = min(1.0, SHARE * hold_us / max(sum(lengths), 1))
    return [GraceStep(mask, round(us * share), index) for (index, mask), us in zip(kept, lengths, strict=True)]


def roles_between(from_note: int, to_note: int, sounding: Sequence[int]) -> tuple[Role, ...]:
    """The role of each grace note that sounds; empty where no movement has these notes."""
    form = forms_between(from_note, to_note).get(tuple(sounding))
    if form is None or form.left_out:
        return ()
    notes, length = form.movement.notes, len(sounding)
    begin = next(n for n in range(len(notes)) if notes[n : n + length] == tuple(sounding))
    return form.movement.roles[begin : begin + length]


def range_us(role: Role, pace: float) -> tuple[float, float]:
    """The shortest and the longest of a role at a pace."""
    low, high = ((1 - pace) * one + pace * other for one, other in zip(role.skilled, role.learner, strict=True))
    return 1_000 * low, 1_000 * high


def usual_us(role: Role, pace: float) -> float:
    """A length in the middle of a role's range, as ears measure: by ratio."""
    low, high = range_us(role, pace)
    return float((low * high) ** 0.5)
