"""The command `repcount serve` over TLS, with a certificate of its own making that is checked."""

from __future__ import annotations

import hashlib
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from repcount.library.store import Library
from repcount.web.security import set_passphrase
from tests.conftest import REPOSITORY
from tests.web.serving import free_port

PASSPHRASE = "three stones and a bar"


@contextmanager
def served(data: Path, host: str, *more: str) -> Iterator[tuple[int, str]]:
    """The command's port and what it printed before it was reached."""
    port = free_port()
    command = [
        sys.executable,
        "-m",
        "repcount.cli.main",
        "serve",
        "--data",
        str(data),
        "--host",
        host,
    ]
    process = subprocess.Popen(
        [*command, "--port", str(port), *more],
        cwd=REPOSITORY, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    try:
        deadline = time.monotonic() + 300
        while True:
            try:
                socket.create_connection(("127.0.0.2", port), timeout=1).close()
                break
            except OSError:
                assert process.poll() is None, process.communicate()[0]
                assert time.monotonic() < deadline
                time.sleep(0.1)
        said: list[str] = []
        assert process.stdout is not None
        while not said or not said[-1].startswith("Open "):
            said.append(process.stdout.readline())
            assert said[-1], said
        yield port, "".join(said)
    finally:
        process.terminate()
        process.communicate(timeout=300)


def trusting(data: Path, address: str) -> httpx.Client:
    """A client that trusts the server's certificate and nothing else, names checked."""
    context = ssl.create_default_context(cafile=str(data / "server.crt"))
    return httpx.Client(base_url=address, verify=context, timeout=300)


def test_a_certificate_of_its_own_holds_and_cookies_are_secure(tmp_path):
    with served(tmp_path, "127.0.0.2", "--self-signed") as (port, said):
        address = f"https://127.0.0.2:{port}"
        assert f"Open {address}/" in said
        with trusting(tmp_path, address) as client:
            answer = client.get("/")
            assert answer.status_code == 200
            cookie = answer.headers["set-cookie"]
            assert cookie.startswith("__Host-repcount=")
            assert {"secure", "httponly", "path=/"} <= {
                part.strip().lower() for part in cookie.split(";")
            }
            assert "max-age" in answer.headers["strict-transport-security"]
        der = ssl.PEM_cert_to_DER_cert(ssl.get_server_certificate(("127.0.0.2", port)))
        shown = said.partition("SHA-256: ")[2].split()[0]
        assert shown.replace(":", "").lower() == hashlib.sha256(der).hexdigest()
        with pytest.raises(httpx.ConnectError, match=r"(?i)certificate"):
            httpx.get(address)  # trusted by nobody who has not been told
        with pytest.raises(httpx.TransportError):
            httpx.get(f"http://127.0.0.2:{port}")


def test_at_an_open_address_it_asks_for_the_passphrase(tmp_path):
    library = Library(tmp_path)
    set_passphrase(library, PASSPHRASE)
    library.close()
    with (
        served(tmp_path, "0.0.0.0", "--self-signed") as (port, _),
        trusting(tmp_path, f"https://localhost:{port}") as client,
    ):
        assert client.get("/").headers["location"] == "/login"
        assert client.get("/login").status_code == 200
        assert client.post("/login", data={"passphrase": "?"}).status_code == 403
        answer = client.post("/login", data={"passphrase": PASSPHRASE})
        assert answer.status_code == 303
        assert "secure" in answer.headers["set-cookie"].lower()
        assert client.get("/").status_code == 200
        client.cookies.clear()
        assert client.get("/").status_code == 303
        with pytest.raises(httpx.ConnectError, match=r"(?i)certificate"):
            trusting(tmp_path, f"https://127.0.0.3:{port}").get("/")  # not one of its names
