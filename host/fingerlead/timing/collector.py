"""Python's search for circles of objects, put off while a great many are made that are kept and hold no circle.

The search looks through all that is new, again and again, and through all there is whenever that has grown by a
quarter. An hour of playing as JSON is a million objects: looking through them takes as long as making half of them.
"""

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def put_off() -> Iterator[None]:
    """No search meanwhile; afterwards what was made counts as old, for a search through all. It may be nested."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            # Frozen and thawed, all there is has become old: the next search does not begin with it.
            gc.freeze()
            gc.unfreeze()
            gc.enable()
