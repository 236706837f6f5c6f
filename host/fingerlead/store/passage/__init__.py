"""The lesson in a message: a passage of playing as text that can be pasted into the chat of any call.

`message_of` makes the message of some changes of a session; `decode_passage` makes of it the same passage on the other
side, whatever the chat did to its lines; `Passage.analysis` then tells the same of it as on this side.

    stretch.py   what a passage is, how it is cut out of a session, what it promises
    packing.py   a passage as one great number;  numbers.py  how small numbers are put into it
    text.py      that number as text for a chat

What comes in a message is from a stranger: whatever its check letters say, all of it is checked.
"""

from __future__ import annotations

from fingerlead.store.passage import text
from fingerlead.store.passage.packing import pack, unpack
from fingerlead.store.passage.stretch import Passage, cut
from fingerlead.store.passage.text import LONGEST_MESSAGE, PassageError, TooLongError
from fingerlead.timing.analysis import Analysis

__all__ = ["Passage", "PassageError", "TooLongError", "cut", "decode_passage", "encode_passage", "message_of"]


def encode_passage(passage: Passage) -> str:
    """The passage as a message of at most LONGEST_MESSAGE characters; raises PassageError (TooLongError)."""
    passage.check()
    message = text.write(pack(passage))
    if len(message) > LONGEST_MESSAGE:
        raise TooLongError(
            f"a message of at most {LONGEST_MESSAGE} characters",
            f"{passage.count} changes that need {len(message)}",
            "send fewer changes",
        )
    return message


def decode_passage(message: str) -> Passage:
    """The passage in a message, and in whatever text is around it; raises PassageError."""
    passage = unpack(text.read(message))
    passage.check()
    passage.analysis()
    return passage


def message_of(analysis: Analysis, first: int, last: int) -> str:
    """The message for the changes from number `first` to number `last`, both from 0 and both in it.

    Raises PassageError; where they are too many, it says how many fit.
    """
    try:
        return encode_passage(cut(analysis, first, last))
    except TooLongError as error:
        fit = _that_fit(analysis, first, last)
        what = (
            f"the first {fit} of them fit: --changes {first + 1}..{first + fit}"
            if fit
            else "not one of them fits: send the whole session as a file"
        )
        raise TooLongError(error.expected, error.got, what) from None


def _that_fit(analysis: Analysis, first: int, last: int) -> int:
    """How many of the changes from number `first` on fit into one message, where all up to `last` do not."""
    fit, too_many = 0, last + 1 - first
    while too_many - fit > 1:
        middle = (fit + too_many) // 2
        try:
            encode_passage(cut(analysis, first, first + middle - 1))
            fit = middle
        except TooLongError:
            too_many = middle
    return fit
