"""The finger strip: the picture of one change. Eight lanes from the thumb down, time from left to right.

A covered hole is a solid band, an open one a thin line; a lane above says which note sounds, a stray hatched with its
letter. A filled triangle marks the finger that led, an open one the finger that should have; the grey bar at the scale
is the timing uncertainty. The same in a terminal (`strip_text`) and as SVG (`strip_svg`), in ink alone.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from fingering.holes import FINGERS, HOLES
from fingering.notes import ABC_LETTERS, NOTES, SOUNDING
from host.faces.words import change_name, ms, what_happened
from host.timing.blame import blame

if TYPE_CHECKING:
    from collections.abc import Callable

    from host.timing.results import Change, Timing

SHORTEST_US = 20_000
MARGIN = 0.3


@dataclass(frozen=True, slots=True)
class Drawing:
    """What there is to draw: `stretches` are (begin_us, end_us, mask) from the lead's edge, over the whole width."""

    begin_us: int
    end_us: int
    stretches: tuple[tuple[int, int, int], ...]
    notes: tuple[int, int]
    lead: int | None
    should_lead: int | None
    strays: tuple[tuple[int, int], ...]  # begin_us, end_us

    def is_stray(self, at_us: int) -> bool:
        """Whether a stray sounds at a time."""
        return any(begin_us <= at_us < end_us for begin_us, end_us in self.strays)

    def runs(self) -> list[tuple[int, int, int]]:
        """(begin_us, end_us, note): what sounds, neighbours of one note joined."""
        runs: list[tuple[int, int, int]] = []
        for begin_us, end_us, mask in self.stretches:
            note = SOUNDING[mask]
            if runs and runs[-1][2] == note:
                begin_us = runs.pop()[0]
            runs.append((begin_us, end_us, note))
        return runs


def drawing(change: Change) -> Drawing:
    """Lay a change out in time, with room on both sides."""
    edges = [(at_us - change.start_us, mask) for at_us, mask in change.edges]
    first_us, last_us = min(0, edges[0][0]), max(change.spread_us, edges[-1][0])
    room_us = round(max(last_us - first_us, SHORTEST_US) * MARGIN)
    begin_us, end_us = first_us - room_us, last_us + room_us
    times = [begin_us, *(at_us for at_us, _ in edges), end_us]
    masks = [change.from_mask, *(mask for _, mask in edges)]
    stretches = tuple(zip(times[:-1], times[1:], masks, strict=True))
    blamed = blame(change)
    return Drawing(
        begin_us,
        end_us,
        stretches,
        (change.from_note, change.to_note),
        change.lead,
        blamed.first if blamed else None,
        tuple(
            (stray.start_us - change.start_us, stray.start_us - change.start_us + stray.duration_us)
            for stray in change.strays
        ),
    )


def step_us(length_us: int) -> int:
    """A round step that divides a length into two to six parts."""
    for step in (5_000, 10_000, 20_000, 50_000, 100_000, 200_000, 500_000):
        if length_us <= 5 * step:
            return step
    return 10 ** len(str(length_us)) // 10


WIDTH = 48


