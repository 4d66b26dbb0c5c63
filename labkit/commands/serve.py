"""The command ``labkit serve``: the dashboards."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from typing import Any, Final

from labkit.commands import DONE
from labkit.commands.arguments import load_families, writable_folder
from labkit.paths import data_folder
from labkit.problems import BadInput

DEFAULT_PORT: Final = 8766


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "serve",
        help="start the dashboards",
        description="Start the dashboards on this machine and print their address. Ctrl+C ends them.",
    )
    parser.add_argument("--data", metavar="DIR", help="the laboratory's data folder; default: the user's own")
    parser.add_argument("--port", type=int, default=DEFAULT_PORT, metavar="N", help="0 takes any free port")
    parser.add_argument("--demo", action="store_true", help="the invented demo laboratory, in a folder of its own")


def run(args: Namespace) -> int:
    if not 0 <= args.port <= 65535:
        raise BadInput("serve.port", port=args.port)
    data = writable_folder(data_folder(args.data, demo=args.demo))
    if args.demo:
        from labkit.commands.demo import prepare_demo

        prepare_demo(data)
    load_families(data)  # every page loads them for itself: here only to say what is wrong
    from labkit.panels.server import serve

    serve(data, args.port, lambda address: print(f"labkit is ready: {address}", flush=True))
    return DONE
