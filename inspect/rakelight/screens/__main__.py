"""Starts the screens: `python -m rakelight.screens PORT [--share]`. `rakelight app` calls this."""

import os
import sys

import streamlit as st

from rakelight.screens import gate, sharing
from rakelight.screens.server import WAY, describe_app, read_config


def prepare_sharing(port: int) -> dict[str, object]:
    """Return the settings under which the shop's Wi-Fi reaches the screens; tell the code once.

    The code itself is kept nowhere: only its slow hash stays in the memory of this program.
    """
    host = sharing.find_own_address()
    if not host:
        sys.exit("rakelight: this computer is on no network; join the shop's Wi-Fi and try again.")
    address, code = f"http://{host}:{port}", gate.make_code()
    os.environ[gate.CODE_HASH] = gate.hash_code(code)
    os.environ[gate.HOSTS] = host
    os.environ[sharing.ADDRESS] = address
    for line in sharing.tell_sharing(address, code):
        print(line, flush=True)  # noqa: T201 (this is the window the person looks at)
    return {"server.address": "0.0.0.0", "browser.serverAddress": host, "server.headless": True}


port = int(sys.argv[1])
more = prepare_sharing(port) if "--share" in sys.argv[2:] else {}

app = st.App(WAY, **describe_app())

if __name__ == "__main__":
    app.run(config={**read_config(), "server.port": port, **more})
