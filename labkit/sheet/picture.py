"""Pages of a PDF as pictures: of the very file that is kept, not of what it was made from."""

from __future__ import annotations

import io
import threading
from typing import Final

from labkit.problems import BadInput

WIDTH_PX: Final = 1000
"""Sharp at the width of the preview on a screen with two pixels a point."""

ONE_AT_A_TIME: Final = threading.Lock()
"""PDFium keeps state of its own between calls, and is not to be called from two threads at once."""


def picture(pdf: bytes, page: int = 1, width_px: int = WIDTH_PX) -> tuple[bytes, int]:
    """
    One page of a PDF as a PNG.

    Parameters
    ----------
    pdf : bytes
    page : int
        Counted from 1; beyond the last one it is the last.
    width_px : int

    Returns
    -------
    (bytes, int)
        The PNG, and how many pages there are.

    Raises
    ------
    BadInput
        ``verify.not_a_pdf``.
    """
    import pypdfium2 as pdfium

    with ONE_AT_A_TIME:
        try:
            document = pdfium.PdfDocument(pdf)
        except pdfium.PdfiumError as error:
            raise BadInput("verify.not_a_pdf") from error
        try:
            document.init_forms()  # the signature's own picture is a form field
            pages = len(document)
            shown = document[min(max(page, 1), pages) - 1]
            image = shown.render(scale=width_px / shown.get_width()).to_pil()
        finally:
            document.close()
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue(), pages
