"""What was found of how clear a pupil's differences are, kept in the index: dealing evenings out takes a while.

It hangs on the playing alone, and is kept with a digest of that: what another session, lesson or day has made another
is found anew.
"""

import contextlib
import hashlib
import sqlite3
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from fingerlead.studio.index import Index
from fingerlead.studio.tried import Tried
from fingerlead.timing.evenings import clear_chances

# Raise it where the way of judging changes.
WAY = b"2"


def chances_of(index: Index, tried: Mapping[str, Tried]) -> dict[str, NDArray[np.float64]]:
    """For each pupil the chances of all that was tried; those not known yet are found and kept."""
    known, found = index.chances(), {}
    new: list[tuple[str, str, bytes]] = []
    for who, each in tried.items():
        digest, (of, chances) = _digest(each), known.get(who, ("", b""))
        if of == digest and len(chances) == 8 * len(each.whats):
            found[who] = np.frombuffer(chances)
        else:
            found[who] = clear_chances(each.tried, each.astray, each.before)
            new.append((who, digest, found[who].tobytes()))
    if new:
        # A studio that cannot be written can be read.
        with contextlib.suppress(sqlite3.Error):
            index.keep_chances(new)
    return found


def _digest(tried: Tried) -> str:
    sha = hashlib.sha256(WAY + repr((tried.tried.shape, tried.before)).encode())
    sha.update(tried.tried.tobytes())
    sha.update(tried.astray.tobytes())
    return sha.hexdigest()
