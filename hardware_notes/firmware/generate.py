"""Writes core/numbers.h: the wire's numbers and layouts and the fingerings, as the Python program has them.

python hardware_notes/firmware/generate.py          print the header
python hardware_notes/firmware/generate.py --write  write it to core/numbers.h

Nothing is written twice: encoding messages and looking which bytes change shows where a field lies in a payload.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parent
HEADER = FOLDER / "core" / "numbers.h"
sys.path[:0] = [str(FOLDER.parents[1]), str(FOLDER.parents[1] / "host")]

from fingering.holes import HOLES  # noqa: E402
from fingering.notes import NOTES, SOUNDING  # noqa: E402
from fingering.table import standard_table  # noqa: E402
from fingerlead.simulated.chanter import BEAT_US, EDGES_SHARE, HELLO_EVERY_US, SLOWEST_RAW_HZ  # noqa: E402
from fingerlead.simulated.sensing import SETTLE_US  # noqa: E402
from fingerlead.wire import carriers as sysex  # noqa: E402
from fingerlead.wire import messages as m  # noqa: E402
from fingerlead.wire.carriers import MAX_STREAM_FRAME, to_stream  # noqa: E402
from fingerlead.wire.errors import MessageError  # noqa: E402

NO_LEVELS = ((0, 0),) * HOLES
WIDTHS = (0xFF, 0xFFFF, 0xFFFFFFFF, 0xFFFFFFFFFFFFFFFF)

# One message of each kind, all its numbers zero, and its fields with the name that each has in the header.
LAYOUTS: tuple[tuple[str, m.Message, dict[str, str]], ...] = (
    (
        "HELLO",
        m.Hello(protocol=0, holes=0),
        {
            "protocol": "PROTOCOL",
            "device_id": "DEVICE_ID",
            "firmware": "FIRMWARE",
            "holes": "HOLES",
            "abilities": "ABILITIES",
            "scan_rate_hz": "SCAN_RATE",
            "raw_bits": "RAW_BITS",
        },
    ),
    ("HOLES", m.Holes(0, 0, 0), {"sequence": "SEQUENCE", "ticks32": "TIME", "covered_mask": "MASK"}),
    ("RAW", m.Raw(0, 0, (0,) * HOLES), {"sequence": "SEQUENCE", "ticks32": "TIME", "samples": "SAMPLES"}),
    (
        "SLOPE",
        m.Slope(0, 0, 0, 0, 0),
        {"sequence": "SEQUENCE", "ticks32": "TIME", "hole": "HOLE", "rise_raw": "RISE", "level_raw": "LEVEL"},
    ),
    ("ANSWER", m.Answer(0, 0), {"request": "REQUEST", "status": "STATUS"}),
    ("TROUBLE", m.Trouble(0, 0, 0, 0), {"code": "CODE", "hole": "HOLE", "detail": "DETAIL", "ticks32": "TIME"}),
    ("WHO", m.Who(0), {"request": "REQUEST"}),
    ("STREAM", m.Stream(0, 0), {"request": "REQUEST", "what": "WHAT", "raw_rate_hz": "RAW_RATE"}),
    ("SET_THRESHOLDS", m.SetThresholds(0, NO_LEVELS), {"request": "REQUEST", "levels": "LEVELS"}),
    ("CLOCK", m.Clock(0, 0), {"request": "REQUEST", "host_us": "HOST_TIME"}),
)


def _fullest(message: Any, field: str) -> bytes:
    """The payload with every bit of one field set."""
    full: object
    value = getattr(message, field)
    for most in reversed(WIDTHS):
        if isinstance(value, bytes):
            full = b"\xff" * len(value)
        elif isinstance(value, tuple):
            full = tuple((most, most) if isinstance(each, tuple) else most for each in value)
        else:
            full = most
        try:
            return m.encode(replace(message, **{field: full}))
        except MessageError:
            continue
    raise AssertionError(f"no number fits {field} of {message!r}")


def places(message: m.Message, field: str) -> tuple[int, int]:
    """Where a field's bytes begin in the payload, and how many they are."""
    empty, full = m.encode(message), _fullest(message, field)
    changed = [place for place, (a, b) in enumerate(zip(empty, full, strict=True)) if a != b]
    return changed[0], len(changed)


def _upper(name: str) -> str:
    return name.upper().replace(" ", "_")


def _define(name: str, value: int | str, note: str = "") -> str:
    line = f"#define {name:<28} {value}"
    return f"{line:<46} /* {note} */" if note else line


def _numbers(prefix: str, names: tuple[str, ...], first: int = 0) -> list[str]:
    return [_define(f"{prefix}_{_upper(name)}", number) for number, name in enumerate(names[first:], first)]


