"""The policy: one proposal for every claim, rules above every table, bad tables named with row and key.

The rows of the default table are an example of our own and no advice; no published source. What is held here is the
form: order, totality, the warranty's three answers, and what no table can take away.
"""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.cli import main
from wearvision.standard.counter import judge
from wearvision.standard.grades import GRADES
from wearvision.standard.origins import CAUSES, load_origins
from wearvision_api.returns.findings import Facts, Finding, findings
from wearvision_api.returns.overall import weigh_findings
from wearvision_api.returns.policy import (
    MISSING,
    Policy,
    PolicyError,
    Proposal,
    load_policy,
    propose,
    read_policy,
    standing,
)
from wearvision_api.returns.policy_table import Warranty

DEFAULT = load_policy()
TEXT = files("wearvision_api.returns").joinpath("policy.toml").read_text("utf-8")
ORIGINS = load_origins()
SIGN = {cause: next(row for row in ORIGINS.signs if row.cause == cause and row.favours) for cause in CAUSES}
WITHIN, PAST, UNKNOWN = (60.0, 40), (5000.0, 40), (None, 40)


def worn(cause: str, sure: str = "clear", grade: str = "replace") -> list[Finding]:
    """One mode that is worn for sure, with signs that come to a class, clear or likely; nothing else in doubt."""
    sign = SIGN[cause]  # type: ignore[index]
    both = [replace(sign, modes=("bow",), beside=(), without=(), alone=False, weight="strong", text="one")]
    if sure == "clear":
        both.append(replace(both[0], text="two"))
    return [
        Finding("bow", "wear", "bent", "worn", "", grade, (grade,), signs=tuple(both), might=tuple(both))  # type: ignore[arg-type]
    ]


def proposed(found: list[Finding], age: tuple[float | None, int | None] = WITHIN, **more: Any) -> Proposal:
    policy = more.pop("policy", DEFAULT)
    claimed, shown = more.pop("claimed", ""), more.pop("photo_part", None)
    return propose(policy, found, Facts("coupler", claimed, age[0], age[1], shown), **more)


# ------------------------------------------------------------------------------------------- the example table


def test_the_default_says_that_it_is_an_example() -> None:
    assert DEFAULT.example
    assert proposed([]).example
    assert TEXT.startswith("# AN EXAMPLE, NOT ADVICE")


@pytest.mark.parametrize(
    ("found", "age", "outcome", "row"),
    [
        (worn("dirt", grade="clean-and-reuse"), WITHIN, "decline", "dirt"),
        (worn("heat"), WITHIN, "decline", "heat"),
        (worn("handling"), WITHIN, "decline", "handling"),
        (worn("service-wear"), (600.0, 100), "decline", "service-wear-old"),
        (worn("service-wear"), WITHIN, "second person", "in-doubt"),
        (worn("defect"), WITHIN, "accept", "defect"),
        (worn("defect", "likely"), WITHIN, "accept", "defect-early"),
        (worn("defect", "likely"), (400.0, 40), "second person", "in-doubt"),
        (worn("heat", "likely"), WITHIN, "second person", "in-doubt"),
        (worn("defect"), PAST, "decline", "past-warranty"),
        (worn("defect"), (60.0, 366), "decline", "past-warranty"),
        (worn("defect"), UNKNOWN, "more evidence", "age-unknown"),
        ([], WITHIN, "second person", "in-doubt"),
    ],
)
def test_rows_of_the_example(found: list[Finding], age: Any, outcome: str, row: str) -> None:
    said = proposed(found, age)
    assert (said.outcome, said.row) == (outcome, row)
    assert DEFAULT.row(row) is not None
    assert said.text == DEFAULT.row(row).text  # type: ignore[union-attr]


def test_a_sound_part_goes_back() -> None:
    found = [
        Finding("bow", "wear", "bent", "not worn", "", "serviceable", ("serviceable",)),
        Finding("coupler-fit", "reading", "fit", "good", "", "serviceable", ("serviceable",)),
    ]
    assert weigh_findings(found).fault is False
    said = proposed(found)
    assert (said.outcome, said.row, said.needs_second) == ("decline", "no-fault", True)


def test_another_part_is_looked_at_by_two() -> None:
    said = proposed(worn("defect"), photo_part="electrode")
    assert (said.outcome, said.row, said.needs_second) == ("second person", "another-part", True)


# ------------------------------------------------------------------------------------------- rules above any table

ACCEPT_ALL = read_policy(
    "all.toml",
    'id = "all"\n[warranty]\ndays = 1\nsource = "s"\n'
    '[[row]]\nid = "all"\npropose = "accept"\ntext = "t"\nsource = "s"\n',
)


