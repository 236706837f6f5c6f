"""People with a chanter to calibrate, and its sensors: a model of its own, which shares no code with `simulated`.

A finger has a height above its hole in millimetres and a share of the hole that it lies over; it moves in smooth steps,
rests a little unsteadily, and hovers near its hole when it is off. A sensor reads `open + swing * area / (1 + height /
reach)`, with noise, a neighbour's influence and a little warmth: the shape of a capacitive sensor. All figures are from
memory, drawn wide.

A person reads the sentence that is asked, and does it, or one of `MISTAKES`:

    skips         does nothing, at some askings                 skips half     never does the half-covered steps
    late          takes 3 to 14 s                               early          goes on before the time
    wrong hole    covers a neighbour, at some askings           mistaken       takes two fingers for each other, always
    hands swapped takes the names of the hands for each other   leaves it      the finger of the step before stays
    forgets       one finger in low G, at some askings          puts it down   for up to a minute, in the middle
    two at once   covers the next hole too, at some askings     rests          the thumb stays on until it is named
    starts on     fingers lie on the holes at the beginning     sloppy half    hardly, or nearly all
    fidgets       fingers play about above the holes            short finger   the bottom little finger never reaches
    no scale      stops in the middle of it                     slips          a finger lifts for a moment in a hold
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fingerlead.workbench.guidance import Guidance
from fingerlead.workbench.levels import HoleReport, holes_of
from fingerlead.workbench.samples import PLAN

FULL = 1_023
RATE_HZ = 125
BLOCK = 8
OFF_MM = 14.0
LONGEST_US = 900_000_000

MISTAKES = (
    "skips", "skips half", "late", "early", "wrong hole", "mistaken", "hands swapped", "leaves it", "forgets",
    "puts it down", "two at once", "rests", "starts on", "sloppy half", "fidgets", "short finger", "no scale", "slips",
)  # fmt: skip
BAD_SENSORS = ("dead", "stuck", "inverted", "weak", "noisy", "swapped", "drifts", "saturates")

# What a bad sensor may be called. One that never answers, or weakly, could be a finger that never came: that is named
# too, with what to do, but as "not judged".
NAMES = {
    "dead": {"dead", "stuck", "never answered"}, "stuck": {"stuck", "never answered"}, "inverted": {"reversed"},
    "weak": {"weak"}, "noisy": {"noisy"}, "swapped": {"swapped"}, "drifts": {"drift"}, "saturates": {"saturated"},
}  # fmt: skip

# low G, low A, B, C, D, E, F, high G, high A: which holes a piper covers, thumb first (common practice).
SCALE = ("11111111", "11111110", "11111100", "11111001", "11110001", "11101110", "11001110", "10001110", "00001110")


class Person:
    """Hands on a chanter; `mistakes` are some of MISTAKES."""

    def __init__(self, rng, mistakes=()):
        self.rng, self.mistakes = rng, set(mistakes)
        # Each finger's way: times, heights in mm, shares of the hole that it lies over.
        self.paths = [([-1e18], [OFF_MM * rng.uniform(0.7, 1.6)], [1.0]) for _ in range(8)]
        self.down = np.zeros(8, dtype=bool)
        self.travel_us = rng.uniform(25_000, 80_000)
        self.mixed = list(range(8))
        if "mistaken" in self.mistakes:
            a = int(rng.integers(7))
            self.mixed[a], self.mixed[a + 1] = a + 1, a
        if "hands swapped" in self.mistakes:
            self.mixed = [0, 4, 5, 6, 1, 2, 3, 7]
        self.away = ()
        if "puts it down" in self.mistakes:
            at = int(rng.integers(2, 18))
            self.away = (at, rng.uniform(10e6, 60e6))
        if "starts on" in self.mistakes:
            for hole in np.flatnonzero(rng.random(8) < rng.choice((0.2, 0.5, 1.0))):
                self.lay(int(hole), -1_000_000)
            self.wakes_us = rng.uniform(1e6, 7e6)
        if "rests" in self.mistakes:
            self.lay(0, -1_000_000)
        self.back_us = 0.0

    def often(self, kind, chance):
        return kind in self.mistakes and self.rng.random() < chance

    def lay(self, hole, at_us, area=1.0, height=0.0):
        if hole == 7 and "short finger" in self.mistakes and area == 1.0:
            height = self.rng.uniform(4, 8)
        self.move(hole, at_us, height * self.rng.uniform(0.8, 1.2), area)
        self.down[hole] = True

    def lift(self, hole, at_us):
        if self.down[hole] or self.paths[hole][1][-1] < 4:
            self.move(hole, at_us, OFF_MM * self.rng.uniform(0.7, 1.6), 1.0)
        self.down[hole] = False

    def move(self, hole, at_us, height, area):
        times, heights, areas = self.paths[hole]
        at_us = max(at_us, times[-1] + 1)
        took = self.travel_us * self.rng.uniform(0.7, 1.4)
        for share in np.linspace(0.0, 1.0, 6):
            smooth = share**3 * (10 - 15 * share + 6 * share**2)
            times.append(at_us + took * share)
            if share == 0.0:
                heights.append(heights[-1])
                areas.append(areas[-1])
                was = heights[-1], areas[-1]
            else:
                heights.append(was[0] + (height - was[0]) * smooth)
                areas.append(was[1] + (area - was[1]) * smooth)

    def stop(self, t_us):
        """Leave what was still to come."""
        for hole, (times, heights, areas) in enumerate(self.paths):
            if times[-1] > t_us:
                now = [float(np.interp(t_us, times, what)) for what in (heights, areas)]
                keep = int(np.searchsorted(times, t_us))
                for what, one in zip((times, heights, areas), (t_us, *now), strict=True):
                    what[keep:] = [one]
                self.down[hole] = now[0] < 3

    def only(self, holes, at_us, area=1.0):
        for hole in range(8):
            if hole not in holes:
                if hole == 0 and "rests" in self.mistakes:
                    continue
                self.lift(hole, at_us + self.rng.normal(0, 15_000))
        for hole in holes:
            if not (self.down[hole] and area == 1.0 and self.paths[hole][2][-1] == 1.0):
                self.lay(hole, at_us + 150_000 + self.rng.normal(0, 15_000), area)

    def asked(self, kind, hole, tries, words, t_us):
        """The sentence has changed."""
        self.stop(t_us)
        if "rests" in self.mistakes and "thumb" in words and tries and self.rng.random() < 0.7:
            self.mistakes.discard("rests")
        react = self.rng.uniform(3e6, 14e6) if "late" in self.mistakes else self.rng.uniform(0.4e6, 1.6e6)
        at = t_us + react
        if self.away and PLAN.index((kind, hole)) >= self.away[0]:
            self.back_us = t_us + self.away[1]
            self.away = ()
            self.only((), at)
        if "starts on" in self.mistakes and t_us < self.wakes_us:
            at = max(at, self.wakes_us)
        if t_us < self.back_us or self.often("skips", 0.4) or ("skips half" in self.mistakes and kind == "half"):
            return
        before = np.flatnonzero(self.down).tolist()
        meant = None if hole is None else self.mixed[hole]
        if kind in ("covered", "half") and self.often("wrong hole", 0.3):
            meant = (meant + int(self.rng.choice((-1, 1)))) % 8
        if kind == "open":
            self.only((), at)
        elif kind == "covered":
            holes = {meant}
            if self.often("two at once", 0.4):
                holes.add((meant + 1) % 8)
            if self.often("leaves it", 0.4):
                holes |= set(before[:1])
            self.only(sorted(holes), at)
        elif kind == "half":
            sloppy = self.often("sloppy half", 0.6)
            area = self.rng.uniform(0.3, 0.7) if not sloppy else self.rng.choice((0.03, 0.95))
            self.only([meant], at, area)
        elif kind == "all":
            holes = set(range(8))
            if self.often("forgets", 0.6):
                holes.discard(int(self.rng.integers(8)))
            self.only(sorted(holes), at)
        else:
            self.scale(at)
        if "early" in self.mistakes and self.rng.random() < 0.4 and kind in ("covered", "half", "all"):
            gone = at + self.rng.uniform(0.7e6, 1.4e6)
            self.only([((hole or 0) + 1) % 8] if kind != "all" else [], gone)
        if self.often("slips", 0.4) and meant is not None:
            slip = at + self.rng.uniform(0.5e6, 1.2e6)
            area = self.paths[meant][2][-1]
            self.move(meant, slip, 6.0, area)
            self.move(meant, slip + self.travel_us + 60_000, 0.0, area)

    def scale(self, at):
        notes = [*SCALE, *reversed(SCALE)]
        if "no scale" in self.mistakes:
            notes = notes[: int(self.rng.integers(2, 12))]
        for note in notes:
            for hole, covered in enumerate(note):
                if covered == "1" and not (self.down[hole] and self.paths[hole][1][-1] < 3):
                    self.lay(hole, at + self.rng.normal(0, 12_000))
                elif covered == "0" and not (hole == 0 and "rests" in self.mistakes):
                    self.lift(hole, at + self.rng.normal(0, 12_000))
            at += self.rng.uniform(0.3e6, 0.7e6)

    def over(self, t_us):
        """(n, 8) heights and areas."""
        ways = [[np.interp(t_us, times, what) for what in (heights, areas)] for times, heights, areas in self.paths]
        height, area = np.array(ways).transpose(1, 2, 0)
        if "fidgets" in self.mistakes:
            wave = np.sin(t_us[:, None] / 1e6 * (0.7 + 0.3 * np.arange(8)) + np.arange(8))
            height = np.where(height > 4, np.maximum(height - 4 - 5 * np.maximum(wave, 0), 1.5), height)
        return height, area


class Sensors:
    """Eight sensors, at most one of them (or two swapped) bad: `bad` is a kind of BAD_SENSORS, `holes` where."""

    def __init__(self, rng, bad=None):
        self.rng, self.bad = rng, bad
        self.open, self.swing = rng.uniform(40, 200, 8), rng.uniform(300, 750, 8)
        self.noise = self.swing / rng.uniform(15, 80, 8) / 5.15
        self.reach = rng.uniform(0.4, 1.0, 8)
        self.beside = rng.uniform(0, 0.05, (8, 8)) * (np.eye(8, k=1) + np.eye(8, k=-1))
        self.warm = rng.uniform(-0.03, 0.03, 8)
        self.steady = rng.uniform(0, 6, 8)
        hole = int(rng.integers(8))
        self.holes = () if bad is None else (hole,)
        if bad == "swapped":
            self.holes = (hole, (hole + int(rng.integers(1, 8))) % 8)
        self.how, self.size = rng.random(), rng.random()

    def read(self, t_us, height, area):
        rng, (hole, *_) = self.rng, (*self.holes, 0)
        pressed = 1 - 0.02 * (1 + np.sin(t_us[:, None] / 1e6 * 2 + self.steady)) * (height < 1)
        cover = area * pressed / (1 + height / self.reach)
        raw = self.open + self.swing * (cover + cover @ self.beside + self.warm * (1 - np.exp(-t_us[:, None] / 60e6)))
        noise = rng.standard_normal(raw.shape) * self.noise
        one, swing = raw[:, hole], self.swing[hole]
        match self.bad:
            case "dead":
                one[:] = 5 * self.size if self.how < 0.5 else 60 + 200 * self.size
                noise[:, hole] *= 0.0 if self.how > 0.75 else 0.1
            case "stuck":
                one[:] = self.open[hole] + swing * (0.85 + 0.2 * self.size)
                noise[:, hole] *= self.how < 0.5
            case "inverted":
                one[:] = 2 * self.open[hole] + swing - one
            case "weak":
                one[:] = self.open[hole] + (one - self.open[hole]) * (0.05 + 0.12 * self.size)
                noise[:, hole] *= 0.1
            case "noisy":
                noise[:, hole] *= swing / (1.5 + 3 * self.size) / 5.15 / self.noise[hole]
            case "swapped":
                raw[:, list(self.holes)] = raw[:, list(self.holes[::-1])]
            case "drifts":
                way = np.minimum(t_us / 90e6, 1.5) if self.how < 0.5 else 1 - np.exp(-t_us / 50e6)
                one += (0.35 + 0.35 * self.size) * swing * way
            case "saturates":
                one[:] = self.open[hole] + (one - self.open[hole]) * (FULL - self.open[hole]) / swing * (
                    1.1 + self.size
                )
        return np.clip(np.rint(raw + noise), 0, FULL).astype(int)


def is_named(report, kind):
    return report.fault in NAMES[kind]


@dataclass
class Calibrated:
    reports: list[HoleReport]
    steps: Guidance
    said: list[tuple[int, int, str]]  # the step, how often it was asked for before, the sentence
    took_s: float

    @property
    def sentences(self):
        return [words for _, _, words in self.said]

    def told(self, verdict):
        return {report.hole: report for report in self.reports if report.verdict == verdict}

    @property
    def blamed(self):
        return self.told("bad") | self.told("doubtful")


def calibrate(seed, mistakes=(), bad=None):
    """A whole calibration: the sentences that a person was told, and what came of it."""
    rng = np.random.default_rng([seed, len(mistakes), 0 if bad is None else 1 + BAD_SENSORS.index(bad)])
    sensors, person = Sensors(rng, bad), Person(rng, mistakes)
    steps, said = Guidance(FULL), []
    at = 0
    while not steps.done:
        t_us = (np.arange(at, at + BLOCK) * 1_000_000 // RATE_HZ).astype(np.int64)
        assert t_us[0] < LONGEST_US, f"it does not come to an end: {said[-5:]}"
        told = (steps.number, steps.tries, steps.words)
        if not said or told != said[-1]:
            said.append(told)
            person.asked(*PLAN[steps.number], steps.tries, steps.words, float(t_us[0]))
        for t, row in zip(t_us.tolist(), sensors.read(t_us, *person.over(t_us)).tolist(), strict=True):
            steps.hear(t, tuple(row))
        at += BLOCK
    return Calibrated(holes_of(steps.taken()), steps, said, at / RATE_HZ), sensors
