from __future__ import annotations

import re
from pathlib import Path

import pytest

from fingerlead.wire import messages as m
from fingerlead.wire.account import GAP_US
from fingerlead.wire.carriers import (
    HEADER,
    MAX_STREAM_FRAME,
    MAX_SYSEX,
    StreamReader,
    SysexReader,
    crc16,
    to_stream,
    to_sysex,
)
from fingerlead.wire.messages import clock_body

PAGE = (Path(__file__).parents[2] / "hardware_notes" / "wire.md").read_text(encoding="utf-8")
EXAMPLES = [
    tuple(bytes.fromhex(line) for line in lines)
    for lines in re.findall(r"^payload  (.*)\nstream   (.*)\nsysex    (.*)$", PAGE, re.MULTILINE)
]
# What each example says in words.
MEANT = [
    m.Hello(1, bytes(range(1, 9)), (1, 2, 3), 8, m.CAN_RAW | m.CAN_STORE_THRESHOLDS, 1000, 12, "kitchen", 513),
    m.Holes(0, 1_000, 0xFF),
    m.Holes(1, 38_000, 0x7F),
    m.Trouble(m.SEND_BUFFER_FULL, m.NO_HOLE, 17, 5_000_000),
    m.Slope(0, 38_000, 7, 96, 412),
    m.Who(7),
    m.Clock(8, 1_000_000),
    m.Answer(8, m.DONE, clock_body(1_000_000, 123_456)),
]


def test_every_example_of_the_page_is_tested():
    assert len(EXAMPLES) == len(MEANT) == PAGE.count("\npayload ")


@pytest.mark.parametrize(("example", "meant"), list(zip(EXAMPLES, MEANT, strict=False)))
def test_the_page_shows_what_is_written_and_read(example, meant):
    payload, stream, sysex = example
    assert m.encode(meant) == payload
    assert m.decode(payload) == meant
    assert to_stream(payload) == stream
    assert to_sysex(payload) == sysex
    assert StreamReader().feed(stream) == [payload]
    assert SysexReader().feed(sysex) == [payload]


def test_the_numbers_of_the_page_are_the_programs():
    assert f"at most {m.MAX_PAYLOAD} bytes in all" in PAGE
    assert f"at most {MAX_STREAM_FRAME} bytes, its zero included" in PAGE
    assert f"at most {MAX_SYSEX} bytes from F0 to F7" in PAGE
    assert f"`{HEADER.hex(' ').upper()}`" in PAGE
    assert f"give {crc16(b'123456789'):04X}" in PAGE
    assert f"up to {m.MAX_NAME} bytes" in PAGE
    assert GAP_US == 250_000
    assert "A quarter of a second without one is a gap" in PAGE
    raw = to_stream(m.encode(m.Raw(0, 0, (0,) * 8)))
    assert f"A raw frame is {len(raw)} bytes" in PAGE
    assert f"carries {115_200 // 10 // len(raw)} a second" in PAGE


def test_the_page_names_every_message_with_its_number():
    for type_, (name, *_) in m.LAYOUTS.items():
        assert re.search(rf"^\| {type_:02X} \| {name} \|", PAGE, re.MULTILINE), name


def test_the_page_names_every_status_and_trouble():
    for number, words in enumerate(m.STATUS_WORDS):
        assert f"{number} {words}" in PAGE
    for number, words in enumerate(m.TROUBLE_WORDS[1:], 1):
        spoken = words.replace("sensor stuck", "a sensor is stuck").replace("by watchdog", "by the watchdog")
        assert f"{number} {spoken}" in PAGE
