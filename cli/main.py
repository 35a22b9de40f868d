"""The command ``headpass``: its commands in the order of use, each imported only when it is asked for."""

from __future__ import annotations

import signal
import sys
from importlib import import_module
from importlib.util import find_spec
from typing import Annotated

import typer

from cli.common import EXIT_TERMINATED, guarded

app = typer.Typer(
    name="headpass",
    help="Measures banding, skew, scallop, quadrature and dropouts in digitised transfers of four-head (quadruplex) "
    "videotape.",
    epilog="Exit status: 0 done; 1 done, at least one transfer to make again; 2 something could not be done (named on "
    "stderr).",
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
_COMMANDS = {
    "scan": "cli.scan",
    "judge": "cli.judge",
    "report": "cli.report",
    "batch": "cli.batch",
    "lineup": "cli.lineup",
    "compare": "cli.compare",
    "demo": "cli.demo",
    "signoff": "cli.signoff",
    "schema": "cli.schema",
}
"""Command and the light module whose ``app`` function it is. A command whose module is missing is not listed."""


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        print(f"headpass {version('headpass')}")
        raise typer.Exit()


@app.callback()
def _root(
    _asked: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    pass


def _register() -> None:
    for name, module in _COMMANDS.items():
        if find_spec(module) is not None:
            app.command(name)(guarded(import_module(module).app))


_register()


def _terminated(*_: object) -> None:
    """A termination signal ends the program like Ctrl-C does: what is open is tidied away first."""
    raise SystemExit(EXIT_TERMINATED)


def run() -> None:
    """Entry of the console script."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    signal.signal(signal.SIGTERM, _terminated)
    app()


if __name__ == "__main__":
    run()
