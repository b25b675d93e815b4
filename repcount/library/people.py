"""People with passphrases of their own: invited by a link, coaches or athletes.

A coach sees everything. An athlete is one of the library's athletes and sees that one's attempts.
Whoever has the library's own passphrase is a coach too, without a name.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from repcount.errors import RecordError, RepcountError
from repcount.library.rows import PASSPHRASE, PersonRow, SessionRow, Setting, now
from repcount.library.store import Library, Missing, athlete_in, name_of

COACH, ATHLETE = "coach", "athlete"
INVITED_S = 7 * 86_400
NO_INVITATION = "this invitation leads nowhere: it was used, has ended, or was copied only in part."


def people(library: Library) -> Sequence[PersonRow]:
    """All of them by name."""
    with library.session() as session:
        return session.scalars(select(PersonRow).order_by(PersonRow.name)).all()


def invite(library: Library, name: str, role: str) -> str:
    """Invite somebody, or somebody again who is to choose another passphrase; the token of the
    link, which is kept as a digest alone and good for `INVITED_S`.

    Raises RepcountError where the library has no passphrase, so that everybody would see
    everything anyway, or where the name is none or that of somebody with the other role.
    """
    token, name = secrets.token_urlsafe(32), name_of(name)
    with library.session() as session:
        if session.get(Setting, PASSPHRASE) is None:
            raise RepcountError(
                "nobody is asked for a passphrase here yet; set one first with: repcount serve "
                "--set-passphrase"
            )
        person = named(session, name)
        if person is None:
            athlete = athlete_in(session, name) if role == ATHLETE else None
            person = PersonRow(name=name, role=role, athlete_id=athlete, created_at=now())
            session.add(person)
        elif person.role != role:
            raise RecordError(
                f"{name} is here as {person.role}; remove that entry first, or give another name."
            )
        person.invitation, person.invited_until = _digest(token), now() + INVITED_S
    return token


def invited(library: Library, token: str) -> PersonRow:
    """Whom an invitation is for. Missing where it is none, or no longer one."""
    with library.session() as session:
        return _invited(session, token)


def accept(library: Library, token: str, kept: str) -> int:
    """Keep the hash of a passphrase that somebody invited has chosen; the person's id. The
    invitation is used up, and sessions begun with an earlier passphrase end."""
    with library.session() as session:
        person = _invited(session, token)
        person.passphrase, person.invitation, person.invited_until = kept, None, None
        session.execute(delete(SessionRow).where(SessionRow.person_id == person.id))
        return person.id


def person_named(library: Library, name: str) -> PersonRow | None:
    """The person of a name, however it is capitalised."""
    with library.session() as session:
        return named(session, name)


def change(library: Library, person_id: int, kept: str) -> None:
    """Keep the hash of another passphrase of a person; the person's sessions end."""
    with library.session() as session:
        session.execute(update(PersonRow).where(PersonRow.id == person_id).values(passphrase=kept))
        session.execute(delete(SessionRow).where(SessionRow.person_id == person_id))


def remove(library: Library, person_id: int) -> None:
    """Let somebody in no longer; the attempts stay. Sessions and invitation end."""
    with library.session() as session:
        person = session.get(PersonRow, person_id)
        if person is None:
            raise Missing("there is no such person; the entry may have been removed already.")
        session.delete(person)


def named(session: Session, name: str) -> PersonRow | None:
    """The person of a name in this transaction, however the name is capitalised."""
    key = " ".join(name.split()).casefold()
    every = session.scalars(select(PersonRow))
    return next((one for one in every if one.name.casefold() == key), None)


def _invited(session: Session, token: str) -> PersonRow:
    person = session.scalar(select(PersonRow).where(PersonRow.invitation == _digest(token)))
    if person is None or (person.invited_until or 0) <= now():
        raise Missing(NO_INVITATION)
    return person


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
