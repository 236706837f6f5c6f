"""A stretch of a session or of a passage, made to be heard."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fingering.table import standard_table
from host.store.studio.pupils import StudioError

if TYPE_CHECKING:
    from host.timing.analysis import Analysis

# Of sound, however slow: the pages ask for eight seconds of playing on, and half a minute around a stray.
LONGEST_US = 60_000_000


def stretch_wav(analysis: Analysis, from_us: int, until_us: int, speed: float, mended: int = -1) -> bytes:
    """The sound from one time of a session to another; `mended` is the number of a change to mend first."""
    from host.sound.takes import render_take, wav_bytes

    if not 0 <= from_us < until_us or not 0 < speed <= 1 or until_us - from_us > LONGEST_US * speed:
        raise StudioError(f"expected a stretch of at most {LONGEST_US // 1_000_000} seconds of sound, and a speed to 1")
    edges = list(zip(analysis.edge_us[:-1].tolist(), analysis.covered.tolist(), strict=True))
    if mended >= 0:
        edges = mended_session(analysis, mended, edges)
    before = [mask for t_us, mask in edges if t_us <= from_us]
    within = [(t_us, mask) for t_us, mask in edges if from_us < t_us < until_us]
    try:
        samples = render_take([(from_us, before[-1] if before else 0), *within], until_us, speed, standard_table())
    except ValueError as error:
        raise StudioError(str(error)) from None
    return wav_bytes(samples, 48_000)


def mended_session(analysis: Analysis, number: int, edges: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """The edges with one change mended; raises StudioError where it cannot be."""
    from host.timing.mended import mended_edges, trusted_blame

    if number >= len(analysis.changes):
        raise StudioError(f"expected the number of a change below {len(analysis.changes)}, got {number}")
    change = analysis.changes[number]
    blamed = trusted_blame(change, analysis.timing, analysis.table, analysis.settings)
    if blamed is None:
        raise StudioError("which finger to mend cannot be told from this change")
    mended = list(mended_edges(change, blamed))
    first_us, last_us = change.edges[0][0], change.edges[-1][0]
    return sorted(
        [edge for edge in edges if not first_us <= edge[0] <= last_us] + mended,
        key=lambda edge: edge[0],
    )
