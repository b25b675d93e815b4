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
from collections.abc import AsyncIterator
from contextlib import suppress
from typing import Annotated

from fastapi import APIRouter, Header, Path, Request, Response
from fastapi.concurrency import run_in_threadpool
from sqlalchemy import select
from starlette.requests import ClientDisconnect

from repcount.errors import FootageError, RepcountError
from repcount.library.rows import Athlete, PlanRow, Upload, now
from repcount.library.store import Library
from repcount.video.containers import sniff
from repcount.web.queue import Queue, drop_upload, take_in
from repcount.web.settings import Settings

VERSION = "1.0.0"
HEAD_BYTES = 4096  # enough for `sniff`
SPARE_BYTES = 1_000_000_000  # kept free for results and everything else on the disk
MOST_OPEN = 50  # uploads on their way at once
UploadId = Annotated[str, Path(pattern="^[0-9a-f]{32}$")]


def router(library: Library, queue: Queue, settings: Settings) -> APIRouter:
    """The upload addresses."""
    routes = APIRouter(prefix="/api/uploads", tags=["uploads"])
    busy: set[str] = set()
    common = {"Tus-Resumable": VERSION, "Cache-Control": "no-store"}

    def refused(status: int, why: str) -> Response:
        return Response(why, status, common, "text/plain")

    def wrong_version(given: str | None) -> Response | None:
        if given == VERSION:
            return None
        return Response(
            f"This server speaks tus {VERSION}.", 412, {**common, "Tus-Version": VERSION},
            "text/plain",
        )  # fmt: skip

    def found(upload_id: str) -> Upload | None:
        with library.session() as session:
            return session.get(Upload, upload_id)

    def arrived(upload: Upload) -> int | None:
        if upload.attempt_id is not None:
            return upload.size
        file = library.upload_file(upload.id)
        return file.stat().st_size if file.exists() else None

    @routes.options("/", status_code=204, responses={204: {"description": "capabilities"}})
    def capabilities() -> Response:
        """What this server can do."""
        return Response(
            status_code=204,
            headers={
                **common,
                "Tus-Version": VERSION,
                "Tus-Extension": "creation,termination",
                "Tus-Max-Size": str(settings.largest_bytes),
            },
        )

    def begin(size: int, words: dict[str, str]) -> tuple[int, str]:
        with library.session() as session:
            coming = session.scalars(select(Upload).where(Upload.attempt_id.is_(None))).all()
            left = sum(one.size - (arrived(one) or 0) for one in coming)
            if len(coming) >= MOST_OPEN:
                return 429, "Too many uploads are on their way; wait for some to end."
            if size + left + SPARE_BYTES > shutil.disk_usage(library.folder).free:
                return 507, "The disk has no room for this video; delete old attempts first."
            athlete = _number(words.get("athlete"))
            plan = _number(words.get("plan"))
            if athlete is not None and session.get(Athlete, athlete) is None:
                return 400, "There is no such athlete; choose again."
            if plan is not None and session.get(PlanRow, plan) is None:
                return 400, "There is no such plan; choose again."
            upload = Upload(
                id=secrets.token_hex(16), size=size, file_name=words.get("filename", "")[:120],
                athlete_id=athlete, plan_id=plan, created_at=now(),
            )  # fmt: skip
            library.upload_file(upload.id).touch(mode=0o600)
            session.add(upload)
        return 201, upload.id

    @routes.post(
        "/",
        status_code=201,
        responses={
            201: {"description": "made; its address is in Location"},
            **_said(400, 412, 413, 429, 507),
        },
    )
    async def create(
        tus_resumable: Annotated[str | None, Header()] = None,
        upload_length: Annotated[str | None, Header()] = None,
        upload_metadata: Annotated[str | None, Header()] = None,
    ) -> Response:
        """Announce a video: its length, its name, whose it is, and for which plan."""
        if wrong := wrong_version(tus_resumable):
            return wrong
        size = _number(upload_length)
        if size is None or size < 1:
            return refused(400, "Upload-Length must say how many bytes come.")
        if size > settings.largest_bytes:
            return refused(
                413,
                f"The video has {size / 1e9:.1f} GB and at most "
                f"{settings.largest_bytes / 1e9:.1f} GB are taken; cut it to the attempt.",
            )
        words = _metadata(upload_metadata or "")
        if words is None:
            return refused(400, "Upload-Metadata is not as tus has it.")
        status, said = await run_in_threadpool(begin, size, words)
        if status != 201:
            return refused(status, said)
        return Response(status_code=201, headers={**common, "Location": f"/api/uploads/{said}"})

    @routes.head("/{upload_id}", responses=_said(404, 412))
    def offset(
        upload_id: UploadId, tus_resumable: Annotated[str | None, Header()] = None
    ) -> Response:
        """How much has come."""
        if wrong := wrong_version(tus_resumable):
            return wrong
        upload = found(upload_id)
        come = arrived(upload) if upload else None
        if upload is None or come is None:
            return refused(404, "There is no such upload.")
        headers = {**common, "Upload-Offset": str(come), "Upload-Length": str(upload.size)}
        if come == upload.size:
            try:
                headers["X-Attempt"] = take_in(library, upload_id)
            except RepcountError:
                return refused(404, "There is no such upload.")
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
        tus_resumable: Annotated[str | None, Header()] = None,
        upload_offset: Annotated[str | None, Header()] = None,
    ) -> Response:
        """The next bytes."""
        if wrong := wrong_version(tus_resumable):
            return wrong
        if request.headers.get("content-type") != "application/offset+octet-stream":
            return refused(415, "Bytes come as application/offset+octet-stream.")
        upload = await run_in_threadpool(found, upload_id)
        come = arrived(upload) if upload else None
        if upload is None or come is None:
            return refused(404, "There is no such upload.")
        at = _number(upload_offset)
        if at is None:
            return refused(400, "Upload-Offset must say where these bytes belong.")
        if upload_id in busy:
            return refused(423, "Another request is writing to this upload.")
        if at != come:
            return refused(409, "The upload goes on at another place; ask again.")
        busy.add(upload_id)
        try:
            file = library.upload_file(upload_id)
            if upload.attempt_id is None:
                with file.open("ab") as sink:
                    try:
                        async for piece in _unstalled(request.stream(), settings.stalled_s):
                            if at + len(piece) > upload.size:
                                return refused(413, "More bytes came than were announced.")
                            await run_in_threadpool(sink.write, piece)
                            before, at = at, at + len(piece)
                            if before < HEAD_BYTES <= at:
                                sink.flush()
                                sniff(file)
                    except ClientDisconnect:
                        return refused(400, "The connection was lost.")
                    except TimeoutError:
                        return refused(408, "Nothing came for too long; ask again and go on.")
                    finally:
                        sink.flush()
                        await run_in_threadpool(os.fsync, sink.fileno())
            headers = {**common, "Upload-Offset": str(at)}
            if at == upload.size:
                headers["X-Attempt"] = await run_in_threadpool(take_in, library, upload_id)
                queue.wake()
            return Response(status_code=204, headers=headers)
        except FootageError as error:
            await run_in_threadpool(drop_upload, library, upload_id)
            return refused(415, str(error).partition(": ")[2] or str(error))
        finally:
            busy.discard(upload_id)

    @routes.delete(
        "/{upload_id}",
        status_code=204,
        responses={204: {"description": "gone"}, **_said(404, 412, 423)},
    )
    def terminate(
        upload_id: UploadId, tus_resumable: Annotated[str | None, Header()] = None
    ) -> Response:
        """Break an upload off; what has come is deleted."""
        if wrong := wrong_version(tus_resumable):
            return wrong
        upload = found(upload_id)
        if upload is None:
            return refused(404, "There is no such upload.")
        if upload_id in busy:
            return refused(423, "Another request is writing to this upload.")
        drop_upload(library, upload_id)
        return Response(status_code=204, headers=common)

    return routes


async def _unstalled(pieces: AsyncIterator[bytes], longest_s: float) -> AsyncIterator[bytes]:
    """The pieces. TimeoutError where the next does not come: a phone that is out of reach ends no
    connection, and would keep its upload from every other."""
    with suppress(StopAsyncIteration):
        while True:
            yield await asyncio.wait_for(anext(pieces), longest_s)


def _said(*statuses: int) -> dict[int | str, dict[str, object]]:
    text = {"text/plain": {"schema": {"type": "string"}}}
    return {
        status: {"description": "refused, with the reason", "content": text} for status in statuses
    }


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
