"""Nothing in the product writes to the disk but through `store/files.py`: a few exceptions, each with its reason."""

from __future__ import annotations

import ast
from collections.abc import Iterator

import pytest

from tests.test_house import FILES, name_of, parsed

THE_HELPER = "fingerlead.store.files"
SCRATCH = "a folder of its own for a moment, which goes away with what is in it"
MEMORY = "into memory"
# Of a module: what it calls, and why it may.
EXCEPTIONS = {
    "fingerlead.log": {
        "path.open": "a log that a person asked for grows line by line, as it has the head of an older one",
        "logging.FileHandler": "the same",
    },
    "fingerlead.store.session_file": {
        "sqlite3.connect": "a session grows in SQLite's own journal; its file is made by write_new",
    },
    "fingerlead.store.session_reading": {
        "sqlite3.connect": "read-only, or a copy in scratch",
        "shutil.copyfile": SCRATCH,
        "tempfile.TemporaryDirectory": SCRATCH,
    },
    "fingerlead.store.keeping": {"os.replace": "a session that was written and read back gets its name"},
    "fingerlead.studio.index_file": {"sqlite3.connect": "made by open_private; made anew from the sessions if lost"},
    "fingerlead.studio.folder_states": {
        "sqlite3.connect": "has SQLite bring a session that is at rest into one file",
    },
    "fingerlead.studio.studio": {
        "zipfile.ZipFile": MEMORY,
        "folder.replace": "a pupil is out of sight at once, then deleted",
        "new.replace": "a session that was written and read back gets its name",
    },
    "fingerlead.faces.pages.desk.apart_routes": {"tempfile.TemporaryDirectory": SCRATCH},
    "fingerlead.lesson.end": {"self._openers[packet.lane].open": "no file, but a packet that is sealed"},
    "fingerlead.bundle.contents": {"tempfile.TemporaryDirectory": SCRATCH},
    "fingerlead.bundle.exchange": {"tempfile.TemporaryDirectory": SCRATCH},
    "fingerlead.bundle.packing": {"zipfile.ZipFile": MEMORY},
    "fingerlead.studio.invented": {"tempfile.TemporaryDirectory": SCRATCH},
    "fingerlead.workbench.rig_log": {
        "zipfile.ZipFile": "read alone",
        "archive.open": "read alone, a file of it by name",
    },
    "fingerlead.sound.takes": {"wave.open": MEMORY},
    "fingerlead.faces.cli.bug_report": {"zipfile.ZipFile": MEMORY},
    "fingerlead.faces.cli.demo": {
        "folder.mkdir": "a folder that a person asked for by name, with the rights of any of theirs",
        "begun.replace": "a studio that was made whole gets its name",
    },
    "fingerlead.faces.cli.serving": {"webbrowser.open": "no file, but a page in the browser"},
    "fingerlead.faces.cli.main": {"os.open": "the null device, for what a closed pipe no longer takes"},
    "fingerlead.ports.midi_system": {"open": "the null device, for what libraries print"},
    "fingerlead.ports.sound_process": {"os.open": "the null device, for what libraries print"},
    "fingerlead.simulated.outlets": {"os.open": "the end of a serial line that is a file on this system"},
    "fingerlead.faces.sheet.lilypond": {
        "tempfile.TemporaryDirectory": SCRATCH,
        "(Path(work) / 'sheet.ly').write_text": SCRATCH,
        "(work / 'said').open": SCRATCH,
    },
    "fingerlead.faces.pages.desk.routes": {"tempfile.TemporaryDirectory": SCRATCH, "path.open": SCRATCH},
}
# Ways in which a file or a folder comes to be, changes or moves; a text's `replace` has two arguments.
METHODS = {
    "write_text", "write_bytes", "touch", "mkdir", "makedirs", "rename", "renames", "symlink_to", "hardlink_to",
    "chmod", "fchmod", "truncate", "ftruncate", "tofile", "savez", "save_as",
}  # fmt: skip
CALLS = {
    "os.open", "os.mkdir", "os.replace", "os.link", "os.symlink", "os.mkfifo", "os.mknod",
    "sqlite3.connect", "dbm.open", "shelve.open", "zipfile.ZipFile", "tarfile.open", "gzip.open", "bz2.open",
    "lzma.open", "wave.open", "logging.FileHandler", "FileHandler", "tempfile.TemporaryDirectory",
    "tempfile.NamedTemporaryFile", "tempfile.mkstemp", "tempfile.mkdtemp", "tempfile.TemporaryFile",
    "tempfile.SpooledTemporaryFile", "shutil.copy", "shutil.copy2", "shutil.copyfile", "shutil.copytree",
    "shutil.copyfileobj", "shutil.move", "np.save", "np.savetxt", "json.dump", "pickle.dump",
}  # fmt: skip


def writes(tree: ast.AST) -> Iterator[str]:
    """What a module calls that writes, or may."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        called = ast.unparse(node.func)
        last = called.rpartition(".")[2]
        method = isinstance(node.func, ast.Attribute)
        replaces = method and last == "replace" and len(node.args) == 1 and not node.keywords
        if called in CALLS or last in METHODS or replaces or (last == "open" and _writing(node)):
            yield called


def _writing(call: ast.Call) -> bool:
    """Whether an `open` is told a mode that writes, or one that cannot be seen here."""
    first = 0 if isinstance(call.func, ast.Attribute) else 1
    modes = [*call.args[first : first + 1], *(word.value for word in call.keywords if word.arg == "mode")]
    told = [mode.value for mode in modes if isinstance(mode, ast.Constant) and isinstance(mode.value, str)]
    return len(told) < len(modes) or any(set(mode) & set("wax+") for mode in told)


@pytest.mark.parametrize("file", FILES, ids=name_of)
def test_a_module_writes_through_the_one_helper(file):
    module = name_of(file)
    if module != THE_HELPER:
        assert set(writes(parsed(file))) == set(EXCEPTIONS.get(module, ()))


def test_the_exceptions_are_modules_that_are_there():
    assert EXCEPTIONS.keys() <= {name_of(file) for file in FILES}


@pytest.mark.parametrize(
    "line",
    [
        'open(p, "w")', 'open(p, mode="a+")', 'p.open("xb")', "open(p, mode)", "p.write_bytes(b'')", "p.mkdir()",
        "sqlite3.connect(p)", "os.open(p, 1)", "p.replace(q)", "os.replace(p, q)", "shutil.move(p, q)", "p.chmod(0)",
    ],
)  # fmt: skip
def test_the_check_sees_writing(line):
    assert list(writes(ast.parse(line)))


@pytest.mark.parametrize("line", ["open(p)", 'p.open("rb")', 'open(p, "r")', 't.replace("a", "b")', "replace(o, a=1)"])
def test_the_check_passes_reading_over(line):
    assert list(writes(ast.parse(line))) == []
