"""The web server in a process of its own, as a workshop runs it, and plain requests to it from any address."""

import contextlib
import os
import re
import socket
import ssl
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

__all__ = ["OWNER", "Answer", "Served", "ask", "served"]

OWNER = "127.0.0.1"
_CHILD = """
import resource, socket, sys
from pathlib import Path
resource.setrlimit(resource.RLIMIT_NOFILE, (1024, 1024))
from fluewright.web.app_state import AppState
from fluewright.web.serve import run, tls_context
from fluewright.web.tls_certificate import own_tls_certificate, private_folder
ledger, lan = Path(sys.argv[1]), sys.argv[2] == "lan"
listener = socket.socket()
listener.bind(("127.0.0.1", 0))
listener.listen()
port = listener.getsockname()[1]
folder = private_folder(ledger.with_name(f"{ledger.name}.web"))
state = AppState(ledger, folder, {f"127.0.0.1:{port}"})
tls = None
if lan:
    state.scheme, state.address = "https", f"https://127.0.0.1:{port}"
    tls = tls_context(*own_tls_certificate(folder, ["127.0.0.1"])[:2])
print(port, flush=True)
run(state, listener, tls)
"""


@dataclass(frozen=True)
class Served:
    """A server that runs.

    Attributes
    ----------
    port : int
    lan : bool
        TLS and pairing, as with ``--lan``.
    log : Path
        What it wrote to standard error.
    process : Popen
    ledger : Path
        With the models d5-cylinder and c5-eight-hole and the piece D5-0001.
    """

    port: int
    lan: bool
    log: Path
    process: subprocess.Popen[str]
    ledger: Path

    @property
    def origin(self) -> str:
        """Return the origin of its pages."""
        return f"{'https' if self.lan else 'http'}://127.0.0.1:{self.port}"

    def logged(self) -> str:
        """Return what it wrote to standard error so far."""
        return self.log.read_text("utf-8", "replace")

    def connect(self, source: str = OWNER, seconds: float = 120.0, *, tls: bool = True) -> socket.socket:
        """Return a connection from an address of this machine; without `tls` it stays raw."""
        raw = socket.create_connection(("127.0.0.1", self.port), seconds, source_address=(source, 0))
        if not (self.lan and tls):
            return raw
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        try:
            return context.wrap_socket(raw)
        except BaseException:
            raw.close()
            raise


@dataclass(frozen=True)
class Answer:
    """What came back; status 0 where nothing did before the connection ended."""

    status: int
    head: str
    body: bytes
    seconds: float

    @property
    def text(self) -> str:
        """Return the body as text."""
        return self.body.decode("utf-8", "replace")


@contextlib.contextmanager
def served(*, lan: bool) -> Iterator[Served]:
    """Run a server on an invented ledger until the end of the block."""
    from fluewright.instrument.files import model_text
    from fluewright.instrument.starting import load
    from fluewright.ledger import open_ledger
    from fluewright.shop.pieces import begin_piece

    with tempfile.TemporaryDirectory(prefix="fluewright-attack-") as name:
        folder = Path(name)
        ledger, log = folder / "shop.ledger", folder / "log"
        with open_ledger(ledger) as book:
            for model in ("d5-cylinder", "c5-eight-hole"):
                book.add_model(model, model_text(load(model)))
        begin_piece(ledger, "d5-cylinder", prefix="D5", sizes={}, material="plum wood", lot="1")
        # Whatever the environment trusts: a header is not who asks.
        environment = {**os.environ, "FORWARDED_ALLOW_IPS": "*"}
        with log.open("w") as stream:
            process = subprocess.Popen(
                [sys.executable, "-c", _CHILD, str(ledger), "lan" if lan else "alone"],
                stdout=subprocess.PIPE, stderr=stream, text=True, env=environment,
            )  # fmt: skip
        assert process.stdout is not None
        try:
            said = process.stdout.readline()
            if not said:
                raise RuntimeError(f"the server did not start: {log.read_text()}")
            yield Served(int(said), lan, log, process, ledger)
        finally:
            process.terminate()
            try:
                process.wait(60)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            process.stdout.close()


def ask(server: Served, request: bytes, source: str = OWNER, seconds: float = 120.0) -> Answer:
    """Send the bytes of one request on a connection of its own and read the answer.

    Raises
    ------
    TimeoutError
        Nothing came for so many seconds.
    """
    begin = time.monotonic()
    came = b""
    try:
        with server.connect(source, seconds) as line:
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                line.sendall(request)
            while part := line.recv(65536):
                came += part
                if _is_whole(came, head_only=request.startswith(b"HEAD ")):
                    break
    except (ConnectionError, ssl.SSLError) as error:
        if isinstance(error, TimeoutError):
            raise
    head, _, body = came.partition(b"\r\n\r\n")
    found = re.match(rb"HTTP/1\.1 (\d{3})", head)
    return Answer(int(found[1]) if found else 0, head.decode("latin-1"), body, time.monotonic() - begin)


def _is_whole(came: bytes, *, head_only: bool) -> bool:
    head, end, body = came.partition(b"\r\n\r\n")
    if not end or head.startswith(b"HTTP/1.1 100"):
        return False
    if head_only or re.match(rb"HTTP/1\.1 (204|304|101)", head):
        return True
    length = re.search(rb"(?i)\ncontent-length: *(\d+)", head)
    if length:
        return len(body) >= int(length[1])
    return b"transfer-encoding: chunked" in head.lower() and body.endswith(b"0\r\n\r\n")
