"""Starts the server: on this computer alone, or for the shop's own network with TLS and pairing."""

import asyncio
import os
import socket
import ssl
import sys
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from fluewright.errors import InputError
from fluewright.plain_text import written_out

if TYPE_CHECKING:
    from fluewright.web.app_state import AppState

__all__ = ["run", "serve", "tls_context"]

_LARGEST_FRAME = 1_048_576
_LARGEST_HEAD = 32_768
_FILES = 4096
_FAREWELL_S = 10


def _lan_address() -> str:
    """Return this computer's address in its network, without sending anything.

    Raises
    ------
    InputError
        There is no network.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError as error:
            raise InputError("--lan: this computer is in no network; connect it, or leave --lan out") from error
        return str(probe.getsockname()[0])


def tls_context(certificate: Path, key: Path) -> ssl.SSLContext:
    """Return how TLS is spoken: 1.3, or 1.2 with forward secrecy and authenticated ciphers, whatever else is set.

    Parameters
    ----------
    certificate, key : Path
        PEM files.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.set_ciphers("ECDHE+AESGCM:ECDHE+CHACHA20")
    context.options |= ssl.OP_NO_RENEGOTIATION
    context.load_cert_chain(certificate, key)
    return context


def serve(ledger: Path, *, port: int, lan: bool) -> None:
    """Serve the app until it is stopped.

    Raises
    ------
    InputError
        The port is taken, --lan finds no network, or the folder beside the ledger cannot be kept private.
    """
    from fluewright.files import private_folder
    from fluewright.ledger import open_ledger
    from fluewright.shop.recordings import kept_folder
    from fluewright.web.app_state import AppState
    from fluewright.web.tls_certificate import own_tls_certificate

    with open_ledger(ledger):
        pass
    folder = kept_folder(ledger)
    with suppress(InputError):  # on a read-only disk the pages are looked at, and nothing is kept
        private_folder(folder)
    hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
    state = AppState(ledger, folder, hosts)
    host, tls, says = "127.0.0.1", None, f"http://127.0.0.1:{port}"
    if lan:
        address = _lan_address()
        certificate, key, fingerprint = own_tls_certificate(folder, ["127.0.0.1", address])
        hosts.add(f"{address}:{port}")
        state.scheme, state.address = "https", f"https://{address}:{port}"
        host, tls = "0.0.0.0", tls_context(certificate, key)
        says = (
            f"https://127.0.0.1:{port}\nother devices: {state.address}/pair, with the code that /pair shows here\n"
            f"the TLS certificate is this computer's own; its SHA-256 is {fingerprint}"
        )
    # Found now, while there is room: on a full disk it would not be found.
    tempfile.gettempdir()
    listener = socket.socket()
    if sys.platform != "win32":
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen()
    except OSError as error:
        listener.close()
        raise InputError(f"--port {port}: it cannot be used ({error.strerror}); choose another") from error
    sys.stdout.write(written_out(f"fluewright: {says}\nledger: {ledger}\nstop with Ctrl-C\n"))
    sys.stdout.flush()
    run(state, listener, tls)


def run(state: "AppState", listener: socket.socket, tls: ssl.SSLContext | None) -> None:
    """Serve the app at a socket until the process is told to end.

    Parameters
    ----------
    state : AppState
    listener : socket
        Bound.
    tls : ssl.SSLContext or None
    """
    from fluewright.web.log_brake import braked_log

    braked_log()
    _have_descriptors()
    with suppress(KeyboardInterrupt):
        asyncio.run(_served(state, listener, tls))


async def _served(state: "AppState", listener: socket.socket, tls: ssl.SSLContext | None) -> None:
    import uvicorn

    from fluewright.web.app import build_app
    from fluewright.web.doors import Doors
    from fluewright.web.guard import THIS_COMPUTER
    from fluewright.web.http_protocol import PatientHttp, PatientSocket

    config = uvicorn.Config(
        build_app(state), http=PatientHttp, ws=PatientSocket, ws_max_size=_LARGEST_FRAME, lifespan="off",
        # No header says who asks, whatever FORWARDED_ALLOW_IPS in the environment wants: only the connection does.
        proxy_headers=False, forwarded_allow_ips="",
        h11_max_incomplete_event_size=_LARGEST_HEAD, timeout_graceful_shutdown=_FAREWELL_S,
        server_header=False, access_log=False, log_config=None, log_level="warning",
    )  # fmt: skip
    config.load()
    server = uvicorn.Server(config)
    doors = Doors(
        listener, lambda: PatientHttp(config, server.server_state, {}), tls, state.pairing.addresses, THIS_COMPUTER
    )
    accepting = asyncio.create_task(doors.serve())

    def end(_: asyncio.Task[None]) -> None:
        # A server that takes no more connections is no server.
        server.should_exit = True

    accepting.add_done_callback(end)
    try:
        # It listens at nothing itself.
        await server.serve(sockets=[])
    finally:
        accepting.cancel()


def _have_descriptors() -> None:
    """Ask the system for room for all connections and files; some begin with 256."""
    if os.name != "posix":
        return
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _FILES if hard == resource.RLIM_INFINITY else min(hard, _FILES)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
