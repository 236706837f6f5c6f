"""The noise that terminal and page show: the range within the last quarter of a second, however the samples came."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace

from hypothesis import given
from hypothesis import strategies as st

from fingerlead.workbench.samples import NOISE_US, RawNoise

STEP_US = 1_000


@given(
    st.lists(st.tuples(st.integers(1, 400), *[st.integers(0, 65_535)] * 8), min_size=1, max_size=40),
    st.lists(st.integers(0, 40), max_size=5),
)
def test_it_is_the_range_within_the_last_quarter_second_in_whatever_pieces_it_comes(rows, cuts):
    raws, t_us = [], 0
    for steps, *samples in rows:
        t_us += steps * STEP_US
        raws.append(SimpleNamespace(t_us=t_us, samples=tuple(samples)))
    noise = RawNoise()
    edges = sorted({0, *(cut for cut in cuts if cut < len(raws)), len(raws)})
    for first, last in pairwise(edges):
        told = noise.after(raws[first:last])
    recent = [raw.samples for raw in raws if raw.t_us >= t_us - NOISE_US]
    assert told == tuple(max(column) - min(column) for column in zip(*recent, strict=True))
    assert noise.after([]) == told


def test_before_any_sample_there_is_none():
    assert RawNoise().after([]) == ()
