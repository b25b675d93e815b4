"""How far a link reaches, and its QR code: what whoever shares one should know."""

from __future__ import annotations

import io
import ipaddress
from urllib.parse import urlsplit

import segno
from markupsafe import Markup

from repcount.web.templates import page

_BORDER = 4  # modules of quiet zone that readers need (ISO/IEC 18004)


def reach_words(host: str) -> str:
    """What is to be said of links to a host; empty where everybody can reach it.

    Addresses that no router passes on are those of RFC 1918, 3927, 4193 and 4291; names without a
    dot and those that end in .local (RFC 6762) are known in one network.
    """
    name = host.strip("[]").rstrip(".").lower()
    try:
        address = ipaddress.ip_address(name.partition("%")[0])
    except ValueError:
        if name == "localhost" or name.endswith(".localhost"):
            return _MACHINE
        return _NETWORK if "." not in name or name.endswith(".local") else ""
    if address.is_loopback:
        return _MACHINE
    return _NETWORK if address.is_private or address.is_link_local else ""


def link_part(link: str, fingerprint: str, given_to: str = "") -> str:
    """A link that was made, as HTML: to copy, to send, as a QR code where another device can open
    it, and what whoever does should know; `fingerprint` is that of a certificate of which browsers
    warn."""
    reach = reach_words(urlsplit(link).hostname or "")
    return page(
        "link.html", link=link, code="" if reach == _MACHINE else qr_code(link),
        fingerprint=fingerprint, given_to=given_to, reach=reach,
    )  # fmt: skip


_MACHINE = (
    "This link works on this machine only: the server listens to nobody else. Start repcount serve "
    "with --host, and links are for the address that it prints."
)
_NETWORK = (
    "This link works in this network only: whoever opens it has to be in the same Wi-Fi, and this "
    "machine has to be on."
)


def qr_code(address: str) -> Markup:
    """An address as a QR code, dark on light in both colour schemes."""
    drawn = io.BytesIO()
    segno.make(address, error="m").save(
        drawn, kind="svg", xmldecl=False, svgclass="qr", lineclass=None, omitsize=True,
        border=_BORDER, dark="#000", light="#fff", title="QR code of the link",
    )  # fmt: skip
    return Markup(drawn.getvalue().decode("utf-8"))
