"""Who a job is shared with, and links for reviewers, as the store keeps them."""

from __future__ import annotations

import hashlib
import os
import secrets
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from itsdangerous import BadData, URLSafeSerializer
from sqlalchemy import Connection, Row, func, insert, select, update

from strokecurve.app.access.rules import Level, Shares
from strokecurve.app.store import schema
from strokecurve.app.store.database import Database
from strokecurve.app.store.entries import TICK_S, lock_job
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import new_id, new_part, remove
from strokecurve.app.words.statements import LABEL_LENGTH

KEY_FILE = "link.key"
USUAL_DAYS = 14
MOST_DAYS = 90
DAY_S = 86_400.0
MOST_LINKS = 1_000
"""Links looked up for one request, far more than a browser keeps cookies for a host."""
LONGEST_TOKEN = 400
"""Characters; ours have about 130."""
_SALT = "strokecurve reviewer link"


@dataclass(frozen=True, slots=True)
class ReviewerLink:
    """A link that lets its holder read one job, comment on it and give a verdict.

    Attributes
    ----------
    link_id, job_id : str
    label : str
        Whom it was made for.
    made_s, expires_s : float
        Seconds since 1970, UTC.
    made_by : str or None
    withdrawn_s : float or None
    """

    link_id: str
    job_id: str
    label: str
    made_s: float
    made_by: str | None
    expires_s: float
    withdrawn_s: float | None

    def open_at(self, now_s: float) -> bool:
        """Whether it lets anybody in at a moment."""
        return self.withdrawn_s is None and now_s < self.expires_s


class Sharing:
    """Shares and links of a store's jobs. It keeps; ``app.access.rules`` decides.

    Parameters
    ----------
    database : Database
    folder : Path
        The store's folder; the key that links are signed with lies there, for its owner only.
    clock : callable
        Seconds since 1970.
    """

    def __init__(self, database: Database, folder: Path, clock: Callable[[], float]) -> None:
        self._database = database
        self._key_file = folder / KEY_FILE
        self._clock = clock

    # Shares

    def shares(self, job_id: str) -> Shares:
        """Who has a part in a job; nobody if there is no such job."""
        with self._database.reading() as connection:
            return _shares(connection, job_id).get(job_id, Shares(job_id))

    def all_shares(self) -> dict[str, Shares]:
        """Who has a part in which job; jobs that nobody was given are left out."""
        with self._database.reading() as connection:
            return _shares(connection, None)

    def give(self, job_id: str, mail: str, level: Level, by: str | None) -> None:
        """Give somebody a part in a job, or take it away."""
        with self._database.writing() as connection:
            lock_job(connection, job_id)
            give(connection, job_id, mail, level, by, self._clock())

    # Links

    def links(self, job_id: str) -> tuple[ReviewerLink, ...]:
        """Every link of a job, the newest first."""
        table = schema.reviewer_link
        query = select(table).where(table.c.job_id == job_id).order_by(table.c.made_s.desc(), table.c.id)
        with self._database.reading() as connection:
            return tuple(_link_from(row) for row in connection.execute(query))

    def make_link(self, job_id: str, label: str, days: float, by: str | None) -> ReviewerLink:
        """Make a link.

        Parameters
        ----------
        job_id : str
        label : str
            Whom it is for.
        days : float
            How long it lets its holder in.
        by : str or None
            Who makes it.

        Raises
        ------
        StoreError
            If a figure cannot be used or the job is not there.
        """
        label = label.strip()
        if not label or len(label) > LABEL_LENGTH or not label.isprintable():
            raise StoreError("The link is for nobody.", "Write whom it is for, in one short line.")
        if not 0 < days <= MOST_DAYS:
            raise StoreError("The link would last too long.", f"Choose 1 to {MOST_DAYS} days.")
        now = self._clock()
        link = ReviewerLink(new_id(), job_id, label, now, by, now + days * DAY_S, None)
        values = {"id": link.link_id, "job_id": job_id, "label": label, "made_s": now, "made_by": by}
        with self._database.writing() as connection:
            lock_job(connection, job_id)
            connection.execute(insert(schema.reviewer_link).values(values | {"expires_s": link.expires_s}))
        return link

    def withdraw(self, job_id: str, link_id: str) -> None:
        """Withdraw a link of a job; it never lets anybody in again."""
        table = schema.reviewer_link
        this = (table.c.id == link_id, table.c.job_id == job_id, table.c.withdrawn_s.is_(None))
        with self._database.writing() as connection:
            connection.execute(update(table).where(*this).values(withdrawn_s=self._clock()))

    def token(self, link: ReviewerLink) -> str:
        """What stands in the address of a link: its name and its end, signed."""
        return str(_serializer(self._key()).dumps([link.link_id, link.expires_s]))

    def opened_by(self, token: str) -> ReviewerLink | None:
        """The link that a token stands for; None if it is wrong, has expired or was withdrawn."""
        return next(iter(self._opened_by([token])), None)

    def held(self, tokens: Iterable[str]) -> dict[str, str]:
        """Jobs that tokens open, with whom each link was made for; those that open nothing take no place."""
        return {link.job_id: link.label for link in self._opened_by(tokens)}

    def _opened_by(self, tokens: Iterable[str]) -> tuple[ReviewerLink, ...]:
        """Links that tokens stand for and that let somebody in now; asked of the database all at once."""
        ends: dict[str, float] = {}
        if self._key_file.is_file():
            serializer, now_s = _serializer(self._key()), self._clock()
            for token in tokens:
                link_id, expires_s = _signed(serializer, token)
                if link_id is not None and now_s < expires_s and len(ends) < MOST_LINKS:
                    ends[link_id] = expires_s
        if not ends:
            return ()
        table = schema.reviewer_link
        with self._database.reading() as connection:
            rows = connection.execute(select(table).where(table.c.id.in_(list(ends)))).all()
        links = map(_link_from, rows)
        return tuple(one for one in links if one.expires_s == ends[one.link_id] and one.open_at(now_s))

    def _key(self) -> str:
        """The key that links are signed with; made when it is first asked for."""
        if not self._key_file.is_file():
            part = new_part(self._key_file.parent)
            try:
                with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
                    file.write(secrets.token_hex(32))
                    file.flush()
                    os.fsync(file.fileno())
                os.link(part, self._key_file)  # unlike a move it never replaces another's key
            except FileExistsError:
                pass
            except OSError as error:
                raise StoreError(
                    f"The key for links could not be kept: {error.strerror}.", "Make room on the disk."
                ) from error
            finally:
                remove(part)
        return self._key_file.read_text(encoding="ascii")


