"""Embellishments played well and badly, the truth written beforehand: a second model, to judge the judge by.

It shares no code with the program. A movement is a row of steps, each a shape of the hand and how long it stays; a
fault changes the row, as a learner's finger would. Lengths have the rhythm of the trade: low Gs of a grip are longer
than the grace notes between them, the first low G of a throw and the E of a cadence may be long on purpose. Whatever
sounds in the end is heard from the masks, so that a fault is planted only where it is to be heard, and a stray that
scattered fingers make in a well played movement is known.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import takewhile
from random import Random

from tests.embellishments.faults import PLANTS, Fault, is_certainly_uneven
from tests.embellishments.forms import Step, everything, names_of, steps_of
from tests.reading.hands import Hands, Performance, Written
from tests.reading.instrument import (
    HEARD_US,
    LETTERS,
    STANDARD,
    Edge,
    Sound,
    edges_of,
    movers,
    sounds_of,
)
from tests.reading.repertoire import Movement


@dataclass(frozen=True, slots=True)
class Try:
    """One written movement as it was played, and when; the window reaches into both melody notes.

    `sounds` is what sounded between the melody notes, `strays` what scatter alone sounded there, `swallowed` how many
    planned notes scatter made too short to hear. `alike` where what sounds is another movement of the trade.
    """

    written: Movement
    played: Movement | None
    fault: Fault | None
    steps: tuple[Step, ...]
    window: tuple[int, int]
    sounds: tuple[Sound, ...]
    strays: tuple[Sound, ...]
    swallowed: int
    alike: bool

    @property
    def is_well(self) -> bool:
        """Whether all sounds as written."""
        return self.played is self.written and self.fault is None and not self.strays and not self.swallowed


@dataclass(frozen=True, slots=True)
class Recital:
    """A tune with its movements, and the tries in order."""

    performance: Performance
    tries: tuple[Try, ...]


def without_short(sounds: Sequence[Sound]) -> list[Sound]:
    """What is long enough to be heard; neighbours that are then alike are one."""
    out: list[Sound] = []
    for sound in sounds:
        if sound.lasts_us < HEARD_US:
            continue
        if out and out[-1].note == sound.note:
            out[-1] = replace(out[-1], end_us=sound.end_us)
        else:
            out.append(sound)
    return out


@dataclass(frozen=True, slots=True)
class Plan:
    """What is meant in one try: each step with the middle of its time."""

    written: Movement
    played: Movement | None
    fault: Fault | None
    mids: tuple[tuple[Step, float], ...]
    window: tuple[int, int]

    @property
    def row(self) -> list[int]:
        """The notes that it is to sound from one melody note to the other, both among them."""
        row = [self.written.before]
        notes = [step.sound for step, _ in self.mids if step.lasts_us >= HEARD_US]
        for note in (*notes, self.written.after):
            if note != row[-1]:
                row.append(note)
        return row


class Embellisher(Hands):
    """Hands that play movements, and take back what is not to be heard as it was meant."""

    def perform(self, written: Movement, kind: str, grace_us: float, inner_us: float, scatter_us: float) -> Plan | None:
        """One try, of which the window is not known yet; None where none of forty was heard as meant."""
        played: Movement | None = written
        if kind == "another":
            others = _others(written)
            if not others:
                return None
            played = self.random.choice(others)
        elif kind == "left out":
            self.change(written.after, self.random.uniform(0, 10_000))
            return Plan(written, None, None, (), (0, 0))
        assert played is not None
        mask, now_us, moved, last_us = self.mask, self.now_us, len(self.motions), list(self.last_us)
        for _ in range(40):
            steps, fault = steps_of(played, grace_us, inner_us, self.random), None
            if kind in PLANTS:
                planted = PLANTS[kind](written, steps, self.random)
                if planted is None:
                    continue
                steps, fault = planted
            plan = Plan(written, played, fault, self.play_steps(steps, written.after, scatter_us), (0, 0))
            # Where no finger moves more often than in the plain change, it is that change with its fingers apart.
            is_plain = len(self.motions) - moved == len(movers(mask, self.mask))
            if kind == "well" or (
                _is_heard_so(plan, edges_of(mask, self.motions[moved:]), now_us, self.now_us)
                and not (is_plain and kind in ("another", "wrong note"))
            ):
                return plan
            self.mask, self.now_us, self.last_us = mask, now_us, list(last_us)
            del self.motions[moved:]
        return None

    def play_steps(self, steps: Sequence[Step], after: int, scatter_us: float) -> tuple[tuple[Step, float], ...]:
        """Play a row of steps and go on to a note; each step with the middle of its time."""
        mids = []
        for step in steps:
            self._go(step.mask, step.hole, 0.4 * step.lasts_us, scatter_us)
            mids.append((step, self.now_us + step.lasts_us / 2))
            self.now_us += round(step.lasts_us)
        self._go(STANDARD[after], 8, 0, scatter_us)
        return tuple(mids)

    def _go(self, mask: int, hole: int, under_us: float, scatter_us: float) -> None:
        self.move(
            {
                finger: self.now_us + (under_us if finger > hole else 0) + self.random.gauss(0, scatter_us)
                for finger in movers(self.mask, mask)
            }
        )


def _is_heard_so(plan: Plan, edges: list[Edge], since_us: int, until_us: int) -> bool:
    """Whether what sounds is what is meant, marked steps as long as they are to be; and it is no form of the movement.

    A fault of length or of fingers alone leaves the notes as they are written.
    """
    sounds = sounds_of(edges, until_us + 100_000)
    sounds[0] = replace(sounds[0], start_us=since_us - 100_000)
    if [sound.note for sound in without_short(sounds)] != plan.row:
        return False
    marked_us = []
    for step, mid_us in plan.mids:
        here = [one.lasts_us for one in sounds if one.start_us <= mid_us < one.end_us and one.note == step.sound]
        off_us = min((abs(lasts_us - step.lasts_us) for lasts_us in here), default=1e9)
        if step.marked and off_us > (1_000 if step.lasts_us < HEARD_US else max(3_000, 0.1 * step.lasts_us)):
            return False
        marked_us += here if step.marked else []
    if plan.fault is not None and plan.fault.certain and not is_certainly_uneven(marked_us):
        return False
    written, sounded = plan.written, tuple(plan.row[1:-1])
    if plan.fault is not None and plan.fault.kind == "missing":
        # What scatter sounds for however short is not missing, but swallowed.
        wanted = {LETTERS.index(written.written[place]) for place in plan.fault.places if place < len(written.written)}
        if any(sound.note in wanted and sound.lasts_us < HEARD_US for sound in sounds):
            return False
    if plan.fault is None or plan.fault.kind in ("crushed", "dragged", "uneven", "false fingering"):
        return plan.played is not written or sounded == written.sounds
    name = names_of(written.before, written.after).get(sounded)
    is_form = name is not None and name.split()[-1] == written.name.split()[-1]
    return not is_form and (bool(sounded) or plan.fault.kind == "swallowed")


@cache
def _others(written: Movement) -> tuple[Movement, ...]:
    """Movements that are played in place of one: none that adds notes to it or leaves some out, or nearly so."""
    family = written.name.split()[-1]
    named = names_of(written.before, written.after)
    forms = [row for row, name in named.items() if name.split()[-1] == family]
    return tuple(
        one
        for one in everything()
        if (one.before, one.after) == (written.before, written.after)
        and one.name != "cadence"
        and named[one.sounds] == one.name
        and one.name.split()[-1] != family
        and all(_distance(one.sounds, form) > 1 for form in forms)
        and not any(_is_part(one.sounds, form) or _is_part(form, one.sounds) for form in forms)
    )


def _is_part(one: Sequence[int], other: Sequence[int]) -> bool:
    """Whether the notes are among the others, in their order."""
    left = iter(other)
    return all(note in left for note in one)


def _distance(one: Sequence[int], other: Sequence[int]) -> int:
    """How many notes are to be put in, left out or exchanged to make one row of the other."""
    row = list(range(len(other) + 1))
    for i, a in enumerate(one, start=1):
        last, row[0] = row[0], i
        for j, b in enumerate(other, start=1):
            last, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, last + (a != b))
    return row[-1]


def recital(kind: str, count: int, grace_us: float, inner_us: float, seed: int, scatter_us: float = 4_000) -> Recital:
    """A tune of `count` written movements, all of them played in one way.

    `kind` is "well", "left out", "another" or one of `PLANTS`. The tempo drifts from movement to movement.
    """
    random = Random(f"recital {kind} {grace_us} {inner_us} {seed}")
    by_name: dict[str, list[Movement]] = {}
    for one in everything():
        by_name.setdefault(one.name, []).append(one)
    hands = Embellisher(random, STANDARD[0])
    music: list[Written] = []
    plans: list[Plan] = []

    def hold(note: int, movement: Movement | None = None) -> int:
        """Hold a melody note, and say when its middle is."""
        start_us = hands.now_us
        hands.now_us += round(max(250_000, random.uniform(4, 8) * inner_us))
        music.append(Written(note, movement))
        return (start_us + hands.now_us) // 2

    mid_us, pace = hold(0), 1.0
    while len(plans) < count:
        written = random.choice(by_name[random.choice(sorted(by_name))])
        pace = min(max(pace * random.uniform(0.97, 1.03), 0.88), 1.12)
        if music[-1].note != written.before:
            hands.change(written.before, random.uniform(0, 10_000))
            mid_us = hold(written.before)
        plan = hands.perform(written, kind, pace * grace_us, pace * inner_us, scatter_us)
        if plan is not None:
            since_us, mid_us = mid_us, hold(written.after, written)
            plans.append(replace(plan, window=(since_us, mid_us)))
    edges = edges_of(hands.first_mask, hands.motions)
    performance = Performance(tuple(music), tuple(edges), hands.now_us, (), ())
    return Recital(performance, tuple(_heard(performance, plans)))


def _heard(performance: Performance, plans: Sequence[Plan]) -> Iterator[Try]:
    """Each try with what sounded in it."""
    sounds, first = sounds_of(performance.edges, performance.end_us), 0
    for plan in plans:
        while sounds[first].end_us <= plan.window[0]:
            first += 1
        here = list(takewhile(lambda sound, until_us=plan.window[1]: sound.start_us < until_us, sounds[first:]))
        inside = tuple(here[1:-1])
        meant: set[int] = set()
        swallowed = 0
        for step, mid_us in plan.mids:
            found = next((i for i, one in enumerate(inside) if one.start_us <= mid_us < one.end_us), None)
            swallowed += found is None or inside[found].note != step.sound or inside[found].lasts_us < HEARD_US
            if found is not None:
                meant.add(found)
        heard = [one.note for one in without_short(here)]
        strays = tuple(one for i, one in enumerate(inside) if i not in meant and one.lasts_us >= HEARD_US)
        yield Try(
            plan.written,
            plan.played,
            plan.fault,
            tuple(step for step, _ in plan.mids),
            plan.window,
            inside,
            () if heard == plan.row else strays,
            swallowed,
            plan.played is plan.written and tuple(heard[1:-1]) in names_of(plan.written.before, plan.written.after),
        )
