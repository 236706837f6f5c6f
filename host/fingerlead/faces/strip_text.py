"""The finger strip in a terminal: a covered hole is a solid band, an open one a thin line, a stray is hatched.

A filled triangle marks the finger that led, an open one points the way that a finger should go.
"""

from bisect import bisect_right
from collections.abc import Sequence

from fingering.holes import FINGERS, HOLES
from fingering.notes import SOUNDING
from fingerlead.faces.strip import LETTERS, Strip, lanes_of, ticks_us
from fingerlead.timing.measured_words import ms

WIDTH = 60  # of the lanes, in columns
_LABEL = 14


def strip_text(strip: Strip, scale_us: int, width: int = WIDTH) -> str:
    """The strip in eight lines, with the sounding notes above, and below the scale and who led."""
    lanes = lanes_of(strip, scale_us)
    span_us = lanes.end_us - lanes.begin_us
    begins = [begin_us for begin_us, _, _ in lanes.stretches]
    # What stands in the middle of each column.
    middles = [lanes.begin_us + (2 * column + 1) * span_us // (2 * width) for column in range(width)]
    masks = [lanes.stretches[bisect_right(begins, at_us) - 1][2] for at_us in middles]
    sounds = ["░" if lanes.is_stray(at_us) else " " for at_us in middles]
    for column, mask in enumerate(masks):
        if column == 0 or SOUNDING[mask] != SOUNDING[masks[column - 1]]:
            sounds[column] = LETTERS[SOUNDING[mask]]
    hint = "▷" if strip.ahead else "◁"
    lines = [f"  {'sounds':<{_LABEL}} {''.join(sounds).rstrip()}"]
    for hole in range(HOLES):
        mark = ("▶" if hole == strip.lead else "") + (hint if hole == strip.hair else "")
        lane = "".join("▄" if mask >> hole & 1 else "─" for mask in masks)
        # Torn off where it goes on.
        lines.append(f"{mark:<2}{FINGERS[hole]:<{_LABEL}} {lane[:-2] + ' ⋯' if lanes.cut else lane}")
    scale = " " * (width + 8)
    for at_us, labelled in ticks_us(lanes, scale_us):
        if labelled:
            label = str(at_us // 1_000)
            column = (at_us - lanes.begin_us) * width // span_us - len(label) // 2
            scale = scale[:column] + label + scale[column + len(label) :]
    lines.append(f"  {'ms':<{_LABEL}} {scale.rstrip()}")
    marks = ("  " if strip.lead is None else "▶ ", f"{hint} ")
    told = [f"{'':15}{mark}{words}" for mark, words in zip(marks, strip.lead_words, strict=False)] or [""]
    if lanes.cut:
        told.append(f"{'':17}⋯ cut here: it goes on to {ms(strip.last_us)}")
    bar = "▒" * max(1, round(min(strip.unsure_us, lanes.end_us) / span_us * width))
    told[0] = f"{told[0]:<{width + 1}} {bar} ±{ms(strip.unsure_us)}"
    return "\n".join([*lines, *told])


def steps_text(masks: Sequence[int], width: int = 5) -> str:
    """The fingers of a row of notes in nine lines: what sounds, and a lane for each hole."""
    lines = [f"  {'sounds':<{_LABEL}} " + "".join(f"{LETTERS[SOUNDING[mask]]:<{width}}" for mask in masks).rstrip()]
    for hole in range(HOLES):
        lane = "".join(("▄" if mask >> hole & 1 else "─") * width for mask in masks)
        lines.append(f"  {FINGERS[hole]:<{_LABEL}} {lane}")
    return "\n".join(lines)
