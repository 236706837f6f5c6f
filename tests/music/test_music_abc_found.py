"""ABC that others wrote, from the examples of Debian's abcmidi: read, or refused in one sentence with its place.

None of them is pipe music, so most leave the chanter's nine notes; the point is that none is read wrongly or crashes.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from host.music.abc import AbcError, parse_abc, to_abc

EXAMPLES = Path("/usr/share/doc/abcmidi/examples")


def test_strangers_abc_is_read_or_refused_with_its_place():
    found = sorted(EXAMPLES.glob("*.abc"))
    if not found:
        pytest.skip("needs the Debian package abcmidi, for its examples")
    read = 0
    for path in found:
        data = path.read_bytes()
        lines = data.count(b"\n") + 1
        try:
            tunes, warnings = parse_abc(data, path.name)
        except AbcError as error:
            assert 1 <= error.line <= lines
            assert error.column >= 1
            assert str(error).startswith(path.name)
            assert "\n" not in str(error)
            continue
        read += 1
        assert all(1 <= warning.line <= lines for warning in warnings)
        for tune in tunes:
            again, _ = parse_abc(to_abc(tune))
            assert [note.note for note in again[0].played()] == [note.note for note in tune.played()]
    assert read < len(found)  # there are tunes in it that no chanter can play
