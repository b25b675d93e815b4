"""The library from the command line: `--save` of two commands, `library` and `serve`."""

from __future__ import annotations

import importlib.util
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from repcount.cli.options import TARGET, plain
from repcount.errors import RepcountError

if TYPE_CHECKING:
    from repcount.library.store import Library

NEEDED = ("sqlalchemy", "alembic", "platformdirs")
SERVED = (*NEEDED, "fastapi", "uvicorn", "segno", "cryptography", "python_multipart")

DATA = click.option(
    "--data", type=click.Path(path_type=Path), help="The library's folder, if not your account's."
)


def demand(modules: tuple[str, ...], what: str) -> None:
    """Raises RepcountError where a package of the extra `web` is missing."""
    missing = [name for name in modules if not _there(name)]
    if missing:
        raise RepcountError(
            f"{what} needs packages that are not installed ({', '.join(missing)}); install them "
            "with: pip install 'repcount[web]'"
        )


def opened(data: Path | None) -> Library:
    """The library, with a sentence where its packages are missing."""
    demand(NEEDED, "the library")
    from repcount.library.store import Library

    kept = Library(data)
    for sentence in kept.notices:
        click.echo(plain(sentence), err=True)
    return kept


def save_results(
    data: Path | None, video: Path, out: Path, plan: Path | None, athlete: str | None
) -> str:
    """Put a video and its results into the library; the attempt's id."""
    from repcount.plan import load_plan

    library = opened(data)
    name = athlete or (load_plan(plan).athlete if plan else None)
    return library.add_attempt(
        video,
        video.name,
        athlete_id=library.athlete_named(name) if name else None,
        plan_toml=plan.read_bytes().decode("utf-8-sig") if plan else None,
        results=out,
    )


def save_heat(data: Path | None, out: Path) -> str:
    """Put a heat's files into the library; the heat's id."""
    return opened(data).add_heat(out)


def _there(name: str) -> bool:
    try:
        return importlib.util.find_spec(name) is not None
    except ValueError:  # it was marked as absent
        return False


@click.group()
def library() -> None:
    """Look after the library that `analyze --save`, `heat --save` and `serve` share."""


@library.command("list")
@DATA
def list_(data: Path | None) -> None:
    """List attempts, then heats, the newest first."""
    kept = opened(data)
    from repcount.library.rows import doubles
    from repcount.wording.numbers import clock

    names = {one.id: one.name for one in kept.athletes()}
    rows = kept.attempts()
    twice = doubles(rows)
    for row in rows:
        who = names.get(row.athlete_id, "") if row.athlete_id else ""
        total = clock(row.total_s) if row.total_s is not None else row.state
        missing = f"  ({row.missing})" if row.missing else ""
        filmed = f"  filmed {row.filmed}" if row.filmed else ""
        again = f"  (the same video as {twice[row.id].id}, counts once)" if row.id in twice else ""
        name = f"{row.workout or row.file_name}{missing}{filmed}{again}"
        click.echo(plain(f"{row.id}  {total:<10}  {who}  {name}".rstrip()))
    for heat in kept.heats():
        click.echo(plain(f"{heat.id}  heat of {heat.count:<3}  {heat.name}"))
    click.echo(f"Library: {plain(kept.folder)}")


@library.command("export")
@click.argument("archive", type=TARGET)
@click.option("--originals", is_flag=True, help="Videos as they came, with place and device.")
@DATA
def export(archive: Path, originals: bool, data: Path | None) -> None:
    """Write the whole library into one archive (ZIP).

    Videos go into it without the place where and the device with which they were filmed; frames
    and sound stay as they are. For a backup of your own, --originals keeps every byte.
    """
    kept = opened(data)
    from repcount.library.archive import export_library

    many = export_library(kept, archive, originals=originals)
    how = (
        "videos as they came, place and device included"
        if originals
        else ("videos without place and device (--originals keeps them)")
    )
    click.echo(f"{many} attempts written to {plain(archive)}; {how}")


@library.command("import")
@click.argument("archive", type=click.Path(path_type=Path))
@DATA
def import_(archive: Path, data: Path | None) -> None:
    """Take in an archive, checked whole before; what is there already stays as it is."""
    kept = opened(data)
    from repcount.library.archive import import_library

    click.echo(f"{import_library(kept, archive)} new attempts taken in from {plain(archive)}")


@library.command("check")
@DATA
def check(data: Path | None) -> None:
    """Look for missing, foreign and damaged files and say what to do; nothing is changed.

    Every file is read once. Ends with 1 if anything is found.
    """
    kept = opened(data)
    from repcount.library.checking import findings

    found = 0
    for found, sentence in enumerate(findings(kept), 1):  # noqa: B007
        click.echo(plain(sentence))
    if found:
        raise click.exceptions.Exit(1)
    click.echo(f"{len(kept.attempts())} attempts and {len(kept.heats())} heats are whole.")


