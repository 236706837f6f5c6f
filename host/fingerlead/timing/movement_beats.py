"""Movements that come early or late: their onsets against the beat, where there is one.

Question: does a movement stand where the beat asks for it? Teachers differ in what of it falls on the beat, its first
grace note or the theme note. A pass with several movements shows what the player has there: the onsets of which of the
two lie nearer together. By that one each is judged, from its usual place on. Where there are too few, only what is off
by either is told: early where even the theme note comes before its beat, late where even the first grace note comes
after it.

The beat is that of `pulse`: the player's own place of it. With a session's clicks, what lies aside of them by either is
told too, though the player has it there always. What is told lies aside by more than LEAST_US, and beyond the player's
own unevenness and the uncertainty. A last grace note that merges with the theme note hides when that begins: such a
movement is not judged by the beat.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import fmean, median

from fingering.notes import ABC_LETTERS
from fingerlead.timing.against import notes_embellished
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.beats import NORMAL
from fingerlead.timing.pulse import PassPulse, onsets_of, pulses
from fingerlead.timing.results import MovementFault, PlayedMovement

# A player hears that about so much is off the beat (from memory).
LEAST_US = 50_000
# And so many times as much as the player's onsets are off otherwise.
SIGMAS = 4.0
# So many movements in a pass show what of them is on the beat, and where.
FEWEST_USUAL = 4
JUDGED = ("as written", "faulty")


def placed_movements(analysis: Analysis) -> list[PlayedMovement]:
    """The movements of an analysis, with those told that come early or late."""
    known: list[PlayedMovement] | None = analysis.worked_out.get("placed movements")
    if known is None:
        aside = _aside(analysis) if analysis.movements else {}
        known = analysis.worked_out["placed movements"] = [
            _with_fault(movement, aside[number]) if number in aside else movement
            for number, movement in enumerate(analysis.movements)
        ]
    return known


def aside_within(analysis: Analysis, music: int) -> list[PlayedMovement]:
    """Those of a music's movements that come early or late, the farthest from the beat first, with that fault alone."""
    starts_us, ends_us = analysis.musics[music].start_us, analysis.musics[music].end_us
    found = [
        replace(movement, faults=(fault,))
        for movement in placed_movements(analysis)
        for fault in movement.faults
        if fault.kind in ("early", "late") and starts_us <= movement.start_us < ends_us
    ]
    return sorted(found, key=lambda movement: -movement.faults[0].size_us)


def _with_fault(movement: PlayedMovement, off_us: int) -> PlayedMovement:
    fault = MovementFault("late" if off_us > 0 else "early", 0, None, abs(off_us))
    return replace(movement, verdict="faulty", faults=(*movement.faults, fault))


def _merges(movement: PlayedMovement) -> bool:
    """Whether the last grace note sounds the theme note already."""
    return (movement.variant or "").endswith(ABC_LETTERS[movement.to_note])


def _aside(analysis: Analysis) -> dict[int, int]:
    """How far each movement that is early or late is off the beat, by its number."""
    by_note = {
        note: number
        for number, (movement, note) in enumerate(zip(analysis.movements, notes_embellished(analysis), strict=True))
        if movement.verdict in JUDGED and movement.notes and movement.written is not None and not _merges(movement)
    }
    theme_us, grace_us = onsets_of(analysis, "theme"), onsets_of(analysis, "first grace")
    lengths = {note: theme_us[note] - grace_us[note] for note in range(len(theme_us))}
    found: dict[int, int] = {}
    graces = {(pulse.music, pulse.number): pulse for pulse in pulses(analysis, "first grace")}
    for theme in pulses(analysis, "theme"):
        found |= _aside_in(theme, graces.get((theme.music, theme.number)), lengths, by_note)
    return found


def _aside_in(
    theme: PassPulse, grace: PassPulse | None, lengths: Mapping[int, int], by_note: Mapping[int, int]
) -> dict[int, int]:
    """The same of one pass; `lengths` are from the first grace note to the theme note, by the note."""
    offs = {one.number: float(one.off_us) for one in theme.onsets}
    by_grace = {} if grace is None else {one.number: float(one.off_us) + lengths[one.number] for one in grace.onsets}
    if both_ways := offs.keys() & by_grace.keys():
        # What is so late that its theme note breaks the beat may be in place by its first grace note, or the other way.
        shift_us = median(offs[note] - by_grace[note] for note in both_ways)
        offs |= {note: off_us + shift_us for note, off_us in by_grace.items() if note not in offs}
    notes = [note for note in offs if note in by_note]
    if not notes:
        return {}
    begun = {note: off_us - lengths[note] for note, off_us in offs.items()}
    ways = both = [_Way(offs, notes, theme.lag_us), _Way(begun, notes, theme.lag_us)]
    # The player's unevenness is that of what they have on the beat.
    sigma_us = min(way.sigma_us for way in both)
    if len(notes) >= FEWEST_USUAL:
        ways = [min(both, key=lambda way: way.spread_us)]
    limit_us = max(LEAST_US, SIGMAS * sigma_us) + theme.uncertainty_us
    found: dict[int, int] = {}
    for note in notes:
        by_beat = _all_beyond([way.off_us(note) for way in ways], limit_us)
        by_click = _all_beyond([way.behind_us(note) for way in both], limit_us + theme.lag_unsure_us)
        off_us = by_click if by_beat is None else by_beat
        if off_us is not None:
            found[by_note[note]] = off_us
    return found


class _Way:
    """The offs of a pass by one choice of onset: `notes` are those that movements lead to."""

    def __init__(self, offs: Mapping[int, float], notes: Sequence[int], lag_us: int | None) -> None:
        self._offs, self._lag_us = offs, lag_us
        self._usual_us = median(offs[note] for note in notes) if len(notes) >= FEWEST_USUAL else 0.0
        # By the mean: that the shorter movements, which may be most, lie together is not enough.
        self.spread_us = fmean(abs(offs[note] - median(offs[note] for note in notes)) for note in notes)
        self.sigma_us = _sigma_us(list(offs.values()))

    def off_us(self, note: int) -> float:
        """How far a movement is from where the player usually has them."""
        return self._offs[note] - self._usual_us

    def behind_us(self, note: int) -> float:
        """How far it is behind the click; 0 without any."""
        return 0.0 if self._lag_us is None else self._offs[note] + self._lag_us


def _all_beyond(offs_us: Sequence[float], limit_us: float) -> int | None:
    """The smallest of some distances from the beat, where all lie beyond the limit on the same side."""
    if min(offs_us) > limit_us:
        return round(min(offs_us))
    return round(max(offs_us)) if max(offs_us) < -limit_us else None


def _sigma_us(values_us: Sequence[float]) -> float:
    """A standard deviation, by the median one."""
    middle = median(values_us)
    return NORMAL * median(abs(value - middle) for value in values_us)
