"""A disk on which there is no room, without being root: the system refuses to let any file of this process grow."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import pytest

resource = pytest.importorskip("resource", reason="needs a system with resource limits")


@contextlib.contextmanager
def full_disk(largest: int = 0) -> Iterator[None]:
    """Until its end no file can be written beyond so many bytes; what is longer already can be written as far."""
    before, most = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (largest, most))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (before, most))
