"""The orders in which the ladder is climbed, and what has to come before an embellishment.

The *derived* order is that of `ladder`. The *taught* order goes by hands, as many teachers do: low G, low A and B; C
and D from low G; the top hand from low A, then from low G; crossings last, from note to note upwards. Each of its steps
is a line of several changes, and all steps together hold every change. It is common practice, no source, and the usual
order here.

After the changes both orders have the embellishments, by families.
"""

from collections.abc import Sequence, Set
from functools import lru_cache
from typing import Literal, get_args

from fingering.families import FAMILIES, family_rungs, tune_rungs
from fingering.ladder import find_rung, ladder
from fingering.moves import SCATTER_US
from fingering.notes import ABC_LETTERS
from fingering.rungs import Rung, make_rung
from fingering.tunes import EasyTune, easy_tunes

Order = Literal["derived", "taught"]
ORDERS: tuple[Order, ...] = get_args(Order)

# Key, row of notes as ABC letters, name, what it trains.
_STEPS = (
    ("low-g", "G", "", ""),
    ("low-g-low-a-b", "GABG", "low G, low A and B", "Little and ring finger of the bottom hand, alone and together."),
    ("low-g-c-d", "GcdG", "low G, C and D", "C and D from low G and back, and from one to the other."),
    ("low-a-top-hand", "AeAfAgAa", "low A to the top hand", "The top hand opens from low A; the bottom hand stays."),
    ("e-f-high-g", "efge", "E, F and high G", "The top hand alone, one finger after the other and two at once."),
    ("low-g-top-hand", "GeGfGgGa", "low G to the top hand", "The top hand opens, and the little finger lifts with it."),
    ("low-a-b-c-d", "AcBdA", "low A and B to C and D", "Crossings of the bottom hand: the little goes against."),
    ("high-a-top-hand", "aeafag", "high A to E, F and high G", "Crossings of the top hand: thumb and ring finger."),
    ("b-top-hand", "BeBfBgBa", "B to the top hand", "The top hand opens while the ring finger comes down."),
    ("c-top-hand", "cecfcgca", "C to the top hand", "Both hands change at once; the top hand opens a hair ahead."),
    ("d-top-hand", "dedfdgda", "D to the top hand", "Both hands change at once, most fingers of all."),
)


@lru_cache(maxsize=8)
def rungs_in(order: Order = "taught", scatter_us: int = SCATTER_US) -> tuple[Rung, ...]:
    """All rungs of an order from the bottom up: the changes, then embellishments. Scatter orders the derived one."""
    changes = ladder(scatter_us) if order == "derived" else _taught()
    return (*changes, *family_rungs(), *tune_rungs())


@lru_cache(maxsize=1)
def _taught() -> tuple[Rung, ...]:
    rungs: list[Rung] = []
    for key, letters, name, trains in _STEPS:
        notes = tuple(map(ABC_LETTERS.index, letters))
        rungs.append(make_rung(notes, rungs, key=key, name=name or None, trains=trains or None))
    return tuple(rungs)


@lru_cache(maxsize=1)
def every_rung() -> dict[str, Rung]:
    """The rungs of all orders by their keys: a key means the same in each of them."""
    return {rung.key: rung for order in ORDERS for rung in rungs_in(order)}


def rung_named(text: str, rungs: Sequence[Rung] | None = None) -> Rung:
    """A rung by its key or name in whatever order, or by its number among `rungs` (by default the taught order).

    ValueError says what was expected.
    """
    return find_rung(rungs_in() if rungs is None else rungs, text, every_rung().values())


@lru_cache(maxsize=1)
def _numbers() -> dict[str, int]:
    return {rung.key: number for number, rung in enumerate(rungs_in(), 1)}


def number_of(key: str) -> int | None:
    """The number of a rung: its place in the taught order, from 1 on, in whichever order it is climbed.

    None for one that does not stand there, which goes by its name alone.
    """
    return _numbers().get(key)


def order_of(keys: Set[str]) -> Order:
    """The order that most of these rungs stand in; the taught one where none tells the two apart."""
    count = {order: sum(rung.key in keys for rung in rungs_in(order)) for order in ORDERS}
    return "derived" if count["derived"] > count["taught"] else "taught"


def changes_of(rung: Rung) -> set[tuple[int, int]]:
    """The changes of a rung, out and back."""
    return {*rung.out, *rung.back}


def comes_first(rung: Rung, rungs: Sequence[Rung], passed: Set[str]) -> tuple[Rung, ...]:
    """The rungs among `rungs` to pass before this one counts; none for a rung of changes.

    An embellishment stands on changes and on simpler embellishments. A change is clean once any rung of it is passed.
    `passed` are keys.
    """
    if not rung.movements:
        return ()
    known = every_rung()
    clean = {change for key in passed if key in known for change in changes_of(known[key])}
    wanted = changes_of(rung) - clean
    first: list[Rung] = []
    for below in rungs:
        if not below.movements and wanted & changes_of(below):
            wanted -= changes_of(below)
            first.append(below)
        elif below.key in rung.needs and below.key not in passed:
            first.append(below)
    return tuple(first)


def opened_by(tune: EasyTune, rungs: Sequence[Rung]) -> tuple[Rung, ...]:
    """The rungs that make a tune playable: the highest of its changes, then those of its embellishments.

    None where the rungs do not hold all that is in it.
    """
    missing = set(tune.changes)
    highest: list[Rung] = []
    for rung in rungs:
        if not rung.movements and missing & changes_of(rung):
            missing -= changes_of(rung)
            highest = [rung]
    wanted = {family.key for family in FAMILIES if family.movement in tune.movements}
    families = [rung for rung in rungs if rung.key in wanted]
    return () if missing or len(families) < len(wanted) else (*highest, *families)


@lru_cache(maxsize=8)
def tunes_opened(rungs: tuple[Rung, ...]) -> dict[str, tuple[tuple[str, str], ...]]:
    """The tunes by the key of the last rung that opens them: key and title of each."""
    found: dict[str, tuple[tuple[str, str], ...]] = {}
    for tune in easy_tunes():
        for last in opened_by(tune, rungs)[-1:]:
            found[last.key] = (*found.get(last.key, ()), (tune.key, tune.title))
    return found
