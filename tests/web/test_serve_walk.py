"""The way that people go: a passphrase, TLS with a certificate of its own, a browser; as a phone
and as a desk."""

from __future__ import annotations

import hashlib
import re
import ssl
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
from click.testing import CliRunner

from repcount.cli.main import cli
from repcount.web.serve import is_loopback, own_address
from tests.conftest import REPOSITORY
from tests.web.browser import CHROMIUM, Browser
from tests.web.serving import served
from tests.web.test_serve_pages import PANEL, Hand, until, visit

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path to open pages in")

PASSPHRASE = "three stones and a bar"
CLIP = REPOSITORY / "sample_clips" / "slate.mp4"
SIZES = {"phone": (390, 844), "desk": (1440, 900)}
HOME = (
    "location.pathname === '/' && document.readyState === 'complete' && "
    "!!document.getElementById('film-file')"
)
REACHED = not is_loopback(own_address())  # by others: in a network
UNKNOWN_MAKER = "--ignore-certificate-errors"  # the one warning that a person clicks away


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str]]:
    data = tmp_path_factory.mktemp("walk") / "data"
    done = CliRunner().invoke(
        cli, ["serve", "--data", str(data), "--set-passphrase"], input=f"{PASSPHRASE}\n" * 2
    )
    assert done.exit_code == 0, done.output
    with served(data, "--host", "0.0.0.0", "--self-signed") as (port, _):
        yield data, f"https://localhost:{port}"


def cookies(browser: Browser) -> dict[str, str]:
    """By name. The page's own scripts cannot see them."""
    found = browser.call("Network.getCookies")["cookies"]
    return {one["name"]: one["value"] for one in found}


def log_in(browser: Browser, hand: Hand, address: str, passphrase: str = PASSPHRASE) -> None:
    visit(browser, address + "/")
    until(browser, "location.pathname === '/login' && document.readyState === 'complete'")
    hand.write("input[name=passphrase]", passphrase)
    hand.click("button.main")


@pytest.mark.parametrize("size", SIZES)
def test_log_in_upload_correct_share_delete_log_out(server, size):
    data, address = server
    with Browser(UNKNOWN_MAKER) as browser:
        browser.shape(*SIZES[size], phone=size == "phone")
        hand = Hand(browser)
        log_in(browser, hand, address, "three stones and a ba")
        until(browser, "document.body.textContent.includes('That is not the passphrase')")
        log_in(browser, hand, address)
        until(browser, HOME)
        hand.choose("#film-file", CLIP)
        hand.click("#send")
        until(browser, "!!document.getElementById('panel')", 120)
        until(browser, "document.getElementById('video').readyState > 0")
        attempt = browser.value("location.pathname.split('/').pop()")
        hand.click(".reps [data-rep]")
        if size == "phone":  # there the tools are behind a button
            hand.click("[data-act=tools]")
        hand.click("[data-act=no-rep]")
        until(browser, "document.getElementById('ask').open")
        hand.write("#ask [name=why]", "knee")
        hand.write("#ask [name=who]", "Robin")
        hand.click("#ask button[value=yes]")
        until(browser, f"{PANEL}.includes('marked a no-rep')")
        link = shared(browser, hand)
        seen_by_a_stranger(link)
        hand.click(".more details:has([hx-post$='/delete']) summary")
        hand.click(f"button[hx-post='/api/attempts/{attempt}/delete']")
        until(browser, "location.pathname === '/' && document.readyState === 'complete'")
        assert not (data / "attempts" / attempt).exists()
        old = cookies(browser)
        assert list(old) == ["__Host-repcount"]
        if size == "phone":
            hand.click(".rest summary")
        hand.click(f"{'.rest ' if size == 'phone' else ''}button[hx-post='/logout']")
        until(browser, "location.pathname === '/login' && document.readyState === 'complete'")
        assert cookies(browser) == {}
        assert "Log out" not in browser.value("document.body.textContent")
    with httpx.Client(base_url=address, cookies=old, verify=False) as again:
        assert again.get("/").headers["location"] == "/login"
        assert again.get(f"/api/attempts/{attempt}/panel").status_code == 401


def shared(browser: Browser, hand: Hand) -> str:
    """Make a link in the page; its address."""
    hand.click(".jumps [href='#share']")
    hand.click("form[hx-post$='/shares'] button")
    until(browser, "document.querySelector('p.link').textContent.startsWith('https://')", 120)
    hand.click("[data-copy]")
    until(browser, "document.querySelector('[data-copy]').textContent === 'Copied'")
    link = str(browser.value("document.querySelector('p.link').textContent"))
    said = browser.value("document.querySelector('.made').textContent")
    assert ("this machine only" in said) == (not REACHED)
    if REACHED:  # opened at localhost, and yet for others
        assert urlsplit(link).hostname == own_address()
    return link


