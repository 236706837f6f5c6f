"""What the desk makes to be heard or printed: a stretch of a session or a passage, and the sheet of homework."""

from datetime import date

from fingering.orders import every_rung, rungs_in
from fingering.table import standard_table
from fingering.tunes import easy_tunes
from fingerlead.faces.sheet.piece import Sheet, SheetError, Style, rung_piece, tune_piece
from fingerlead.faces.sheet.sheets import pages
from fingerlead.music.abc import parse_abc
from fingerlead.phrases import day_words
from fingerlead.sound.takes import render_take, wav_bytes
from fingerlead.studio.homework import Homework
from fingerlead.studio.pupils import StudioError
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.mended import mended_edges, trusted_diagnosis

# Of sound, however slow: the pages ask for eight seconds of playing on, and half a minute around a stray.
LONGEST_US = 60_000_000


def stretch_wav(analysis: Analysis, from_us: int, until_us: int, speed: float, mended: int = -1) -> bytes:
    """The sound from one time of a session to another; `mended` is the number of a change to mend first."""
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
    if number >= len(analysis.changes):
        raise StudioError(f"expected the number of a change below {len(analysis.changes)}, got {number}")
    change = analysis.changes[number]
    diagnosis = trusted_diagnosis(change, analysis.timing, analysis.table, analysis.settings)
    if diagnosis is None:
        raise StudioError("which finger to mend cannot be told from this change")
    mended = list(mended_edges(change, diagnosis))
    first_us, last_us = change.edges[0][0], change.edges[-1][0]
    return sorted(
        [edge for edge in edges if not first_us <= edge[0] <= last_us] + mended,
        key=lambda edge: edge[0],
    )


def homework_pdf(given: Homework, pupil: str) -> bytes:
    """The sheet as PDF; raises StudioError where it cannot be engraved."""
    rungs, known = rungs_in(), every_rung()
    numbers = {rung.key: number for number, rung in enumerate(rungs, 1)}
    pieces = [rung_piece(known[key], numbers.get(key, 1), len(rungs)) for key in given.pieces if key in known]
    pieces += [tune_piece(parse_abc(tune.abc)[0][0], True) for tune in easy_tunes() if tune.key in given.pieces]
    if not pieces:
        raise StudioError("none of the rungs and tunes given is known here; give others")
    day = day_words(given.day or date.min.isoformat())
    until = f"until {day_words(given.due)}" if given.due else ""
    subtitle = ", ".join(part for part in (f"For {pupil}", day, until, given.note) if part)
    try:
        return pages(Sheet(tuple(pieces), "Homework", subtitle, page_each=True), Style(), "pdf")[0]
    except SheetError as error:
        raise StudioError(f"the sheet cannot be engraved: {error}") from None
