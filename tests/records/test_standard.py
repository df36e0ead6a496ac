"""The process standard: rules, what is in force when, the file with all its mistakes, and the store."""

from __future__ import annotations

import pickle
from collections.abc import Mapping
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select

from remakes.errors import ProcessStandardError
from remakes.records import schema
from remakes.records.corrective_actions import ActionsFileError, parse_actions
from remakes.records.importers.column_map import ColumnMapError
from remakes.records.importers.column_map_reading import parse_column_map
from remakes.records.standard import (
    ProcessStandard,
    Requirement,
    Rule,
    StandardFileError,
    load_standard,
    parse_standard,
    save_standard,
    undo_standard,
    write_standard,
)
from remakes.records.store import Store, now
from remakes.records.toml_blocks import Mistake, MistakesError

steady = settings(derandomize=True, deadline=None)

STANDARD = """\
title = "Metal-supported lab composite"
steps = ["framework", "blasting", "bonding"]

[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "bond_wait_s"
unit = "s"
at_least = 180
applies_when = { veneer = ["lab composite"] }
may_cause = ["debonding", "chipping"]
valid_from = 2024-01-01
says = "Bonding agent left to react for at least 3 minutes"
source = "common practice, no source"

[[requirement]]
factor = "humidity"
step = "bonding"
reading = "humidity_pct"
between = [20, 60]
may_cause = []
valid_from = 2024-01-01

[[requirement]]
factor = "grit_uses"
step = "blasting"
reading = "grit_uses"
at_most = 12
may_cause = ["debonding"]
valid_from = 2024-01-01

[[requirement]]
factor = "grit_uses"
step = "blasting"
reading = "grit_uses"
at_most = 8
may_cause = ["debonding"]
valid_from = 2026-01-01

[[requirement]]
factor = "residue"
step = "blasting"
reading = "residue_removal"
none_of = ["steam", "air gun"]
may_cause = ["debonding"]
valid_from = 2024-01-01
valid_until = 2025-12-31
"""


@pytest.fixture
def standard() -> ProcessStandard:
    return parse_standard(STANDARD, file="standard.toml")


def mistakes(text: str) -> list[tuple[str, str, int | None]]:
    with pytest.raises(StandardFileError) as refused:
        parse_standard(text, file="standard.toml")
    return [(mistake.block, mistake.key, mistake.line) for mistake in refused.value.mistakes]


@pytest.mark.parametrize(
    ("rule", "met", "missed"),
    [
        (Rule(kind="at_least", low=180), ["180", "180.0", " 200 ", "1e3"], ["179.99", "0", "-5"]),
        (Rule(kind="at_most", high=8), ["8", "0", "-1"], ["8.01", "9"]),
        (Rule(kind="between", low=2, high=3), ["2", "2.5", "3"], ["1.99", "3.01"]),
        (Rule(kind="one_of", values=("Yes",)), ["yes", " YES "], ["no", "1"]),
        (Rule(kind="none_of", values=("steam", "air gun")), ["tapped"], ["Steam", "air gun "]),
    ],
)
def test_what_meets_a_rule(rule: Rule, met: list[str], missed: list[str]) -> None:
    assert [rule.met(value) for value in met] == [True] * len(met)
    assert [rule.met(value) for value in missed] == [False] * len(missed)
    assert rule.met("") is None
    assert rule.met("  ") is None
    assert Rule.from_json(rule.to_json()) == rule


@pytest.mark.parametrize("value", ["about 180", "180,5", "nan", "inf", "1_000", "yes", "3 min", "0x10"])
def test_a_numeric_rule_says_nothing_about_what_is_no_number(value: str) -> None:
    assert Rule(kind="at_least", low=0).met(value) is None


@steady
@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_between_is_at_least_and_at_most(a: float, b: float, seen: float) -> None:
    low, high = min(a, b), max(a, b)
    at_least, at_most = Rule(kind="at_least", low=low), Rule(kind="at_most", high=high)
    both = at_least.met(repr(seen)) and at_most.met(repr(seen))
    assert Rule(kind="between", low=low, high=high).met(repr(seen)) == both