def give(connection: Connection, job_id: str, mail: str, level: Level, by: str | None, now_s: float) -> None:
    """Write one share on a connection that writes; the newest of a job and an address counts."""
    table = schema.share
    last = connection.execute(select(func.max(table.c.made_s)).where(table.c.job_id == job_id)).scalar()
    made_s = now_s if last is None else max(now_s, last + TICK_S)  # their order is told by their times
    row = {"id": new_id(), "job_id": job_id, "mail": mail.lower(), "level": level.value}
    connection.execute(insert(table).values(row | {"made_s": made_s, "made_by": by}))


def _shares(connection: Connection, job_id: str | None) -> dict[str, Shares]:
    table = schema.share
    query = select(table).order_by(table.c.made_s, table.c.id)
    found: dict[str, dict[str, Level]] = defaultdict(dict)
    for row in connection.execute(query if job_id is None else query.where(table.c.job_id == job_id)):
        found[row.job_id][row.mail] = Level(row.level)
    return {
        job: Shares(job, {mail: level for mail, level in levels.items() if level is not Level.NONE})
        for job, levels in found.items()
    }


def _link_from(row: Row[Any]) -> ReviewerLink:
    return ReviewerLink(
        row.id, row.job_id, row.label, row.made_s, row.made_by, row.expires_s, row.withdrawn_s
    )


def _signed(serializer: URLSafeSerializer, token: str) -> tuple[str | None, float]:
    """Name and end of the link that a token was made for; None if it was not made here."""
    if len(token) > LONGEST_TOKEN:
        return None, 0.0
    try:
        link_id, expires_s = serializer.loads(token)
        return str(link_id), float(expires_s)
    except (BadData, ValueError, TypeError):
        return None, 0.0


def _serializer(key: str) -> URLSafeSerializer:
    return URLSafeSerializer(key, salt=_SALT, signer_kwargs={"digest_method": hashlib.sha256})