@library.command("delete")
@click.argument("id_", metavar="ID")
@DATA
def delete(id_: str, data: Path | None) -> None:
    """Delete an attempt (video, tracks, results, links) or a heat for good."""
    kept = opened(data)
    if any(id_ == heat.id for heat in kept.heats()):
        kept.delete_heat(id_)
    else:
        kept.delete(id_)
    click.echo(f"Deleted {plain(id_)}.")


@library.command("restore")
@click.argument("id_", metavar="ID")
@DATA
def restore(id_: str, data: Path | None) -> None:
    """Bring back an attempt or a heat from the trash, where `serve` moves what is old or lost."""
    kept = opened(data)
    from repcount.library.tidying import restore as bring_back

    bring_back(kept, id_)
    click.echo(f"Brought back {plain(id_)}.")


@click.command()
@DATA
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen at.")
@click.option("--port", type=click.IntRange(1, 65535), default=8470, show_default=True)
@click.option("--workers", type=click.IntRange(1, 64), help="Analyses at once (default: cores).")
@click.option("--largest-gb", type=click.FloatRange(0.001, 100), default=4.0, show_default=True)
@click.option("--longest-min", type=click.FloatRange(0.1, 240), default=60.0, show_default=True)
@click.option(
    "--keep-days",
    type=click.FloatRange(min=1),
    help="Move attempts and heats older than this into the trash.",
)
@click.option("--set-passphrase", is_flag=True, help="Ask for a new passphrase, keep it, and end.")
@click.option("--tls-cert", type=click.Path(path_type=Path), help="Certificate (PEM).")
@click.option("--tls-key", type=click.Path(path_type=Path), help="Its key (PEM).")
@click.option("--self-signed", is_flag=True, help="Make a certificate of its own for TLS.")
@click.option("--proxy", metavar="NAME", help="Name of a server in front that speaks TLS.")
def serve(
    data: Path | None,
    host: str,
    port: int,
    workers: int | None,
    largest_gb: float,
    longest_min: float,
    keep_days: float | None,
    set_passphrase: bool,
    tls_cert: Path | None,
    tls_key: Path | None,
    self_signed: bool,
    proxy: str | None,
) -> None:
    """Serve the library's pages: upload from a phone, review, plans.

    Only this machine reaches it unless another address is given, which needs a passphrase and TLS.
    """
    demand(SERVED, "serve")
    from dataclasses import replace

    from repcount.library.rows import PASSPHRASE
    from repcount.web import security, serve
    from repcount.web.settings import Settings

    library = opened(data)
    if set_passphrase:
        asked = f"New passphrase, at least {security.SHORTEST_PASSPHRASE} characters"
        before = library.setting(PASSPHRASE) is not None
        given = click.prompt(asked, hide_input=True, confirmation_prompt="The same again")
        security.set_passphrase(library, given)
        again = "; whoever was logged in has to give it again" if before else ""
        click.echo(f"The passphrase is set{again}.")
        return
    if (tls_cert is None) != (tls_key is None):
        raise click.UsageError("Give --tls-cert and --tls-key together.")
    given_files = [file for file in (tls_cert, tls_key) if file is not None]
    for file in given_files:
        if not file.is_file():
            raise RepcountError(f"{plain(file)}: no such file; check the path.")
    settings = Settings(
        data=library.folder,
        largest_bytes=int(largest_gb * 1e9),
        longest_s=longest_min * 60,
        keep_days=keep_days,
    )
    if workers is not None:
        settings = replace(settings, workers=workers)
    tls = tls_cert is not None or self_signed
    settings = serve.arranged(library, settings, host, tls=tls, proxy=proxy)
    shown = serve.own_address() if host in ("0.0.0.0", "::") else host
    certificate = (tls_cert, tls_key) if tls_cert and tls_key else None
    if self_signed and certificate is None:
        certificate = serve.self_signed(library.folder, [shown, "localhost"])
        settings = replace(settings, fingerprint=serve.fingerprint(certificate[0]))
        click.echo(f"Certificate, SHA-256: {settings.fingerprint}")
        click.echo(serve.WARNED)
    library.close()
    if proxy:
        address = f"https://{proxy}/"
    else:
        name = f"[{shown}]" if ":" in shown else shown
        address = f"{'https' if tls else 'http'}://{name}:{port}/"
    if proxy or not serve.is_loopback(shown):
        settings = replace(settings, address=address)
    with serve.only_server(library.folder):
        for sentence in (*serve.prepared(settings), *filter(None, [serve.lacking()])):
            click.echo(plain(sentence))
        click.echo(f"Open {plain(address)}   (Ctrl-C ends it)")
        if settings.login:
            click.echo(serve.qr_lines(address))
        with suppress(KeyboardInterrupt):  # the way to end it, after which it has closed all
            serve.run(settings, host, port, certificate, proxy=proxy)
        click.echo(
            "The server has stopped. What it has is in the library; uploads and readings that "
            "were under way go on when it is started again."
        )