def strip_text(change: Change, timing: Timing, width: int = WIDTH) -> str:
    """The strip in eight lines of a terminal, with the sounding notes above and the scale below."""
    picture = drawing(change)
    span_us = picture.end_us - picture.begin_us
    begins = [begin_us for begin_us, _, _ in picture.stretches]
    # What stands in the middle of each column.
    middles = [picture.begin_us + (2 * column + 1) * span_us // (2 * width) for column in range(width)]
    masks = [picture.stretches[bisect_right(begins, at_us) - 1][2] for at_us in middles]
    sounds = ["░" if picture.is_stray(at_us) else " " for at_us in middles]
    for column, mask in enumerate(masks):
        if column == 0 or SOUNDING[mask] != SOUNDING[masks[column - 1]]:
            sounds[column] = ABC_LETTERS[SOUNDING[mask]]
    lines = [f"  {'sounds':<14} {''.join(sounds).rstrip()}"]
    for hole in range(HOLES):
        mark = "▶" if hole == picture.lead else "▷" if hole == picture.should_lead else " "
        lane = "".join("▄" if mask >> hole & 1 else "─" for mask in masks)
        lines.append(f"{mark} {FINGERS[hole]:<14} {lane}")
    scale = " " * (width + 8)
    for at_us in range(0, picture.end_us, step_us(max(change.spread_us, SHORTEST_US))):
        label = str(at_us // 1_000)
        column = (at_us - picture.begin_us) * width // span_us
        scale = scale[:column] + label + scale[column + len(label) :]
    lines.append(f"  {'ms':<14} {scale.rstrip()}")
    bar = "▒" * max(1, round(timing.uncertainty_us / span_us * width))
    marks = "" if picture.lead is None else "▶ "
    lines.append(f"{'':17}{marks}{lead_words(picture, '   ▷ ')}   {bar} ±{ms(timing.uncertainty_us)}")
    return "\n".join(lines)


def lead_words(picture: Drawing, between: str) -> str:
    """Which finger led, and which should have."""
    lead = "too close to call" if picture.lead is None else f"{FINGERS[picture.lead]} led"
    return lead if picture.should_lead is None else f"{lead}{between}{FINGERS[picture.should_lead]} should go first"


LABELS, LANES, TOP, LANE, FOOT = 96, 264, 22, 13, 34


def strip_svg(change: Change, timing: Timing, number: str) -> str:
    """The strip as an SVG element; `number` makes its ids its own on a page. Colour follows the text around it."""
    picture = drawing(change)
    span_us = picture.end_us - picture.begin_us
    height = TOP + HOLES * LANE + FOOT

    def x(at_us: int) -> float:
        return round(LABELS + (at_us - picture.begin_us) / span_us * LANES, 1)

    parts = [
        f'<svg class="strip" viewBox="0 0 {LABELS + LANES + 8} {height}" role="img" '
        f'aria-labelledby="{number}-title {number}-desc">',
        f'<title id="{number}-title">Finger strip of {escape(change_name(*picture.notes))}</title>',
        f'<desc id="{number}-desc">{escape(what_happened(change, timing))}</desc>',
        f'<defs><pattern id="{number}-hatch" width="4" height="4" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="1.6" height="4" class="ink"/></pattern></defs>',
    ]
    for begin_us, end_us, note in picture.runs():
        left, right = x(begin_us), x(end_us)
        stray = picture.is_stray(begin_us)
        if stray:
            parts.append(
                f'<rect x="{left}" y="{TOP}" width="{max(right - left, 1):.1f}" height="{HOLES * LANE - 2}" '
                f'fill="url(#{number}-hatch)" class="stray"/>'
            )
        name = ABC_LETTERS[note] if stray else NOTES[note]
        anchor = ("middle", (left + right) / 2) if stray else ("start", left) if begin_us < 0 else ("end", right)
        weight = ' class="note stray-name"' if stray else ' class="note"'
        if stray or right - left > 20:
            parts.append(f'<text x="{anchor[1]:.1f}" y="{TOP - 8}" text-anchor="{anchor[0]}"{weight}>{name}</text>')
    for hole in range(HOLES):
        y = TOP + hole * LANE
        parts.append(f'<text x="{LABELS - 14}" y="{y + 9}" text-anchor="end" class="finger">{FINGERS[hole]}</text>')
        parts += _lane(picture, hole, y, x)
        if hole in (picture.lead, picture.should_lead):
            kind = "lead" if hole == picture.lead else "should"
            parts.append(f'<path d="M{LABELS - 10} {y + 1}l8 5l-8 5z" class="{kind}"/>')
    parts += _scale(change, picture, timing, x, TOP + HOLES * LANE)
    return "".join(parts) + "</svg>"


def _lane(picture: Drawing, hole: int, y: int, x: Callable[[int], float]) -> list[str]:
    """One hole's lane: solid where covered, a thin line where open, neighbours joined."""
    joined: list[tuple[int, int, int]] = []
    for begin_us, end_us, mask in picture.stretches:
        covered = mask >> hole & 1
        if joined and joined[-1][2] == covered:
            begin_us = joined.pop()[0]
        joined.append((begin_us, end_us, covered))
    return [
        f'<rect x="{x(begin)}" y="{y + 1}" width="{x(end) - x(begin):.1f}" height="{LANE - 3}" class="ink"/>'
        if covered
        else f'<rect x="{x(begin)}" y="{y + 5.5}" width="{x(end) - x(begin):.1f}" height="1" class="ink"/>'
        for begin, end, covered in joined
    ]


def _scale(change: Change, picture: Drawing, timing: Timing, x: Callable[[int], float], y: int) -> list[str]:
    unsure = max(x(timing.uncertainty_us) - x(0), 1)
    parts = [f'<rect x="{x(0)}" y="{y + 2}" width="{unsure:.1f}" height="4" class="unsure"/>']
    for at_us in range(0, picture.end_us, step_us(max(change.spread_us, SHORTEST_US))):
        parts.append(f'<path d="M{x(at_us)} {y}v4" class="tick"/>')
        parts.append(f'<text x="{x(at_us)}" y="{y + 15}" text-anchor="middle" class="ms">{at_us // 1_000}</text>')
    parts.append(f'<text x="{LABELS - 14}" y="{y + 15}" text-anchor="end" class="ms">ms from the first</text>')
    parts.append(f'<text x="{LABELS}" y="{y + 29}" class="lead-name">{lead_words(picture, "; ")}</text>')
    return parts
