"""The command ``labkit serve``: the dashboards."""

from __future__ import annotations

import os
import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any, Final

from labkit.commands import DONE
from labkit.commands.arguments import load_families, writable_folder
from labkit.commands.password import VARIABLE, password_hash
from labkit.paths import data_folder
from labkit.problems import BadInput
from labkit.workflow.door import HUB_USER, check_closed

DEFAULT_PORT: Final = 8766
DEFAULT_PAGES: Final = 24
"""Each is a process of 160 MB and more."""


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "serve",
        help="start the dashboards",
        description="Start the dashboards on this machine and print their address. Ctrl+C ends them.",
    )
    parser.add_argument("--data", metavar="DIR", help="the laboratory's data folder; default: the user's own")
    parser.add_argument("--port", type=int, default=DEFAULT_PORT, metavar="N", help="0 takes any free port")
    parser.add_argument(
        "--password-file",
        type=Path,
        metavar="FILE",
        help="ask visitors for a password instead of a token; FILE keeps its hash, and is made where it is missing "
        f"(asked for, or from {VARIABLE})",
    )
    parser.add_argument(
        "--hub",
        action="store_true",
        help="a JupyterHub starts this for one of its users, and asks who comes; the port is the hub's",
    )
    parser.add_argument(
        "--most-pages",
        type=int,
        default=DEFAULT_PAGES,
        metavar="N",
        help=f"pages that may be open at a time; default: {DEFAULT_PAGES}",
    )
    parser.add_argument("--demo", action="store_true", help="the invented demo laboratory, in a folder of its own")


def run(args: Namespace) -> int:
    if not 0 <= args.port <= 65535:
        raise BadInput("serve.port", port=args.port)
    if args.most_pages < 1:
        raise BadInput("serve.most_pages")
    if args.hub and args.password_file is not None:
        raise BadInput("serve.hub_asks")
    hashed = password_hash(args.password_file) if args.password_file is not None else ""
    data = writable_folder(data_folder(args.data, demo=args.demo))
    if args.demo:
        from labkit.commands.demo import prepare_demo

        prepare_demo(data)
    for caution in check_closed(data):
        print(caution, caution.hint or "", file=sys.stderr)
    load_families(data)  # every page loads them for itself: here only to say what is wrong
    from labkit.panels.entrance import way_by_secret
    from labkit.panels.server import serve

    if args.hub:
        from labkit.panels.hub import way_through_hub

        way = way_through_hub()
    else:
        os.environ.pop(HUB_USER, None)  # no hub stands before this: nobody may pass for one of its users
        way = way_by_secret(hashed)
    serve(
        data,
        args.port,
        lambda address: print(f"labkit is ready: {address}", flush=True),
        way,
        most_pages=args.most_pages,
    )
    return DONE
