"""PDF: what is missing is named, in one sentence with the package that brings it."""

from __future__ import annotations

import sys

import pytest

from fingerlead.faces.report.paper import PdfError, to_pdf


class Missing:
    """Finds WeasyPrint, and fails as it does where the system lacks a library, words of its own included."""

    def find_spec(self, name, path=None, target=None):
        if name == "weasyprint":
            print("-----\nWeasyPrint could not import some external libraries.\n-----")
            raise OSError("cannot load library 'libpango-1.0-0': libpango-1.0-0: cannot open shared object file")


def test_without_weasyprint_its_extra_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(PdfError, match=r"needs WeasyPrint.*pip install 'fingerlead\[pdf\]'.*\.html page"):
        to_pdf("<p>x</p>")


def test_without_pango_the_systems_package_is_named_and_nothing_else_is_printed(monkeypatch, capfd):
    monkeypatch.delitem(sys.modules, "weasyprint", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    with pytest.raises(PdfError, match=r"needs the system's Pango.*apt install libpango-1\.0-0 libpangoft2-1\.0-0"):
        to_pdf("<p>x</p>")
    assert capfd.readouterr() == ("", "")
