"""The finger strip as SVG, in ink alone: a covered hole is a solid band, an open one a thin line.

A lane above says which note sounds, a stray hatched with its letter. A filled triangle marks the finger that led, an
open one points the way that a finger should go, a hair ahead or behind; the grey bar at the scale is the timing
uncertainty. A page's style gives colours, by class; all else is here, as a PDF's pictures are drawn without that style.
"""

from collections.abc import Callable
from html import escape

from fingering.holes import FINGERS, HOLES
from fingering.moves import change_text
from fingering.notes import NOTES, SOUNDING
from fingerlead.faces.strip import LETTERS, Lanes, Strip, lanes_of, scale_words, shared_scale, ticks_us
from fingerlead.timing.measured_words import ms

# The picture is 312 units wide, with type of 12: at 6 cm that is print of 6.5 points.
LABELS, LANES, WIDE = 117, 194, 312
NAMES = 90  # their right end; between them and the lanes are the two triangles
LED, HINT = 93, 105  # the left ends of the triangles
SOUND, TOP, LANE, BAND = 17, 33, 15, 9
HANDS = 5  # between the lanes of the top hand and those of the bottom hand
BOTTOM = TOP + HOLES * LANE + HANDS
LINE = 16  # of words below the scale
LETTER = 11
TEAR = 4
PLAIN = {
    "finger": "",
    "finger still": 'fill="#666"',
    "note": "",
    "letter": 'font-size="14" font-weight="700"',
    "lead-name": 'font-weight="700"',
    "ms": 'fill="#444"',
    "ink": "",
    "ink still": 'fill="#666"',
    "unsure": 'fill="#999"',
    "sound": 'stroke="#000"',
    "bound": 'stroke="#000" stroke-width="0.8" stroke-dasharray="2 2" fill="none"',
    "tick": 'stroke="#000" stroke-width="0.8"',
    "tear": 'stroke="#000" stroke-width="1.2" fill="none"',
    "lead": 'stroke="#000" stroke-width="1.4"',
    "ahead": 'stroke="#000" stroke-width="1.6" fill="none"',
    "behind": 'stroke="#000" stroke-width="1.6" fill="none"',
}  # what each class looks like on plain paper


class StripPage:
    """The finger strips of one page: all are on one time scale, which is known when the last has been added.

    `name` tells its strips from those of another page in the same document.
    """

    def __init__(self, name: str = "strip") -> None:
        self._name = name
        self._strips: list[Strip] = []

    def add(self, strip: Strip) -> "PlacedStrip":
        """A strip's place on the page."""
        self._strips.append(strip)
        return PlacedStrip(self, strip, f"{self._name}-{len(self._strips)}")

    @property
    def scale_us(self) -> int:
        """The time scale of all that were added."""
        return shared_scale(self._strips)

    @property
    def scale_words(self) -> str:
        """The sentence that names the time scale; empty where there are no strips."""
        return scale_words(self.scale_us) if self._strips else ""


class PlacedStrip:
    """A strip on its page, which a template draws."""

    def __init__(self, page: StripPage, strip: Strip, number: str) -> None:
        self._page, self._strip, self._number = page, strip, number

    def __html__(self) -> str:
        return strip_svg(self._strip, self._page.scale_us, self._number)


def strip_svg(strip: Strip, scale_us: int, number: str) -> str:
    """The strip as an SVG element; `number` makes its ids its own on a page."""
    lanes = lanes_of(strip, scale_us)
    span_us = lanes.end_us - lanes.begin_us
    hint = "ahead" if strip.ahead else "behind"
    told = [(words, "" if strip.lead is None else "lead") for words in strip.lead_words[:1]]
    told += [(words, hint) for words in strip.lead_words[1:]]
    if lanes.cut:
        told.append((f"cut here: it goes on to {ms(strip.last_us)}", ""))
    height = BOTTOM + 26 + LINE * max(len(told), 1)

    def x(at_us: int) -> float:
        right = LANES - 2 * TEAR if lanes.cut else LANES
        return round(LABELS + min((at_us - lanes.begin_us) / span_us * LANES, right), 1)

    parts = [
        f'<svg class="strip" viewBox="0 0 {WIDE} {height}" font-size="12" role="img" '
        f'aria-labelledby="{number}-title {number}-desc">',
        f'<title id="{number}-title">Finger strip of {escape(change_text(*strip.notes))}</title>',
        f'<desc id="{number}-desc">{escape(strip.words)}</desc>',
        f'<defs><pattern id="{number}-hatch" width="4" height="4" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="1.7" height="4" class="ink"/></pattern></defs>',
    ]
    parts += _sounds(lanes, x, f"{number}-hatch")
    for hole in range(HOLES):
        y = lane_top(hole)
        still = "" if hole in strip.moving else " still"
        parts.append(_text(NAMES, y + BAND, f"finger{still}", FINGERS[hole], "end"))
        parts += _lane(lanes, hole, x)
        if hole == strip.lead:
            parts.append(_triangle(LED, y - 1, "lead"))
        if hole == strip.hair:
            parts.append(_triangle(HINT, y - 1, hint))
    if lanes.cut:
        parts.append(_tear(LABELS + LANES - TEAR))
    parts += _scale(lanes, scale_us, x)
    for line, (words, mark) in enumerate(told):
        y = BOTTOM + 36 + LINE * line
        parts += [_triangle(2, y - 10, mark)] if mark else []
        parts.append(_text(16, y, "lead-name", words))
    return "".join(parts) + "</svg>"


