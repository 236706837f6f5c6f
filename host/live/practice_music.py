"""What is on the staff: a rung's music, an easy tune, or a turn of Tonight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from fingering.ladder import find_rung
from fingering.tunes import easy_tunes
from host.live.tonight import item_tune
from host.music.abc import parse_abc
from host.music.expectation import Expectation, expect

if TYPE_CHECKING:
    from fingering.rungs import Rung
    from host.live.practice_events import TonightItem
    from host.music.tune import Tune


@dataclass(frozen=True, slots=True)
class Music:
    """The music, what it asks to hold, and the rung that it belongs to (None for a tune or a turn).

    `key` is None for a turn.
    """

    key: str | None
    name: str
    tune: Tune
    wanted: Expectation
    rung: Rung | None = None


def music_of(key: str, rungs: Sequence[Rung]) -> Music:
    """The music of a rung (by key, name or number) or an easy tune (by key); ValueError says what was expected."""
    for easy in easy_tunes():
        if key == easy.key:
            tune = _parsed(easy.abc)
            return Music(easy.key, easy.title, tune, expect(tune))
    rung = find_rung(rungs, key)
    tune = _parsed(rung.abc)
    return Music(rung.key, rung.name, tune, expect(tune), rung)


def music_of_item(item: TonightItem) -> Music:
    """The music of a turn that is no rest."""
    tune = item_tune(item)
    return Music(None, item.name, tune, expect(tune))


@lru_cache(maxsize=64)
def _parsed(abc: str) -> Tune:
    return parse_abc(abc)[0][0]
