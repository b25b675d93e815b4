"""What a checker of headers and a scanner of TLS would look at, at every route of the server.

Sources: headers to send and not to send, the OWASP Secure Headers Project's lists (headers_add.json
and headers_remove.json, of July 2024) and OWASP ASVS 5.0.0, V3.3, V3.4, V4.1 and V13.4; TLS, RFC
9325 (BCP 195), RFC 8996, RFC 5746, RFC 7525's list of what TLS 1.2 must not offer, and OWASP ASVS
5.0.0, V12.1. What of these lists is left out stands with its reason in `repcount/web/SECURITY.md`.
"""

from __future__ import annotations

import re
import socket
import ssl
import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec

from repcount.library.store import Library
from repcount.web import security
from repcount.web.app import create_app
from repcount.web.security import set_passphrase
from repcount.web.settings import Settings
from tests.web.inside import asking, routes_of
from tests.web.serving import served, with_token

pytestmark = pytest.mark.slow
PASSPHRASE = "three stones and a bar"

# name: what its value must hold (regular expressions, all of them)
SENT = {
    "content-security-policy": (
        "default-src 'none'", "frame-ancestors 'none'", "base-uri 'none'", "form-action",
    ),
    "x-content-type-options": ("^nosniff$",),
    "referrer-policy": ("^(same-origin|no-referrer)$",),
    "cross-origin-opener-policy": ("^same-origin$",),
    "cross-origin-resource-policy": ("^same-origin$",),
    "permissions-policy": (r"camera=\(\)", r"microphone=\(\)", r"geolocation=\(\)", r"usb=\(\)"),
    "strict-transport-security": (r"max-age=(3153[6-9]|[4-9]\d{7}|\d{9,})",),
    "cache-control": ("no-store|no-cache",),
    "x-frame-options": ("(?i)^deny$",),
    "x-permitted-cross-domain-policies": ("^none$",),
}  # fmt: skip
# Of the list of headers to remove, those that a Python server could send; and CORS, which no page
# needs.
NOT_SENT = (
    "server", "x-powered-by", "powered-by", "product", "x-generator", "x-framework", "sourcemap",
    "x-sourcemap", "x-server-powered-by", "x-redirect-by", "x-generated-by", "host-header",
    "access-control-allow-origin", "access-control-allow-credentials",
)  # fmt: skip


@pytest.fixture(scope="module")
def inside(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """A client with a session, of a server that speaks TLS."""
    data = tmp_path_factory.mktemp("headers")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(security, "_SCRYPT", {"n": 16, "r": 1, "p": 1})
        library = Library(data)
        set_passphrase(library, PASSPHRASE)
        library.close()
        settings = Settings(data=data, hosts=frozenset({"testserver"}), login=True, secure=True)
        with asking(create_app(settings), "https://testserver") as client:
            client.post("/login", data={"passphrase": PASSPHRASE})
            yield with_token(client)


def headers_at_fault(answer: httpx.Response) -> list[str]:
    faults = [
        f"{name}: {answer.headers.get(name)}"
        for name, wanted in SENT.items()
        if not all(re.search(one, answer.headers.get(name, "")) for one in wanted)
    ]
    faults += [name for name in NOT_SENT if name in answer.headers]
    policy = answer.headers.get("content-security-policy", "")
    if re.search(r"unsafe-|\*|https?:|(?<!img-src )data:", policy):
        faults.append(policy)
    kind = answer.headers.get("content-type", "")
    if answer.content and not kind:
        faults.append("no type")
    if kind.startswith("text/html") and "charset=utf-8" not in kind:  # ASVS 4.1.1
        faults.append(kind)
    return faults


def test_every_answer_has_the_headers_that_it_should(inside):
    app = inside._transport.inner.app
    for method, path in [*routes_of(app), ("GET", "/static/web.js"), ("GET", "/nowhere")]:
        address = re.sub(r"\{[^}]*\}", "1", path)
        answer = inside.request(method, address)
        assert not headers_at_fault(answer), (method, path, answer.status_code)
        if answer.status_code == 200 and "text/html" in answer.headers["content-type"]:
            shown = 'hx-post="/logout"' in answer.text  # ASVS 7.4.4
            assert shown or path == "/login", path
        if path == "/logout":
            assert answer.headers["clear-site-data"] == '"cache", "storage"'
            inside.post("/login", data={"passphrase": PASSPHRASE})
            with_token(inside)
    for refused in (
        inside.get("/", headers={"Host": "elsewhere.example"}),
        inside.post("/api/plans", headers={"Origin": "https://elsewhere.example"}),
        inside.request("TRACE", "/"),
        inside.request("PUT", "/plans"),
    ):
        assert refused.status_code in (400, 403, 405)
        assert not headers_at_fault(refused), refused.request


def test_a_login_begins_another_session_in_place_of_the_one_before(inside):
    before = inside.cookies["__Host-repcount"]
    answer = inside.post("/login", data={"passphrase": PASSPHRASE})
    cookie = answer.headers["set-cookie"].lower()
    assert {"httponly", "samesite=strict", "secure", "path=/"} <= set(cookie.split("; "))
    assert "domain" not in cookie  # of `__Host-`, RFC 6265bis
    after = inside.cookies["__Host-repcount"]
    assert len(after) >= 22  # 128 bits and more (ASVS 7.2.3)
    other = asking(inside._transport.inner.app, "https://testserver")
    other.cookies.set("__Host-repcount", before)
    assert other.get("/").status_code == 303
    assert inside.get("/").status_code == 200


def test_links_lead_to_tls_also_where_a_server_in_front_does_not_say_that_it_speaks_it(inside):
    plain = asking(inside._transport.inner.app, "http://testserver")
    plain.headers["Cookie"] = f"__Host-repcount={inside.cookies['__Host-repcount']}"
    answer = with_token(plain).post("/api/people", data={"name": "Juna Mirek", "role": "athlete"})
    assert answer.text.startswith("https://testserver/join/")


def test_a_passphrase_is_checked_as_it_was_given(inside):
    """Not cut, not changed in its capitals (ASVS 6.2.8); 64 characters and more may be (6.2.9)."""
    assert inside.post("/login", data={"passphrase": PASSPHRASE.upper()}).status_code == 403
    assert inside.post("/login", data={"passphrase": PASSPHRASE + " "}).status_code == 403
    assert inside.post("/login", data={"passphrase": "x" * 1001}).status_code == 413
    kept = security.hash_of("ä" * 1000)
    assert security.is_passphrase(kept, "ä" * 1000)
    assert not security.is_passphrase(kept, "ä" * 999)


# --- TLS ---


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, int, Path]]:
    data = tmp_path_factory.mktemp("tls")
    library = Library(data)
    set_passphrase(library, PASSPHRASE)
    library.close()
    with served(data, "--host", "127.0.0.2", "--self-signed") as (port, _):
        yield "127.0.0.2", port, data