def lane_top(hole: int) -> int:
    """Where the lane of a hole begins; the hands stand a little apart."""
    return TOP + hole * LANE + HANDS * (hole >= HOLES // 2)


def look(kind: str, also: str = "") -> str:
    """The attributes of an element of a class, with others also."""
    return " ".join(filter(None, (f'class="{kind}"', PLAIN[kind], also)))


def _text(x: float, y: int, kind: str, words: str, anchor: str = "start") -> str:
    return f'<text x="{round(x, 1)}" y="{y}" text-anchor="{anchor}" {look(kind)}>{words}</text>'


def _rect(x: float, y: float, wide: float, high: int, kind: str, also: str = "") -> str:
    return f'<rect x="{x}" y="{y}" width="{wide:.1f}" height="{high}" {look(kind, also)}/>'


def _path(path: str, kind: str) -> str:
    return f'<path d="{path}" {look(kind)}/>'


def _triangle(x: int, y: int, kind: str) -> str:
    return _path(f"M{x + 8} {y}l-8 5.5l8 5.5z" if kind == "behind" else f"M{x} {y}l8 5.5l-8 5.5z", kind)


def _tear(x: float) -> str:
    """The edge at which a strip is cut: a zigzag over all lanes."""
    return _path(f"M{x} {SOUND - 2}" + "l4 5l-4 5" * ((BOTTOM - SOUND) // 10), "tear")


def _sounds(lanes: Lanes, x: Callable[[int], float], hatch: str) -> list[str]:
    """The lane of what sounds: strays hatched, their bounds drawn down through the lanes, names and letters above."""
    parts: list[str] = []
    letters: list[tuple[float, str]] = []
    notes = lanes.joined(SOUNDING.__getitem__)
    last, right, down = NOTES[notes[-1][2]], LABELS + LANES, BOTTOM - LANE + BAND
    room = min(x(notes[0][1]), x(0)) - 1
    parts.append(_text(room - 3, SOUND - 5, "note", NOTES[notes[0][2]], "end"))
    for begin_us, end_us, note in notes:
        left, end = x(begin_us), max(x(end_us), x(begin_us) + 1)
        stray = lanes.is_stray(begin_us)
        fill = f'fill="url(#{hatch})"' if stray else 'fill="none"'
        parts.append(_rect(left, SOUND, end - left, BAND, "sound", fill))
        if stray:
            parts.append(_path(f"M{left} {SOUND + BAND}V{down}M{end:.1f} {SOUND + BAND}V{down}", "bound"))
        inner = lanes.strip.is_movement and notes[0][0] < begin_us and (lanes.cut or begin_us < notes[-1][0])
        if inner or note not in lanes.strip.notes:
            letters.append(((left + end) / 2, LETTERS[note]))
    for middle, letter in _apart(letters, room + LETTER / 2, right - LETTER / 2):
        parts.append(_text(middle, SOUND - 4, "letter", letter, "middle"))
        room = middle + LETTER / 2
    # Where many strays crowd the lane, the note that is reached gives way: the words above the strip name it.
    if not lanes.cut and room < right - 7 * len(last):
        parts.append(_text(right - 1, SOUND - 5, "note", last, "end"))
    return parts


def _apart(letters: list[tuple[float, str]], least: float, most: float) -> list[tuple[float, str]]:
    """Letters moved as little as keeps them from each other and between two places: those that would touch stand
    around their middle.
    """
    groups: list[tuple[float, int]] = []  # where the first letter of all would stand, and how many are together
    for number, (middle, _) in enumerate(letters):
        place, count = middle - number * LETTER, 1
        while groups and groups[-1][0] > place:
            before, many = groups.pop()
            place, count = (before * many + place * count) / (many + count), many + count
        groups.append((place, count))
    most -= (len(letters) - 1) * LETTER
    places = [max(min(place, most), least) for place, count in groups for _ in range(count)]
    return [
        (place + number * LETTER, one) for number, (place, (_, one)) in enumerate(zip(places, letters, strict=True))
    ]


def _lane(lanes: Lanes, hole: int, x: Callable[[int], float]) -> list[str]:
    """One hole's lane: solid where covered, a thin line where open, neighbours joined."""
    y, ink = lane_top(hole), "ink" if hole in lanes.strip.moving else "ink still"
    return [
        _rect(x(begin), y if covered else y + BAND / 2 - 0.5, x(end) - x(begin), BAND if covered else 1, ink)
        for begin, end, covered in lanes.joined(lambda mask: mask >> hole & 1)
    ]


def _scale(lanes: Lanes, scale_us: int, x: Callable[[int], float]) -> list[str]:
    """The marks of the scale, and the uncertainty as a bar from where time is counted, explained at the right."""
    unsure_us, right = lanes.strip.unsure_us, LABELS + LANES
    parts = [_rect(x(0), BOTTOM, max(x(min(unsure_us, lanes.end_us)) - x(0), 1), 5, "unsure")]
    for at_us, labelled in ticks_us(lanes, scale_us):
        parts.append(_path(f"M{x(at_us)} {BOTTOM - 2}v{7 if labelled else 4}", "tick"))
        label = str(at_us // 1_000)
        if at_us == scale_us:
            parts.append(_text(right, BOTTOM + 18, "ms", f"{label} ms", "end"))
        elif labelled:
            parts.append(_text(x(at_us), BOTTOM + 18, "ms", label, "middle"))
    told = f"±{ms(unsure_us)}"
    parts.append(_text(right, BOTTOM + 36, "ms", told, "end"))
    return [*parts, _rect(right - 7.5 * len(told) - 14, BOTTOM + 29, 9, 5, "unsure")]
