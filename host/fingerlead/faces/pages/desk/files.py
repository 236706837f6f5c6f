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
SLOWEST = 0.05


def stretch_wav(analysis: Analysis, from_us: int, until_us: int, speed: float, mended: int | None = None) -> bytes:
    """The sound from one time of a session to another; `mended` is the number of a change to mend first.

    Raises StudioError.
    """
    end_us, longest_s = analysis.record.end_us, LONGEST_US // 1_000_000
    if not 0 <= from_us < until_us <= end_us:
        told = f"got {_shown(from_us)} to {_shown(until_us)}"
        raise StudioError(f"expected a stretch within the session, from 0 to {end_us} µs; {told}. Load the page again")
    if not SLOWEST <= speed <= 1:
        raise StudioError(f"expected a speed from {SLOWEST} to 1; got {speed}. Choose another")
    if until_us - from_us > LONGEST_US * speed:
        raise StudioError(f"expected at most {longest_s} seconds of sound at a time. Ask for less, or for it faster")
    edges = list(zip(analysis.edge_us[:-1].tolist(), analysis.covered.tolist(), strict=True))
    if mended is not None:
        first_us, last_us, instead = mended_part(analysis, mended)
        edges = sorted(
            [edge for edge in edges if not first_us <= edge[0] <= last_us] + instead, key=lambda edge: edge[0]
        )
    before = [mask for t_us, mask in edges if t_us <= from_us]
    within = [(t_us, mask) for t_us, mask in edges if from_us < t_us < until_us]
    samples = render_take([(from_us, before[-1] if before else 0), *within], until_us, speed, standard_table())
    return wav_bytes(samples, 48_000)


def mended_part(analysis: Analysis, number: int) -> tuple[int, int, list[tuple[int, int]]]:
    """What of a session a mended change takes the place of (its first and its last edge, in µs), and its own edges.

    Raises StudioError where it cannot be mended.
    """
    if not 0 <= number < len(analysis.changes):
        count = len(analysis.changes)
        raise StudioError(
            f"expected the number of a change from 0 to {count - 1}; got {_shown(number)}. Load the page again"
        )
    change = analysis.changes[number]
    diagnosis = trusted_diagnosis(change, analysis.timing, analysis.table, analysis.settings)
    if diagnosis is None:
        raise StudioError("which finger to mend cannot be told from this change")
    return change.edges[0][0], change.edges[-1][0], list(mended_edges(change, diagnosis))


def _shown(number: int) -> str:
    """A number of any size, short enough for a sentence."""
    return str(number) if abs(number) < 10**15 else "a number of more than 15 digits"


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
