"""Ctrl-C as a wish, not as an exception: what is being kept is never torn apart in the middle of a step."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator


@contextlib.contextmanager
def told_to_end() -> Iterator[Callable[[], bool]]:
    """A function that says whether Ctrl-C has come (or SIGTERM, or the terminal is gone); a second one ends at once.

    Main thread only.
    """
    told = threading.Event()
    numbers = [signal.SIGINT, signal.SIGTERM]
    # Whoever had it ignored (nohup) wants to go on without a terminal; Windows knows none.
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:
        numbers.append(signal.SIGHUP)
    before = {number: signal.getsignal(number) for number in numbers}

    def tell(number: int, frame: object) -> None:
        told.set()
        signal.signal(number, before[signal.Signals(number)])

    for number in before:
        signal.signal(number, tell)
    try:
        yield told.is_set
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
