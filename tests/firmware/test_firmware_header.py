from __future__ import annotations

import ctypes
import re
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

from fingering.notes import SOUNDING
from fingering.table import standard_table
from fingerlead.wire import messages as m
from hardware_notes.firmware import generate
from tests.firmware.firmware_tools import FIRMWARE


def test_the_header_is_what_python_says_today() -> None:
    assert generate.HEADER.read_text(encoding="ascii") == generate.header(), (
        "run: make -C hardware_notes/firmware header"
    )


def test_the_places_that_were_found_are_those_of_the_specification() -> None:
    # hardware_notes/wire.md: sequence u16, time u32, mask u8 behind the type byte, and so on.
    assert generate.places(m.Holes(0, 0, 0), "ticks32") == (3, 4)
    assert generate.places(m.Hello(protocol=0, holes=0), "scan_rate_hz") == (15, 2)
    assert generate.places(m.Raw(0, 0, (0,) * 8), "samples") == (7, 16)
    assert generate.places(m.Clock(0, 0), "host_us") == (2, 8)
    assert generate.places(m.Trouble(0, 0, 0, 0), "detail") == (3, 2)


def test_another_number_makes_another_header(monkeypatch: pytest.MonkeyPatch) -> None:
    before = generate.header()
    monkeypatch.setattr(m, "TROUBLE_WORDS", (*m.TROUBLE_WORDS, "breath too wet"))
    assert generate.header() != before
    assert "TROUBLE_BREATH_TOO_WET" in generate.header()


def test_the_generator_refuses_what_it_does_not_know() -> None:
    done = subprocess.run([sys.executable, generate.__file__, "--wrote"], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "expected --write or nothing; got --wrote" in done.stderr


def test_the_compiled_fingerings_are_pythons(bridge: ctypes.CDLL) -> None:
    masks, sounding = (ctypes.c_uint8 * 9)(), (ctypes.c_uint8 * 256)()
    bridge.bridge_tables(masks, sounding)
    assert tuple(masks) == standard_table().standard
    assert bytes(sounding) == SOUNDING


def test_the_board_layer_is_at_most_ten_functions_and_the_core_knows_no_other_hardware() -> None:
    board = (FIRMWARE / "core" / "board.h").read_text(encoding="utf-8")
    assert len(set(re.findall(r"^[a-z].* \**(board_\w+)\(", board, re.MULTILINE))) <= 10
    for path in (FIRMWARE / "core").iterdir():
        included = re.findall(r"#include\s+[<\"](.*)[>\"]", path.read_text(encoding="utf-8"))
        own = {header.name for header in (FIRMWARE / "core").glob("*.h")}
        assert set(included) <= own | {"stdbool.h", "stdint.h"}, path


def test_the_core_includes_and_calls_in_one_direction() -> None:
    """A function has its prototype in its own module's header (the compiler insists), so a call is an include too."""
    uses: dict[str, set[str]] = {}
    for path in (FIRMWARE / "core").iterdir():
        included = re.findall(r'#include "(\w+)\.h"', path.read_text(encoding="utf-8"))
        uses.setdefault(path.stem, set()).update(set(included) - {path.stem})
    order = list(TopologicalSorter(uses).static_order())  # CycleError where two modules include each other
    assert order.index("messages") < order.index("requests") < order.index("chanter")
    for name in uses.keys() - {"main", "board"}:
        header, source = FIRMWARE / "core" / f"{name}.h", FIRMWARE / "core" / f"{name}.c"
        declared = re.findall(r"^(?!static)[a-z].*?(\w+)\([^{]*;$", header.read_text(encoding="utf-8"), re.MULTILINE)
        if source.exists():
            assert declared, name
            for function in declared:
                assert re.search(rf"^[a-z].*\b{function}\(", source.read_text(encoding="utf-8"), re.MULTILINE), function


def test_the_files_stay_small() -> None:
    for path in [path for path in Path(FIRMWARE).rglob("*") if path.suffix in {".c", ".h", ".py"}]:
        if path.name != "numbers.h":
            assert len(path.read_text(encoding="utf-8").splitlines()) <= 300, path