def seen_by_a_stranger(link: str) -> None:
    """Another browser, without a session: it sees and plays the attempt, and nothing else."""
    with Browser(UNKNOWN_MAKER) as stranger:
        visit(stranger, link)
        until(stranger, "document.body.textContent.includes('no-rep')")
        source = stranger.value("document.getElementById('video').getAttribute('src')")
        until(stranger, "document.getElementById('video').readyState > 0")
        assert cookies(stranger) == {}
        video = next(one for one in stranger.events if one["method"] == "Network.requestWillBeSent"
                     and one["params"]["request"]["url"].endswith(source.lstrip(".")))  # fmt: skip
        assert not video["params"]["request"]["headers"].get("Referer")
        assert not re.search(r'name="token"', stranger.value("document.documentElement.outerHTML"))
        visit(stranger, link.partition("/s/")[0] + "/")
        until(stranger, "location.pathname === '/login'")


def test_an_athlete_follows_an_invitation_and_logs_in_by_name(server):
    _, address = server
    places = (
        "[...document.querySelectorAll('nav a')].filter(one => one.checkVisibility())"
        ".map(one => one.textContent).join()"
    )
    with Browser(UNKNOWN_MAKER) as browser:
        browser.shape(*SIZES["phone"], phone=True)
        hand = Hand(browser)
        log_in(browser, hand, address)
        until(browser, HOME)
        assert browser.value(places) == "Attempts,Workouts,Plans"
        hand.click(".rest summary")
        assert browser.value(places) == "Attempts,Workouts,Plans,Athletes,Heats,People"
        visit(browser, address + "/people")
        hand.write("input[name=name]", "Juna Mirek")
        hand.click("form.card button.main")
        until(browser, "document.querySelector('p.link').textContent.startsWith('https://')")
        link = browser.value("document.querySelector('p.link').textContent")
        assert browser.value("document.querySelector('[data-copy]').dataset.copy") == link
        assert browser.value("document.querySelectorAll('.made .qr').length") == int(REACHED)
        # of whose certificate the phone will warn
        certificate = ssl.get_server_certificate(("localhost", urlsplit(address).port))
        seen = hashlib.sha256(ssl.PEM_cert_to_DER_cert(certificate)).hexdigest()
        said = browser.value("document.querySelector('.made').textContent").replace(":", "")
        assert seen.upper() in said
        until(browser, "document.getElementById('everybody').innerText.includes('Juna Mirek')")
        hand.click(".rest summary")
        hand.click(".rest button[hx-post='/logout']")
        until(browser, "location.pathname === '/login' && document.readyState === 'complete'")
        assert browser.value("document.querySelectorAll('nav').length") == 0
        visit(browser, link)
        address = link.partition("/join/")[0]  # where the session is
        until(browser, "document.activeElement.name === 'passphrase'")
        hand.write("input[name=passphrase]", "four stones and a bar")
        hand.click("[data-reveal]")
        assert browser.value("document.querySelector('[name=passphrase]').type") == "text"
        hand.click("button.main")
        until(browser, HOME)
        assert browser.value(places) == "Attempts,Workouts,Plans"
        assert browser.value("document.getElementById('athlete').innerText") == "Juna Mirek"
        hand.click(".rest summary")
        hand.click(".rest a[href='/passphrase']")
        until(browser, "location.pathname === '/passphrase' && document.readyState === 'complete'")
        hand.write("input[name=passphrase]", "four stones and a bar")
        hand.write("input[name=chosen]", "five stones and a bar")
        hand.click("button.main")
        until(browser, HOME)
        hand.click(".rest summary")
        hand.click(".rest button[hx-post='/logout']")
        until(browser, "location.pathname === '/login' && document.readyState === 'complete'")
        hand.write("input[name=name]", "juna mirek")
        hand.write("input[name=passphrase]", "five stones and a bar")
        hand.click("button.main")
        until(browser, HOME)
        visit(browser, address + "/people")
        assert "There is no such page" in browser.value("document.body.textContent")


def test_another_sites_page_changes_nothing_and_logs_nobody_out(server):
    """A page of another origin posts a form, follows a link, and opens a shared link."""
    _, address = server
    with Browser(UNKNOWN_MAKER) as browser:
        hand = Hand(browser)
        log_in(browser, hand, address)
        until(browser, "location.pathname === '/'")
        before = cookies(browser)
        form = (
            "document.body.innerHTML = `<form method=post action={}/login>"
            "<input name=passphrase value='{}'></form>`; document.forms[0].submit()"
        )
        visit(browser, "data:text/html,<body></body>")
        browser.value(form.format(address, PASSPHRASE))
        until(browser, "document.body.textContent.includes('another site')")
        visit(browser, "data:text/html,<body></body>")
        browser.value(f"location.href = '{address}/s/nothing/'")
        until(browser, "document.body.textContent.includes('leads nowhere')")
        visit(browser, address + "/")
        until(browser, HOME)
        assert cookies(browser) == before
