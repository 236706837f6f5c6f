"""The lesson in a message: a passage of playing as text that can be pasted into the chat of any call.

`encode_changes` makes the message of some changes of a session. `decode_passage` makes the same passage of it on the
other side, whatever the chat did to its lines; `Passage.analysis` then finds what it finds on this side.

    stretch.py   what a passage is, how it is cut out of a session, what it promises
    agreement.py what both sides must find alike
    packing.py   a passage as one great number
    text.py      that number as text for a chat

A message comes from a stranger: whatever its check letters say, all of it is checked.
"""

from bisect import bisect_left

from fingerlead.store.passage import text
from fingerlead.store.passage.packing import pack, unpack
from fingerlead.store.passage.stretch import Passage, cut
from fingerlead.store.passage.text import BETWEEN, LONGEST_MESSAGE, MOST_PARTS, PassageError, TooLongError
from fingerlead.timing.analysis import Analysis

__all__ = ["Passage", "PassageError", "TooLongError", "cut", "decode_passage", "encode_changes", "encode_passage"]

# What is heard before the first change and after the last.
AROUND_US = 1_000_000


def encode_passage(passage: Passage) -> str:
    """The passage as a message, or as several with an empty line between, each of at most LONGEST_MESSAGE characters.

    Raises PassageError (TooLongError).
    """
    passage.check()
    message = text.write(pack(passage))
    if max(map(len, message.split(BETWEEN))) > LONGEST_MESSAGE:
        raise TooLongError(
            f"at most {MOST_PARTS} messages of {LONGEST_MESSAGE} characters",
            f"{passage.count} changes that need {len(message)} characters",
            "send fewer changes",
        )
    return message


def decode_passage(message: str) -> Passage:
    """The passage in a message, or in the parts of one in any order, and in whatever text is around them.

    Raises PassageError.
    """
    passage = unpack(text.read(message))
    passage.check()
    passage.written(passage.analysis())
    return passage


def passage_edges(passage: Passage, analysis: Analysis | None = None) -> tuple[list[tuple[int, int]], int]:
    """What is heard of a passage: (µs, covered mask) from a second before its first change, and until when."""
    analysis = passage.analysis() if analysis is None else analysis
    edge_us, covered = analysis.edge_us.tolist(), analysis.covered.tolist()
    from_us = max(0, edge_us[int(analysis.arrays.first[0])] - AROUND_US)
    until_us = min(passage.end_us, edge_us[int(analysis.arrays.last[-1])] + AROUND_US)
    spans = zip(edge_us[:-1], edge_us[1:], covered, strict=True)
    return [(max(from_us, begin), mask) for begin, end, mask in spans if from_us < end and begin < until_us], until_us


def encode_changes(analysis: Analysis, first: int, last: int) -> str:
    """The changes from number `first` to number `last`, both from 0 and both in it, as `encode_passage` has them.

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

    def too_many(count: int) -> bool:
        try:
            encode_passage(cut(analysis, first, first + count - 1))
        except TooLongError:
            return True
        return False

    return bisect_left(range(1, last + 1 - first), True, key=too_many)
