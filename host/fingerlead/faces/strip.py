"""The finger strip: the picture of one change. Eight lanes from the thumb down, time from left to right.

A covered hole is a solid band, an open one a thin line; a lane above says which note sounds, a stray hatched with its
letter. A filled triangle marks the finger that led, an open one points the way that a finger should go, a hair ahead or
behind; the grey bar at the scale is the timing uncertainty. The same in a terminal (`strip_text`) and as SVG
(`strip_svg`), in ink alone.
"""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from itertools import groupby

from fingering.diagnosis import Diagnosis
from fingering.holes import FINGERS, HOLES
from fingering.moves import change_text, hair, hair_words
from fingering.notes import NOTES, SOUNDING
from fingerlead.phrases import listed
from fingerlead.timing.measured_words import ms, whole_ms
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.results import Change, Timing

SHORTEST_US = 20_000
MARGIN = 0.4
# One letter for each note, as notes are named: the octave shown by case.
LETTERS = "GABCDEFga"
MOST_TICKS = 8  # more would run together
WIDTH = 48  # of the lanes in a terminal
# As SVG the picture is 320 units wide, with type of 12: at 6 cm that is print of 6.4 points.
LABELS, LANES, RIGHT = 116, 196, 8
NAMES = LABELS - 25  # their right end; between them and the lanes are the two triangles
SOUND, TOP, LANE, BAND, FOOT = 17, 33, 15, 9, 42
LETTER = 10


@dataclass(frozen=True, slots=True)
class Drawing:
    """What there is to draw: `stretches` are (begin_us, end_us, mask) from the lead's edge, over the whole width."""

    begin_us: int
    end_us: int
    stretches: tuple[tuple[int, int, int], ...]
    notes: tuple[int, int]
    lead: int | None
    diagnosis: Diagnosis | None
    strays: tuple[tuple[int, int], ...]  # begin_us, end_us

    @property
    def hair(self) -> int | None:
        """The finger that should go a hair ahead of all others, or behind them."""
        return hair(*self.notes, self.diagnosis.first, self.diagnosis.second) if self.diagnosis else None

    @property
    def ahead(self) -> bool:
        """Whether a hair is ahead, as it is on the way up."""
        return self.notes[1] > self.notes[0]

    def is_stray(self, at_us: int) -> bool:
        """Whether a stray sounds at a time."""
        return any(begin_us <= at_us < end_us for begin_us, end_us in self.strays)

    def joined(self, of: Callable[[int], int]) -> list[tuple[int, int, int]]:
        """(begin_us, end_us, what) by what a mask comes to, neighbours of the same joined."""
        groups = ((what, list(group)) for what, group in groupby(self.stretches, lambda stretch: of(stretch[2])))
        return [(group[0][0], group[-1][1], what) for what, group in groups]


def drawing(change: Change, advise: bool = True) -> Drawing:
    """A change set out in time, with room on both sides; without what to try where not `advise`."""
    edges = [(at_us - change.start_us, mask) for at_us, mask in change.edges]
    first_us, last_us = min(0, edges[0][0]), max(change.spread_us, edges[-1][0])
    room_us = round(max(last_us - first_us, SHORTEST_US) * MARGIN)
    begin_us, end_us = first_us - room_us, last_us + room_us
    times = [begin_us, *(at_us for at_us, _ in edges), end_us]
    masks = [change.from_mask, *(mask for _, mask in edges)]
    stretches = tuple(zip(times[:-1], times[1:], masks, strict=True))
    # A stray that is not heard needs no mending.
    diagnosis = diagnose_change(change) if advise and any(stray.heard for stray in change.strays) else None
    return Drawing(
        begin_us,
        end_us,
        stretches,
        (change.from_note, change.to_note),
        change.lead,
        diagnosis,
        tuple(
            (stray.start_us - change.start_us, stray.start_us - change.start_us + stray.duration_us)
            for stray in change.strays
        ),
    )


def step_us(length_us: int) -> int:
    """A round step that divides a length into two to six parts."""
    steps = (5_000, 10_000, 20_000, 50_000, 100_000, 200_000, 500_000)
    return next((step for step in steps if length_us <= 5 * step), int(10 ** (len(str(length_us)) - 1)))


