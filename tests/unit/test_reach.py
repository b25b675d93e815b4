"""How far a link reaches, by the address blocks that the standards name."""

from __future__ import annotations

import pytest
from starlette.requests import Request

from repcount.web.reach import link_part, qr_code, reach_words
from repcount.web.security import base_of
from repcount.web.settings import Settings

MACHINE = ["127.0.0.1", "localhost", "[::1]", "::1"]  # RFC 6890, RFC 6761
NETWORK = [
    "10.1.2.3", "172.16.0.9", "192.168.178.20",  # RFC 1918
    "169.254.7.7", "[fe80::1]",  # RFC 3927, RFC 4291
    "fd12:3456:789a::1",  # RFC 4193
    "hall.local", "HALL.local.",  # RFC 6762
    "hall",  # no dot: known in one network (common practice, no source)
]  # fmt: skip
EVERYWHERE = ["reps.example.org", "8.8.8.8", "172.32.0.1", "2001:4860:4860::8888"]


@pytest.mark.parametrize("host", MACHINE)
def test_an_address_of_this_machine_is_said(host):
    assert "this machine only" in reach_words(host)


@pytest.mark.parametrize("host", NETWORK)
def test_an_address_of_this_network_is_said(host):
    assert "this network only" in reach_words(host)


@pytest.mark.parametrize("host", EVERYWHERE)
def test_of_an_address_that_everybody_reaches_nothing_is_said(host):
    assert reach_words(host) == ""


def asked_at(host: str) -> Request:
    """A request as whoever opened the site at a host sends it."""
    return Request({"type": "http", "scheme": "http", "path": "/", "query_string": b"",
                    "headers": [(b"host", host.encode())]})  # fmt: skip


def test_a_link_is_for_the_address_at_which_others_reach_the_server():
    open_to_all = Settings(address="https://192.168.178.20:8000/", secure=True)
    assert base_of(asked_at("localhost:8000"), open_to_all) == "https://192.168.178.20:8000/"
    assert base_of(asked_at("127.0.0.1:8000"), open_to_all) == "https://192.168.178.20:8000/"
    # by which it was opened elsewhere it is reached elsewhere
    assert base_of(asked_at("hall.local:8000"), open_to_all) == "https://hall.local:8000/"
    assert base_of(asked_at("localhost:8000"), Settings()) == "http://localhost:8000/"


def test_a_link_that_no_other_device_can_open_has_no_code():
    assert "<svg" in link_part("https://192.168.178.20:8000/s/x/", "")
    made = link_part("http://localhost:8000/s/x/", "")
    assert "<svg" not in made
    assert "on this machine only" in made


def test_a_qr_code_is_a_picture_without_style_or_script():
    drawn = qr_code("http://127.0.0.1:8000/s/<token>/")
    assert drawn.startswith("<svg")
    assert "style" not in drawn
    assert "<token>" not in drawn
