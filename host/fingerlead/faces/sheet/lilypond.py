"""Running LilyPond: found, watched, ended where it hangs, and what it made kept for the next time.

It runs in an empty folder of its own with nothing to read but the source; the source comes from `source` alone. It gets
no more of the environment than it needs, and where the system can, no more than LIMITS. There is none on processes: the
system counts a user's all together, and LilyPond's threads among them. All it started ends with it. (LilyPond 2.24 has
a safe mode no more.)
"""

import contextlib
import hashlib
import importlib
import os
import re
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path
from typing import Any, Literal
from xml.etree import ElementTree

import platformdirs

from fingerlead.faces.sheet.notation import as_entities, for_paper
from fingerlead.faces.sheet.piece import SheetError
from fingerlead.store.files import make_private, write_whole

Format = Literal["pdf", "svg", "png"]

# What it needs to find its libraries, fonts and folders.
ENVIRONMENT = {
    "PATH", "HOME", "LANG", "LC_ALL", "LC_CTYPE", "TMPDIR", "TEMP", "TMP", "LD_LIBRARY_PATH", "XDG_CACHE_HOME",
    "FONTCONFIG_FILE", "FONTCONFIG_PATH", "SYSTEMROOT", "WINDIR", "USERPROFILE", "LOCALAPPDATA", "APPDATA",
}  # fmt: skip
# The fullest sheet takes 17 s of a processor as PDF, 720 MiB and files of less than a MiB; as SVG it takes longer.
LIMITS = {
    "RLIMIT_CPU": 120,
    "RLIMIT_AS": 4 << 30,
    "RLIMIT_FSIZE": 64 << 20,
    "RLIMIT_NOFILE": 64,
    "RLIMIT_CORE": 0,
}
TIMEOUT_S = 60.0  # a sheet takes a second or two, on a busy machine many times that
PNG_DPI = 150
MOST_KEPT = 300  # files in the cache
DRAWN = {"svg", "style", "g", "text", "tspan", "path", "line", "rect", "circle", "ellipse", "polygon", "polyline"}
MISSING = (
    "sheets are engraved by LilyPond, which is not installed: pip install 'fingerlead[sheet]' brings it, "
    "or install LilyPond 2.24 so that the command lilypond is found"
)


def find_lilypond() -> Path:
    """LilyPond from its Python package, or else the command; SheetError says what to install."""
    with contextlib.suppress(ImportError, AttributeError, OSError):
        packaged = Path(importlib.import_module("lilypond").executable())
        for found in (packaged, packaged.with_suffix(".exe")):
            if found.is_file():
                return found
    command = shutil.which("lilypond")
    if command is None:
        raise SheetError(MISSING)
    return Path(command)


def engrave(
    source: str,
    format: Format,
    cropped: bool = False,
    timeout_s: float = TIMEOUT_S,
    cache: Path | None = None,
    program: Path | None = None,
) -> tuple[bytes, ...]:
    """The pages of a source: one PDF, or one SVG or PNG for each page. `cropped` is one picture without paper.

    Raises SheetError where LilyPond is missing, fails or takes longer than `timeout_s`.
    """
    program = program or find_lilypond()
    folder = cache or cache_folder()
    key = _key(source, format, cropped, program)
    kept = _kept(folder, key)
    if kept:
        return kept
    try:
        with tempfile.TemporaryDirectory(prefix="fingerlead-") as work:
            text = source if format == "svg" else for_paper(source)
            (Path(work) / "sheet.ly").write_text(text, encoding="utf-8")
            _run(program, _arguments(format, cropped), Path(work), timeout_s)
            pages = tuple(page.read_bytes() for page in _made(Path(work), format, cropped))
    except OSError as error:
        raise SheetError(
            f"the sheet cannot be engraved: {error.strerror or error}. Make room where the system keeps temporary files"
        ) from None
    if format == "svg":
        pages = tuple(_checked(as_entities(page.decode("utf-8", "replace"))) for page in pages)
    _keep(folder, key, pages)
    return pages


def cache_folder() -> Path:
    """Where this system keeps what can be made again."""
    return platformdirs.user_cache_path("fingerlead", appauthor=False) / "sheets"


def _arguments(format: Format, cropped: bool) -> list[str]:
    arguments = ["--silent", "-dno-point-and-click", f"--{format}", "-o", "sheet"]
    if format == "png":
        arguments.append(f"-dresolution={PNG_DPI}")
    if cropped:
        arguments += ["-dno-print-pages", "-dcrop"]
    return [*arguments, "sheet.ly"]


