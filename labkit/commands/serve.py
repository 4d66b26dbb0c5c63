"""The command ``labkit serve``: the dashboards."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Final

from labkit.paths import data_folder
from labkit.problems import BadInput

DEFAULT_PORT: Final = 8766


def add_parser(subparsers: object) -> None:
    parser: ArgumentParser = subparsers.add_parser(  # type: ignore[attr-defined]
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
    data = data_folder(args.data, demo=args.demo)
    _prepare(data)
    if args.demo:
        from labkit.commands.demo import prepare_demo

        prepare_demo(data)
    from labkit.panels.server import serve

    serve(data, args.port, lambda address: print(f"labkit is ready: {address}", flush=True))
    return 0


def _prepare(data: Path) -> None:
    """The folder is there and can be written to, or it is said before anything starts."""
    try:
        data.mkdir(parents=True, exist_ok=True, mode=0o700)
        probe = data / ".writable"
        probe.touch()
        probe.unlink()
    except OSError as error:
        raise BadInput("serve.not_a_folder", path=str(data)) from error
