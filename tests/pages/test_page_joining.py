"""A phone joins the practice page: a second door with TLS, an address to scan, and what is said beforehand."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import logging
import re
import socket
import ssl
import sys
from datetime import UTC, datetime

import pytest

pytest.importorskip("httpx", reason="needs the Python package httpx")
pytest.importorskip("cryptography", reason="needs the Python package cryptography")
pytest.importorskip("segno", reason="needs the Python package segno")

import httpx
import numpy as np
from websockets.sync.client import connect

from fingering.table import standard_table
from fingerlead.faces.cli import serving
from fingerlead.faces.cli.output import PlainStream
from fingerlead.faces.cli.problem import Problem
from fingerlead.faces.cli.serving import say_joining, web_places
from fingerlead.faces.pages.kit import place
from fingerlead.faces.pages.kit.door import places
from fingerlead.faces.pages.kit.joining import Joining
from fingerlead.faces.pages.kit.place import NoPlaceError, WebPlace, fingerprint_of, tls_of
from fingerlead.faces.pages.practice import page as practice
from fingerlead.faces.pages.practice.messages import join_lines
from fingerlead.store.certificates import page_certificate
from tests.pages.tls_tools import files

LOCAL, NETWORK = "127.0.0.1", "192.168.1.20"
URL = f"https://{NETWORK}:51234/#rBR0MnWt-h5rqmNAypY9d9DZS4Z14y-_"


@pytest.fixture
def own(tmp_path, monkeypatch):
    """The folder in which the program keeps its certificate."""
    monkeypatch.setattr(serving, "own_folder", lambda: tmp_path / "own")
    return tmp_path / "own"


@contextlib.contextmanager
def joined(folder):
    """A practice page with a door for a phone, and what a client trusts that has compared the fingerprint."""
    made = page_certificate(folder, LOCAL, datetime.now(UTC))
    join = WebPlace(LOCAL, None, tls_of(made, made), fingerprint_of(made))
    with practice.opened(None, standard_table(), join=join, folder=folder, sound=False) as page:
        yield page, ssl.create_default_context(cafile=made)


def test_a_phone_comes_in_by_its_own_door_and_is_told_how_others_join(tmp_path, caplog):
    caplog.set_level(logging.DEBUG)
    with joined(tmp_path) as (page, trust):
        url, _, token = page.joining.url.partition("/#")
        assert url.startswith("https://127.0.0.1:")
        with httpx.Client(base_url=url, verify=trust, headers={"Origin": url}) as phone:
            # A stranger in the same network finds the page, and nothing of the way in.
            for path in ("/", "/texts.json", "/static/main.js", "/voice.json"):
                assert token not in phone.get(path).text
            assert phone.post("/enter", content="another").status_code == 401
            assert phone.post("/enter", content=page.url.partition("#")[2]).status_code == 401
            secret = phone.post("/enter", content=token).raise_for_status().text
            assert phone.get("/voice.json").status_code == 401
            assert phone.get("/voice.json", headers={"Authorization": f"Bearer {secret}"}).status_code == 200
        with connect(f"{url.replace('https', 'wss')}/live", ssl=trust, additional_headers={"Origin": url}) as line:
            line.send(json.dumps({"kind": "enter", "secret": secret}))
            told = {"kind": ""}
            while told["kind"] != "all":
                told = json.loads(line.recv(10))
        assert told["join"] == page.joining.message()
        assert page.running
        # This computer's own page is as it was: in clear, here alone, by another token.
        assert page.url.startswith("http://127.0.0.1:")
        assert not page.in_clear
        with httpx.Client(base_url=page.url.partition("/#")[0]) as here:
            origin = {"Origin": str(here.base_url).rstrip("/")}
            assert here.post("/enter", content=token, headers=origin).status_code == 401
            assert here.post("/enter", content=page.url.partition("#")[2], headers=origin).status_code == 200
    assert token not in caplog.text


def test_a_client_that_has_compared_nothing_trusts_nothing(tmp_path):
    with joined(tmp_path) as (page, _), pytest.raises(httpx.ConnectError, match="self-signed"):
        httpx.get(page.joining.url.partition("#")[0])


def test_without_it_no_page_has_a_second_door(tmp_path):
    with practice.opened(None, standard_table(), folder=tmp_path, sound=False) as page:
        assert page.joining is None


@pytest.mark.parametrize("in_terminal", [False, True])
def test_the_picture_read_by_another_hand_is_the_address(in_terminal):
    read_barcodes = pytest.importorskip("zxingcpp", reason="needs the Python package zxing-cpp").read_barcodes
    joining = Joining(URL, "AB:CD")
    light = _light_in_terminal(joining.text_lines()) if in_terminal else _light_in_svg(joining.picture())
    pixels = np.kron(np.pad(light, 2, constant_values=True), np.ones((6, 6))).astype(np.uint8) * 255
    (code,) = read_barcodes(pixels)
    assert code.text == URL


def _light_in_terminal(lines):
    """Which modules are light: two in each sign, one above the other, where blocks are light."""
    signs = {" ": (False, False), "▀": (True, False), "▄": (False, True), "█": (True, True)}
    rows = [[signs[sign][half] for sign in line] for line in lines for half in (0, 1)]
    return np.array(rows)


def _light_in_svg(text):
    """The same of a picture whose dark strokes run along rows, as SVG says it."""
    side = int(re.search(r'viewBox="0 0 (\d+) \1"', text)[1])
    light = np.ones((side, side), dtype=bool)
    (strokes,) = re.findall(r'stroke="#000" d="([^"]+)"', text)
    x = y = 0.0
    for sign, numbers in re.findall(r"([Mmh])([^Mmh]+)", strokes):
        given = [float(number) for number in re.findall(r"-?[\d.]+", numbers)]
        if sign == "h":
            light[int(y), int(x) : int(x + given[0])] = False
            x += given[0]
        else:
            x, y = given if sign == "M" else (x + given[0], y + given[1])
    return light


def test_what_is_said_beforehand_holds_the_fingerprint_that_a_browser_shows(tmp_path):
    public, _ = files(tmp_path)
    der = ssl.PEM_cert_to_DER_cert(public.read_text())
    print_ = fingerprint_of(public)
    assert bytes.fromhex(print_.replace(":", " ")) == hashlib.sha256(der).digest()
    scan, warning, tap, compare = join_lines(print_)
    assert "same network" in scan
    assert "warns" in warning
    assert tap.startswith("Tap")
    assert print_ in compare


class Stream(io.TextIOWrapper):
    """What the program prints to: a terminal, or a file."""

    def __init__(self, terminal, encoding):
        super().__init__(io.BytesIO(), encoding=encoding, write_through=True)
        self._terminal = terminal

    def isatty(self):
        return self._terminal


@pytest.mark.parametrize(
    ("terminal", "encoding", "drawn"), [(True, "utf-8", True), (False, "utf-8", False), (True, "latin-1", False)]
)
def test_the_picture_goes_to_a_terminal_that_can_show_it_and_into_no_file(monkeypatch, terminal, encoding, drawn):
    monkeypatch.setenv("TERM", "xterm-256color")
    for name in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE"):
        monkeypatch.delenv(name, raising=False)
    joining, stream = Joining(URL, "AB:CD", ("Scan it.", "It warns.")), Stream(terminal, encoding)
    monkeypatch.setattr(sys, "stdout", PlainStream(stream))
    say_joining(joining)
    first, *lines = stream.buffer.getvalue().decode(encoding).splitlines()
    assert first.endswith(URL)
    if not drawn:
        assert lines == ["It warns."]
        return
    *picture, scan, warning = lines
    assert (scan, warning) == ("Scan it.", "It warns.")
    # Light on dark by the terminal's own codes, whatever its colours are.
    assert all(re.fullmatch(r"\x1b\[97;40m[ ▀▄█]+\x1b\[0m", line) for line in picture)
    assert [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in picture] == joining.text_lines()


def test_what_is_named_is_said_of_the_network_and_this_computer_stays_in_clear(own, tmp_path, monkeypatch):
    monkeypatch.setattr(place, "_outwards", lambda: NETWORK)
    for address, expected in (("127.0.0.1", NETWORK), ("0.0.0.0", NETWORK), ("10.0.0.7", "10.0.0.7")):
        here, there = web_places(address, 50_000, None, None, join=True)
        assert here == WebPlace()
        assert (there.address, there.port) == (expected, 50_000)
        assert there.fingerprint == fingerprint_of(own / "page.pem")
    public, key = files(tmp_path)
    _, there = web_places("0.0.0.0", None, public, key, join=True)
    assert there.fingerprint == fingerprint_of(public)
    here, there = web_places("0.0.0.0", None, public, key, join=False)
    assert (here.address, there) == ("0.0.0.0", None)


@pytest.mark.parametrize(("outwards", "address"), [(None, "127.0.0.1"), ("127.0.0.1", "0.0.0.0")])
def test_a_computer_in_no_network_is_said(own, monkeypatch, outwards, address):
    monkeypatch.setattr(place, "_outwards", lambda: outwards)
    with pytest.raises(Problem, match=r"in a network.*in none.*--listen"):
        web_places(address, None, None, None, join=True)
    assert not own.exists()


def test_an_address_that_is_none_of_this_computers_is_said(tmp_path):
    with pytest.raises(Problem, match="expected an address of this computer"):
        web_places("nowhere.invalid", None, None, None, join=True)
    # Kept for documentation (RFC 5737); a machine that has it all the same can tell nothing here.
    with socket.socket() as tried:
        try:
            tried.bind(("203.0.113.9", 0))
            pytest.skip("this machine has the address")
        except OSError:
            pass
    with pytest.raises(NoPlaceError, match="expected an address of this computer"):
        place.listen(WebPlace("203.0.113.9"))


def test_a_certificate_file_that_is_anothers_is_said(own, monkeypatch):
    monkeypatch.setattr(place, "_outwards", lambda: NETWORK)
    own.mkdir()
    (own / "page.pem").write_text("another's")
    with pytest.raises(Problem, match=r"page\.pem: expected the certificate"):
        web_places(LOCAL, None, None, None, join=True)


def test_without_the_extra_a_sentence_names_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "segno", None)
    with pytest.raises(NoPlaceError, match=r"fingerlead\[join\]"):
        Joining(URL, "").picture()


def test_two_doors_share_the_descriptors_of_one(monkeypatch):
    monkeypatch.setattr("fingerlead.faces.pages.kit.door._descriptors", lambda: 628)
    assert (places(), places(2)) == (250, 125)
