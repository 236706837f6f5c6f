from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from fingerlead.wire import bulk, columns
from fingerlead.wire.columns import read_record
from fingerlead.wire.link import ChanterLink, HostLink
from fingerlead.wire.messages import Holes, Raw
from tests.wire.wire_streams import as_plain, collect, damages, hurt, pieces_of, play, plays, reads


def patient(carrier: str = "stream") -> HostLink:
    return HostLink(carrier, patience_us=None)


@pytest.fixture(params=["as they are", "tiny"])
def sizes(request, monkeypatch):
    # Tiny runs and slabs bring every seam of the bulk reader into a short stream.
    if request.param == "tiny":
        monkeypatch.setattr(columns, "ONE_BY_ONE", 1)
        monkeypatch.setattr(columns, "FIRST_RUN", 3)
        monkeypatch.setattr(bulk, "SLAB", 40)
        monkeypatch.setattr(bulk, "REMEMBERED_CHUNKS", 1)


@pytest.mark.parametrize("carrier", ["stream", "sysex"])
@pytest.mark.usefixtures("sizes")
@settings(deadline=None, max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(script=plays, harm=damages, ticks=st.sampled_from((0, 4_294_000_000, 2**31)), data=st.data())
def test_arrays_and_link_read_the_same(carrier, script, harm, ticks, data):
    stream = hurt(b"".join(play(script, carrier, ticks)), harm)
    arrivals = data.draw(reads(len(stream)))
    expected = as_plain(collect(patient(carrier), pieces_of(stream, arrivals)))
    assert as_plain(read_record(stream, arrivals, carrier)) == expected


@pytest.mark.parametrize("carrier", ["stream", "sysex"])
@settings(deadline=None, max_examples=200)
@given(script=plays, harm=damages, data=st.data())
def test_any_cutting_gives_the_same(carrier, script, harm, data):
    stream = hurt(b"".join(play(script, carrier)), harm)
    arrivals = data.draw(reads(len(stream)))
    in_reads = pieces_of(stream, arrivals)
    byte_by_byte = [(bytes([byte]), host_us) for piece, host_us in in_reads for byte in piece]
    assert as_plain(collect(patient(carrier), byte_by_byte)) == as_plain(collect(patient(carrier), in_reads))


@pytest.mark.parametrize("carrier", ["stream", "sysex"])
@given(junk=st.binary(max_size=2000))
def test_any_bytes_read_the_same_and_nothing_is_counted_twice(carrier, junk):
    record = read_record(junk, None, carrier)
    assert as_plain(record) == as_plain(collect(patient(carrier), [(junk, None)]))
    assert record.intake.skipped_bytes <= len(junk)


@given(script=plays, harm=damages)
# A raw frame that is late is taken for a restart; the true one comes after it, and begins with a holes frame.
@example([("wait", 5_000_000), ("holes", 0), ("raw", 0), ("raw", 3_000), ("restart", 0), ("holes", 0)], [])
def test_times_of_holes_never_fall_and_doubts_of_a_kind_end_in_order(script, harm):
    record = read_record(hurt(b"".join(play(script)), harm))
    assert (np.diff(record.t_us) >= 0).all()
    # Losses are told on the holes frames' times, silences on those of any kind: the kinds may be a little apart.
    for causes in (("lost",), ("gap", "restart")):
        ends = [doubt.end_us for doubt in record.doubts if doubt.cause in causes]
        assert ends == sorted(ends)
    assert all(doubt.start_us <= doubt.end_us for doubt in record.doubts)


@given(script=plays, shift=st.integers(0, 2**32 - 1))
def test_a_stream_that_wraps_elsewhere_reads_the_same(script, shift):
    calm = [(what, number) for what, number in script if what not in {"restart"}]
    assert as_plain(read_record(b"".join(play(calm, ticks=shift)))) == as_plain(read_record(b"".join(play(calm))))


def long_play(seed: int, count: int) -> list[tuple[str, int]]:
    chance = random.Random(seed)
    script = [("hello", 1)]
    for _ in range(count):
        script.append(("wait", chance.randrange(1000, 75_000)))
        script.append(("holes", chance.randrange(256)))
        if chance.random() < 0.002:
            script.append(
                chance.choice([("lose", 2), ("again", 0), ("hello", 1), ("trouble", 0), ("restart", 50), ("raw", 0)])
            )
    return script


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("carrier", ["stream", "sysex"])
def test_long_recordings_read_the_same(seed, carrier):
    stream = b"".join(play(long_play(seed, 12_000), carrier, 4_200_000_000))
    if seed % 2:
        chance = random.Random(seed)
        stream = hurt(stream, [("flip", chance.random(), i) for i in range(40)])
    expected = collect(patient(carrier), [(stream, None)])
    assert len(expected.t_us) > 11_000
    assert as_plain(read_record(stream, None, carrier)) == as_plain(expected)


def test_arrivals_that_begin_late_are_unknown_before():
    frames = play([("holes", 1), ("wait", 500_000), ("holes", 2), ("restart", 0), ("holes", 3)])
    stream = b"".join(frames)
    late = np.array([(len(stream) - 3, 5_000_000)], np.int64)
    record = read_record(stream, late)
    assert record.t_us.tolist() == [0, 500_000, 1_500_000]
    assert read_record(stream, np.empty((0, 2), np.int64)).t_us.tolist() == [0, 500_000, 1_500_000]


def test_an_empty_recording_is_an_empty_record():
    record = read_record(b"")
    assert as_plain(record) == as_plain(collect(patient(), []))
    assert record.t_us.dtype == np.int64
    assert record.covered.dtype == np.uint8


def test_a_raw_frame_that_comes_again_after_half_a_wrap_of_holes_is_a_repeat_either_way():
    # Its ticks would fit a time still to come; that it is the same frame decides.
    chanter = ChanterLink()
    raw = chanter.send(Raw(0, 0, (0,) * 8))
    holes = [chanter.send(Holes(i, 1_500_000_000 * i, 1)) for i in range(3)]
    stream = b"".join([holes[0], raw, *holes[1:], raw, holes[2], chanter.send(Holes(3, 3_000_000_001, 2))])
    record = read_record(stream)
    assert record.t_us.tolist() == [0, 1_500_000_000, 3_000_000_000, 3_000_000_001]
    assert as_plain(record) == as_plain(collect(patient(), [(stream, None)]))


def test_columns_hold_full_width_numbers():
    frames = play([("wait", 2**32 - 1), ("holes", 255), ("wait", 1), ("holes", 255)])
    assert read_record(b"".join(frames)).t_us.tolist() == [0, 1]
