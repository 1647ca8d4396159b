"""Permission to teach: who can give it and take it back, what it brings, and who is told.

The rules are the project's own (issue 6, outcome 1); there is no published source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from wearvision_api.problems import Problem
from wearvision_api.returns import evidence, intake
from wearvision_api.store.tables import GradeRow, PhotoRow, now
from wearvision_api.store.teaching_tables import DataSetPhoto, DataSetRow, ExampleRow, ModelRow, Permission
from wearvision_api.teaching import examples, permission


def test_a_photo_teaches_only_with_permission(bench: Any) -> None:
    bench.grade()
    assert bench.act(lambda s: examples.take_in(bench.house, s, bench["ada"])) == []
    assert bench.told() == []


def test_the_owner_of_a_grade_permits_its_photos(bench: Any) -> None:
    grade = bench.grade(of=[bench.photo(), bench.photo()])
    found = bench.permit(grade)
    assert (found.photos, len(found.examples)) == (2, 2)
    assert bench.permit(grade) == permission.Permitted(0, ())  # a second press changes nothing
    assert bench.told("photo") == ["permitted to teach"]
    assert bench.told() == ["taken in"]
    rows = [bench.row(one) for one in found.examples]
    assert {row.capture for row in rows} == {f"grade {grade}"}
    assert len({row.split for row in rows}) == 1


@pytest.mark.parametrize(("who", "allowed"), [("van", True), ("van-2", False), ("desk", False), ("yard", True)])
def test_others_cannot_permit_somebodys_grade(bench: Any, who: str, allowed: bool) -> None:
    grade = bench.grade("van")
    if allowed:
        assert bench.permit(grade, who).photos == 1
        return
    with pytest.raises(Problem, match="Only whoever made this grade"):
        bench.permit(grade, who)


def test_an_administrator_permits_all_inspections_in_one_step(bench: Any) -> None:
    visits = [bench.visit("OH-1"), bench.visit("OH-2")]
    for visit in visits:
        bench.grade(visit=visit)
    bench.grade()  # at no visit: not meant

    def permit(session: Any, who: str, of: list[str] | None) -> permission.Permitted:
        ids = permission.photos_of_inspections(session, bench[who], of)
        return permission.permit(bench.house, session, bench[who], ids, "own machines")

    with pytest.raises(Problem, match="administrator"):
        bench.act(lambda s: permit(s, "van", None))
    assert bench.act(lambda s: permit(s, "yard", [visits[0]])).photos == 1
    assert bench.act(lambda s: permit(s, "yard", None)).photos == 1
    rows = bench.see(lambda s: s.query(ExampleRow).order_by(ExampleRow.machine).all())
    assert [(row.source, row.machine) for row in rows] == [("inspection", "OH-1"), ("inspection", "OH-2")]
    assert bench.see(lambda s: {one.basis for one in s.query(Permission)}) == {"own machines"}


def test_photos_of_one_machine_share_a_group_whoever_wrote_it_how(bench: Any) -> None:
    first = bench.permit(bench.grade(visit=bench.visit("OH 17"))).examples[0]
    claim = _claim(bench, machine="oh  17", may_teach=True)
    _add_photo(bench, claim)
    other = bench.see(lambda s: s.query(ExampleRow).filter_by(source="return").one())
    assert other.group == bench.row(first).group
    assert other.split == bench.row(first).split


def test_a_photo_graded_again_with_another_stays_with_its_part(bench: Any) -> None:
    one, two, three = (bench.photo() for _ in range(3))
    first = bench.grade(of=[one])
    bench.permit(first)
    bench.permit(bench.grade(of=[one, two]))
    before = bench.grade(of=[three])

    def wiped(session: Any) -> None:
        session.get(GradeRow, before).after_id = session.query(GradeRow).filter_by(id=first).one().id

    bench.act(wiped)
    bench.permit(before)
    captures = bench.see(lambda s: {row.capture for row in s.query(ExampleRow)})
    assert captures == {f"grade {first}"}


def test_the_same_bytes_are_one_example(bench: Any) -> None:
    data = bench.picture()
    first = bench.permit(bench.grade(of=[bench.photo(data=data)]))
    second = bench.permit(bench.grade(of=[bench.photo(data=data)]))
    assert (len(first.examples), second.photos, second.examples) == (1, 1, ())
    assert bench.see(lambda s: s.query(ExampleRow).count()) == 1
    assert bench.act(lambda s: examples.take_in(bench.house, s, bench["ada"])) == []


def _claim(bench: Any, **said: Any) -> str:
    claim = {"part": "flame_cell", "claimant": "Ostvale Hire, yard"} | said
    return str(bench.act(lambda s: intake.open_return(s, bench["desk"], claim).id))


def _add_photo(bench: Any, claim: str, view: str = "face") -> str:
    shot = evidence.shot_of(bench.house, bench.picture())

    def add(session: Any) -> str:
        row = intake.find(session, claim, to_change=True)
        return str(evidence.add_photo(bench.house, session, bench["desk"], row, shot, view).photo_id)

    return str(bench.act(add))


def _change(bench: Any, claim: str, **said: Any) -> None:
    def change(session: Any) -> None:
        row = intake.find(session, claim, to_change=True)
        permission.hold_examples(session, row)
        intake.change(session, bench["desk"], row, said)
        permission.follow_return(bench.house, session, bench["desk"], row)

    bench.act(change)


def states(bench: Any) -> list[tuple[str, str]]:
    return sorted(bench.see(lambda s: [(row.source, row.state) for row in s.query(ExampleRow)]))


def test_a_claim_lets_its_photos_teach_and_takes_it_back(bench: Any) -> None:
    claim = _claim(bench)
    _add_photo(bench, claim)
    _add_photo(bench, claim, "plate")  # shows no part
    assert states(bench) == []
    _change(bench, claim, may_teach=True)
    assert states(bench) == [("return", "waiting")]
    _add_photo(bench, claim)
    assert states(bench) == [("return", "waiting")] * 2
    _change(bench, claim, may_teach=False)
    assert states(bench) == [("return", "left out")] * 2
    _change(bench, claim, may_teach=True)
    assert states(bench) == [("return", "waiting")] * 2
    assert bench.told("return").count("changed") == 3


def test_a_photo_set_aside_teaches_no_longer(bench: Any) -> None:
    claim = _claim(bench, may_teach=True)
    _add_photo(bench, claim)

    def aside(session: Any) -> None:
        row = intake.find(session, claim, to_change=True)
        evidence.set_aside(session, bench["desk"], row, row.photos[0].id, "Wrong part.")

    bench.act(aside)
    assert states(bench) == [("return", "left out")]


def test_permission_of_a_decided_return_is_taken_back_by_itself(bench: Any) -> None:
    claim = _claim(bench, may_teach=True)
    _add_photo(bench, claim)

    def decided(session: Any) -> None:
        intake.find(session, claim).state = "decided"

    bench.act(decided)

    def back(session: Any) -> permission.Withdrawn:
        row = intake.find(session, claim, to_change=True)
        return permission.take_back_of_return(session, bench["desk"], row, "They wrote.")

    assert bench.act(back).photos == 1
    assert states(bench) == [("return", "left out")]
    with pytest.raises(Problem, match="does not let"):
        bench.act(back)


def test_taking_it_back_says_who_has_learned(bench: Any) -> None:
    grade = bench.grade()
    example = bench.permit(grade).examples[0]
    photo = bench.row(example).photo_id

    def taught(session: Any) -> None:
        who = bench["ada"].id
        session.add(DataSetRow(id="s" * 36, owner_id=who, name="spring", sha256="1" * 64, counts={}))
        session.flush()
        session.add(DataSetPhoto(set_id="s" * 36, photo_id=photo, sha256="2" * 64, split="train", pieces={}))
        common = {"owner_id": who, "sha256": "3" * 64, "files": {}, "report": {}, "gate": {}}
        session.add(ModelRow(id="yard-1", base="mixed-2", set_id="s" * 36, **common))
        session.flush()

    bench.act(taught)
    found = bench.act(lambda s: permission.withdraw(s, bench["van"], [photo], "The owner asked."))
    assert (found.photos, found.left_out) == (1, (example,))
    assert (found.seen.sets, found.seen.models) == (("spring",), ("yard-1",))
    row = bench.row(example)
    assert (row.state, row.left_out["why"], row.left_out["by"]) == ("left out", "permission withdrawn", "van")
    assert bench.act(lambda s: permission.withdraw(s, bench["van"], [photo], "Again.")).photos == 0
    assert bench.told("photo") == ["permitted to teach", "permission to teach withdrawn"]


def test_permission_again_puts_the_example_back_with_its_labels(bench: Any) -> None:
    example = bench.example()
    bench.label("ada", example, {"part": "none"})
    before = bench.row(example).truth
    photo = bench.row(example).photo_id
    bench.act(lambda s: permission.withdraw(s, bench["van"], [photo], "Not now."))
    assert bench.row(example).state == "left out"
    with pytest.raises(Problem, match="no permission"):
        bench.act(lambda s: permission.put_back(bench.house, s, bench["ada"], examples.find(s, example)))
    found = bench.act(lambda s: permission.permit(bench.house, s, bench["van"], [photo], "After all."))
    assert found.examples == (example,)
    row = bench.row(example)
    assert (row.state, row.truth, row.left_out) == ("settled", before, None)


def test_what_was_skipped_stays_left_out_when_permission_comes_again(bench: Any) -> None:
    example = bench.example()
    photo = bench.row(example).photo_id
    bench.act(lambda s: examples.leave_out(s, bench["ada"], examples.find(s, example), "A hand covers it."))
    bench.act(lambda s: permission.withdraw(s, bench["van"], [photo], "Not now."))
    assert bench.act(lambda s: permission.permit(bench.house, s, bench["van"], [photo], "Yes.")).examples == ()
    assert bench.row(example).left_out["why"] == "skipped"
    bench.act(lambda s: permission.put_back(bench.house, s, bench["ada"], examples.find(s, example)))
    assert bench.row(example).state == "waiting"


def test_an_erased_photo_is_not_taken_in(bench: Any) -> None:
    grade = bench.grade(of=[bench.photo(), bench.photo()])

    def erase(session: Any) -> None:
        session.query(PhotoRow).first().erased_at = now()

    bench.act(erase)
    found = bench.permit(grade)
    assert (found.photos, len(found.examples)) == (1, 1)


@pytest.mark.on_both
def test_the_same_photos_permitted_at_once_give_each_one_example(bench: Any, at_once: Callable[..., list[Any]]) -> None:
    data = bench.picture()
    grades = [bench.grade(of=[bench.photo(data=data), bench.photo()]) for _ in range(4)]
    shared = bench.grade()
    done = at_once(
        *(lambda grade=grade: bench.permit(grade) for grade in grades),
        *[lambda: bench.permit(shared)] * 3,
        lambda: bench.act(lambda s: len(examples.take_in(bench.house, s, bench["ada"]))),
    )
    assert all(not isinstance(one, str) for one in done), done
    assert sum(one.photos for one in done[:-1]) == 4 * 2 + 1
    bench.act(lambda s: examples.take_in(bench.house, s, bench["ada"]))
    hashes = bench.see(lambda s: [row.sha256 for row in s.query(ExampleRow)])
    assert len(hashes) == len(set(hashes)) == 4 + 1 + 1
    assert bench.see(lambda s: s.query(Permission).count()) == 9
    bench.told()
