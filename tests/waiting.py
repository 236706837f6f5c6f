"""Waiting for a condition, generously: a busy machine is several times slower than an idle one, and no less right."""

from __future__ import annotations

import time
from collections.abc import Callable

PATIENCE_S = 90.0
LOOK_EVERY_S = 0.01


def wait_for(condition: Callable[[], object], what: str = "it") -> None:
    """Return once the condition holds; fail with `what` was waited for where it never does."""
    give_up_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < give_up_s, f"waited in vain: {what} never came"
        time.sleep(LOOK_EVERY_S)
