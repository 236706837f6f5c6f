"""Movements as steps of the hand with the rhythm of the trade, and what else of the trade sounds like them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from random import Random

from tests.reading.instrument import LETTERS, shape_of, sound_of
from tests.reading.repertoire import Movement, repertoire


@dataclass(frozen=True, slots=True)
class Step:
    """A shape of the hand, and how long it stays. Fingers below `hole` follow later, under the grace note.

    `written` is the place in the movement's letters, None for what is not written. A `marked` step is what a fault is
    about, and is to sound as long as planned.
    """

    mask: int
    lasts_us: float
    written: int | None
    hole: int = 8
    marked: bool = False

    @property
    def sound(self) -> int:
        return sound_of(self.mask)


@cache
def everything() -> tuple[Movement, ...]:
    """The movements of the trade, and cadences: a held E between grace notes."""
    cadences = [
        Movement("cadence", before, after, "ged", ((7, 5), (5, 5), (4, after)))
        for after in (0, 1, 2)
        for before in range(4)
    ]
    return (*repertoire(), *cadences)


# More forms of the trade (three public tables), by the melody note from low G to high A; a dash where there is none.
# They are not played here, but what sounds like one of them is no clear fault of another movement.
MORE = {
    "short birl": "- GAG - - - - - - -",
    "double strike": "- GAG GBG GcG GdG AeA efe fgf gag",
    "light double strike": "- - - - cdc - - - -",
    "triple strike": "- GAGAG GBGBG GcGcG GdGdG AeAeA efefe fgfgf gagag",
    "light half strike": "- - - - dc - - - -",
    "light high G strike": "- - - - gdc - - - -",
    "light thumb strike": "- - - - adc - - - -",
    "low A strike": "- - - - - - - - A",
    "shake": "- gAeAG gBeBG gcecG gdedG gefeA gfgfe - -",
    "thumb shake": "- aAeAG aBeBG acecG adedG aefeA afgfe agagf -",
    "half shake": "- AeAG BeBG cecG dedG efeA fgfe gagf -",
    "half grip": "- AGdG BGdG cGdG dGdG eGdG fGfG gGdG aGdG",
    "B half grip": "- - - - dGBG - fGdG - -",
    "E grip": "GeG GeG GeG GeG GeG GeG GeG GeG GeG",
    "D birl": "- dAGAG - - - - - - -",
    "throw": "- - - - - eAfA fege fegefe -",
    "embari": "- - - - - eGfG - - -",
    "short cadence": "ge ge ge ge ge ge ge ge ge",
    "half cadence": "ed ed ed ed ed ed ed ed ed",
    "old taorluath": "- GdAe - - - - - - -",
}


@cache
def names_of(before: int, after: int) -> dict[tuple[int, ...], str]:
    """The name of each row of notes that is a movement between two melody notes."""
    named: dict[tuple[int, ...], str] = {}
    for one in everything():
        if (one.before, one.after) == (before, after):
            named.setdefault(one.sounds, one.name)
    for name, forms in MORE.items():
        row = tuple(LETTERS.index(letter) for letter in forms.split()[after].strip("-"))
        for begin in (0, bool(row) and row[0] == before):
            for end in (0, bool(row) and row[-1] == after):
                named.setdefault(row[begin : len(row) - end], name)
    named.pop((), None)
    return named


def steps_of(movement: Movement, grace_us: float, inner_us: float, random: Random) -> list[Step]:
    """The movement as it is well played, with the rhythm of the trade."""
    sounding = tuple(LETTERS[sound] for sound in movement.sounds)
    first = 0 if movement.written.startswith("".join(sounding)) else len(movement.written) - len(sounding)
    pace = random.uniform(0.92, 1.08)
    catch = random.uniform(1, 1.25)
    steps = []
    for number, (sound, hand) in enumerate(movement.shapes):
        lasts_us = pace * random.uniform(0.96, 1.04) * (inner_us if sound == hand else grace_us)
        if sound == hand == 0:
            lasts_us *= catch
            if number == 0 and "throw" in movement.name and random.random() < 0.2:
                lasts_us *= random.uniform(1.3, 2)
        if movement.name == "cadence" and sound == hand:
            lasts_us = random.uniform(250_000, 700_000)
        steps.append(Step(shape_of(sound, hand), lasts_us, first + number, 8 if sound == hand else 8 - sound))
    return steps
