"""Appending: one unbroken chain whoever writes at the same time, and nothing that takes an entry back."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import settings as bounds
from hypothesis import strategies as st
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from wearvision_api.record import ledger
from wearvision_api.record.chain import NOT_KEPT, START, Line, canonical, encode, link
from wearvision_api.record.ledger import append, head, lines
from wearvision_api.record.verify import verify
from wearvision_api.store.record_tables import LogRow

WRITERS, EACH = 4, 50


@pytest.mark.on_both
def test_writers_at_the_same_time_make_one_unbroken_chain(engine: Engine) -> None:
    errors: list[BaseException] = []

    def write(number: int) -> None:
        try:
            for step in range(EACH):
                with Session(engine) as session:
                    append(session, f"writer-{number}", "added", "return", f"r-{number}", after={"step": step})
                    session.commit()
        except BaseException as error:
            errors.append(error)

    writers = [threading.Thread(target=write, args=(number,)) for number in range(WRITERS)]
    for one in writers:
        one.start()
    for one in writers:
        one.join()
    assert errors == []
    with Session(engine) as session:
        verdict = verify(lines(session))
        assert (verdict.entries, verdict.broken) == (WRITERS * EACH, None)
        assert head(session) == ledger.Head(verdict.entries, verdict.digest)
        for number in range(WRITERS):
            found = ledger.about(session, subject=f"r-{number}", limit=200)
            assert [json.loads(row.entry)["after"]["step"] for row in found] == list(range(EACH))


@pytest.mark.on_both
def test_step_that_is_taken_back_leaves_no_gap(engine: Engine) -> None:
    for is_kept in (True, False, True):
        with Session(engine) as session:
            append(session, "anna", "opened", "return", "r", after={"kept": is_kept})
            append(session, "anna", "changed", "return", "r")
            session.commit() if is_kept else session.rollback()
    with Session(engine) as session:
        verdict = verify(lines(session))
        assert (verdict.entries, verdict.broken) == (4, None)


@pytest.mark.on_both
@pytest.mark.parametrize(
    "statement",
    [
        "update record_entries set who = 'nobody' where place = 2",
        "delete from record_entries where place = 7",
        "delete from record_entries",
        "update tombstones set body = '{}'",
        "delete from tombstones",
    ],
)
def test_database_refuses_to_change_or_delete(chain: Session, statement: str) -> None:
    chain.execute(
        text("insert into tombstones (photo_id, sha256, body, public_key, signature) values ('p', 'h', '{}', 'k', 's')")
    )
    chain.commit()
    with pytest.raises(DBAPIError, match="append-only"):
        chain.execute(text(statement))
    chain.rollback()
    assert verify(lines(chain)).entries == 7


@pytest.mark.on_both
def test_rows_cannot_be_changed_through_their_objects(chain: Session) -> None:
    row = chain.get_one(LogRow, 3)
    row.who = "nobody"
    with pytest.raises(DBAPIError, match="append-only"):
        chain.commit()
    chain.rollback()
    chain.delete(chain.get_one(LogRow, 7))
    with pytest.raises(DBAPIError, match="append-only"):
        chain.commit()


def test_moments_never_run_backwards(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    clock: Iterator[datetime] = iter(datetime(2026, 3, 2, hour, tzinfo=UTC) for hour in (10, 9, 11))
    monkeypatch.setattr(ledger, "now", lambda: next(clock))
    moments = [append(session, "anna", "changed", "return", "r").at for _ in range(3)]
    assert [one[11:13] for one in moments] == ["10", "10", "11"]
    assert verify(lines(session)).broken is None


def test_entry_holds_its_columns_and_dates_as_text(session: Session) -> None:
    at = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
    row = append(session, "anna", "opened", "return", "r", after={"on": date(2026, 3, 2), "at": at, "list": (1, 2)})
    said = json.loads(row.entry)
    assert said["after"] == {"on": "2026-03-02", "at": "2026-03-02T09:30:00.000000Z", "list": [1, 2]}
    assert (said["place"], said["who"], said["what"], said["photos"]) == (1, "anna", "opened", [])
    assert row.digest == link(START, row.entry.encode()).hex()


@pytest.mark.parametrize(
    "after",
    [
        {"new_password": "x"},
        {"deep": [{"Secret": "x"}]},
        {"photo": b"\xff\xd8"},
        {"hours": float("nan")},
        {"count": 2**53},
        {"text": "\ud800"},
        {1: "one"},
    ],
)
def test_what_has_no_form_or_must_not_be_kept_is_refused(session: Session, after: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        append(session, "anna", "changed", "return", "r", after=after)
    session.rollback()
    assert head(session).place == 0


@pytest.mark.parametrize("name", ["", "AB" * 32, "ab" * 31, "zz" * 32])
def test_photo_is_named_by_its_hash_only(name: str) -> None:
    with pytest.raises(ValueError, match="SHA-256"):
        encode(1, "", "", "", "", "", photos=[name])


NAMES = st.text().filter(lambda name: not any(word in name.lower() for word in NOT_KEPT))
PLAIN = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(NAMES, inner, max_size=4),
    max_leaves=12,
)


@bounds(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.text(), st.dictionaries(st.text(max_size=6), PLAIN, max_size=4)), max_size=6))
def test_any_entries_make_a_whole_chain(said: list[tuple[str, dict[str, object]]]) -> None:
    """Whatever numbers and letters stand in it."""
    previous, made = START, []
    for place, (who, after) in enumerate(said, 1):
        data = encode(place, f"2026-03-02T09:30:00.{place:06}Z", who, "changed", "return", "r", after=after)
        digest = link(previous, data)
        columns = (str(place), f"2026-03-02T09:30:00.{place:06}Z", who, "changed", "return", "r")
        made.append(Line(*columns, data.decode(), previous.hex(), digest.hex()))
        previous = digest
    verdict = verify(made)
    assert verdict.broken is None
    assert (verdict.entries, verdict.digest) == (len(said), previous.hex())


@given(st.dictionaries(NAMES, PLAIN, max_size=6), st.randoms(use_true_random=False))
def test_order_of_members_does_not_matter(said: dict[str, object], chance: object) -> None:
    names = list(said)
    chance.shuffle(names)  # type: ignore[attr-defined]
    assert canonical({name: said[name] for name in names}) == canonical(said)
