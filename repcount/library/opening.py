"""How a library is opened: whose the folder is, who else can read it, and the database's schema."""

from __future__ import annotations

import os
import sqlite3
import stat
from contextlib import closing, suppress
from pathlib import Path

from sqlalchemy import create_engine, event, text
from sqlalchemy.engine import Connection, Engine
from sqlalchemy.exc import SQLAlchemyError

from repcount.errors import RecordError, RepcountError, StorageError
from repcount.library.layout import DATABASE, FOLDERS


def demand_ours(folder: Path) -> None:
    """Raises RepcountError where the folder is no library and none should be made there: its
    database is another program's, or there is none and what lies in it could be taken for a
    library's own. Nothing is touched."""
    database, tables = folder / DATABASE, set()
    if database.exists():
        try:
            with closing(
                sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro", uri=True)
            ) as one:
                tables = {name for (name,) in one.execute("select name from sqlite_master")}
        except sqlite3.Error:  # said where it is opened
            return
    if {"alembic_version", "settings"} <= tables:
        return
    if tables:
        raise RecordError(
            f"{database}: is the database of something else; give another folder with --data."
        )
    for name in FOLDERS:
        part = folder / name
        if part.is_dir() and any(part.iterdir()):
            raise RepcountError(
                f"{folder}: holds a folder {name} with something in it, but {DATABASE} is "
                "missing or empty; give another folder with --data, or put the database back."
            )


def close_to_others(folder: Path) -> tuple[bool, list[str]]:
    """Keep other accounts out of folder and database.

    Whether they could read the database and cannot any longer, and what the person should know, in
    sentences.
    """
    mode = folder.stat().st_mode
    if mode & 0o077:
        try:
            folder.chmod(0o700)
        except PermissionError:
            if mode & 0o022 and not mode & stat.S_ISVTX:
                raise RepcountError(
                    f"{folder}: belongs to another account and anybody can write into it; "
                    "give another folder with --data."
                ) from None
    database = folder / DATABASE
    # SQLite gives its two files beside it the same mode
    os.close(os.open(database, os.O_CREAT | os.O_RDWR, 0o600))
    open_to = database.stat().st_mode & 0o077
    if open_to:
        for path in (
            database,
            *(database.with_name(DATABASE + end) for end in ("-wal", "-shm")),
        ):
            with suppress(FileNotFoundError):
                path.chmod(0o600)
    if database.stat().st_mode & 0o077:
        return False, [
            f"{database} can be read by other accounts of this machine: its disk does not keep "
            "permissions. Give a folder on another disk with --data."
        ]
    return bool(open_to and mode & 0o011), []


def opened(database: Path) -> Engine:
    """The database, brought to this schema where it is older. Raises RecordError where it is not
    usable."""
    engine = create_engine(f"sqlite:///{database}")
    event.listen(engine, "connect", _tuned)
    try:
        with engine.begin() as connection:
            # one at a time; the driver begins no transaction before a schema statement
            connection.execute(text("BEGIN IMMEDIATE"))
            _migrate(connection)
    except SQLAlchemyError as error:
        raise refusal(error, database) from error
    return engine


def refusal(error: Exception, database: Path | str = "the library") -> RepcountError:
    """What the database refuses, and why, as an error a person sees (result codes of SQLite)."""
    code = getattr(getattr(error, "orig", None), "sqlite_errorname", "") or ""
    kind = "_".join(code.split("_")[:2])
    # its shared memory cannot grow, which is what is said first where there is no room
    # (sqlite.org/rescode.html#ioerr_shmsize)
    if kind == "SQLITE_FULL" or code == "SQLITE_IOERR_SHMSIZE":
        return StorageError(
            f"{database}: the disk is full; make room and do it again. Nothing was lost.", full=True
        )
    if kind in ("SQLITE_READONLY", "SQLITE_PERM", "SQLITE_CANTOPEN", "SQLITE_AUTH"):
        return StorageError(
            f"{database}: cannot be written (read-only); check who may write there and whether "
            "the disk is mounted for writing."
        )
    if kind in ("SQLITE_BUSY", "SQLITE_LOCKED"):
        return StorageError(f"{database}: another program holds it; do it again when that ended.")
    if kind == "SQLITE_IOERR":
        return StorageError(
            f"{database}: the disk refuses ({code}); check the disk and its room, then do it again."
        )
    return RecordError(
        f"{database}: is not a usable library ({type(error).__name__}); "
        "give another folder with --data, or restore it from an export."
    )


def _tuned(connection: object, _: object) -> None:
    cursor = connection.cursor()  # type: ignore[attr-defined]  # the driver's own connection
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",
        "foreign_keys=ON",
        "busy_timeout=10000",
        "secure_delete=ON",  # deleted rows are overwritten
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _migrate(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
