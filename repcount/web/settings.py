"""How a server is set up."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path

LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})


@dataclass(frozen=True)
class Settings:
    """`hosts`: names that a request may address (IP addresses too if `any_address`). `login`:
    the passphrase is asked for even where none is set, and nobody gets in then (where one is set,
    it is asked for everywhere). `secure`: browsers reach it by TLS only. `workers`: analyses at
    once. `longest_s`: seconds of video. `stalled_s`: an upload of which nothing comes for so long
    may go on by another connection. `fingerprint`: SHA-256 of a
    certificate of our own making, of which browsers warn. `address`: how others reach it, where
    they can. `keep_days`: older attempts go into the trash. `worker`: the command of one analysis,
    to which folder, video and longest length are added.
    """

    data: Path | None = None
    hosts: frozenset[str] = LOOPBACK
    any_address: bool = False
    login: bool = False
    secure: bool = False
    workers: int = os.cpu_count() or 1
    largest_bytes: int = 4_000_000_000
    longest_s: float = 3600.0
    stalled_s: float = 30.0
    fingerprint: str = ""
    address: str = ""
    keep_days: float | None = None
    worker: tuple[str, ...] = (sys.executable, "-m", "repcount.web.worker")