def _run(program: Path, arguments: list[str], work: Path, timeout_s: float) -> None:
    """Run it to its end, or end it and all that it started."""
    try:
        process = subprocess.Popen(
            [str(program), *arguments],
            cwd=work,
            env={name: value for name, value in os.environ.items() if name.upper() in ENVIRONMENT},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=(work / "said").open("wb"),
            start_new_session=True,
        )
    except OSError as error:
        raise SheetError(f"LilyPond could not be started ({program}): {error.strerror}; install it anew") from None
    try:
        _limit(process.pid)
        code = process.wait(timeout_s)
    except subprocess.TimeoutExpired:
        raise SheetError(
            f"LilyPond was not done after {timeout_s:g} s and was ended; {_said(work)}. Try a shorter tune"
        ) from None
    finally:
        _end(process)
    if code in (-getattr(signal, "SIGXCPU", 0), -getattr(signal, "SIGXFSZ", 0)) and code:
        raise SheetError(f"LilyPond needed more than a sheet takes and was ended; {_said(work)}. Try a shorter tune")
    if code != 0:
        raise SheetError(f"LilyPond could not engrave the sheet (code {code}); {_said(work)}")


def _limit(process: int) -> None:
    """Give a process its limits, but none that is higher than it has. From outside: code between a fork and the start
    of a program may hang where there are threads."""
    with contextlib.suppress(ImportError, ProcessLookupError, PermissionError):
        resource: Any = importlib.import_module("resource")
        for name, most in LIMITS.items() if hasattr(resource, "prlimit") else ():
            kind = getattr(resource, name)
            had = [most + 1 if limit == resource.RLIM_INFINITY else limit for limit in resource.prlimit(process, kind)]
            # The lower one is told the process by a signal of its own, the higher one by its end.
            resource.prlimit(process, kind, (min(had[0], most), min(had[1], most + 1)))


def _end(process: subprocess.Popen[bytes]) -> None:
    """End it, and what it left behind: it was made the leader of a group of its own, so its helpers end with it."""
    if hasattr(os, "killpg"):
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
    elif process.poll() is None:
        process.kill()
    process.wait()


def _said(work: Path) -> str:
    """LilyPond's own message, the last lines of it."""
    with contextlib.suppress(OSError):
        with (work / "said").open("rb") as file:
            file.seek(max(0, file.seek(0, os.SEEK_END) - 4_000))
            text = file.read().decode("utf-8", "replace")
        lines = ["".join(sign for sign in line if sign.isprintable()).strip() for line in text.splitlines()]
        told = " / ".join([line for line in lines if "error" in line][:3] or [line for line in lines if line][-3:])
        if told:
            return f"it said: {told[:600]}"
    return "it said nothing"


def _made(work: Path, format: Format, cropped: bool) -> list[Path]:
    """The files of the pages, in their order."""
    if cropped:
        found = [work / f"sheet.cropped.{format}"]
    else:
        # One page is sheet.svg; of several, LilyPond writes sheet-1.svg or sheet-page1.png and so on.
        found = sorted(
            work.glob(f"sheet*.{format}"),
            key=lambda page: int((re.findall(r"\d+", page.stem) or ["0"])[-1]),
        )
    if not found or not all(page.is_file() for page in found):
        raise SheetError(f"LilyPond ended without a sheet; {_said(work)}")
    return found


def _checked(svg: str) -> bytes:
    """An SVG that holds drawing and text alone: it may stand within a page."""
    try:
        # Entities would need a document type, which the text can no longer bring.
        if "<!" in svg.replace("<![CDATA[", "", 1):
            raise ValueError("a declaration")
        for element in ElementTree.fromstring(svg).iter():
            name = element.tag.rpartition("}")[2]
            if name not in DRAWN or any(attribute.lower().startswith("on") for attribute in element.attrib):
                raise ValueError(f"an element {name}")
    except (ElementTree.ParseError, ValueError) as error:
        raise SheetError(
            f"LilyPond's SVG is not the drawing that was expected ({error}); print a PDF instead"
        ) from None
    return svg.encode("utf-8")


def _key(source: str, format: Format, cropped: bool, program: Path) -> str:
    about = program.stat()
    told = f"{program}\n{about.st_size}\n{about.st_mtime_ns}\n{format}\n{cropped}\n{PNG_DPI}\n{source}"
    return hashlib.sha256(told.encode("utf-8")).hexdigest()


def _kept(folder: Path, key: str) -> tuple[bytes, ...]:
    """What was made before of the same source; empty where it was not, or is not whole."""
    try:
        pages = sorted(folder.glob(f"{key}.*"), key=lambda page: int(page.suffix[1:].split("of")[0]))
        if not pages or len(pages) != int(pages[0].suffix.split("of")[1]):
            return ()
        return tuple(page.read_bytes() for page in pages)
    except (OSError, ValueError, IndexError):
        return ()


def _keep(folder: Path, key: str, pages: tuple[bytes, ...]) -> None:
    """Keep pages for the next time; where they cannot be kept, they are made again."""
    with contextlib.suppress(OSError):
        make_private(folder)
        for number, page in enumerate(pages, 1):
            write_whole(folder / f"{key}.{number}of{len(pages)}", page)
        kept = sorted(folder.iterdir(), key=lambda page: page.stat().st_mtime)
        for old in kept[:-MOST_KEPT]:
            old.unlink()
