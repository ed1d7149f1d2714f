"""The command that opens the screens: on this computer only, unless the shop's network is asked for."""

import subprocess
import sys

import click

DEFAULT_PORT = 8501


@click.command("app")
@click.option("--port", type=click.IntRange(1, 65535), default=DEFAULT_PORT, show_default=True)
def app(port: int) -> int:
    """Open the screens in the browser of this computer; nobody else can reach them."""
    return run_app(port=port)


def run_app(*, port: int = DEFAULT_PORT) -> int:
    """Return the exit code of the screens, which run until Ctrl+C.

    They run in a process of their own, so that the command line stays quick to start and
    the screens start from a clean slate.
    """
    process = subprocess.Popen([sys.executable, "-P", "-m", "rakelight.screens", str(port)])
    try:
        return process.wait()
    except KeyboardInterrupt:
        process.wait()
        return 0
