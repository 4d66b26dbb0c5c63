"""The command ``labkit letterhead``: what the sheets have of the laboratory's own, and files to begin with."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

from labkit.commands import DONE
from labkit.paths import data_folder
from labkit.problems import BadInput
from labkit.sheet.house import FILE, TEMPLATES_FOLDER, House, example, read_house


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "letterhead",
        help="say what the sheets have of the laboratory's own, or write files to begin with",
        description=f"Letterhead, logo, colour, language, fonts and the usual form of the sheets are set in {FILE} in "
        f"the data folder, or on the page Bench. Fonts lie in its folder fonts; its folder {TEMPLATES_FOLDER} takes "
        "the place of ours. Without options the command reads all of it and says what it found.",
    )
    parser.add_argument("--example", type=Path, metavar="DIR", help="write our templates and a commented letterhead")
    parser.add_argument("--data", type=Path, metavar="DIR", help="the data folder; default the user's own")


def run(args: Namespace) -> int:
    if args.example is not None:
        _write(args.example)
        print(f"Written to {args.example}. Change what you like, and copy it into {data_folder(args.data)}.")
        return DONE
    data = data_folder(args.data)
    print("\n".join(_said(read_house(data), data)))
    return DONE


def _write(folder: Path) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BadInput("letterhead.exists", file=str(folder))
    for name, content in example().items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def _said(house: House, data: Path) -> list[str]:
    lines = [
        f"Data      {data}",
        f"Language  {house.language or 'en'}",
        f"Form      {house.form}",
        f"Lines     {'; '.join(house.lines) or '–'}",
        f"Logo      {house.logo.alt if house.logo is not None else '–'}",
        f"Fonts     {', '.join(house.fonts.families) or '–'}",
    ]
    template = "–" if house.template is None else f"{len(house.template.files)} files, SHA-256 {house.template.sha256}"
    return [*lines, f"Template  {template}"]
