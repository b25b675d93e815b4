"""The server's side of the tus protocol, version 1.0.0 (https://tus.io/protocols/resumable-upload):
core, creation, termination.

How much has come is the size of the file, nothing else: after a kill in the middle of a request
the next one goes on where the bytes on the disk end. (A server kept in an existing package was
weighed and left: it remembers the offset beside the file and appends to what a kill has left.)
"""

from __future__ import annotations

import asyncio
import base64
import binascii
import os
import secrets
import shutil
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Annotated, BinaryIO

from fastapi import APIRouter, Header, Request, Response
from fastapi.concurrency import run_in_threadpool
from sqlalchemy import select
from starlette.requests import ClientDisconnect

from repcount.errors import FootageError, RepcountError
from repcount.library.rows import AthleteRow, PlanRow, Upload, now
from repcount.library.store import Library
from repcount.video.containers import sniff
from repcount.web.depends import BusyDep, LibraryDep, QueueDep, SettingsDep, UploadId
from repcount.web.queue import drop_upload, take_in
from repcount.web.roles import AccessDep, plans_for
from repcount.web.security import Access
from repcount.wording.moments import parse_recorded

VERSION = "1.0.0"
HEAD_BYTES = 4096  # enough for `sniff`
SPARE_BYTES = 1_000_000_000  # kept free for results and everything else on the disk
MOST_OPEN = 50  # uploads on their way at once; then the one that has been idle longest gives way
IDLE_S = 600.0  # a phone that lost its network comes back within that
HeaderText = Annotated[str | None, Header()]
_COMMON = {"Tus-Resumable": VERSION, "Cache-Control": "no-store"}

routes = APIRouter(prefix="/api/uploads", tags=["uploads"])


class Refused(Exception):
    """A request is not done: the answer's status, the reason in a sentence, further headers."""

    def __init__(self, status: int, why: str, **headers: str) -> None:
        super().__init__(why)
        self.status, self.why, self.headers = status, why, headers


async def refused(_: Request, error: Refused) -> Response:
    """The answer to a request that is not done."""
    return Response(error.why, error.status, _COMMON | error.headers, "text/plain")


def _said(*statuses: int) -> dict[int | str, dict[str, object]]:
    text = {"text/plain": {"schema": {"type": "string"}}}
    return {
        status: {"description": "refused, with the reason", "content": text} for status in statuses
    }


@routes.options("/", status_code=204, responses={204: {"description": "capabilities"}})
def capabilities(settings: SettingsDep) -> Response:
    """What this server can do."""
    return Response(
        status_code=204,
        headers={
            **_COMMON,
            "Tus-Version": VERSION,
            "Tus-Extension": "creation,termination",
            "Tus-Max-Size": str(settings.largest_bytes),
        },
    )


@routes.post(
    "/",
    status_code=201,
    responses={
        201: {"description": "made; its address is in Location"},
        **_said(400, 412, 413, 429, 507),
    },
)
async def create(
    library: LibraryDep,
    settings: SettingsDep,
    busy: BusyDep,
    access: AccessDep,
    tus_resumable: HeaderText = None,
    upload_length: HeaderText = None,
    upload_metadata: HeaderText = None,
) -> Response:
    """Announce a video: its length, its name, whose it is, for which plan, and when filmed."""
    _demand_version(tus_resumable)
    size = _number(upload_length)
    if size is None or size < 1:
        raise Refused(400, "Upload-Length must say how many bytes come.")
    if size > settings.largest_bytes:
        raise Refused(
            413,
            f"The video has {size / 1e9:.1f} GB and at most "
            f"{settings.largest_bytes / 1e9:.1f} GB are taken; cut it to the attempt.",
        )
    words = _metadata(upload_metadata or "")
    if words is None:
        raise Refused(400, "Upload-Metadata is not as tus has it.")
    if access.athlete_id is not None:
        await run_in_threadpool(_own_only, library, access, words)
    upload_id = await run_in_threadpool(begin, library, size, words, frozenset(busy))
    return Response(status_code=201, headers={**_COMMON, "Location": f"/api/uploads/{upload_id}"})


