"""TLS for a page: a certificate and its key, and what is said of files that are neither."""

from __future__ import annotations

import subprocess

import pytest
import typer

from fingerlead.faces.cli.problem import Problem
from fingerlead.faces.cli.serving import web_place
from fingerlead.faces.pages.kit.place import WebPlace
from tests.pages.tls_tools import files


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Files by their names: a pair, a key behind a passphrase, and something else."""
    folder = tmp_path_factory.mktemp("tls")
    public, key = files(folder)
    locked, other = folder / "locked.pem", folder / "other.pem"
    lock = ["openssl", "rsa", "-aes256", "-passout", "pass:x", "-in", str(key), "-out", str(locked)]
    subprocess.run(lock, check=True, capture_output=True)
    other.write_text("nothing of the kind \x1b[31m")
    names = {"public": public, "key": key, "locked": locked, "other": other, "none": folder / "none.pem"}
    return {**names, "folder": folder, "": None}


def test_a_pair_is_taken(made):
    place = web_place("0.0.0.0", None, made["public"], made["key"])
    assert place.tls is not None
    assert not place.in_clear


@pytest.mark.parametrize(
    ("certificate", "key", "said"),
    [
        ("none", "key", "none.pem: cannot be read"),
        ("folder", "key", "cannot be read"),
        ("public", "folder", "cannot be read"),
        ("other", "key", "expected a certificate in"),
        ("public", "other", "its own key"),
        ("key", "public", "expected a certificate in"),
        ("public", "locked", "without a passphrase"),
    ],
)
def test_what_is_no_pair_is_said_in_a_sentence(made, capfd, certificate, key, said):
    with pytest.raises(Problem) as problem:
        web_place("127.0.0.1", None, made[certificate], made[key])
    assert said in str(problem.value)
    assert "\n" not in str(problem.value)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(("certificate", "key"), [("public", ""), ("", "key")])
def test_one_without_the_other_is_wrong_usage(made, certificate, key):
    with pytest.raises(typer.BadParameter, match="name both"):
        web_place("127.0.0.1", None, made[certificate], made[key])


@pytest.mark.parametrize(
    ("address", "in_clear"),
    [
        ("127.0.0.1", False),
        ("::1", False),
        ("localhost", False),
        ("0.0.0.0", True),
        ("192.168.1.4", True),
        ("tablet", True),
    ],
)
def test_what_leaves_this_computer_unencrypted_is_in_clear(address, in_clear):
    assert WebPlace(address).in_clear == in_clear