def test_a_rule_in_words() -> None:
    rules = [
        Rule(kind="at_least", low=180.0),
        Rule(kind="at_most", high=8.0),
        Rule(kind="between", low=2.0, high=2.5),
        Rule(kind="one_of", values=("tapped", "brush")),
        Rule(kind="none_of", values=("steam", "air gun")),
    ]
    assert [str(rule) for rule in rules] == [
        "at least 180",
        "at most 8",
        "2 to 2.5",
        "tapped or brush",
        "not steam nor air gun",
    ]


def test_the_whole_file(standard: ProcessStandard) -> None:
    assert standard.title == "Metal-supported lab composite"
    assert standard.steps == ("framework", "blasting", "bonding")
    assert len(standard.requirements) == 5
    assert standard.requirements[0] == Requirement(
        factor="bond_wait",
        step="bonding",
        reading="bond_wait_s",
        unit="s",
        rule=Rule(kind="at_least", low=180.0),
        applies_when={"veneer": ("lab composite",)},
        may_cause=("debonding", "chipping"),
        valid_from=date(2024, 1, 1),
        valid_until=None,
        says="Bonding agent left to react for at least 3 minutes",
        source="common practice, no source",
    )


def test_factors_stand_in_the_order_of_work(standard: ProcessStandard) -> None:
    # Blasting comes before bonding in `steps`, though after it in the file.
    assert standard.factors == ("grit_uses", "residue", "bond_wait", "humidity")
    assert standard.earlier_or_same_step("grit_uses") == ("residue",)
    assert standard.earlier_or_same_step("bond_wait") == ("grit_uses", "residue", "humidity")
    assert standard.steps_of_reading("grit_uses") == ("blasting",)
    assert standard.steps_of_reading("unheard_of") == ()
    assert ("blasting", "residue_removal") not in standard.numeric_readings
    assert ("blasting", "grit_uses") in standard.numeric_readings


@pytest.mark.parametrize(
    ("day", "limit"),
    [("2023-12-31", None), ("2024-01-01", 12.0), ("2025-12-31", 12.0), ("2026-01-01", 8.0), ("2030-01-01", 8.0)],
)
def test_the_limit_in_force_on_the_day_of_delivery(standard: ProcessStandard, day: str, limit: float | None) -> None:
    found = standard.in_force("grit_uses", delivered_on=date.fromisoformat(day), attributes={})
    assert (found and found.rule.high) == limit


def test_a_requirement_ends_with_its_last_day(standard: ProcessStandard) -> None:
    assert standard.in_force("residue", delivered_on=date(2025, 12, 31), attributes={}) is not None
    assert standard.in_force("residue", delivered_on=date(2026, 1, 1), attributes={}) is None


def test_after_a_passing_limit_the_former_one_holds_again() -> None:
    usual = requirement(valid_from=date(2024, 1, 1))
    passing = requirement(valid_from=date(2025, 6, 1), valid_until=date(2025, 6, 30))
    standard = ProcessStandard(steps=("a",), requirements=(usual, passing))
    days = [date(2025, 5, 31), date(2025, 6, 1), date(2025, 6, 30), date(2025, 7, 1)]
    assert [standard.in_force("f", delivered_on=day, attributes={}) for day in days] == [usual, passing, passing, usual]


def test_of_two_that_begin_together_the_more_particular_one_counts() -> None:
    all_work = requirement()
    bridges = requirement(applies_when={"kind": ("bridge",)})
    for order in ((all_work, bridges), (bridges, all_work)):
        standard = ProcessStandard(steps=("a",), requirements=order)
        assert standard.in_force("f", delivered_on=date(2026, 1, 1), attributes={"kind": "Bridge"}) == bridges
        assert standard.in_force("f", delivered_on=date(2026, 1, 1), attributes={"kind": "crown"}) == all_work


@pytest.mark.parametrize(
    ("attributes", "applies"),
    [
        ({"veneer": "lab composite", "difficulty": "bruxism"}, True),
        ({"veneer": " Lab Composite ", "difficulty": "limited space; Bruxism"}, True),
        ({"veneer": "lab composite", "difficulty": "limited space"}, False),
        ({"veneer": "ceramic", "difficulty": "bruxism"}, False),
        ({"veneer": None, "difficulty": "bruxism"}, False),
        ({"difficulty": "bruxism"}, False),
    ],
)
def test_all_conditions_must_fit(attributes: Mapping[str, str | None], applies: bool) -> None:
    one = requirement(applies_when={"veneer": ("lab composite",), "difficulty": ("bruxism",)})
    assert one.applies_to(attributes) is applies


