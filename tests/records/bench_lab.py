"""A small lab for tests of the bench: a standard with every kind of reading, and two restorations in work."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Final

from remakes.records.bench.moments import stored
from remakes.records.bench.pieces import Piece
from remakes.records.bench.work import add_work
from remakes.records.permissions import Actor
from remakes.records.standard import parse_standard, save_standard
from remakes.records.store import Store

WHO: Final = "technician T1"
TODAY: Final = date(2026, 3, 4)
#: Eleven o'clock on the clock of the lab, wherever it stands.
AT: Final = stored(datetime.fromisoformat("2026-03-04 11:00"))
T1: Final = Actor(code="T1", roles=frozenset({"technician"}))
T2: Final = Actor(code="T2", roles=frozenset({"technician"}))
MANAGER: Final = Actor(code="M1", roles=frozenset({"manager"}))

STANDARD: Final = """
title = "Bench lab"
steps = ["framework", "blasting", "bonding", "opaquer", "checking"]

[[requirement]]
factor = "metal"
step = "framework"
reading = "metal_mm"
unit = "mm"
at_least = 0.4
applies_when = { framework = ["base metal"] }
may_cause = ["chipping"]
valid_from = 2024-01-01

[[requirement]]
factor = "residue"
step = "blasting"
reading = "residue"
none_of = ["steam", "air gun"]
may_cause = ["debonding"]
valid_from = 2024-01-01

[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "wait_s"
unit = "s"
at_least = 180
may_cause = ["debonding"]
valid_from = 2024-01-01
says = "Left to react for at least 3 minutes"

[[requirement]]
factor = "blast_to_bond"
step = "bonding"
reading = "to_bond_min"
unit = "min"
at_most = 10
may_cause = ["debonding"]
valid_from = 2024-01-01

[[requirement]]
factor = "coats"
step = "opaquer"
reading = "coats"
unit = "coats"
at_least = 2
may_cause = ["show_through"]
valid_from = 2024-01-01

[[requirement]]
factor = "cure"
step = "opaquer"
reading = "cure_min"
unit = "min"
between = [10, 20]
may_cause = ["discoloration"]
valid_from = 2024-01-01

[[requirement]]
factor = "fit"
step = "checking"
reading = "fit_check"
unit = "yes/no"
one_of = ["yes"]
may_cause = ["seating"]
valid_from = 2024-01-01
"""


def take_standard(store: Store) -> None:
    """The standard above, in force."""
    save_standard(store, parse_standard(STANDARD, file="standard.toml"), who="test")


def begin(store: Store, number: str = "N1", **columns: Any) -> Piece:
    """A crown of technician T1 in work."""
    usual = {"kind": "crown", "teeth": "11", "framework": "base metal", "veneer": "lab composite", "technician": "T1"}
    return add_work(store, {"restoration_id": number, **usual, **columns}, who=WHO)