def ticks_us(change: Change, picture: Drawing) -> range:
    """Where the scale is labelled: by the fingers' spread, or by all that is drawn where an movement is long."""
    step = step_us(picture.end_us if change.verdict == "embellished" else max(change.spread_us, SHORTEST_US))
    return range(0, picture.end_us, step if picture.end_us <= MOST_TICKS * step else step_us(picture.end_us))


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
            sounds[column] = LETTERS[SOUNDING[mask]]
    hint = "▷" if picture.ahead else "◁"
    lines = [f"  {'sounds':<14} {''.join(sounds).rstrip()}"]
    for hole in range(HOLES):
        mark = ("▶" if hole == picture.lead else "") + (hint if hole == picture.hair else "")
        lane = "".join("▄" if mask >> hole & 1 else "─" for mask in masks)
        lines.append(f"{mark:<2}{FINGERS[hole]:<14} {lane}")
    scale = " " * (width + 8)
    for at_us in ticks_us(change, picture):
        label = str(at_us // 1_000)
        column = (at_us - picture.begin_us) * width // span_us
        scale = scale[:column] + label + scale[column + len(label) :]
    lines.append(f"  {'ms':<14} {scale.rstrip()}")
    unsure_us = _unsure_us(change, timing)
    bar = "▒" * max(1, round(min(unsure_us, picture.end_us) / span_us * width))
    marks = ("  " if picture.lead is None else "▶ ", f"{hint} ")
    lines += [f"{'':15}{mark}{told}" for mark, told in zip(marks, lead_words(picture), strict=False)]
    lines[-1] = f"{lines[-1]:<{width + 1}} {bar} ±{ms(unsure_us)}"
    return "\n".join(lines)


def steps_text(masks: Sequence[int], width: int = 5) -> str:
    """The fingers of a row of notes in nine lines of a terminal: what sounds, and a lane for each hole."""
    lines = [f"  {'sounds':<14} " + "".join(f"{LETTERS[SOUNDING[mask]]:<{width}}" for mask in masks).rstrip()]
    for hole in range(HOLES):
        lane = "".join(("▄" if mask >> hole & 1 else "─") * width for mask in masks)
        lines.append(f"  {FINGERS[hole]:<14} {lane}")
    return "\n".join(lines)


def _whole(change: Change) -> Change:
    """A change as its picture counts time: one with a movement in it from the movement's first edge on, led by none."""
    if change.verdict != "embellished":
        return change
    first_us, last_us = change.edges[0][0], change.edges[-1][0]
    later_us = change.start_us - first_us
    fingers = tuple(finger._replace(after_start_us=finger.after_start_us + later_us) for finger in change.fingers)
    return change._replace(start_us=first_us, spread_us=last_us - first_us, lead=None, fingers=fingers)


def lead_words(picture: Drawing) -> list[str]:
    """Which finger led, and which should go a hair ahead, or behind."""
    told = ["too close to call" if picture.lead is None else f"{FINGERS[picture.lead]} led"]
    if picture.hair is not None:
        told.append(f"{FINGERS[picture.hair]} {hair_words(*picture.notes)}")
    return told


def strip_svg(change: Change, timing: Timing, number: str, advise: bool = True) -> str:
    """The strip as an SVG element; `number` makes its ids its own on a page. Colours and type are the page's style."""
    change = _whole(change)
    picture = drawing(change, advise)
    span_us = picture.end_us - picture.begin_us
    told = [] if change.verdict == "embellished" else lead_words(picture)
    hint = "ahead" if picture.ahead else "behind"
    bottom = TOP + HOLES * LANE
    height = bottom + FOOT + 16 * (len(told) - 1)

    def x(at_us: int) -> float:
        return round(LABELS + (at_us - picture.begin_us) / span_us * LANES, 1)

    parts = [
        f'<svg class="strip" viewBox="0 0 {LABELS + LANES + RIGHT} {height}" role="img" '
        f'aria-labelledby="{number}-title {number}-desc">',
        f'<title id="{number}-title">Finger strip of {escape(change_text(*picture.notes))}</title>',
        f'<desc id="{number}-desc">{escape(in_words(change, timing))}</desc>',
        f'<defs><pattern id="{number}-hatch" width="4" height="4" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="1.7" height="4" class="ink"/></pattern></defs>',
    ]
    parts += _sounds(picture, x, f"{number}-hatch", bottom - LANE + BAND)
    moved = {finger.finger for finger in change.fingers}
    for hole in range(HOLES):
        y = TOP + hole * LANE
        still = "" if hole in moved else " still"
        parts.append(f'<text x="{NAMES}" y="{y + BAND}" text-anchor="end" class="finger{still}">{FINGERS[hole]}</text>')
        parts += _lane(picture, hole, y, x)
        if hole == picture.lead:
            parts.append(_triangle(LABELS - 12, y - 1, "lead"))
        if hole == picture.hair:
            parts.append(_triangle(LABELS - 23 if hole == picture.lead else LABELS - 12, y - 1, hint))
    parts += _scale(change, picture, timing, x, bottom)
    for line, words in enumerate(told):
        y = bottom + FOOT - 6 + 16 * line
        if line or picture.lead is not None:
            parts.append(_triangle(2, y - 10, hint if line else "lead"))
        parts.append(f'<text x="16" y="{y}" class="lead-name">{words}</text>')
    return "".join(parts) + "</svg>"


def in_words(change: Change, timing: Timing) -> str:
    """The picture for those who do not see it: every finger in order, and what sounded."""
    moved = [
        f"{FINGERS[finger.finger]} {'lifts' if finger.motion == 'lift' else 'comes down'} "
        f"at {ms(finger.after_start_us, timing.uncertainty_us)}"
        for finger in change.fingers
    ]
    sounded = [
        f"{NOTES[stray.note]} from {whole_ms(stray.start_us - change.start_us, timing.uncertainty_us)} "
        f"to {ms(stray.start_us - change.start_us + stray.duration_us, timing.uncertainty_us)}"
        for stray in change.strays
    ]
    if change.verdict == "embellished":
        sounding = [NOTES[note] for note, _ in groupby(SOUNDING[mask] for _, mask in change.edges)]
        return f"It begins with {NOTES[change.from_note]}; then sound {listed(sounding)}."
    return f"{listed(moved)}; {f'in between sounds {listed(sounded)}' if sounded else 'nothing sounds in between'}."


def _triangle(x: int, y: int, kind: str) -> str:
    path = f"M{x + 9} {y}l-9 5.5l9 5.5z" if kind == "behind" else f"M{x} {y}l9 5.5l-9 5.5z"
    return f'<path d="{path}" class="{kind}"/>'


def _sounds(picture: Drawing, x: Callable[[int], float], hatch: str, bottom: int) -> list[str]:
    """The lane of what sounds: strays hatched, their bounds drawn down through the lanes, names and letters above."""
    parts = []
    notes = picture.joined(SOUNDING.__getitem__)
    right = LABELS + LANES
    room: float = LABELS + 7 * len(NOTES[notes[0][2]])
    names = [f'<text x="{LABELS}" y="{SOUND - 5}" class="note">{NOTES[notes[0][2]]}</text>']
    for begin_us, end_us, note in notes:
        stray = picture.is_stray(begin_us)
        left, width = x(begin_us), max(x(end_us) - x(begin_us), 1)
        end = round(left + width, 1)
        fill = f'fill="url(#{hatch})"' if stray else 'fill="none"'
        parts.append(f'<rect x="{left}" y="{SOUND}" width="{width:.1f}" height="{BAND}" {fill} class="sound"/>')
        if stray:
            parts.append(f'<path d="M{left} {SOUND + BAND}V{bottom}M{end} {SOUND + BAND}V{bottom}" class="bound"/>')
        if note not in picture.notes:
            middle = max(left + width / 2, room + LETTER / 2)
            room = middle + LETTER / 2
            names.append(f'<text x="{middle:.1f}" y="{SOUND - 4}" class="letter">{LETTERS[note]}</text>')
    last = NOTES[notes[-1][2]]
    # Where many strays crowd the lane, the note that is reached gives way: the words above the strip name it.
    if room < right - 7 * len(last):
        names.append(f'<text x="{right}" y="{SOUND - 5}" text-anchor="end" class="note">{last}</text>')
    return parts + names


def _lane(picture: Drawing, hole: int, y: int, x: Callable[[int], float]) -> list[str]:
    """One hole's lane: solid where covered, a thin line where open, neighbours joined."""
    return [
        f'<rect x="{x(begin)}" y="{y}" width="{x(end) - x(begin):.1f}" height="{BAND}" class="ink"/>'
        if covered
        else f'<rect x="{x(begin)}" y="{y + BAND / 2 - 0.5}" width="{x(end) - x(begin):.1f}" height="1" class="ink"/>'
        for begin, end, covered in picture.joined(lambda mask: mask >> hole & 1)
    ]


def _unsure_us(change: Change, timing: Timing) -> int:
    """The uncertainty of the least certain of a change's fingers."""
    return max(finger.uncertainty_us for finger in change.fingers) or timing.uncertainty_us


def _scale(change: Change, picture: Drawing, timing: Timing, x: Callable[[int], float], y: int) -> list[str]:
    unsure = max(x(min(_unsure_us(change, timing), picture.end_us)) - x(0), 1)
    parts = [f'<rect x="{x(0)}" y="{y}" width="{unsure:.1f}" height="5" class="unsure"/>']
    for at_us in ticks_us(change, picture):
        parts.append(f'<path d="M{x(at_us)} {y - 2}v7" class="tick"/>')
        parts.append(f'<text x="{x(at_us)}" y="{y + 17}" text-anchor="middle" class="ms">{at_us // 1_000}</text>')
    parts.append(f'<text x="{NAMES}" y="{y + 17}" text-anchor="end" class="ms">ms</text>')
    return parts
