"""Tonight: ten minutes made from the learner's own weakest changes, interleaved.

Two weak changes fill half to two thirds of the turns, in pairs of notes out and back a few times; the rest goes to what
is known: the present rung, passed ones, further weak ones. A turn is short, never the third of its kind running, and
now and then comes a rest. A movement that goes wrong more than a change does stands in its place, with the music of its
family's rung: all that is weak has one order, that of `Progress.weakest`.

`Tonight` chooses the turns, `TonightTurns` is their time; `OnStaff` is what is on the staff, in a turn and out of it.

Sources: turns in changing order held better after a day than the same row on end, in some studies of beginners and not
in others (Stambaugh, JRME 58, 2011; Carter and Grahn, Front. Psychol. 7:1251, 2016); few repeats and pauses spare the
hands (teachers' and clinics' advice). All numbers are our own choice.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from fingering.notes import ABC_LETTERS
from fingering.orders import every_rung, rung_named
from fingering.rungs import Rung, rung_name
from fingering.tunes import easy_tunes
from fingerlead.music.abc import parse_abc
from fingerlead.music.tune import Expectation, Tune, expect
from fingerlead.practice.events import TonightItem, TonightTurn
from fingerlead.practice.place import Following, Playing
from fingerlead.store.practice_log import Progress, Weak

LENGTH_US = 600_000_000
TURN_US = 40_000_000  # at most
REPEATS = 4  # out and back in a turn
REST_EVERY_US, REST_US = 150_000_000, 20_000_000
LAST_NOTE_US = 1_500_000  # how long the last note of a turn is listened to
MOST_SHARE, LEAST_SHARE = 2 / 3, 1 / 2  # of the two weak ones together
KNOWN = 5  # other things in turn
GIVES_WAY = 1.25  # a weak change gives way to one that is so much weaker by now

Notes = tuple[int, ...]
Piece = Notes | str  # what a turn is of: a row of notes, or a rung of embellishments by its key
NO_RUNGS: Mapping[str, Rung] = {}
REST = TonightItem("rest", (), (), rest=True)


@dataclass(slots=True)
class _Focus:
    """One of the two weakest, and how weak it was when it came in."""

    piece: Piece
    wrong_at_first: float
    credit: float = 0.0


class Tonight:
    """Which turn comes next. `known` are rows of notes that the learner is at or has passed, the nearest first, and
    `unclean` those of rungs that were left while not yet clean. `rungs` are of embellishments, by their movements'
    names: a movement without one has no turn.

    Pure: what goes wrong now is an argument of each turn, so that what improves loses its share, and gives way to what
    is weaker by then.
    """

    def __init__(
        self,
        weakest: Sequence[Weak],
        known: Sequence[Notes],
        unclean: Sequence[Notes] = (),
        rungs: Mapping[str, Rung] = NO_RUNGS,
    ) -> None:
        self._known: list[Piece] = list(dict.fromkeys(known))
        self._unclean, self._rungs = frozenset(unclean), rungs
        pairs = self._pairs(weakest)
        self.too_little = len(pairs) < 2
        self._focus = [] if self.too_little else [_Focus(piece, wrong) for piece, wrong in list(pairs.items())[:2]]
        self._credit = 0.0  # of all others together
        self._last: list[Piece] = []
        self._at: dict[Piece, int] = {}  # the number of its last turn

    def next(self, weakest: Sequence[Weak]) -> TonightItem:
        """The next turn, by how weak the changes are now."""
        pairs = self._pairs(weakest)
        self._change_focus(pairs)
        barred = self._last[-1] if len(self._last) > 1 and self._last[-1] == self._last[-2] else None
        others = [piece for piece in self._others(pairs) if piece != barred]
        shares = [self._share(focus, pairs) for focus in self._focus]
        for focus, share in zip(self._focus, shares, strict=True):
            focus.credit += share
        self._credit += 1 - sum(shares)
        slots = sorted((f for f in self._focus if f.piece != barred), key=lambda f: -f.credit)
        # A weak one goes first where the credits are equal but for rounding.
        if slots and (not others or slots[0].credit >= self._credit - 1e-9):
            slots[0].credit -= 1
            piece = slots[0].piece
        else:
            self._credit -= 1
            piece = min(others or self._known, key=lambda piece: self._at.get(piece, -1))
        self._at[piece] = len(self._last)
        self._last.append(piece)
        if isinstance(piece, str):
            rung = next(rung for rung in self._rungs.values() if rung.key == piece)
            return TonightItem(rung.name, rung.notes, (), rung=rung.key)
        weak = tuple(w.change for w in weakest if len(piece) == 2 and _pair(w.change) == _pair(piece))
        focused = any(focus.piece == piece for focus in self._focus)
        return TonightItem(rung_name(piece), piece, weak if focused else (), unclean=piece in self._unclean)

    def _pairs(self, weakest: Sequence[Weak]) -> dict[Piece, float]:
        """Pairs of notes by their weaker direction, and rungs of embellishments, the weakest first."""
        pairs: dict[Piece, float] = {}
        for weak in sorted(weakest, key=lambda weak: (-weak.wrong, weak.change, weak.movement)):
            if not weak.movement:
                pairs.setdefault(_pair(weak.change), weak.wrong)
            elif weak.movement in self._rungs:
                pairs.setdefault(self._rungs[weak.movement].key, weak.wrong)
        return pairs

    def _share(self, focus: _Focus, pairs: dict[Piece, float]) -> float:
        """Its part of the turns, the less the better it has become."""
        left = min(pairs.get(focus.piece, 0.0) / focus.wrong_at_first, 1.0) if focus.wrong_at_first else 0.0
        return (LEAST_SHARE + (MOST_SHARE - LEAST_SHARE) * left) / 2

    def _change_focus(self, pairs: dict[Piece, float]) -> None:
        """What is weaker by now takes the place of what has become better."""
        for focus in self._focus:
            chosen = {one.piece for one in self._focus}
            for piece, wrong in pairs.items():
                weaker = wrong > GIVES_WAY * pairs.get(focus.piece, 0.0)
                if piece not in chosen and weaker and focus.piece in self._at:
                    focus.piece, focus.wrong_at_first = piece, wrong
                    break

    def _others(self, pairs: dict[Piece, float]) -> list[Piece]:
        chosen = {focus.piece for focus in self._focus}
        weak = [piece for piece in pairs if piece not in chosen]
        known = [piece for piece in self._known if _pair(piece) not in chosen and _pair(piece) not in weak]
        # The present rung, then turn about a weak and a known one.
        mixed = [*known[:1], *(one for pair in zip(weak, known[1:], strict=False) for one in pair)]
        rest = [*weak, *known]
        return list(dict.fromkeys([*mixed, *rest]))[:KNOWN]


def item_abc(item: TonightItem) -> str:
    """The music of a turn as ABC: the row of notes out and back a few times, and home; a note alone with rests."""
    first, *others = letters = [ABC_LETTERS[note] for note in item.notes]
    if others:
        row = [*letters, *letters[-2:0:-1]] * REPEATS
        bars = [" ".join(f"{letter}2" for letter in row[place : place + 2]) for place in range(0, len(row), 2)]
    else:
        bars = [f"{letter}4" for letter in (first, "z") * REPEATS]
    return f"X:1\nT:{item.name}\nM:4/4\nL:1/4\nK:HP\n{' | '.join([*bars, f'{first}4'])} |]\n"


def _pair(piece: Piece) -> Piece:
    return piece if isinstance(piece, str) else tuple(sorted(piece))


@dataclass(frozen=True, slots=True)
class OnStaff:
    """The music, its ABC, what it asks to hold, and the rung that it belongs to (None for a tune or a turn).

    `key` is None for a turn.
    """

    key: str | None
    name: str
    abc: str
    tune: Tune
    wanted: Expectation
    rung: Rung | None = None


def music_of(key: str, rungs: Sequence[Rung]) -> OnStaff:
    """The music of a rung (by key or name; by number among `rungs`) or an easy tune (by key).

    ValueError says what was expected.
    """
    for easy in easy_tunes():
        if key == easy.key:
            tune = _parsed(easy.abc)
            return OnStaff(easy.key, easy.title, easy.abc, tune, expect(tune))
    rung = rung_named(key, rungs)
    tune = _parsed(rung.abc)
    return OnStaff(rung.key, rung.name, rung.abc, tune, expect(tune), rung)


def music_names() -> frozenset[str]:
    """The names of all rungs and easy tunes."""
    return frozenset((*(rung.name for rung in every_rung().values()), *(easy.title for easy in easy_tunes())))


def music_of_item(item: TonightItem) -> OnStaff:
    """The music of a turn that is no rest."""
    abc = rung_named(item.rung).abc if item.rung else item_abc(item)
    tune = _parsed(abc)
    return OnStaff(None, item.name, abc, tune, expect(tune))


@lru_cache(maxsize=64)
def _parsed(abc: str) -> Tune:
    return parse_abc(abc)[0][0]


class TonightTurns:
    """Ten minutes by the time of the states, which stands while the chanter is away."""

    def __init__(self, tonight: Tonight, progress: Progress) -> None:
        self._tonight, self._progress = tonight, progress
        self._began_us: int | None = None  # with the first turn
        self._rested_us = 0
        self._turn_us = 0
        self._item: TonightItem | None = None
        self._number = 0

    def next(self, now_us: int) -> TonightTurn:
        """Go on to the next turn."""
        if self._began_us is None:
            self._began_us = self._rested_us = now_us
        if self._item is not None and self._item.rest:
            self._rested_us = now_us
        self._turn_us = now_us
        if now_us - self._began_us >= LENGTH_US:
            self._item = None
        elif now_us - self._rested_us >= REST_EVERY_US:
            self._item = REST
        else:
            self._item = self._tonight.next(self._progress.weakest())
            self._number += 1
        return self.turn(now_us)

    def turn(self, now_us: int) -> TonightTurn:
        """The present turn."""
        went_us = 0 if self._began_us is None else now_us - self._began_us
        return TonightTurn(self._item, self._number, max(LENGTH_US - went_us, 0), self._tonight.too_little)

    def rested(self, playing: Playing) -> bool:
        """Whether the rest has been long enough."""
        return playing.now_us - self._turn_us >= REST_US

    def played(self, playing: Playing, following: Following) -> bool:
        """Whether the turn has been played to its end, or for long enough."""
        if following.times or playing.now_us - self._turn_us >= TURN_US:
            return True
        alone = self._item is None or len(self._item.notes) == 1
        if alone or playing.steady is None or not following.at_end():
            return False
        return playing.now_us - playing.steady.start_us >= LAST_NOTE_US
