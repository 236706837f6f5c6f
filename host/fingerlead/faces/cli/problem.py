"""A problem that the user can do something about: one plain sentence on stderr, and the exit code 1."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path


class Problem(Exception):
    """One plain sentence: what was expected, what came, what to try."""


@contextmanager
def problem_from(*errors: type[Exception], words: Callable[[Exception], str] = str) -> Iterator[None]:
    """Raise as a Problem what these errors say: most of them are a plain sentence already."""
    try:
        yield
    except errors as error:
        raise Problem(words(error)) from None


@contextmanager
def writing(what: str, path: Path | str, try_instead: str = "name another file") -> Iterator[None]:
    """Raise a Problem that names the file where the system does not let it be written."""
    try:
        yield
    except OSError as error:
        raise Problem(f"{what} could not be written to {path}: {error.strerror}; {try_instead}") from None
