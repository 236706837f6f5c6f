"""Invented playing as files: what a player of `tests/reading` did, as wire bytes, lists, and sessions with music."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from fingering.holes import to_text
from fingerlead.reading.asked import SessionMusic
from fingerlead.store.session_file import SessionWriter
from fingerlead.wire.carriers import to_stream
from fingerlead.wire.messages import Hello, Holes, encode
from tests.reading.hands import Performance, Written

LETTERS = "GABcdefga"
HELLO = Hello(device_id=b"sessions", scan_rate_hz=1_000, name="invented", boot=1)
BEAT_US = 90_000
Edges = Sequence[tuple[int, int]]


def abc_of(written: Iterable[Written | int], title: str = "Invented") -> str:
    """Notes with their grace notes as ABC, four in a bar."""
    notes = [note if isinstance(note, Written) else Written(note) for note in written]
    body = [
        ("{" + one.movement.written + "}" if one.movement else "") + LETTERS[one.note] + (" |" if n % 4 == 3 else "")
        for n, one in enumerate(notes)
    ]
    return f"X:1\nT:{title}\nM:4/4\nL:1/4\nK:HP\n{' '.join(body)} |]\n"


def music_of(written: Iterable[Written | int], **more: object) -> SessionMusic:
    """The same as a session keeps it."""
    return SessionMusic(kind="tune", name="Invented", abc=abc_of(written), **more)  # type: ignore[arg-type]


def frames(edges: Edges, end_us: int, first_sequence: int = 0) -> Iterator[tuple[int, bytes]]:
    """(µs, bytes) of a hello and of a frame at each edge, with heartbeats between, as a chanter sends them."""
    yield 0, to_stream(encode(HELLO))
    times = [t_us for t_us, _ in edges[1:]] + [end_us]
    number = first_sequence
    for (t_us, mask), next_us in zip(edges, times, strict=True):
        for at_us in (t_us, *range(t_us + BEAT_US, next_us, BEAT_US)):
            yield at_us, to_stream(encode(Holes(number & 0xFFFF, at_us & 0xFFFFFFFF, mask)))
            number += 1
    yield end_us, to_stream(encode(Holes(number & 0xFFFF, end_us & 0xFFFFFFFF, edges[-1][1])))


def csv_of(edges: Edges, end_us: int) -> str:
    """A row for each edge, and one at the end."""
    rows = [*edges, (end_us, edges[-1][1])]
    return "time_us,holes\n" + "".join(f"{t_us},{to_text(mask)}\n" for t_us, mask in rows)


def write_playing(path: Path, played: Performance, *asked: tuple[int, SessionMusic]) -> Path:
    """A session of a performance, with its music at times of its own."""
    with SessionWriter(path, "stream", "invented", {"skew_us": 1_000}) as writer, writer.at_once():
        for at_us, music in asked:
            writer.begin_music(at_us, music)
        for at_us, data in frames(played.edges, played.end_us):
            writer.append(data, at_us)
    return path
