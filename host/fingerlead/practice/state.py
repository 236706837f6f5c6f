"""What a practice is in, and what leads on from there: every transition that may be taken, in two tables.

Two machines run side by side. `CHANTER` says where the chanter is that is listened to; `source.Whereabouts` steps it.

    none, refused ─listen─► waiting ─state─► here        while one is listened to, a refusal leads to `refused`;
                              ▲ └────lost──┐  │lost      from everywhere, another chanter leads to `waiting`,
                              └────back── away ◄┘        and the end of listening to `none`

`MUSIC` says what the learner is at; `practice.Practice` steps it.

    rung, tune ─turn─► turn ◄──► rest ─time up─► rung    from everywhere, a rung or a tune can be chosen

Both go by `step`, which raises for a transition that is not in the table: it would be a fault of the program.
"""

from collections.abc import Mapping
from typing import Final, Literal, TypeVar

# Nothing is listened to; a chanter is to speak; it has sent its holes; its port is lost; it could not be listened to.
Place = Literal["none", "waiting", "here", "away", "refused"]
# A chanter is chosen; it sends its holes; its port is lost, or found again; listening ends, or is refused.
Sign = Literal["listen", "state", "lost", "back", "end", "refuse"]

CHANTER: Final[Mapping[Place, Mapping[Sign, Place]]] = {
    "none": {"listen": "waiting", "end": "none"},
    "waiting": {"listen": "waiting", "state": "here", "lost": "away", "end": "none", "refuse": "refused"},
    "here": {"listen": "waiting", "state": "here", "lost": "away", "end": "none", "refuse": "refused"},
    # A reader brings nothing between Lost and Back.
    "away": {"listen": "waiting", "back": "waiting", "end": "none", "refuse": "refused"},
    "refused": {"listen": "waiting", "end": "none"},
}

# A rung, which counts toward passing it; an easy tune; a turn of Tonight's ten minutes; the rest between two turns.
Doing = Literal["rung", "tune", "turn", "rest"]
# A rung or a tune is chosen; the next turn or rest begins, Tonight's first turn too; the ten minutes are over.
Step = Literal["rung", "tune", "turn", "rest", "time up"]

MUSIC: Final[Mapping[Doing, Mapping[Step, Doing]]] = {
    "rung": {"rung": "rung", "tune": "tune", "turn": "turn"},
    "tune": {"rung": "rung", "tune": "tune", "turn": "turn"},
    "turn": {"rung": "rung", "tune": "tune", "turn": "turn", "rest": "rest", "time up": "rung"},
    # Two rests never follow each other.
    "rest": {"rung": "rung", "tune": "tune", "turn": "turn", "time up": "rung"},
}

State = TypeVar("State", bound=str)
Cause = TypeVar("Cause", bound=str)


class TransitionError(RuntimeError):
    """A transition that no table has: a fault of the program."""

    def __init__(self, state: str, cause: str) -> None:
        super().__init__(f"expected a transition of the table; got {cause!r} in state {state!r}")
        self.state, self.cause = state, cause


def step(table: Mapping[State, Mapping[Cause, State]], state: State, cause: Cause) -> State:
    """The state that follows. Raises TransitionError where the table has none."""
    try:
        return table[state][cause]
    except KeyError:
        raise TransitionError(state, cause) from None