@routes.head("/{upload_id}", responses=_said(404, 412))
def offset(
    upload_id: UploadId, library: LibraryDep, queue: QueueDep, tus_resumable: HeaderText = None
) -> Response:
    """How much has come."""
    _demand_version(tus_resumable)
    upload = _found(library, upload_id)
    come = _arrived(library, upload) if upload else None
    if upload is None or come is None:
        raise Refused(404, "There is no such upload.")
    headers = {**_COMMON, "Upload-Offset": str(come), "Upload-Length": str(upload.size)}
    if come == upload.size:
        try:
            headers["X-Attempt"] = take_in(library, upload_id)
        except RepcountError as error:
            raise Refused(404, "There is no such upload.") from error
        queue.wake()
    return Response(status_code=200, headers=headers)


@routes.patch(
    "/{upload_id}",
    status_code=204,
    responses={
        204: {"description": "taken; Upload-Offset says how much has come"},
        **_said(400, 404, 408, 409, 412, 413, 415, 423),
    },
)
async def more(
    request: Request,
    upload_id: UploadId,
    library: LibraryDep,
    queue: QueueDep,
    settings: SettingsDep,
    busy: BusyDep,
    tus_resumable: HeaderText = None,
    upload_offset: HeaderText = None,
) -> Response:
    """The next bytes."""
    _demand_version(tus_resumable)
    if request.headers.get("content-type") != "application/offset+octet-stream":
        raise Refused(415, "Bytes come as application/offset+octet-stream.")
    upload = await run_in_threadpool(_found, library, upload_id)
    come = _arrived(library, upload) if upload else None
    if upload is None or come is None:
        raise Refused(404, "There is no such upload.")
    at = _number(upload_offset)
    if at is None:
        raise Refused(400, "Upload-Offset must say where these bytes belong.")
    if upload_id in busy:
        raise Refused(423, "Another request is writing to this upload.")
    if at != come:
        raise Refused(409, "The upload goes on at another place; ask again.")
    busy.add(upload_id)
    try:
        if upload.attempt_id is None:
            pieces = _unstalled(request.stream(), settings.stalled_s)
            at = await _append(library.upload_file(upload_id), pieces, at, upload.size)
        headers = {**_COMMON, "Upload-Offset": str(at)}
        if at == upload.size:
            headers["X-Attempt"] = await run_in_threadpool(take_in, library, upload_id)
            queue.wake()
    except FootageError as error:
        await run_in_threadpool(drop_upload, library, upload_id)
        said = str(error).partition(": ")[2] or str(error)
        raise Refused(415, said[:1].upper() + said[1:]) from error
    finally:
        busy.discard(upload_id)
    return Response(status_code=204, headers=headers)


@routes.delete(
    "/{upload_id}",
    status_code=204,
    responses={204: {"description": "gone"}, **_said(404, 412, 423)},
)
def terminate(
    upload_id: UploadId, library: LibraryDep, busy: BusyDep, tus_resumable: HeaderText = None
) -> Response:
    """Break an upload off; what has come is deleted."""
    _demand_version(tus_resumable)
    if _found(library, upload_id) is None:
        raise Refused(404, "There is no such upload.")
    if upload_id in busy:
        raise Refused(423, "Another request is writing to this upload.")
    drop_upload(library, upload_id)
    return Response(status_code=204, headers=_COMMON)


def _demand_version(given: str | None) -> None:
    if given != VERSION:
        raise Refused(412, f"This server speaks tus {VERSION}.", **{"Tus-Version": VERSION})


def _found(library: Library, upload_id: str) -> Upload | None:
    with library.session() as session:
        return session.get(Upload, upload_id)


def _arrived(library: Library, upload: Upload) -> int | None:
    """How many bytes of an upload have come; None where its file is gone."""
    if upload.attempt_id is not None:
        return upload.size
    file = library.upload_file(upload.id)
    return file.stat().st_size if file.exists() else None


def begin(library: Library, size: int, words: dict[str, str], busy: frozenset[str]) -> str:
    """A new upload; its id. `busy` are those to which a request is writing."""
    _give_way(library, busy)
    with library.session() as session:
        coming = session.scalars(select(Upload).where(Upload.attempt_id.is_(None))).all()
        left = sum(one.size - (_arrived(library, one) or 0) for one in coming)
        if size + left + SPARE_BYTES > shutil.disk_usage(library.folder).free:
            raise Refused(507, "The disk has no room for this video; delete old attempts first.")
        athlete = _number(words.get("athlete"))
        plan = _number(words.get("plan"))
        if athlete is not None and session.get(AthleteRow, athlete) is None:
            raise Refused(400, "There is no such athlete; choose again.")
        if plan is not None and session.get(PlanRow, plan) is None:
            raise Refused(400, "There is no such plan; choose again.")
        filmed = _filmed(words.get("recorded"))
        upload = Upload(
            id=secrets.token_hex(16), size=size, file_name=words.get("filename", "")[:120],
            athlete_id=athlete, plan_id=plan, recorded_at=filmed, created_at=now(),
        )  # fmt: skip
        library.upload_file(upload.id).touch(mode=0o600)
        session.add(upload)
    return upload.id


