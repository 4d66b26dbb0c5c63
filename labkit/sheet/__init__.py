"""The sheet: what it says, the PDF, its signature, and verifying it."""

from labkit.sheet.render import render, svg_preview
from labkit.sheet.sign import sign
from labkit.sheet.verdict import Verdict
from labkit.sheet.verify import verify

__all__ = ["Verdict", "render", "sign", "svg_preview", "verify"]
