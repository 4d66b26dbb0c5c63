"""The places for signatures: empty fields that the structure tree knows, put on a sheet before it is signed."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from labkit.problems import BadInput

if TYPE_CHECKING:
    import pikepdf

FIELD: Final = "Signature"
"""The field of whoever calibrated; the only one, unless the laboratory wants its certificates approved."""

APPROVAL_FIELD: Final = "Approval"
"""The field of whoever approves."""

STAMPED: Final = "PAdES B-T"
"""What a signature says of itself that was made with a timestamp."""

POINTS_PER_MM: Final = 72 / 25.4


@dataclass(frozen=True)
class Place:
    """
    Where a signature stands on the first page.

    Attributes
    ----------
    left_mm, bottom_mm : float
        From the left and from the bottom edge of the paper [mm].
    width_mm, height_mm : float
    """

    left_mm: float = 22.0
    bottom_mm: float = 25.0
    width_mm: float = 78.0
    height_mm: float = 11.0

    @property
    def size(self) -> tuple[float, float]:
        """Width and height in points."""
        return self.width_mm * POINTS_PER_MM, self.height_mm * POINTS_PER_MM


PLACE: Final = Place()
"""The template leaves this place free; both take it from here."""

APPROVAL_PLACE: Final = Place(left_mm=110.0)
"""Beside the first, on a sheet that is to be approved."""


def with_fields(pdf: bytes, fields: Sequence[tuple[str, str, Place]]) -> bytes:
    """
    The sheet with empty signature fields that the structure tree knows.

    pyHanko would add a field untagged, and a screen reader would then meet a form field without a name.

    Parameters
    ----------
    pdf : bytes
    fields : sequence of (str, str, Place)
        The name of each, what a screen reader says of it, and where it is. The approver's locks everything once it is
        signed.

    Raises
    ------
    BadInput
        ``sign.not_a_sheet``, ``sign.already_signed``.
    """
    import pikepdf
    from pikepdf import Array, Dictionary

    try:
        document = pikepdf.open(io.BytesIO(pdf))
    except pikepdf.PdfError as error:
        raise BadInput("sign.not_a_sheet") from error
    root = document.Root
    if "/AcroForm" in root:
        raise BadInput("sign.already_signed")
    if "/StructTreeRoot" not in root or "/ParentTree" not in root.StructTreeRoot:
        raise BadInput("sign.not_a_sheet")
    widgets = Array([_add(document, *field) for field in fields])
    root.AcroForm = document.make_indirect(Dictionary(Fields=widgets, SigFlags=3))
    out = io.BytesIO()
    document.save(out, deterministic_id=True, object_stream_mode=pikepdf.ObjectStreamMode.generate)
    return out.getvalue()


def _add(document: pikepdf.Pdf, name: str, description: str, place: Place) -> Any:
    """Put a field on the first page and into the structure tree; its widget."""
    import pikepdf
    from pikepdf import Array, Dictionary, Name, String

    page = document.pages[0]
    tree = document.Root.StructTreeRoot
    parents = pikepdf.NumberTree(tree.ParentTree)
    number = max([int(tree.get("/ParentTreeNextKey", 0)), *(key + 1 for key in parents)])
    left, bottom = place.left_mm * POINTS_PER_MM, place.bottom_mm * POINTS_PER_MM
    width, height = place.size
    corners = [round(each, 2) for each in (left, bottom, left + width, bottom + height)]
    empty = document.make_stream(
        b"", Type=Name.XObject, Subtype=Name.Form, BBox=Array([0, 0, width, height]), Resources=Dictionary()
    )
    widget = document.make_indirect(
        Dictionary(
            Type=Name.Annot, Subtype=Name.Widget, FT=Name.Sig, T=String(name), TU=String(description), F=4,
            Rect=Array(corners), P=page.obj, StructParent=number, AP=Dictionary(N=empty),
        )
    )  # fmt: skip
    if name == APPROVAL_FIELD:
        widget.Lock = document.make_indirect(Dictionary(Type=Name.SigFieldLock, Action=Name.All, P=1))
    parent = tree.K[0] if isinstance(tree.K, Array) else tree.K
    element = document.make_indirect(
        Dictionary(
            Type=Name.StructElem, S=Name.Form, P=parent, Pg=page.obj, Alt=String(description),
            K=Dictionary(Type=Name.OBJR, Obj=widget, Pg=page.obj),
        )
    )  # fmt: skip
    if not isinstance(parent.K, Array):
        parent.K = Array([parent.K])
    parent.K.append(element)
    parents[number] = element
    tree.ParentTreeNextKey = number + 1
    if "/Annots" not in page:
        page.Annots = Array()
    page.Annots.append(widget)
    page.Tabs = Name.S
    return widget