def _rows(values: bytes | tuple[int, ...], per_row: int) -> str:
    rows = [values[start : start + per_row] for start in range(0, len(values), per_row)]
    return ",\n".join("    " + ", ".join(f"0x{value:02X}" for value in row) for row in rows)


def header() -> str:
    """The whole header."""
    lines = [
        "/* The wire's numbers and layouts, and the fingerings. Written by generate.py from the Python program: */",
        "/* change it there, then run `make header`. A test fails while the two differ.                        */",
        "#ifndef FINGERLEAD_NUMBERS_H",
        "#define FINGERLEAD_NUMBERS_H",
        "",
        "#include <stdint.h>",
        "",
        _define("HOLES", HOLES, "hole 0 is the thumb; bit i of a mask is 1 while hole i is covered"),
        "",
        "/* Message types */",
    ]
    for number, layout in m.LAYOUTS.items():
        lines.append(_define(f"TYPE_{_upper(layout.name)}", f"0x{number:02X}"))
    lines += ["", "/* Payloads: least size with the type byte, and where each field lies in the payload */"]
    for layout in m.LAYOUTS.values():
        lines.append(_define(f"{_upper(layout.name)}_SIZE", 1 + layout.shortest))
    for name, message, fields in LAYOUTS:
        for field, called in fields.items():
            start, size = places(message, field)
            lines.append(_define(f"{name}_AT_{called}", start, f"{size} byte{'s' * (size > 1)}"))
    named, unnamed = m.Hello(name="n" * m.MAX_NAME, boot=0), m.Hello()
    longest = m.encode(named)
    lines += [
        _define("NAME_MOST", m.MAX_NAME, "the name follows the hello's fields; then a zero, then the boot number u16"),
        _define("HELLO_MOST", len(longest), f"{len(m.encode(unnamed))} + name + zero + boot number"),
        "",
        "/* Values */",
        _define("PROTOCOL", m.PROTOCOL),
        *_numbers("STATUS", m.STATUS_WORDS),
        *_numbers("TROUBLE", m.TROUBLE_WORDS, 1),
        _define("NO_HOLE", m.NO_HOLE),
        _define("CAN_RAW", m.CAN_RAW),
        _define("CAN_STORE_THRESHOLDS", m.CAN_STORE_THRESHOLDS),
        _define("CAN_SLOPES", m.CAN_SLOPES),
        _define("STREAM_NOTHING", m.STREAM_NOTHING),
        _define("STREAM_HOLES", m.STREAM_HOLES, "a bit"),
        _define("STREAM_RAW", m.STREAM_RAW, "a bit"),
        _define("STREAM_BOTH", m.STREAM_BOTH),
        "",
        "/* Carriers */",
        _define("PAYLOAD_MOST", m.MAX_PAYLOAD),
        _define("STREAM_FRAME_MOST", MAX_STREAM_FRAME, "its zero included"),
        _define("SYSEX_MOST", sysex.MAX_SYSEX, "F0 and F7 included"),
        *(_define(f"SYSEX_HEADER_{place}", f"0x{byte:02X}") for place, byte in enumerate(sysex.HEADER)),
        _define("SYSEX_END", f"0x{sysex.END[0]:02X}"),
        _define("RAW_STREAM_FRAME", len(to_stream(m.encode(m.Raw(0, 0, (0,) * HOLES)))), "bytes of a raw frame"),
        _define("RAW_SYSEX_FRAME", len(sysex.to_sysex(m.encode(m.Raw(0, 0, (0,) * HOLES))))),
        _define("LONGEST_FRAME", len(sysex.to_sysex(longest)), "the longest that a chanter sends, either carrier"),
        "",
        "/* Times and rates */",
        _define("HELLO_EVERY_US", f"{HELLO_EVERY_US}u"),
        _define("BEAT_US", f"{BEAT_US}u", "a little less than the 100 ms that the wire asks for"),
        _define("SETTLE_US", f"{SETTLE_US}u", "an edge is real once it has lasted this long"),
        _define("SLOWEST_RAW_HZ", f"{SLOWEST_RAW_HZ}u"),
        _define("EDGES_SHARE", f"{EDGES_SHARE}u", "one part in so many of the link is not for raw frames"),
        "",
        f"/* Fingerings: each note's mask, {NOTES[0]} up to {NOTES[-1]}; the note (0 to 8) that each mask sounds. */",
        _define("NOTES", len(NOTES)),
        "static const uint8_t STANDARD_MASKS[NOTES] = {",
        _rows(standard_table().standard, 9),
        "};",
        "static const uint8_t SOUNDING[256] = {",
        _rows(SOUNDING, 16),
        "};",
        "",
        "#endif",
        "",
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    if sys.argv[1:] == ["--write"]:
        HEADER.write_text(header(), encoding="ascii")
    elif sys.argv[1:]:
        sys.exit(f"expected --write or nothing; got {' '.join(sys.argv[1:])}")
    else:
        print(header(), end="")
