"""After wrong passwords the next try has to wait, longer each time; all processes count together, in the database.

Three counts: of the name from one place, of the place whatever the name, and of the name whatever the place. The first
two grow long, since they make nobody wait but whoever tries; the last stays short, since it makes others wait as well.
A browser that has logged into the account before has a count of its own, so that no stranger keeps its owner out.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import IPv6Address, ip_address

from sqlalchemy import and_, delete, or_, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from wearvision_api.store.tables import Account, Try

FORGOTTEN = timedelta(days=1)
KNOWN_FOR = timedelta(days=180)
"""How long a browser is known after its last log-in."""
SWEPT_AT_ONCE = 100
CLOCKS_DIFFER = timedelta(minutes=1)
"""At most, between machines that run the service."""


@dataclass(frozen=True, slots=True)
class Rule:
    """How long to wait.

    Attributes:
        free: Wrong tries before there is a delay.
        longest_s: The delay doubles from one second up to this.
        lasts: After so long without a wrong try they count anew.
    """

    free: int
    longest_s: int
    lasts: timedelta


PAIR = Rule(5, 900, FORGOTTEN)
PLACE = Rule(50, 900, timedelta(hours=1))
NAME = Rule(20, 60, timedelta(hours=1))


@dataclass(frozen=True, slots=True)
class Knock:
    """Where a try comes from.

    Attributes:
        place: The peer's network address, as ``place_of`` gives it.
        known: Secret of a browser that has logged in before; empty: none.
        login: Secret of the log-in that the browser holds now; empty: none.
    """

    place: str
    known: str = ""
    login: str = ""


def place_of(address: str) -> str:
    """What counts as one place: an IPv4 address, or the network that one IPv6 customer gets (64 bits)."""
    try:
        found = ip_address(address)
    except ValueError:
        return address
    if isinstance(found, IPv6Address):
        return str(found.ipv4_mapped or IPv6Address(int(found) >> 64 << 64))
    return str(found)


def wait_s(failures: int, failed_at: datetime | None, now: datetime, rule: Rule = PAIR) -> int:
    """Whole seconds until the next try, 0 for now.

    Args:
        failures: Wrong passwords in a row, 0 and up.
        failed_at: When the last one was sent. One that lies ahead of now by more than clocks differ tells that the
            clock was set back since: it counts no more, or the name would be kept out until the clock is there again.
        now: The time.
        rule: Which one counts.
    """
    if failures < rule.free or failed_at is None or failed_at - now > CLOCKS_DIFFER:
        return 0
    delay = timedelta(seconds=min(2 ** min(failures - rule.free, 20), rule.longest_s))
    left = min(failed_at + delay - now, delay)
    return max(0, -(-left // timedelta(seconds=1)))


def count(session: Session, name: str, account: Account | None, knock: Knock, now: datetime) -> int:
    """Counts a try as wrong from the start, so that many at the same time are all counted. The caller commits.

    Args:
        session: Open, for writing; an account is held by it.
        name: As entered; a name that nobody has is counted like any other.
        account: Whose name it is; None: nobody's.
        knock: Where it comes from.
        now: The time.

    Returns:
        Whole seconds to wait; the try counts only where that is 0.
    """
    counts = _counts(session, name, account, knock)
    for row, rule in counts:
        if row.failed_at is not None and now - row.failed_at > rule.lasts:
            row.failures = 0
    wait = max(wait_s(row.failures, row.failed_at, now, rule) for row, rule in counts)
    if not wait:
        for row, _ in counts:
            row.failures, row.failed_at = row.failures + 1, now
        _sweep(session, now)
    session.flush()
    return wait


def right(session: Session, account: Account, knock: Knock, known: str, now: datetime) -> None:
    """Takes the try back, as it was no wrong one, and knows the browser by ``known`` from now on. The caller commits.

    The count of the place loses this try only: who has one account could else go on trying others.
    """
    for row, rule in _counts(session, account.name, account, knock):
        row.failures = max(0, row.failures - 1) if rule is PLACE else 0
    if known:
        browser = _row(session, _of_browser(account.id, known))
        browser.failures, browser.good_at = 0, now
    session.flush()


def _counts(session: Session, name: str, account: Account | None, knock: Knock) -> list[tuple[Account | Try, Rule]]:
    if account is not None and knock.known:
        query = select(Try).where(Try.key == _of_browser(account.id, knock.known), Try.good_at.is_not(None))
        known = session.scalar(query.with_for_update())
        if known is not None:
            return [(known, PAIR)]
    rules = {_pair(name, knock.place): PAIR, _key("place", knock.place): PLACE}
    if account is None:
        rules[_key("name", name)] = NAME
    found: list[tuple[Account | Try, Rule]] = [(_row(session, key), rules[key]) for key in sorted(rules)]
    return found if account is None else [(account, NAME), *found]


def _row(session: Session, key: str) -> Try:
    """The row of a key, made where there is none, and held until the transaction ends."""
    made = postgresql.insert(Try) if session.get_bind().dialect.name == "postgresql" else sqlite.insert(Try)
    session.execute(made.values(key=key, failures=0).on_conflict_do_nothing())
    return session.scalars(select(Try).where(Try.key == key).with_for_update()).one()


def _sweep(session: Session, now: datetime) -> None:
    old = or_(and_(Try.good_at.is_(None), Try.failed_at < now - FORGOTTEN), Try.good_at < now - KNOWN_FOR)
    # Rows that others hold wait for the next time: two who sweep what the other holds would wait for each other.
    keys = session.scalars(select(Try.key).where(old).limit(SWEPT_AT_ONCE).with_for_update(skip_locked=True)).all()
    if keys:
        session.execute(delete(Try).where(Try.key.in_(keys)), execution_options={"synchronize_session": False})


def _pair(name: str, place: str) -> str:
    return _key("pair", name, place)


def _of_browser(account_id: str, known: str) -> str:
    return _key("browser", account_id, known)


def _key(*parts: str) -> str:
    return hashlib.sha256("\0".join(parts).encode("utf-8", "surrogateescape")).hexdigest()
