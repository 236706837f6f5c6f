"""What each way to read a stretch costs, and why: one table for free playing, one for playing with the music known.

A cost says how unlikely something is; the reading is the cheapest explanation of all stretches. Costs are whole
thousandths, so that sums are the same however a performance is cut. The values are our own choice, made on performances
whose truth is known; only their differences count. Lengths are integer microseconds.

How long a stretch is counts by `log_third`: the logarithm of its length over a third of the shorter of the two melody
notes around it. At a third it is 0; what is shorter is less and less likely a melody note of its own.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

NEVER = 1 << 40
UNIT = 1_000


@dataclass(frozen=True, slots=True, eq=False)
class Tariff:
    """The price of each part that a stretch can have; see the two tables below for the reasons. Each is its own."""

    melody: int  # a melody note that nothing asked for: each one more is one more thing to explain
    short: int  # a melody note below a third of a neighbour, for each unit of log_third, on each side
    brief: int  # the same for each factor e that it is shorter than BRIEF_US
    stray: int  # the first stray of a change; more than an embellishment that fits exactly, which explains it better
    stray_more: int  # each further one: fingers that roll sound them in a row
    bounced: int  # one of the two notes itself sounds in between: a finger that came too early and left again
    movement: int  # an embellishment that no music asks for
    left_out: int  # a note of it that does not sound
    inside: int  # a stray between its notes
    long: int  # each of its notes above a third, for each unit of log_third
    slow: int  # each of its notes for each factor e that it is longer than SLOW_US
    extra: int  # a note that nothing explains
    extra_long: int  # more, where it is too long for a stray: then it is rather a melody note that is not written
    missing: int  # a written grace note that does not sound
    another: int  # more for a movement in place of the written one: less than that left out, for it is one thing
    added: int  # a note within a written embellishment that is not written
    stray_us: int  # a stray is shorter; with the music known, this or half the shorter neighbour, whichever is more
    ratio: int  # percent of the shorter neighbour that a note of an embellishment may last
    unclear: int  # a rival that is dearer by less leaves the reading unclear


# In free playing any note may follow any, so length is most of the evidence.
FREE = Tariff(
    melody=2_000, short=2_000, brief=3_000, stray=1_500, stray_more=700, bounced=700, movement=1_000, left_out=1_200,
    inside=1_200, long=4_000, slow=4_000, extra=3_000, extra_long=NEVER, missing=NEVER, another=NEVER, added=NEVER,
    stray_us=40_000, ratio=60, unclear=500,
)  # fmt: skip

# With the music known, the order of the notes is most of the evidence. A written note costs nothing however long it is.
WRITTEN = Tariff(
    melody=0, short=0, brief=2_000, stray=1_000, stray_more=500, bounced=500, movement=2_000, left_out=1_200,
    inside=700, long=1_500, slow=500, extra=3_500, extra_long=1_000, missing=1_200, another=600, added=2_000,
    stray_us=350_000, ratio=200, unclear=500,
)  # fmt: skip

# Heard as a note of its own from twice as long up: facts of hearing; shorter than this it is hardly a melody note.
BRIEF_US = 60_000
# A learner's grace notes are as long as this; from memory.
SLOW_US = 200_000
# An embellishment's note that lasts longer is no longer one: a learner's are 200 ms long.
LONGEST_INNER_US = 400_000
# With the music known anything may be a note too many, but for one that a player settled on.
LONGEST_WRITTEN_INNER_US = 2_000_000
# No movement has more notes; what more sounds is strays.
MOST_INNER = 14


@lru_cache(maxsize=1 << 16)
def log_third(length_us: int, around_us: int) -> int:
    """The logarithm of a length over a third of another, in thousandths."""
    return round(UNIT * math.log(3 * max(length_us, 1) / max(around_us, 1)))


@lru_cache(maxsize=1 << 16)
def log_ratio(length_us: int, to_us: int) -> int:
    """The logarithm of one length over another, in thousandths."""
    return round(UNIT * math.log(max(length_us, 1) / max(to_us, 1)))
