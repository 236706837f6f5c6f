"""A page as PDF, by WeasyPrint, which comes with the extra `pdf`."""

from __future__ import annotations


class PdfError(RuntimeError):
    """A PDF that cannot be made here; one plain sentence."""


def to_pdf(html: str) -> bytes:
    """The page in its print style; raises PdfError."""
    try:
        import weasyprint
    except (ImportError, OSError) as error:
        # OSError: WeasyPrint is there, but the system's Pango is not.
        raise PdfError(
            f"a PDF needs WeasyPrint and the system's Pango ({error}); "
            "install them with pip install 'fingerlead[pdf]', or print the .html page from a browser"
        ) from None
    data: bytes = weasyprint.HTML(string=html, url_fetcher=_nothing).write_pdf()
    return data


def _nothing(url: str, *more: object) -> dict[str, object]:
    """Pages hold all they need: nothing is fetched."""
    raise ValueError(f"nothing is fetched for a page: {url}")
