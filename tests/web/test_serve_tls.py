"""The command `repcount serve` over TLS, with a certificate of its own making that is checked."""

from __future__ import annotations

import hashlib
import shlex
import signal
import ssl
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest

from repcount.library.store import Library
from repcount.web.security import set_passphrase
from tests.conftest import REPOSITORY
from tests.web.serving import free_port, served

PASSPHRASE = "three stones and a bar"


def trusting(data: Path, address: str) -> httpx.Client:
    """A client that trusts the server's certificate and nothing else, names checked."""
    context = ssl.create_default_context(cafile=str(data / "server.crt"))
    return httpx.Client(base_url=address, verify=context, timeout=300)


def test_a_certificate_of_its_own_holds_and_cookies_are_secure(tmp_path):
    library = Library(tmp_path)
    set_passphrase(library, PASSPHRASE)
    library.close()
    with served(tmp_path, "--host", "127.0.0.2", "--self-signed") as (port, said):
        address = f"https://127.0.0.2:{port}"
        assert f"Open {address}/" in said
        with trusting(tmp_path, address) as client:
            answer = client.post("/login", data={"passphrase": PASSPHRASE})
            assert answer.status_code == 303
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


@pytest.mark.parametrize(
    ("number", "before"),
    [
        (signal.SIGINT, signal.SIG_DFL),
        (signal.SIGTERM, signal.SIG_DFL),
        (signal.SIGINT, signal.SIG_IGN),  # as a shell starts what runs in its background (POSIX)
    ],
)
def test_who_ends_it_reads_what_is_so(tmp_path, number, before):
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "repcount.cli.main", "serve", "--data", str(tmp_path), "--port",
         str(port)],
        cwd=REPOSITORY, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, before),
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while True:
        try:
            httpx.get(f"http://127.0.0.1:{port}/plans", timeout=5)
            break
        except httpx.TransportError:
            assert time.monotonic() < deadline
            time.sleep(0.1)
    process.send_signal(number)
    said = process.communicate(timeout=30)[0]
    assert process.returncode == 0, said
    assert "The server has stopped." in said
    assert "nothing was written" not in said


def test_the_hint_at_a_passphrase_names_the_same_library(tmp_path):
    data = tmp_path / "a library"
    done = subprocess.run(
        [sys.executable, "-m", "repcount.cli.main", "serve",
         "--data", str(data), "--host", "0.0.0.0"],
        cwd=REPOSITORY, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode != 0
    hint = done.stderr.partition("set one with: ")[2].strip()
    assert shlex.split(hint) == ["repcount", "serve", "--set-passphrase", "--data", str(data)]


def test_at_an_open_address_it_asks_for_the_passphrase(tmp_path):
    library = Library(tmp_path)
    set_passphrase(library, PASSPHRASE)
    library.close()
    with (
        served(tmp_path, "--host", "0.0.0.0", "--self-signed") as (port, _),
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
