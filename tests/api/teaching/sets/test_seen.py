"""Which sets and models saw a photo: by its bytes, and by what was taught on from what."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from wearvision_api.teaching.seen import Seen, seen_by


@pytest.mark.on_both
def test_models_taught_on_from_one_that_saw_a_photo_saw_it_too(world: Any, new_picture: Callable[[int], bytes]) -> None:
    with world.house.session() as session:
        first, other = world.photo(session, new_picture(1)), world.photo(session, new_picture(2))
        again = world.photo(session, new_picture(1))
        spring, autumn = world.set_of(session, "spring", [first, other]), world.set_of(session, "autumn", [other])
        world.set_of(session, "unused", [first])
        world.model(session, "site-3", "site-1", autumn.id)
        world.model(session, "site-1", "released", spring.id)
        world.model(session, "site-2", "released", autumn.id)
        world.model(session, "site-4", "site-3", None)
        session.commit()
    with world.house.session(writes=False) as session:
        assert seen_by(session, first.id) == Seen(("spring", "unused"), ("site-1", "site-3", "site-4"))
        assert seen_by(session, again.id) == seen_by(session, first.id), "the very same bytes under another record"
        assert seen_by(session, other.id) == Seen(("autumn", "spring"), ("site-1", "site-2", "site-3", "site-4"))
        assert seen_by(session, "no such photo") == Seen()


def test_what_is_told_names_sets_and_models() -> None:
    assert not Seen()
    assert "No data set" in Seen().words
    assert "spring" in Seen(("spring",)).words
    assert "No model" in Seen(("spring",)).words
    assert Seen(("spring",), ("site-1",)).to_dict() == {"sets": ["spring"], "models": ["site-1"]}
    assert "site-1; they keep what they learned" in Seen(("spring",), ("site-1",)).words
