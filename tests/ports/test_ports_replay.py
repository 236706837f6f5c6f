from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.ports.base import PortEnded, PortRefused
from fingerlead.ports.replay_port import ReplayPort, open_replay, split_speed, wire_pieces
from tests.ports.port_contract import some_bytes

a_piece = st.tuples(st.integers(0, 3_000_000), st.binary(min_size=1, max_size=9))
pieces_in_time = st.lists(a_piece, max_size=30).map(sorted)


class Watch:
    """A clock that only sleeping moves."""

    def __init__(self) -> None:
        self.now_us = 5_000_000

    def __call__(self) -> int:
        return self.now_us

    def sleep(self, seconds: float) -> None:
        self.now_us += round(seconds * 1_000_000)


def play(port, watch):
    chunks, came_us = [], []
    try:
        while True:
            for chunk in port.read(0.05):
                chunks.append(chunk)
                came_us.append(watch.now_us)
    except PortEnded:
        return chunks, came_us


@given(pieces_in_time, st.sampled_from([0.5, 1.0, 8.0, None]))
def test_any_speed_brings_the_same_bytes_with_the_same_arrivals(pieces, speed):
    watch = Watch()
    chunks, came_us = play(ReplayPort("replay:x", pieces, "stream", speed, watch, watch.sleep), watch)
    assert [(chunk.host_us - 5_000_000, chunk.data) for chunk in chunks] == pieces
    if speed is None:
        assert watch.now_us == 5_000_000
    else:
        for (since_us, _), at_us in zip(pieces, came_us, strict=True):
            assert -1 < at_us - 5_000_000 - since_us / speed < 2


@pytest.mark.parametrize("carrier", ["stream", "sysex"])
def test_bare_bytes_go_by_the_chanters_own_stamps(carrier):
    data = some_bytes(carrier)
    pieces = list(wire_pieces(data, carrier))
    assert b"".join(piece for _, piece in pieces) == data
    times = [since_us for since_us, _ in pieces]
    assert times == sorted(times)
    assert 2_800_000 < times[-1] <= 3_000_000


@given(st.binary(max_size=300))
def test_any_bytes_are_cut_into_pieces_and_no_byte_is_lost(data):
    for carrier in ("stream", "sysex"):
        assert b"".join(piece for _, piece in wire_pieces(data, carrier)) == data


def test_the_carrier_is_told_by_the_bytes(tmp_path):
    for carrier in ("stream", "sysex"):
        path = tmp_path / carrier
        path.write_bytes(some_bytes(carrier))
        with open_replay(f"replay:{path}@all") as port:
            assert port.carrier == carrier


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("evening", ("evening", 1.0)),
        ("evening@2", ("evening", 2.0)),
        ("evening@0.5", ("evening", 0.5)),
        ("evening@all", ("evening", None)),
    ],
)
def test_the_speed_stands_after_the_name(text, expected):
    assert split_speed("replay:" + text) == expected


def test_a_name_with_that_sign_in_it_is_still_a_name(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mary@home").write_bytes(b"x")
    assert split_speed("replay:mary@home") == ("mary@home", 1.0)
    assert split_speed("replay:mary@home@3") == ("mary@home", 3.0)


@pytest.mark.parametrize("speed", ["0", "-1", "nan", "inf", "fast", ""])
def test_no_speed_is_refused(speed):
    with pytest.raises(PortRefused, match="is no speed; write @2"):
        split_speed(f"replay:evening@{speed}")


def test_a_missing_or_empty_file_is_refused(tmp_path):
    with pytest.raises(PortRefused, match="cannot be read"):
        open_replay(f"replay:{tmp_path}/none")
    (tmp_path / "empty").write_bytes(b"")
    with pytest.raises(PortRefused, match="empty"):
        open_replay(f"replay:{tmp_path}/empty")
    with pytest.raises(PortRefused, match="cannot be read"):
        open_replay(f"replay:{tmp_path}")