def test_a_plain_case_needs_one_person() -> None:
    said = proposed(worn("defect"), claimed="defect", policy=ACCEPT_ALL)
    assert (said.outcome, said.needs_second, said.reasons) == ("accept", False, [])


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        ({"possible_grades": ["clean-and-reuse", "replace"]}, "More than one grade is possible: clean-and-reuse, re"),
        ({"possible_grades": []}, "No grade is known"),
        ({"photo_part": "electrode"}, "another part"),
        ({"claimed": "dirt"}, "Claimed: dirt; found: possible defect of the part"),
        ({"open_flags": 1}, "1 flag is open"),
        ({"open_flags": 2}, "2 flags are open"),
        ({"waived": ["Plate of the machine"]}, "Done without: Plate of the machine"),
    ],
)
def test_no_table_takes_the_second_person_away(more: dict[str, Any], reason: str) -> None:
    said = proposed(worn("defect"), policy=ACCEPT_ALL, **more)
    assert said.needs_second
    assert any(reason in one for one in said.reasons)


def test_an_open_cause_needs_a_second_person_whatever_is_claimed() -> None:
    said = proposed([], policy=ACCEPT_ALL, possible_grades=["replace"])
    assert (said.needs_second, said.reasons) == (True, ["The cause is open."])


def test_missing_evidence_stops_every_table() -> None:
    said = proposed(worn("defect"), policy=ACCEPT_ALL, missing=["Hour meter of the machine"])
    assert (said.outcome, said.row) == ("more evidence", MISSING)
    assert said.reasons == ["Missing: Hour meter of the machine."]
    assert not said.needs_second  # nothing else asks for one
    assert proposed([], policy=ACCEPT_ALL, missing=["x"]).needs_second


# ------------------------------------------------------------------------------------------- conditions


@pytest.mark.parametrize(
    ("hours", "days", "limits", "where"),
    [
        (1000, 365, (1000, 365), "within"),
        (1000.1, 0, (1000, 365), "past"),
        (0, 366, (1000, 365), "past"),
        (None, 366, (1000, 365), "past"),
        (None, 100, (1000, 365), "unknown"),
        (100, None, (1000, 365), "unknown"),
        (None, 100, (None, 365), "within"),
        (100, None, (1000, None), "within"),
    ],
)
def test_standing_against_the_warranty(hours: Any, days: Any, limits: tuple[Any, Any], where: str) -> None:
    assert standing(Facts("coupler", hours_run=hours, days_run=days), Warranty(*limits, "s")) == where


def table(*when: str) -> Policy:
    rows = [
        f'[[row]]\nid = "r{number}"\n{one}\npropose = "accept"\ntext = "t"\nsource = "s"\n'
        for number, one in enumerate([*(f"when = {{ {one} }}" for one in when), ""])
    ]
    return read_policy("t.toml", 'id = "t"\n[warranty]\ndays = 365\nsource = "s"\n' + "".join(rows))


@pytest.mark.parametrize(
    ("when", "holds"),
    [
        ('part = ["coupler"]', True),
        ('part = ["electrode", "flame_cell"]', False),
        ('claimed = ["none"]', True),
        ('claimed = ["heat"]', False),
        ('cause = ["heat", "open"]', True),
        ('cause = ["dirt"]', False),
        ('sure = "likely"', True),
        ('sure = "clear"', False),
        ('grade = ["replace"]', True),
        ('grade = ["serviceable"]', False),
        ("hours_from = 60", True),
        ("hours_from = 61", False),
        ("hours_below = 61", True),
        ("hours_below = 60", False),
        ("days_from = 40, days_below = 41", True),
        ('warranty = "within"', True),
        ('warranty = "past"', False),
        ("fault = true", True),
        ('fault = "unknown"', False),
        ("another_part = false", True),
        ("flags = true", False),
        ('reading = { coupler-fit = ["bad", "doubtful"] }', True),
        ('reading = { coupler-fit = ["bad"], coupler-play = ["good"] }', False),
        ('part = ["coupler"], flags = true', False),
    ],
)
def test_each_condition(when: str, holds: bool) -> None:
    found = worn("heat", "likely") + findings(None, [judge("coupler-fit", {"reading": "binds"})], Facts("coupler"))[-1:]
    assert proposed(found, policy=table(when)).row == ("r0" if holds else "r1")


def test_unknown_hours_meet_no_condition_on_hours() -> None:
    rows = table("hours_from = 0", "hours_below = 1e9")
    assert proposed(worn("heat"), (None, 3), policy=rows).row == "r2"


