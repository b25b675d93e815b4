"""What handlers are given: the parts of the application that they serve, and ids in addresses.

`repcount.web.app` keeps the parts in the application's state, so that several applications in one
process share nothing.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends, Path, Request

from repcount.library.copies import Copies
from repcount.library.making import Maker
from repcount.library.overlays import Overlays
from repcount.library.playable import Playables
from repcount.library.store import Library
from repcount.web.queue import Queue
from repcount.web.rebuild import Rebuilder
from repcount.web.security import Attempts, Sessions
from repcount.web.settings import Settings

AttemptId = Annotated[str, Path(pattern="^[0-9a-f]{16}$")]
UploadId = Annotated[str, Path(pattern="^[0-9a-f]{32}$")]
RowId = Annotated[int, Path(ge=1, le=2**31)]


def _part(name: str) -> Any:
    """A dependency on the part that the application's state keeps under a name."""

    async def part(request: Request) -> Any:
        return getattr(request.app.state, name)

    return Depends(part)


LibraryDep = Annotated[Library, _part("library")]
QueueDep = Annotated[Queue, _part("queue")]
RebuilderDep = Annotated[Rebuilder, _part("rebuilder")]
SettingsDep = Annotated[Settings, _part("settings")]
SessionsDep = Annotated[Sessions, _part("sessions")]
CopiesDep = Annotated[Copies, _part("copies")]
PlayablesDep = Annotated[Playables, _part("playables")]
OverlaysDep = Annotated[Overlays, _part("overlays")]
# both of them
MakersDep = Annotated[tuple[Maker, ...], _part("makers")]
# tries at the passphrase, counted over all requests
TriesDep = Annotated[Attempts, _part("tries")]
# ids of uploads to which a request is writing at the moment
BusyDep = Annotated[set[str], _part("busy")]