def agreed(door: tuple[str, int, Path], **limits: object) -> ssl.SSLSocket:
    """A connection by a client that offers no more than this, and all that OpenSSL still knows."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.load_verify_locations(door[2] / "server.crt")
    context.set_ciphers(str(limits.pop("ciphers", "ALL:COMPLEMENTOFALL")) + ":@SECLEVEL=0")
    for name, value in limits.items():
        setattr(context, name, value)
    return context.wrap_socket(
        socket.create_connection(door[:2], timeout=60), server_hostname=door[0]
    )


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion:DeprecationWarning")
@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1])
def test_old_versions_are_refused(door, version):
    """RFC 8996: TLS 1.0 and 1.1 must not be used; SSL 3 no OpenSSL of today speaks (RFC 7568)."""
    with pytest.raises((ssl.SSLError, ConnectionError)):
        agreed(door, minimum_version=version, maximum_version=version)


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_what_is_agreed_on_is_forward_secret_and_authenticated(door, version):
    with agreed(door, minimum_version=version, maximum_version=version) as one:
        name, _, bits = one.cipher()
        assert one.version() == version.name.replace("_", ".", 1).replace("v1_", "v1.")
        assert re.search("GCM|CHACHA20", name)
        assert name.startswith(("ECDHE", "TLS_"))
        assert bits >= 128
        assert one.compression() is None  # RFC 9325, 3.3


# By OpenSSL's names of groups (ciphers(1)): what RFC 9325, 4.1, says must or should not be
# negotiated, and CBC, whose padding has told before (Lucky 13).
WEAK = ("eNULL", "aNULL", "RC4", "3DES", "kRSA", "kDHE+AES", "ECDHE+AES:!AESGCM:!AESCCM", "AESCCM",
        "CAMELLIA", "ARIA", "kPSK", "SHA1")  # fmt: skip


@pytest.mark.parametrize("group", WEAK)
def test_weak_suites_are_refused(door, group):
    known = subprocess.run(
        ["openssl", "ciphers", f"{group}:@SECLEVEL=0"], capture_output=True, check=False
    )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    try:
        context.set_ciphers(f"{group}:@SECLEVEL=0")
    except ssl.SSLError:  # this OpenSSL has none of it left, and a server on it has none to offer
        assert known.returncode != 0 or not known.stdout.strip()
        return
    with pytest.raises((ssl.SSLError, ConnectionError)):
        agreed(door, ciphers=group, maximum_version=ssl.TLSVersion.TLSv1_2)


def test_the_certificate_of_its_own_making_is_as_browsers_want_it(door):
    """CA/Browser Forum Baseline Requirements 6.3.2 and 7.1.2.7: at most 398 days, names in the
    extension, no authority; NIST SP 800-57: 112 bits of security and more."""
    made = x509.load_pem_x509_certificate((door[2] / "server.crt").read_bytes())
    assert (made.not_valid_after_utc - made.not_valid_before_utc).days <= 398
    assert isinstance(made.public_key(), ec.EllipticCurvePublicKey)
    assert made.public_key().key_size >= 256
    assert made.signature_hash_algorithm is not None
    assert made.signature_hash_algorithm.name == "sha256"
    names = made.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert "127.0.0.2" in map(str, names.get_values_for_type(x509.IPAddress))
    assert not made.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    assert (door[2] / "server.key").stat().st_mode & 0o077 == 0


def test_nothing_is_renegotiated_in_a_connection(door):
    """RFC 5746 and RFC 9325, 3.5: a client that asks for it within TLS 1.2 is refused."""
    with subprocess.Popen(
        ["openssl", "s_client", "-connect", f"{door[0]}:{door[1]}", "-tls1_2"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    ) as client:  # fmt: skip
        said, _ = client.communicate("R\n", timeout=60)
    assert "Secure Renegotiation IS supported" in said
    assert "RENEGOTIATING" in said
    assert "no renegotiation" in said
