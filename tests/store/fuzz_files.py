"""Damaged and hostile files at every door for so many seconds: python -m tests.store.fuzz_files SECONDS [SEED]

Each round changes, doubles and cuts a sound file, and wants it read or refused in one line, in time by its length; a
failure prints the seed that brings it back. Then the largest files that a door lets in are read, each by a program of
its own, and what they take is held against the limits.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from fingering.ladder import LadderError, read_ladder
from fingerlead.music.abc import parse_abc
from fingerlead.music.abc_text import AbcError
from fingerlead.store.intake import IntakeError, load
from fingerlead.wire.carriers import HEADER, to_stream
from fingerlead.wire.messages import Holes, encode
from tests.store.test_midi_reading import END_OF_TRACK, covered_by_notes, file_of, frame

HOLES = [Holes(number, 1_000 * number, number * 37 & 0xFF) for number in range(200)]
EXCLUSIVE = b"".join(b"\1\xf0" + bytes((len(frame(n)) - 1,)) + frame(n)[1:] for n in range(50))
RUNG = b'[[rung]]\nnotes = ["low A", "E", "F"]\nkey = "a.b"\nabc = """X:1\nK:HP\nA>B|\n"""\ndays = [3, 21]\n'
TUNE = b"X:1\nT:A\nM:6/8\nL:1/8\nQ:1/4=80\nK:HP\n|:{gde}A>B (3cde|[1 f2 g:|[2 {a}z4|]\nw: la-la * _\n"
FILES = {
    "midi": file_of(covered_by_notes(b"\x81\x00\xff\x51\x03\7\xa1\x20"), EXCLUSIVE + END_OF_TRACK),
    "wire": b"".join(to_stream(encode(holes)) for holes in HOLES),
    "exclusive": b"".join(map(frame, range(50))),
    "csv": b"time_us,holes\n" + b"0,xxxxxxxx\n600000,xxxxxxxo\n" * 20,
    "ladder": RUNG,
    "abc": TUNE,
}
# Seconds of a processor: for anything, and for each byte, on a slow machine.
PATIENCE_S, PATIENCE_S_A_BYTE = 2.0, 100e-6

LARGEST = {
    "midi, notes": lambda: file_of(covered_by_notes(b"\0\x18\x40\0\x18\0" * 940_000)),
    "midi, frames": lambda: file_of(EXCLUSIVE * 19_000, EXCLUSIVE * 19_000),
    "midi, texts": lambda: file_of(b"\0\xff\1\0" * 1_900_000 + END_OF_TRACK),
    "midi, tempos": lambda: file_of(b"\0\xff\x51\3\0\0\1" * 1_900_000 + END_OF_TRACK),
    "midi, one message": lambda: file_of(b"\0\xf0\x9e\xff\xff\0" + b"\x7d" * ((1 << 26) - 256) + END_OF_TRACK),
    "csv, rows": lambda: b"time_us,holes\n" + b"0,xxxxxxxx\n0,xxxxxxxo\n" * 3_000_000,
    "wire, frames": lambda: FILES["wire"] * 20_000,
    "wire, beginnings": lambda: HEADER * (1 << 24),
}
GREATEST_S, GREATEST_MIB = 60, 1_024
CHILD = """
import resource, sys
from pathlib import Path
from fingerlead.store.intake import IntakeError, load
try:
    load(Path(sys.argv[1]))
except IntakeError:
    pass
used = resource.getrusage(resource.RUSAGE_SELF)
print(used.ru_utime + used.ru_stime, used.ru_maxrss >> 10)
"""


def hurt(data: bytes, chance: random.Random) -> bytes:
    """A file with some harm done to it."""
    hurt = bytearray(data)
    for _ in range(chance.randrange(1, 9)):
        place, size = chance.randrange(len(hurt) + 1), chance.choice((1, 1, 2, 8, 40))
        match chance.randrange(5):
            case 0:
                hurt[place : place + size] = chance.randbytes(size)
            case 1:
                del hurt[place : place + size]
            case 2:
                hurt[place:place] = chance.randbytes(size)
            case 3:
                hurt[place:place] = hurt[place : place + size] * chance.choice((1, 2, 1_000))
            case 4:
                other = chance.choice(list(FILES.values()))
                hurt[place:place] = other[: chance.randrange(len(other))]
    return bytes(hurt)


def one_round(seed: int, folder: Path) -> None:
    """One file, read or refused; raises whatever it should not."""
    chance = random.Random(seed)
    kind = chance.choice(list(FILES))
    data = hurt(FILES[kind], chance)
    began_s = time.process_time()
    try:
        if kind == "ladder":
            read_ladder(data, "own.toml")
        elif kind == "abc":
            parse_abc(data)
        else:
            (folder / "file").write_bytes(data)
            load(folder / "file")
    except (IntakeError, LadderError, AbcError) as error:
        if len(str(error).splitlines()) != 1:
            raise AssertionError(f"expected one line, got {error}") from error
    took_s = time.process_time() - began_s
    assert took_s < PATIENCE_S + PATIENCE_S_A_BYTE * len(data), f"{kind}: {took_s:.1f} s for {len(data)} bytes"


def main(seconds: float, seed: int | None) -> None:
    """Rounds until the time is up, then the largest files; one round where a seed is given."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if seed is not None:
            one_round(seed, folder)
            return
        began_s, rounds, seed = time.monotonic(), 0, time.time_ns()
        while time.monotonic() - began_s < seconds:
            try:
                one_round(seed + rounds, folder)
            except Exception:
                print(f"failed: python -m tests.store.fuzz_files 0 {seed + rounds}", file=sys.stderr)
                raise
            rounds += 1
        print(f"files: {rounds} damaged ones read or refused in {seconds:g} s")
        if sys.platform == "win32":
            return
        for what, made in LARGEST.items():
            data = made()
            (folder / "file").write_bytes(data)
            told = subprocess.run([sys.executable, "-c", CHILD, folder / "file"], capture_output=True, check=True)
            took_s, peak_mib = map(float, told.stdout.split())
            print(f"{what:<18} {len(data) / (1 << 20):6.1f} MiB  {took_s:5.1f} s  {peak_mib:6.0f} MiB")
            assert took_s < GREATEST_S
            assert peak_mib < GREATEST_MIB


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 10, int(sys.argv[2]) if len(sys.argv) > 2 else None)