def test_an_unknown_factor_is_named(standard: ProcessStandard) -> None:
    with pytest.raises(ProcessStandardError, match=r"'polish'.*bond_wait, humidity"):
        standard.in_force("polish", delivered_on=date(2026, 1, 1), attributes={})


def test_a_standard_can_be_kept_in_a_cache(standard: ProcessStandard) -> None:
    assert pickle.loads(pickle.dumps(standard)) == standard
    assert len({standard, parse_standard(STANDARD, file="again")}) == 1


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("at_least = 180", "", "rule"),
        ("at_least = 180", "at_least = 180\nat_most = 300", "at_most"),
        ("at_least = 180", 'at_least = "180"', "at_least"),
        ("at_least = 180", "at_least = true", "at_least"),
        ("at_least = 180", "at_least = nan", "at_least"),
        ("between = [20, 60]", "between = [60, 20]", "between"),
        ("between = [20, 60]", "between = [20]", "between"),
        ("between = [20, 60]", "between = 20", "between"),
        ("between = [20, 60]", "one_of = []", "one_of"),
        ("between = [20, 60]", 'one_of = "yes"', "one_of"),
        ("between = [20, 60]", "one_of = [[1]]", "one_of"),
        ('"debonding", "chipping"', '"debondng", "chipping"', "may_cause"),
        ('"debonding", "chipping"', '"chipping", "chipping"', "may_cause"),
        ('may_cause = ["debonding", "chipping"]\n', "", "may_cause"),
        ('step = "bonding"', 'step = "bondng"', "step"),
        ('step = "bonding"\n', "", "step"),
        ('factor = "bond_wait"', 'factor = " "', "factor"),
        ('factor = "bond_wait"', "factor = 7", "factor"),
        ('reading = "bond_wait_s"\n', "", "reading"),
        ("veneer =", "vener =", "applies_when"),
        ('{ veneer = ["lab composite"] }', '"lab composite"', "applies_when"),
        ('["lab composite"]', '"lab composite"', "applies_when"),
        ('["lab composite"]', "[]", "applies_when"),
        ('valid_from = 2024-01-01\nsays = "Bond', 'says = "Bond', "valid_from"),
        ('valid_from = 2024-01-01\nsays = "Bond', 'valid_from = "01.01.2024"\nsays = "Bond', "valid_from"),
        ('valid_from = 2024-01-01\nsays = "Bond', 'valid_from = 2024-01-01T10:00:00\nsays = "Bond', "valid_from"),
        ("valid_until = 2025-12-31", "valid_until = 2023-12-31", "valid_until"),
        ("valid_from = 2026-01-01", "valid_from = 2024-01-01", "factor"),
        ("at_most = 8", "at_mots = 8\nat_most = 8", "at_mots"),
        ('steps = ["framework", "blasting", "bonding"]', "steps = 3", "steps"),
        ("steps = [", 'steps = ["framework", ', "steps"),
        ('title = "Metal', 'titel = "Metal', "titel"),
        ("title = ", "title = 3 # ", "title"),
    ],
)
def test_one_mistake_is_found_where_it_is(old: str, new: str, key: str) -> None:
    assert STANDARD.count(old) >= 1
    text = STANDARD.replace(old, new, 1)
    ((_, found_key, line),) = mistakes(text)
    assert found_key == key
    assert line is not None
    assert 1 <= line <= len(text.splitlines())


def test_all_mistakes_at_once_with_block_and_line() -> None:
    text = STANDARD.replace("at_least = 180", "at_least = 180\nat_most = 1").replace('"debonding"', '"debondng"')
    assert mistakes(text) == [
        ("[[requirement]] 1", "at_most", 10),
        ("[[requirement]] 1", "may_cause", 12),
        ("[[requirement]] 3", "may_cause", 30),
        ("[[requirement]] 4", "may_cause", 38),
        ("[[requirement]] 5", "may_cause", 46),
    ]


