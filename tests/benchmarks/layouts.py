"""The same certificate laid out by three libraries, each imported where it is used: a cold start is its own."""

from __future__ import annotations

import base64
import io
import json
import sys
from collections.abc import Callable, Mapping
from html import escape
from typing import Any

FACES = {"sans": "SourceSans3-Regular", "semibold": "SourceSans3-Semibold", "serif": "SourceSerif4-Semibold"}

Given = Mapping[str, Any]
"""``record``; ``flow``: the words of the sheet in their order; ``svg``, ``png`` (Base64): its plot; ``fonts``: a folder."""


def by_labkit(given: Given) -> bytes:
    """Plot included, record and tables attached, PDF/A-3a and PDF/UA-1."""
    from labkit.sheet import render

    return render(given["record"])


def by_weasyprint(given: Given) -> bytes:
    """The plot as SVG; no attachments."""
    from weasyprint import CSS, HTML
    from weasyprint.text.fonts import FontConfiguration

    faces = "".join(
        f"@font-face {{ font-family: {name}; src: url(file://{given['fonts']}/{file}.ttf); }}"
        for name, file in FACES.items()
    )
    style = faces + (
        "@page { size: A4; margin: 23mm 22mm 20mm } body { font: 8.6pt sans } h1 { font: 21pt serif }"
        "h2 { font: 11.5pt serif } table { width: 100%; border-collapse: collapse }"
        "td, th { border-bottom: .5pt solid #cfdcdf; text-align: left; padding: 1mm }"
    )
    fonts = FontConfiguration()
    pdf = HTML(string=_html(given)).write_pdf(stylesheets=[CSS(string=style, font_config=fonts)], font_config=fonts)
    assert isinstance(pdf, bytes)
    return pdf


def by_reportlab(given: Given) -> bytes:
    """The plot as a picture of 200 points an inch; no attachments."""
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.lib.units import mm
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.platypus import Image, Paragraph, SimpleDocTemplate, Table, TableStyle

    for name, file in FACES.items():
        pdfmetrics.registerFont(TTFont(name, f"{given['fonts']}/{file}.ttf"))
    body = ParagraphStyle("body", fontName="sans", fontSize=8.6, leading=11)
    head = ParagraphStyle("head", fontName="serif", fontSize=11.5, leading=16)
    title = ParagraphStyle("title", fontName="serif", fontSize=21, leading=27)
    lines = TableStyle([("LINEBELOW", (0, 0), (-1, -1), 0.5, "#cfdcdf"), ("VALIGN", (0, 0), (-1, -1), "TOP")])
    width = A4[0] - 44 * mm
    flow: list[Any] = []
    for kind, what in given["flow"]:
        if kind == "title":
            flow.append(Paragraph(escape(what), title))
        elif kind == "head":
            flow.append(Paragraph(escape(what), head))
        elif kind == "text":
            flow.append(Paragraph(escape(what), body))
        elif kind == "plot":
            if what == "plot":
                flow.append(Image(io.BytesIO(base64.b64decode(given["png"])), width, width * 0.42))
        else:
            cells = [[Paragraph(escape(each), body) for each in row] for row in what]
            flow.append(Table(cells, colWidths=[width / len(cells[0])] * len(cells[0]), repeatRows=1, style=lines))
    out = io.BytesIO()
    edges = {"leftMargin": 22 * mm, "rightMargin": 22 * mm, "topMargin": 23 * mm, "bottomMargin": 20 * mm}
    SimpleDocTemplate(out, pagesize=A4, **edges).build(flow)
    return out.getvalue()


def _html(given: Given) -> str:
    tags = {"title": "h1", "head": "h2", "text": "p"}
    parts = []
    for kind, what in given["flow"]:
        if kind in tags:
            parts.append(f"<{tags[kind]}>{escape(what)}</{tags[kind]}>")
        elif kind == "plot":
            parts.append(given["svg"][given["svg"].index("<svg") :] if what == "plot" else "")
        else:
            rows = ("".join(f"<td>{escape(each)}</td>" for each in row) for row in what)
            parts.append(f"<table>{''.join(f'<tr>{row}</tr>' for row in rows)}</table>")
    return f'<!doctype html><html lang="en"><body>{"".join(parts)}</body></html>'


LAYOUTS: dict[str, Callable[[Given], bytes]] = {
    "labkit (typst), plot included": by_labkit,
    "weasyprint": by_weasyprint,
    "reportlab": by_reportlab,
}


if __name__ == "__main__":
    LAYOUTS[sys.argv[1]](json.load(sys.stdin))