def test_the_first_row_that_fits_proposes() -> None:
    rows = table('cause = ["dirt"]', 'cause = ["heat"]', 'part = ["coupler"]')
    assert proposed(worn("heat"), policy=rows).row == "r1"


# ------------------------------------------------------------------------------------------- totality


@pytest.mark.parametrize("age", [WITHIN, PAST, UNKNOWN, (None, None)])
@pytest.mark.parametrize("sure", ["likely", "clear"])
def test_every_combination_gets_exactly_one_proposal(age: Any, sure: str) -> None:
    for cause, grade, claimed, flags, shown in product(
        CAUSES, GRADES, ("", *CAUSES), (0, 1), (None, "coupler", "electrode")
    ):
        said = proposed(worn(cause, sure, grade), age, claimed=claimed, open_flags=flags, photo_part=shown)
        assert said.row in {row.id for row in DEFAULT.rows}
        assert said.outcome in ("accept", "decline", "second person", "more evidence")
        if said.outcome == "second person" or flags or (claimed and claimed != cause) or shown == "electrode":
            assert said.needs_second


@given(
    cause=st.sampled_from(CAUSES),
    sure=st.sampled_from(["likely", "clear"]),
    possible=st.sets(st.sampled_from(GRADES), min_size=1),
    more=st.sets(st.sampled_from(GRADES)),
    flags=st.integers(0, 2),
    waived=st.lists(st.text(min_size=1), max_size=2),
    policy=st.sampled_from([DEFAULT, ACCEPT_ALL]),
)
@settings(deadline=None)
def test_more_doubt_never_takes_a_signature_away(
    cause: str, sure: str, possible: set, more: set, flags: int, waived: list[str], policy: Policy
) -> None:
    found = worn(cause, sure)
    before = proposed(found, policy=policy, possible_grades=possible, open_flags=flags, waived=waived)
    for change in (
        {"possible_grades": possible | more},
        {"open_flags": flags + 1},
        {"waived": [*waived, "x"]},
        {"photo_part": "electrode"},
    ):
        asked = {"possible_grades": possible, "open_flags": flags, "waived": waived} | change
        assert proposed(found, policy=policy, **asked).needs_second >= before.needs_second
    if sure == "clear" and policy is DEFAULT:
        weaker = proposed(worn(cause, "likely"), policy=policy, possible_grades=possible, open_flags=flags)
        plain = proposed(found, policy=policy, possible_grades=possible, open_flags=flags)
        assert weaker.needs_second >= plain.needs_second


# ------------------------------------------------------------------------------------------- reading a table


def test_the_fingerprint_is_of_what_it_says() -> None:
    assert read_policy("other-name.toml", TEXT).sha256 == DEFAULT.sha256
    assert read_policy("x", TEXT.replace('source = "example"', 'source = "contract"')).sha256 == DEFAULT.sha256
    assert read_policy("x", "# remark\n" + TEXT).sha256 == DEFAULT.sha256
    changed = [
        TEXT.replace("hours = 1000", "hours = 1001"),
        TEXT.replace("The part was dirty", "The part is dirty"),
        TEXT.replace('propose = "accept"', 'propose = "second person"', 1),
        TEXT.replace("example = true", "example = false"),
    ]
    prints = {read_policy("x", text).sha256 for text in changed}
    assert len(prints) == len(changed)
    assert DEFAULT.sha256 not in prints


def test_a_sites_own_table_is_read(tmp_path: Path) -> None:
    own = tmp_path / "site.toml"
    own.write_text(TEXT.replace("example = true", "example = false").replace("example-1", "our-terms"), "utf-8")
    site = load_policy(own)
    assert (site.id, site.example) == ("our-terms", False)