def test_a_mistake_says_what_was_seen_and_what_is_needed() -> None:
    with pytest.raises(StandardFileError) as refused:
        parse_standard(STANDARD.replace('step = "bonding"', 'step = "bondng"', 1), file="our standard.toml")
    message = str(refused.value)
    assert message.startswith("our standard.toml: 1 mistake; nothing of it was taken.")
    assert "line 6, [[requirement]] 1: step = 'bondng': no such step" in message
    assert "Did you mean bonding?" in message


def test_a_factor_belongs_to_one_step() -> None:
    text = STANDARD.replace(
        'step = "blasting"\nreading = "grit_uses"\nat_most = 8', 'step = "framework"\nreading = "g"\nat_most = 8'
    )
    assert mistakes(text) == [("[[requirement]] 4", "step", 34)]


@pytest.mark.parametrize("text", ["title = ", "\x00", "[[requirement]", "a = 1\na = 2"])
def test_no_toml_is_one_mistake_with_its_place(text: str) -> None:
    ((block, _, _),) = mistakes(text)
    assert block == "file"


def test_an_empty_file_lacks_steps_and_requirements() -> None:
    assert [key for _, key, _ in mistakes("")] == ["steps", "requirement"]
    assert mistakes("requirement = 3\nsteps = ['a']") == [("top of the file", "requirement", 1)]
    assert [key for _, key, _ in mistakes("steps = []\nrequirement = []")] == ["steps", "requirement"]


def test_a_byte_order_mark_does_no_harm(standard: ProcessStandard) -> None:
    assert parse_standard("\ufeff" + STANDARD, file="standard.toml") == standard


def test_dates_in_quotes_and_words_of_other_kinds_are_read() -> None:
    text = STANDARD.replace("valid_from = 2026-01-01", 'valid_from = "2026-01-01"')
    text = text.replace('none_of = ["steam", "air gun"]', "none_of = [50, 2.5, true]")
    read = parse_standard(text, file="standard.toml")
    assert read.requirements[3].valid_from == date(2026, 1, 1)
    assert read.requirements[4].rule.values == ("50", "2.5", "yes")


@steady
@given(st.text(alphabet='[]{}="\n#,. requimntfacosp_1-:T', max_size=80))
def test_any_text_is_read_or_refused_with_mistakes(text: str) -> None:
    assert read_or_mistakes(text)


VALUES = st.recursive(
    st.one_of(st.booleans(), st.integers(-9, 9), st.sampled_from(["", "bonding", "chipping", "2024-01-01", "yes"])),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(["veneer", "x"]), inner, max_size=2)
    ),
    max_leaves=4,
)
KEYS = [
    "factor",
    "step",
    "reading",
    "unit",
    "at_least",
    "between",
    "one_of",
    "applies_when",
    "may_cause",
    "valid_from",
    "says",
]


def as_toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return f"[{', '.join(map(as_toml, value))}]"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{key} = {as_toml(one)}' for key, one in value.items())} }}"
    return f'"{value}"' if isinstance(value, str) else str(value)


@steady
@given(st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=len(KEYS)), VALUES)
def test_any_block_is_read_or_refused_with_mistakes(block: dict[str, object], steps: object) -> None:
    lines = [f"steps = {as_toml(steps)}", "[[requirement]]", *(f"{key} = {as_toml(v)}" for key, v in block.items())]
    found = read_or_mistakes("\n".join(lines))
    if isinstance(found, ProcessStandard):
        assert found.factors == (found.requirements[0].factor,)
    else:
        assert found


def test_saving_twice_changes_nothing(store: Store, standard: ProcessStandard) -> None:
    assert load_standard(store) == ProcessStandard()
    assert save_standard(store, standard, who="QA") == (5, 0, 0)
    version = store.data_version()
    assert save_standard(store, standard, who="QA") == (0, 0, 5)
    assert store.data_version() == version
    stored = load_standard(store)
    assert (stored.title, stored.steps, stored.factors) == (standard.title, standard.steps, standard.factors)
    assert set(stored.requirements) == set(standard.requirements)


