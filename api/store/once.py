"""Makes a retried request harmless: the first answer to an idempotency key is kept and given again.

After the IETF draft "The Idempotency-Key HTTP Header Field" (httpapi working group): the same key with another
request is refused with 422.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from wearvision_api.problems import Problem
from wearvision_api.store.tables import Reply

KEY_LENGTH = 200


@dataclass(frozen=True, slots=True)
class Answer:
    """A stored or fresh reply."""

    status: int
    body: dict[str, Any]
    replayed: bool


class Once:
    """Answers a request once for each key of an account.

    Args:
        session: The request's transaction; the reply is committed with the record that it tells of.
        account_id: Whose key it is.
        key: The header's value; empty: every request is new.
        target: Method and path.
    """

    def __init__(self, session: Session, account_id: str, key: str, target: str) -> None:
        if len(key) > KEY_LENGTH:
            raise Problem("bad-request", f"Idempotency-Key is longer than {KEY_LENGTH} characters.")
        self.session, self.account_id, self.key, self.target = session, account_id, key, target

    def stored(self, material: str) -> Answer | None:
        """The reply given before, if any.

        Args:
            material: What tells this request from another one, such as its body.

        Raises:
            Problem: the key was used for another request.
        """
        if not self.key:
            return None
        row = self.session.scalar(select(Reply).where(Reply.account_id == self.account_id, Reply.key == self.key))
        if row is None:
            return None
        if row.fingerprint != self._fingerprint(material):
            raise Problem("key-reused", "Use a new Idempotency-Key for a new request, or send the first one unchanged.")
        return Answer(row.status, row.body, replayed=True)

    def reply(self, material: str, make: Callable[[], dict[str, Any]], status: int = 201) -> Answer:
        """Makes and commits a record, or gives the reply of the first time.

        Raises:
            Problem: the key was used for another request, or the record clashes with another one.
        """
        before = self.stored(material)
        if before is not None:
            return before
        try:
            body = make()
            if self.key:
                self.session.add(
                    Reply(
                        account_id=self.account_id,
                        key=self.key,
                        fingerprint=self._fingerprint(material),
                        status=status,
                        body=body,
                    )
                )
            self.session.commit()
        except IntegrityError as error:
            self.session.rollback()
            first = self.stored(material)  # the same request, sent twice at the same time
            if first is not None:
                return first
            raise Problem(
                "conflict", "A record with this id or name is there already; read it, or choose another."
            ) from error
        except Problem:
            self.session.rollback()
            first = self.stored(material)  # the same request came first, and what it did leaves nothing to do
            if first is not None:
                return first
            raise
        return Answer(status, body, replayed=False)

    def _fingerprint(self, material: str) -> str:
        return hashlib.sha256(f"{self.target}\n{material}".encode()).hexdigest()
