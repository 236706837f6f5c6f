"""Thresholds outlast a power cut at any byte of their saving: the old ones or the new ones, never others."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from fingering.holes import HOLES
from fingerlead.wire import messages as m
from fingerlead.wire.carriers import to_stream
from fingerlead.wire.messages import pairs, read_answer_body
from hardware_notes.firmware import scripts
from hardware_notes.firmware.scripts import Script
from tests.firmware.firmware_tools import Played

Player = Callable[..., Played]
PAGE = 48
BOARDS_OWN = ((540, 460),) * HOLES
FIRST = tuple((600 + hole, 300 + hole) for hole in range(HOLES))
SECOND = tuple((700 - hole, 200 - hole) for hole in range(HOLES))


def start(play: Player, keep: m.Levels | None = None, storage_works: bool = True) -> tuple[int | None, m.Levels, int]:
    """One start: boot number, the levels at its beginning, and the status of the keep (0 where none was asked)."""
    script = Script()
    script.happens(0, scripts.STORAGE, int(storage_works))
    script.host_says(10_000, to_stream(m.encode(m.GetThresholds(1))))
    if keep is not None:
        script.host_says(20_000, to_stream(m.encode(m.SetThresholds(2, keep))))
        script.host_says(30_000, to_stream(m.encode(m.Keep(3))))
    script.happens(50_000, scripts.END)
    messages = play(script.as_bytes()).messages()
    answers = {message.request: message for message in messages if isinstance(message, m.Answer)}
    levels = pairs(struct.unpack("<16H", answers[1].body))
    hello = messages[0]
    assert isinstance(hello, m.Hello)
    return hello.boot, levels, answers[3].status if keep is not None else 0


def test_what_is_kept_is_there_after_the_next_start(play: Player) -> None:
    assert start(play) == (1, BOARDS_OWN, 0)
    assert start(play, keep=FIRST) == (2, BOARDS_OWN, m.DONE)
    assert start(play, keep=SECOND) == (3, FIRST, m.DONE)
    assert start(play) == (4, SECOND, 0)


def test_what_is_set_but_not_kept_is_gone_after_a_restart(play: Player) -> None:
    script = Script()
    script.host_says(10_000, to_stream(m.encode(m.SetThresholds(1, FIRST))))
    script.host_says(20_000, to_stream(m.encode(m.Restart(2))))
    script.host_says(140_000, to_stream(m.encode(m.GetThresholds(3))))
    script.happens(160_000, scripts.END)
    last = [message for message in play(script.as_bytes()).messages() if isinstance(message, m.Answer)][-1]
    assert read_answer_body(m.GetThresholds(3), last.body) == BOARDS_OWN


def test_a_restart_asked_behind_a_keep_waits_until_it_is_kept(play: Player) -> None:
    script = Script()
    script.host_says(10_000, to_stream(m.encode(m.SetThresholds(1, FIRST))))
    script.host_says(20_000, to_stream(m.encode(m.Keep(2))) + to_stream(m.encode(m.Restart(3))))
    script.happens(160_000, scripts.END)
    play(script.as_bytes())
    assert start(play)[1] == FIRST


def test_storage_that_fails_is_told_and_the_chanter_plays_on(play: Player) -> None:
    boot, levels, status = start(play, keep=FIRST, storage_works=False)
    assert (levels, status) == (BOARDS_OWN, m.STORAGE_FAILED)
    assert boot not in (None, 0, 1)


@pytest.mark.parametrize("storage_of", ["none", "empty", "erased", "zeros", "noise"])
def test_storage_of_any_content_gives_the_boards_own_levels(play: Player, storage: Path, storage_of: str) -> None:
    storage.unlink()
    contents = {"empty": b"", "erased": b"\xff" * 96, "zeros": bytes(96), "noise": bytes(range(96))}
    if storage_of in contents:
        storage.write_bytes(contents[storage_of])
    assert start(play)[1] == BOARDS_OWN


@pytest.mark.parametrize("rest", ["old", "erased", "zeros"])
def test_storage_torn_at_every_byte_loses_nothing(play: Player, storage: Path, rest: str) -> None:
    start(play, keep=FIRST)
    # The next start writes its boot number, then SECOND is kept: two pages, either may be cut off.
    before_start = storage.read_bytes()
    start(play)
    before_keep = storage.read_bytes()
    storage.write_bytes(before_start)
    start(play, keep=SECOND)
    after_keep = storage.read_bytes()
    for old, new, either in ((before_start, before_keep, (FIRST,)), (before_keep, after_keep, (FIRST, SECOND))):
        slot = next(
            place for place in range(0, len(old), PAGE) if old[place : place + PAGE] != new[place : place + PAGE]
        )
        assert old[PAGE - slot : 2 * PAGE - slot] == new[PAGE - slot : 2 * PAGE - slot], "only one slot is written"
        remains = {"old": old, "erased": b"\xff" * 96, "zeros": bytes(96)}[rest]
        seen = set()
        for cut in range(PAGE + 1):
            torn = bytearray(old)
            torn[slot : slot + PAGE] = new[slot : slot + cut] + remains[slot + cut : slot + PAGE]
            storage.write_bytes(torn)
            boot, levels, _ = start(play)
            assert levels in either, cut
            # Start 1 kept FIRST; nothing was said by the start that was cut off, so its number may come again.
            assert boot in (2, 3), cut
            seen.add(levels)
        assert seen == set(either)


def test_bits_that_fall_over_in_either_slot_lose_at_most_the_last_keep(play: Player, storage: Path) -> None:
    start(play, keep=FIRST)
    start(play, keep=SECOND)
    whole = storage.read_bytes()
    for place in range(0, 96, 5):
        hurt = bytearray(whole)
        hurt[place] ^= 1 << place % 8
        storage.write_bytes(hurt)
        assert start(play)[1] in (FIRST, SECOND)
