"""A page as PDF, in its print style: by WeasyPrint, which comes with the extra `pdf`, and the system's Pango."""

import contextlib
import io
from typing import Literal

Paper = Literal["a4", "letter"]

OR_ELSE = "; or write an .html page and print it from a browser"
NO_WEASYPRINT = "a PDF needs WeasyPrint, which is not installed: pip install 'fingerlead[pdf]' brings it" + OR_ELSE
NO_PANGO = (
    "a PDF needs the system's Pango, which is not found: apt install libpango-1.0-0 libpangoft2-1.0-0 brings it "
    "(Debian, Ubuntu), brew install pango (macOS)" + OR_ELSE
)


class PdfError(RuntimeError):
    """A PDF that cannot be made here; one plain sentence."""


def to_pdf(html: str, paper: Paper = "a4") -> bytes:
    """The page as PDF; its own style may name another paper. Raises PdfError."""
    try:
        # What WeasyPrint prints of a missing library says less than NO_PANGO, and in the middle of our own words.
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            import weasyprint
    except ImportError:
        raise PdfError(NO_WEASYPRINT) from None
    except OSError:
        raise PdfError(NO_PANGO) from None
    size = weasyprint.CSS(string=f"@page {{ size: {'letter' if paper == 'letter' else 'A4'} }}")
    data: bytes = weasyprint.HTML(string=html, url_fetcher=_nothing).write_pdf(stylesheets=[size])
    return data


def _nothing(url: str, *more: object) -> dict[str, object]:
    """Pages hold all they need: nothing is fetched."""
    raise ValueError(f"nothing is fetched for a page: {url}")
