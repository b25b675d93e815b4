"""Start a server: where it listens, what protects it, what it prints."""

from __future__ import annotations

import io
import ipaddress
import shlex
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fcntl import LOCK_EX, LOCK_NB, flock
from pathlib import Path

from repcount.errors import RepcountError
from repcount.library.layout import default_folder
from repcount.library.rows import PASSPHRASE
from repcount.library.store import Library
from repcount.library.tidying import start_up
from repcount.video.confinement import lacking as lacking
from repcount.web.settings import LOOPBACK, Settings

CERTIFICATE, PRIVATE_KEY = "server.crt", "server.key"
# What is said of a certificate of our own making, to whoever starts the server.
WARNED = (
    "Every phone and browser warns once that the connection is not private, since this computer "
    "made the certificate itself. Choose Advanced (or Show Details) there, then go on to the site; "
    "to be sure that it is this computer, compare the SHA-256 in the certificate's details."
)


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach it."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def own_address() -> str:
    """The address by which others in this network reach the machine; no packet is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documents (RFC 5737)
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def arranged(
    library: Library,
    settings: Settings,
    host: str,
    *,
    tls: bool,
    proxy: str | None,
) -> Settings:
    """The settings for an address. RepcountError where it would be open to others unprotected."""
    asked = library.setting(PASSPHRASE) is not None
    if is_loopback(host) and proxy is None:
        # other accounts of the machine reach it too
        return replace(settings, hosts=LOOPBACK | {host}, secure=tls, login=asked)
    if not asked:
        data = ""
        if library.folder != default_folder():
            data = f" --data {shlex.quote(str(library.folder))}"
        raise RepcountError(
            f"others could reach this server at {proxy or host}, so it needs a passphrase; set one "
            f"with: repcount serve --set-passphrase{data}"
        )
    if not tls and proxy is None:
        raise RepcountError(
            f"others could read along at {host}; give --tls-cert and --tls-key, or --self-signed, "
            "or --proxy NAME if a server in front of this one speaks TLS."
        )
    names = LOOPBACK | {host, socket.gethostname(), f"{socket.gethostname()}.local"}
    return replace(
        settings,
        hosts=frozenset({proxy}) | LOOPBACK if proxy else names,
        any_address=proxy is None,
        login=True,
        secure=True,
    )


def self_signed(folder: Path, names: list[str]) -> tuple[Path, Path]:
    """Certificate and key of our own making in the library's folder, made anew when they run out.

    A browser warns of it once; compare the fingerprint that is printed.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    certificate, key = folder / CERTIFICATE, folder / PRIVATE_KEY
    now = datetime.now(UTC)
    alternatives: list[x509.GeneralName] = []
    for name in names:
        try:
            alternatives.append(x509.IPAddress(ipaddress.ip_address(name)))
        except ValueError:
            alternatives.append(x509.DNSName(name))
    if certificate.exists() and key.exists():
        kept = x509.load_pem_x509_certificate(certificate.read_bytes())
        has = kept.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        if kept.not_valid_after_utc > now + timedelta(days=7) and list(has) == alternatives:
            return certificate, key
    private = ec.generate_private_key(ec.SECP256R1())
    name_ = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "repcount")])
    made = (
        x509.CertificateBuilder()
        .subject_name(name_)
        .issuer_name(name_)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=365))
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .sign(private, hashes.SHA256())
    )
    key.touch(mode=0o600)
    key.chmod(0o600)
    key.write_bytes(
        private.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    return certificate, key


def fingerprint(certificate: Path) -> str:
    """SHA-256 of a certificate, as browsers show it."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes

    kept = x509.load_pem_x509_certificate(certificate.read_bytes())
    return ":".join(f"{byte:02X}" for byte in kept.fingerprint(hashes.SHA256()))


def qr_lines(address: str) -> str:
    """The address as a QR code in characters of a terminal."""
    import segno

    text = io.StringIO()
    segno.make(address, error="m").terminal(out=text, compact=True, border=2)
    return text.getvalue()


@contextmanager
def only_server(folder: Path) -> Iterator[None]:
    """Hold the library as its one server; a kill lets go of it. RepcountError if there is one."""
    with (folder / "serve.lock").open("w") as held:
        try:
            flock(held, LOCK_EX | LOCK_NB)
        except OSError as error:
            raise RepcountError(
                f"{folder}: another server runs on this library; stop it or give another --data."
            ) from error
        yield


def prepared(settings: Settings) -> list[str]:
    """Set right what earlier servers have left; what was done, in sentences. RepcountError where
    the library is not as it should be: nothing is touched then."""
    library = Library(settings.data)
    try:
        return start_up(library, settings.keep_days)
    finally:
        library.close()


def run(
    settings: Settings,
    host: str,
    port: int,
    certificate: tuple[Path, Path] | None,
    *,
    proxy: str | None = None,
) -> None:
    """Serve until stopped. RepcountError where the address is taken."""
    import uvicorn

    from repcount.web.app import create_app
    from repcount.web.listening import CIPHERS, REQUEST_S, Impatient, Listening
    from repcount.web.listening import serve as serve_at

    listening = Listening(socket.AF_INET6 if ":" in host else socket.AF_INET)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
    except OSError as error:
        raise RepcountError(
            f"port {port} of {host} cannot be used ({(error.strerror or str(error)).lower()}); "
            "give another with --port or --host."
        ) from error
    config = uvicorn.Config(
        create_app(settings),
        loop="asyncio",
        http=Impatient,
        timeout_keep_alive=int(REQUEST_S),
        log_config=None,  # as everything else (`repcount.web.logs`)
        log_level="warning",
        server_header=False,
        date_header=True,
        proxy_headers=proxy is not None,
        forwarded_allow_ips="127.0.0.1",
        ssl_certfile=None if certificate is None else str(certificate[0]),
        ssl_keyfile=None if certificate is None else str(certificate[1]),
        ssl_ciphers=CIPHERS,
        timeout_graceful_shutdown=3,
        h11_max_incomplete_event_size=65_536,
    )
    serve_at(config, listening)
