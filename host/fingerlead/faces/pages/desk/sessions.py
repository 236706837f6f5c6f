"""One session as HTML, and a passage that was pasted: what to jump to, the remarks, and the player."""

from fingerlead.faces.pages.desk.moments import CHANGE_KINDS, change_groups, moment, movement_groups
from fingerlead.faces.pages.desk.pages import render
from fingerlead.faces.report.numbers import movement_rows
from fingerlead.faces.strip_svg import StripPage
from fingerlead.faces.words import clock_text, in_time_told, intake_sentence, music_name
from fingerlead.phrases import day_words
from fingerlead.store.passage import Passage
from fingerlead.store.session_file import SessionError
from fingerlead.studio import pupils as folders
from fingerlead.studio.index import analysed
from fingerlead.studio.names import signs
from fingerlead.studio.studio import Studio
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.movement_sums import movement_sums
from fingerlead.timing.pulse_words import pulse_told

# So many groups are seen at once, the first of them with the strip of their typical instance.
MOST_GROUPS = 12
MOST_DRAWN = 6
# Of what is not heard, fewer.
MOST_APART, APART_DRAWN = 6, 2


def session_page(studio: Studio, digest: str, notice: str = "") -> str:
    """One session: what to jump to, the remarks, and the player. Raises StudioError."""
    key = studio.index.has(digest) or ""
    path, pupil = studio.session_path(digest), studio.pupil(key)
    indexed = next(each for each in studio.index.sessions(key) if each.digest == digest)
    try:
        _, analysis = analysed(path)
    except SessionError as error:
        raise folders.StudioError(f"this session cannot be read: {error.reason}") from None
    sums = movement_sums(analysis)
    strips = StripPage()
    changes, apart = (change_groups(analysis, strips, kind) for kind in CHANGE_KINDS)
    return render(
        "session.html",
        pupil=pupil,
        remark_id=folders.new_key(),
        digest=digest,
        day=day_words(indexed.day),
        minutes=f"{indexed.playing_us / 60_000_000:.1f}",
        changes=len(analysis.changes),
        astray=sum(group["count"] for group in changes),
        loose=sum(group["count"] for group in apart),
        intake=intake_sentence(analysis),
        end_us=analysis.record.end_us,
        strips=strips,
        groups=changes,
        apart=apart,
        most_groups=MOST_GROUPS,
        most_drawn=MOST_DRAWN,
        most_apart=MOST_APART,
        apart_drawn=APART_DRAWN,
        asked=sum(one.count for one in sums),
        wrong=sum(one.wrong for one in sums),
        movements=movement_rows(sums),
        faulty=movement_groups(analysis, strips),
        pulse=[(music_name(name), sentences) for name, sentences in pulse_told(analysis)],
        in_time=in_time_told(analysis),
        remarks=[
            {"id": each.id, "at_us": each.at_us, "at": clock_text(each.at_us), "text": each.text, "day": each.day}
            for each in folders.remarks(studio.of(key))
            if each.session == digest
        ],
        notice=notice,
    )


def passage_page(studio: Studio, passage: Passage, analysis: Analysis, source: str, sentence: str) -> str:
    """A passage that came in a message: every change with its strip, and the player; `source` is its address."""
    strips, pupils = StripPage(), studio.pupils()
    told = signs(pupils, studio.index.played_days())
    return render(
        "passage.html",
        sentence=sentence,
        source=source,
        pupils=[{"key": each.key, "name": each.name, "sign": told.get(each.key, "")} for each in pupils],
        end_us=analysis.record.end_us,
        strips=strips,
        misread=passage.misread_words(analysis),
        moments=[moment(analysis, change, strips) for change in analysis.changes],
        notice="",
    )
