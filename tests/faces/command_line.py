"""The command line inside this process: for what it prints and how it ends, where no program need start for it."""

from __future__ import annotations

import io
import logging
import sys
from contextlib import contextmanager
from subprocess import CompletedProcess

import pytest

from fingerlead.faces.cli import main
from fingerlead.faces.cli.output import PlainStream


@contextmanager
def streams(encoding="utf-8"):
    """Standard output and error as a program has them, and the bytes that come out of each; its log ends with it."""
    logs = [(log, list(log.handlers), log.level) for log in map(logging.getLogger, ("fingerlead", "uvicorn.error"))]
    before, written = (sys.stdout, sys.stderr), (io.BytesIO(), io.BytesIO())
    sys.stdout, sys.stderr = (io.TextIOWrapper(out, encoding, write_through=True) for out in written)
    try:
        yield written
    finally:
        for stream in (sys.stdout, sys.stderr):
            (stream.terminal if isinstance(stream, PlainStream) else stream).detach()
        sys.stdout, sys.stderr = before
        for log, handlers, level in logs:
            for handler in set(log.handlers) - set(handlers):
                log.removeHandler(handler)
                handler.close()
            log.setLevel(level)


def ran(*words, encoding="utf-8"):
    """What a command prints on either stream, and its exit code."""
    with pytest.MonkeyPatch.context() as patch, streams(encoding) as written:
        patch.setattr(sys, "argv", ["fingerlead", *map(str, words)])
        try:
            main.run()
            code = 0
        except SystemExit as end:
            code = end.code
        out, err = (one.getvalue().decode(encoding) for one in written)
        return CompletedProcess(words, code, out, err)