def test_a_changed_requirement_replaces_and_nothing_is_deleted(store: Store, standard: ProcessStandard) -> None:
    save_standard(store, standard, who="QA")
    changed = replace(standard.requirements[0], rule=Rule(kind="at_least", low=240.0))
    added = replace(standard.requirements[0], valid_from=date(2026, 11, 1))
    newer = replace(standard, requirements=(changed, added))
    assert save_standard(store, newer, who="QA") == (1, 1, 0)
    stored = load_standard(store)
    assert set(stored.requirements) == {changed, added, *standard.requirements[1:]}


def test_an_older_requirement_keeps_its_step(store: Store, standard: ProcessStandard) -> None:
    save_standard(store, standard, who="QA")
    shorter = replace(standard, steps=("framework", "bonding"), requirements=standard.requirements[:2])
    with pytest.raises(ProcessStandardError, match=r"blasting \(factor grit_uses\)"):
        save_standard(store, shorter, who="QA")
    assert load_standard(store).steps == standard.steps


def test_new_steps_alone_are_taken_and_audited(store: Store, standard: ProcessStandard) -> None:
    save_standard(store, standard, who="QA")
    version = store.data_version()
    longer = replace(standard, steps=(*standard.steps, "finishing"), title="Second edition")
    assert save_standard(store, longer, who="QA") == (0, 0, 5)
    assert load_standard(store).steps == longer.steps
    assert load_standard(store).title == "Second edition"
    assert store.data_version() > version


def test_undo_gives_back_what_was_there(store: Store, standard: ProcessStandard) -> None:
    save_standard(store, standard, who="QA")
    before = load_standard(store)
    changed = replace(standard.requirements[4], rule=Rule(kind="one_of", values=("tapped",)), valid_until=None)
    added = replace(standard.requirements[0], valid_from=date(2026, 11, 1))
    newer = ProcessStandard(title="Second", steps=("wax", *standard.steps), requirements=(changed, added))
    with store.writer(may="import lists") as connection:
        batch = new_batch(connection)
        assert write_standard(connection, newer, import_id=batch) == (1, 1, 0)
    assert load_standard(store) != before
    with store.writer(may="import lists") as connection:
        assert undo_standard(connection, batch) == 2
    assert load_standard(store) == before


def test_undo_of_the_first_standard_leaves_none(store: Store, standard: ProcessStandard) -> None:
    with store.writer(may="import lists") as connection:
        batch = new_batch(connection)
        write_standard(connection, standard, import_id=batch)
    with store.writer(may="import lists") as connection:
        undo_standard(connection, batch)
        assert connection.scalar(select(func.count()).select_from(schema.requirements)) == 0
    assert load_standard(store) == ProcessStandard()


def read_or_mistakes(text: str) -> ProcessStandard | tuple[Mistake, ...]:
    try:
        return parse_standard(text, file="x")
    except StandardFileError as refused:
        return refused.mistakes


def requirement(
    *,
    valid_from: date = date(2024, 1, 1),
    valid_until: date | None = None,
    applies_when: Mapping[str, tuple[str, ...]] | None = None,
) -> Requirement:
    return Requirement(
        factor="f",
        step="a",
        reading="r",
        rule=Rule(kind="one_of", values=("yes",)),
        applies_when=applies_when or {},
        valid_from=valid_from,
        valid_until=valid_until,
    )


def new_batch(connection: object) -> int:
    row = {"at": now(), "who": "QA", "file": "standard.toml", "table_name": "requirements", "sha256": "0"}
    (batch,) = connection.execute(schema.imports.insert().values(row)).inserted_primary_key  # type: ignore[attr-defined]
    return int(batch)


def test_every_file_that_a_person_edits_is_refused_by_one_kind_of_error() -> None:
    wrong = {
        StandardFileError: lambda: parse_standard("steps = 1", file="standard.toml"),
        ActionsFileError: lambda: parse_actions("wrong = 1", file="actions.toml"),
        ColumnMapError: lambda: parse_column_map("wrong = 1", file="map.toml"),
    }
    for kind, read in wrong.items():
        with pytest.raises(MistakesError, match=r"\.toml: \d mistake") as refused:
            read()
        assert type(refused.value) is kind
        assert isinstance(refused.value, ValueError)
        assert refused.value.mistakes
        assert refused.value.file.endswith(".toml")
