"""What is played, copied into a lesson's log as it is recorded: the recording itself never waits for it.

The other way round: a log's entries, as the items that a recording takes.
"""

from collections.abc import Callable
from dataclasses import asdict
from typing import get_args

from fingerlead.lesson.entries import Beats, ChanterKnown, Entry, MusicAsked, PortBack, PortGone, Read
from fingerlead.listening.reader import Back, Lost
from fingerlead.listening.recording import Clicked, Copied, Known, Recording
from fingerlead.ports.base import Chunk
from fingerlead.reading.asked import MusicKind, SessionMusic
from fingerlead.store.session_music import MusicAt, MusicError
from fingerlead.timing.results import HeightsOf, KnownSeal

# The most of one read that is one entry: a reader brings less.
MOST_READ = 1 << 16
HEIGHTS: dict[str, HeightsOf] = {name: name for name in get_args(HeightsOf)}
MUSICS: tuple[MusicKind, ...] = get_args(MusicKind)


def copy_into(recording: Recording, add: Callable[[Entry], object]) -> None:
    """From now on all that is recorded goes to `add` as well: from the beginning of a session on, or it is none."""

    def copied(what: Copied) -> None:
        for entry in entries_of(what, recording):
            add(entry)

    recording.copy = copied


def entries_of(what: Copied, recording: Recording) -> list[Entry]:
    """What is copied of a recording as entries of a log."""
    match what:
        case Chunk(data, host_us):
            parts = range(0, len(data), MOST_READ)
            return [Read(host_us, recording.carrier, data[start : start + MOST_READ]) for start in parts]
        case Lost(cause, host_us):
            return [PortGone(host_us, cause[:200])]
        case Back(host_us):
            return [PortBack(host_us)]
        case MusicAt(at_us, asked):
            return [MusicAsked(at_us, **asdict(asked))]
        case Clicked(host_us=host_times_us, beat_us=beat_us):
            return [Beats(beat_us, host_times_us)]
        case Known(device_id, skew_us, seal):
            told = () if seal is None else (True, seal.lift_raw, seal.cover_raw, seal.made, seal.heights, seal.apart_mm)
            return [ChanterKnown(device_id.hex(), skew_us, *told)]
    return []


def known_of(entry: ChanterKnown) -> Known:
    """What a log says of a chanter; raises ValueError for an id that is none."""
    seal = None
    if entry.sealed:
        seal = KnownSeal(
            entry.lift_raw, entry.cover_raw, entry.made, HEIGHTS.get(entry.heights, "none"), entry.apart_mm
        )
    return Known(bytes.fromhex(entry.device_id), entry.skew_us, seal)


def take_entry(entry: Entry, recording: Recording) -> None:
    """Have a recording take in an entry of another's, as that one did. Raises NotAChanter, as that one did."""
    match entry:
        case Read(host_us, carrier, data):
            recording.take(Chunk(data, host_us), carrier)
        case PortGone(host_us, cause):
            recording.take(Lost(cause, host_us), recording.carrier)
        case PortBack(host_us):
            recording.take(Back(host_us), recording.carrier)
        case MusicAsked():
            recording.ask_from(MusicAt(entry.at_us, music_of(entry)))
        case Beats(beat_us, host_us):
            recording.clicked(host_us, beat_us)


def music_of(entry: MusicAsked) -> SessionMusic:
    """The music that an entry asks for; raises MusicError for a kind that is none."""
    if entry.kind not in MUSICS:
        raise MusicError(f"expected one of {', '.join(MUSICS)}, got {entry.kind[:40]}")
    told = asdict(entry)
    del told["at_us"]
    return SessionMusic(**told)