def _own_only(library: Library, access: Access, words: dict[str, str]) -> None:
    """What an athlete uploads is the athlete's own. Refused where it is said to be another's, or
    for a plan that is another's."""
    if words.setdefault("athlete", str(access.athlete_id)) != str(access.athlete_id):
        raise Refused(400, "There is no such athlete; choose again.")
    may = {str(one.id) for one in plans_for(library, access)}
    if words.get("plan", "") not in {"", *may}:
        raise Refused(400, "There is no such plan; choose again.")


def _filmed(text: str | None) -> str | None:
    """When it was filmed, as the library keeps it; None where nothing is said."""
    try:
        return parse_recorded(text) if text else None
    except ValueError as error:
        raise Refused(400, f"When it was filmed: {error}.") from error


def _give_way(library: Library, busy: frozenset[str]) -> None:
    """Where as many uploads are on their way as may be, forget the one idle for longest. Refused
    where none has been idle for `IDLE_S`."""
    with library.session() as session:
        coming = session.scalars(select(Upload).where(Upload.attempt_id.is_(None))).all()
    if len(coming) < MOST_OPEN:
        return
    idle = [(_touched_s(library, one), one.id) for one in coming if one.id not in busy]
    longest_s, oldest = min(idle, default=(float("inf"), ""))
    if longest_s > time.time() - IDLE_S:
        raise Refused(429, "Too many uploads are on their way; wait for some to end.")
    drop_upload(library, oldest)


def _touched_s(library: Library, upload: Upload) -> float:
    """When the last byte came (seconds since 1970)."""
    file = library.upload_file(upload.id)
    return file.stat().st_mtime if file.exists() else 0.0


async def _append(file: Path, pieces: AsyncIterator[bytes], at: int, size: int) -> int:
    """Write pieces to the end of a file that has `at` of `size` bytes; how many it has then.

    Raises FootageError where its first bytes are no video's.
    """
    async with _lasting(file) as sink:
        async for piece in pieces:
            if at + len(piece) > size:
                raise Refused(413, "More bytes came than were announced.")
            await run_in_threadpool(sink.write, piece)
            before, at = at, at + len(piece)
            if before < HEAD_BYTES <= at:
                sink.flush()
                sniff(file)
    return at


@asynccontextmanager
async def _lasting(file: Path) -> AsyncIterator[BinaryIO]:
    """A file to append to. What was written is on the disk at the end, whatever is raised."""
    with file.open("ab") as sink:
        try:
            yield sink
        finally:
            sink.flush()
            await run_in_threadpool(os.fsync, sink.fileno())


async def _unstalled(pieces: AsyncIterator[bytes], longest_s: float) -> AsyncIterator[bytes]:
    """The pieces. Refused where the connection is lost, and where the next does not come: a phone
    that is out of reach ends no connection, and would keep its upload from every other."""
    while True:
        try:
            piece = await asyncio.wait_for(anext(pieces), longest_s)
        except StopAsyncIteration:
            return
        except ClientDisconnect as error:
            raise Refused(400, "The connection was lost.") from error
        except TimeoutError as error:
            raise Refused(408, "Nothing came for too long; ask again and go on.") from error
        yield piece


def _number(text: str | None) -> int | None:
    """A whole number of at most 18 digits, None for anything else."""
    if not text or not text.isascii() or not text.isdecimal() or len(text) > 18:
        return None
    return int(text)


def _metadata(header: str) -> dict[str, str] | None:
    """`key base64,key base64` as a table; None if it is not that."""
    words: dict[str, str] = {}
    if len(header) > 4000:
        return None
    for part in filter(None, (one.strip() for one in header.split(","))):
        key, _, value = part.partition(" ")
        try:
            words[key] = base64.b64decode(value, validate=True).decode("utf-8")
        except (binascii.Error, ValueError):
            return None
    return words