HEAD = 'id = "x"\n[warranty]\nhours = 10\nsource = "s"\n'
ROW = '[[row]]\nid = "a"\npropose = "accept"\ntext = "t"\nsource = "s"\n'
BASE = HEAD + ROW


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ('propose = "accept"', 'propose = "refuse"', "row 1 ('a'): propose must be one of accept"),
        ('text = "t"', 'text = ""', "row 1 ('a'): text must be a text"),
        (ROW, ROW.replace('source = "s"\n', ""), "source is missing"),
        ('id = "a"\n', "", "row 1 ('without id'): id is missing"),
        ('id = "a"', 'id = "a"\nwhen = { colour = "red" }', "unknown condition 'colour'"),
        ('id = "a"', 'id = "a"\nwhen = { hours_from = -1 }', "hours_from must be a number from 0 up"),
        ('id = "a"', 'id = "a"\nwhen = { hours_from = nan }', "hours_from must be a number from 0 up"),
        ('id = "a"', 'id = "a"\nwhen = { hours_from = true }', "hours_from must be a number"),
        ('id = "a"', 'id = "a"\nwhen = { days_from = 9, days_below = 9 }', "is not under"),
        ('id = "a"', 'id = "a"\nwhen = { cause = "heat" }', "cause must be a list"),
        ('id = "a"', 'id = "a"\nwhen = { cause = ["luck"] }', "cause must be one of"),
        ('id = "a"', 'id = "a"\nwhen = { cause = [[]] }', "cause must be one of"),
        ('id = "a"', 'id = "a"\nwhen = { sure = "very" }', "sure must be one of"),
        ('id = "a"', 'id = "a"\nwhen = { fault = "no" }', "fault must be true or false"),
        ('id = "a"', 'id = "a"\nwhen = { warranty = true }', "warranty must be one of"),
        ('id = "a"', 'id = "a"\nwhen = { reading = { cell-lit = ["bad"] } }', "unknown check 'cell-lit'"),
        ('id = "a"', 'id = "a"\nwhen = { reading = { cell-wipe = "bad" } }', "must be a list"),
        ('id = "a"', 'id = "a"\nwhen = { reading = { cell-wipe = ["so"] } }', "must be one of good"),
        ('id = "a"', 'id = "a"\nwhen = { flags = true }', "the last row must have no conditions"),
        ('id = "a"', 'id = "a"\nwhen = 3', "must be a table"),
        ("hours = 10\n", "", "needs hours, days or both"),
        ("hours = 10", "hours = inf", "hours must be a number"),
        ('id = "x"\n', 'id = "x"\nexample = "no"\n', "example must be true or false"),
        ('id = "x"\n', 'id = "x"\nrules = 1\n', "unknown key 'rules'"),
        ("[warranty]", "[guarantee]", "unknown key 'guarantee'"),
        ("[[row]]", "[row]", "needs at least one"),
        ("[[row]]", "[[row", "not valid TOML"),
        (BASE, "row = [1]", "id is missing"),
        (BASE, 'id = "x"\nrow = [1]\n[warranty]\nhours = 1\nsource = "s"', "row 1: must be a table"),
        (BASE, BASE + ROW, "the id stands there twice"),
        (BASE, BASE + ROW.replace('"a"', '"b"'), "never reached: row 'a' before it"),
    ],
)
def test_bad_table_names_file_row_and_key(old: str, new: str, reason: str) -> None:
    read_policy("site.toml", BASE)
    with pytest.raises(PolicyError) as caught:
        read_policy("site.toml", BASE.replace(old, new, 1))
    assert "site.toml" in str(caught.value)
    assert reason in str(caught.value)
    assert caught.value.code == "bad_policy"


def test_unreadable_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(PolicyError, match="cannot be read"):
        load_policy(tmp_path / "none.toml")
    (tmp_path / "odd.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(PolicyError, match="not UTF-8"):
        load_policy(tmp_path / "odd.toml")


VALUES = st.sampled_from(['"x"', "3", "true", "[]", '["heat"]', "{}", "nan", '{ a = ["bad"] }', "[[1]]", "1979-05-27"])
KEYS = st.sampled_from(["id", "when", "propose", "text", "source", "part", "cause", "sure", "reading", "hours_from"])
ENTRIES = st.lists(st.tuples(KEYS, VALUES), unique_by=lambda pair: pair[0])


@given(st.text() | ENTRIES.map(lambda rows: HEAD + "[[row]]\n" + "".join(f"{key} = {one}\n" for key, one in rows)))
def test_a_text_that_is_no_table_is_refused_in_words(text: str) -> None:
    """No row drawn is whole: what it should propose is never a proposal."""
    with pytest.raises(PolicyError, match=r"site\.toml"):
        read_policy("site.toml", text)


# ------------------------------------------------------------------------------------------- the command


def test_the_command_prints_rows_and_fingerprint(tmp_path: Path) -> None:
    printed = CliRunner().invoke(main, ["policy"])
    assert printed.exit_code == 0
    assert DEFAULT.sha256 in printed.stdout
    assert "an example, no advice" in printed.stdout
    assert all(row.id in printed.stdout and row.text in printed.stdout for row in DEFAULT.rows)
    (tmp_path / "site.toml").write_text(BASE.replace('"accept"', '"refuse"'))
    wrong = CliRunner().invoke(main, ["policy", "--policy", str(tmp_path / "site.toml")])
    assert wrong.exit_code == 2
    assert "propose must be one of" in " ".join(wrong.output.split())
