"""Pupils' names: found however they are written, and told apart where two are the same."""

import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from fingerlead.phrases import day_words
from fingerlead.studio.pupils import Pupil, tidy

SIGN_LETTERS = 4


def plain_name(name: str) -> str:
    """A name as it is looked for: without capitals, accents and doubled spaces."""
    parts = unicodedata.normalize("NFKD", tidy(name).casefold())
    return "".join(letter for letter in parts if not unicodedata.combining(letter))


def named(pupils: Iterable[Pupil], wanted: str) -> set[str]:
    """The keys of pupils whose name or chanter has every word of `wanted` in it; of all, where it has none."""
    words = plain_name(wanted).split()
    return {
        one.key for one in pupils if all(word in f"{plain_name(one.name)} {plain_name(one.chanter)}" for word in words)
    }


def signs(pupils: Iterable[Pupil], played_days: Mapping[str, tuple[str, str]]) -> dict[str, str]:
    """For pupils of one name, by their keys: what tells them apart, which is as little as does.

    It is the hand on top, the chanter, since when they play, or else the first letters of the key. `played_days` are
    the ISO days on which each first and last played.
    """
    lots: dict[str, list[Pupil]] = defaultdict(list)
    for pupil in pupils:
        lots[plain_name(pupil.name)].append(pupil)
    found: dict[str, str] = {}
    for lot in lots.values():
        if len(lot) > 1:
            found |= zip((one.key for one in lot), _apart(lot, played_days), strict=True)
    return found


def _apart(lot: Sequence[Pupil], played_days: Mapping[str, tuple[str, str]]) -> list[str]:
    kinds = (
        [f"{one.hand_on_top} hand on top" for one in lot],
        [one.chanter for one in lot],
        [f"since {day_words(day)}" if (day := played_days.get(one.key, ("", ""))[0]) else "" for one in lot],
        [one.key[:SIGN_LETTERS] for one in lot],
        [one.key for one in lot],
    )
    return next(kind for kind in kinds if all(kind) and len(set(kind)) == len(lot))
