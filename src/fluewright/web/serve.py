"""Starts the server: on this computer alone, or for the shop's own network with TLS and pairing."""

import socket
import sys
from contextlib import suppress
from pathlib import Path

from fluewright.errors import InputError

__all__ = ["serve"]


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


def serve(ledger: Path, *, port: int, lan: bool) -> None:
    """Serve the app until it is stopped.

    Raises
    ------
    InputError
        The port is taken, or --lan finds no network.
    """
    import uvicorn

    from fluewright.files import private_folder
    from fluewright.ledger import open_ledger
    from fluewright.shop.recordings import kept_folder
    from fluewright.web.app import build_app
    from fluewright.web.app_state import AppState
    from fluewright.web.tls_certificate import own_tls_certificate

    with open_ledger(ledger):
        pass
    folder = kept_folder(ledger)
    with suppress(InputError):  # on a read-only disk the pages are looked at, and nothing is kept
        private_folder(folder)
    hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
    state = AppState(ledger, folder, hosts)
    options: dict[str, object] = {"host": "127.0.0.1"}
    says = f"http://127.0.0.1:{port}"
    if lan:
        address = _lan_address()
        certificate, key, fingerprint = own_tls_certificate(folder, ["127.0.0.1", address])
        hosts.add(f"{address}:{port}")
        state.scheme, state.address = "https", f"https://{address}:{port}"
        options = {"host": "0.0.0.0", "ssl_certfile": str(certificate), "ssl_keyfile": str(key)}
        says = (
            f"https://127.0.0.1:{port}\nother devices: {state.address}/pair, with the code that /pair shows here\n"
            f"the TLS certificate is this computer's own; its SHA-256 is {fingerprint}"
        )
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((str(options["host"]), port))
        except OSError as error:
            raise InputError(f"--port {port}: it cannot be used ({error.strerror}); choose another") from error
    sys.stdout.write(f"fluewright: {says}\nledger: {ledger}\nstop with Ctrl-C\n")
    sys.stdout.flush()
    uvicorn.run(build_app(state), port=port, log_level="warning", ws_max_size=1_048_576, server_header=False, **options)  # type: ignore[arg-type]
