"""The command that opens the screens: on this computer only, unless the shop's Wi-Fi is asked for."""

import os
import signal
import subprocess
import sys

import click

DEFAULT_PORT = 8501


@click.command("app")
@click.option("--port", type=click.IntRange(1, 65535), default=DEFAULT_PORT, show_default=True)
@click.option("--share", is_flag=True, help="Let phones on the shop's Wi-Fi in, with an access code.")
def app(port: int, share: bool) -> int:
    """Open the screens in the browser of this computer; nobody else can reach them.

    With --share they also answer on the shop's Wi-Fi: the window shows an access code and a square
    to scan. That is a lock for a workshop. A public address needs a real sign-in, which is written
    down in docs/sharing.md.
    """
    return run_app(share=share, port=port)


def run_app(*, share: bool = False, port: int = DEFAULT_PORT) -> int:
    """Return the exit code of the screens, which run until Ctrl+C.

    They run in a process of their own, so that the command line stays quick to start and
    the screens start from a clean slate.
    """
    command = [sys.executable, "-P", "-m", "rakelight.screens", str(port)]
    process = subprocess.Popen([*command, "--share"] if share else command, env=os.environ)
    try:
        return process.wait()
    except KeyboardInterrupt:
        if os.name != "nt":
            process.send_signal(signal.SIGINT)
        process.wait()
        return 0
