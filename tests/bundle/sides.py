"""A pupil and a teacher apart: two folders, and the command line of each."""

from __future__ import annotations

import hashlib
from pathlib import Path

from fingerlead.studio.studio import Studio
from tests.faces.command_line import ran
from tests.studio.studios import playing, write

NAME = "Ailsa Nic Unmistakable"


class Apart:
    """Two machines: `home` is the pupil's folder, `studio` the teacher's; `post` is where files lie in between."""

    def __init__(self, folder: Path) -> None:
        self.home, self.studio, self.post = folder / "home", folder / "studio", folder / "post"
        self.post.mkdir()
        with Studio(self.studio) as studio:
            self.key = studio.add(NAME).key
            studio.add("Bea")

    @property
    def kept(self) -> Path:
        """The pupil's folder in the studio."""
        return self.studio / "pupils" / self.key

    def practise(self, number: int) -> Path:
        sessions = self.home / "sessions"
        sessions.mkdir(parents=True, exist_ok=True)
        settings = {"rungs": ["low-g-b"]}
        return write(sessions / f"2026-09-{number:02}.session", playing(number), number, settings)

    def pupil(self, form: str, *words: object):
        return ran("bundle", form, *words, "--folder", self.home)

    def teacher(self, form: str, *words: object, pupil: str = NAME):
        return ran("bundle", form, *words, "--studio", self.studio, *(["--pupil", pupil] if pupil else []))

    def words_of(self, side: str) -> str:
        where = ["--folder", self.home] if side == "pupil" else ["--studio", self.studio]
        return ran("bundle", "words", *where).stdout.splitlines()[0]

    def from_pupil(self, name: str, *words: object) -> Path:
        return made(self.pupil("make", "-o", self.post / name, *words), self.post / name)

    def from_teacher(self, name: str) -> Path:
        return made(self.teacher("make", "-o", self.post / name), self.post / name)

    def introduce(self) -> None:
        """A first bundle each way, with the words that each reads out."""
        words = self.words_of("pupil")
        well(self.teacher("take-in", self.from_pupil("first"), "--words", words))
        well(self.pupil("take-in", self.from_teacher("first back"), "--words", self.words_of("teacher")))


def made(done, path: Path) -> Path:
    well(done)
    return path


def well(done) -> str:
    assert (done.returncode, done.stderr) == (0, ""), done.stderr
    return done.stdout


def refused(done) -> str:
    """The one sentence of what was refused."""
    assert (done.returncode, done.stdout) == (1, ""), done.stdout
    assert done.stderr.count("\n") == 1
    return done.stderr.removeprefix("fingerlead: ")


def state(*folders: Path) -> dict[str, str]:
    """All files below some folders by their digests, but the studio's index, which any look may touch."""
    return {
        str(file): hashlib.sha256(file.read_bytes()).hexdigest()
        for folder in folders
        for file in sorted(folder.rglob("*"))
        if file.is_file() and not file.name.startswith("index")
    }
