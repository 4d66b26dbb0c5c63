"""The field that takes the PDF of a certificate."""

from __future__ import annotations

from labkit.ledger.shim_certificates import must_be_pdf
from labkit.messages import sentence
from labkit.panels.upload import Upload


class CertificatePdf(Upload):
    """
    Takes the PDF of a certificate and holds it until it is kept with what it certifies.

    Attributes
    ----------
    content : bytes
        Empty where there is none yet.
    """

    def __init__(self) -> None:
        super().__init__(lambda _: None, self.take, endings=[".pdf"], with_cells=False)
        self.content = b""

    def take(self, name: str, content: bytes) -> str:
        """
        Hold a file in place of the one before.

        Raises
        ------
        Problem
            No PDF.
        """
        must_be_pdf(content)
        self.content = content
        return sentence("shim.pdf_taken", {"name": name})
