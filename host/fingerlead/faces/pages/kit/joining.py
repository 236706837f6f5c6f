"""How a phone or tablet joins a page by the network: the address as a QR code, and what is to be known beforehand."""

from collections.abc import Sequence
from dataclasses import dataclass
from io import StringIO
from typing import TYPE_CHECKING, Any

from fingerlead.faces.pages.kit.place import NoPlaceError

if TYPE_CHECKING:
    import segno

# The empty frame that ISO/IEC 18004 asks for, in modules (from memory); in a terminal two will do.
FRAME, FRAME_TERMINAL = 4, 2
NEEDS = "a QR code is made by the Python package segno, which is missing: pip install 'fingerlead[join]' brings it"


@dataclass(frozen=True, slots=True)
class Joining:
    """The way in for a phone. `url` lets in all who have it; `fingerprint` is that of the certificate (SHA-256).

    `sentences` are what is to be known beforehand, first what to do with the picture.
    """

    url: str
    fingerprint: str
    sentences: Sequence[str] = ()

    def picture(self) -> str:
        """The QR code as SVG, dark on light. Raises NoPlaceError where segno is missing."""
        return _code(self.url).svg_inline(border=FRAME, dark="#000", light="#fff", omitsize=True)

    def text_lines(self) -> Sequence[str]:
        """The QR code as lines of blocks, to be printed light on dark. Raises NoPlaceError where segno is missing."""
        drawn = StringIO()
        _code(self.url).terminal(drawn, border=FRAME_TERMINAL, compact=True)
        return drawn.getvalue().splitlines()

    def message(self) -> dict[str, Any]:
        """All of it, for a page that is in."""
        return {"url": self.url, "picture": self.picture(), "sentences": list(self.sentences)}


def _code(url: str) -> "segno.QRCode":
    try:
        import segno
    except ImportError:
        raise NoPlaceError(NEEDS) from None
    return segno.make_qr(url, error="m")
