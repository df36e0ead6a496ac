"""Make the invented demonstration lab: five files in the formats that `remakes import` takes.

Run it as ``python synthetic_data/generate.py [--out FOLDER] [--seed N] [--months N] [--restorations N] [--describe]``.
The same seed gives the same bytes on every Python from 3.11 on.
"""

import argparse
import csv
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

if not __package__:  # started as a script: only its own folder is on the path
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from synthetic_data import lab
from synthetic_data.bench import STANDARD, Reading, Work, filled_in_later, requirements, work_on
from synthetic_data.orders import Restoration, Streams, original_orders, remake_order
from synthetic_data.returns import Return, returns_of

HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True, kw_only=True)
class InventedLab:
    """Everything that happened, the hidden truth included, keyed by the restorations' internal numbers."""

    seed: int
    restorations: tuple[Restoration, ...]  # in order of receipt, as the lab numbers them
    work: Mapping[int, Work]
    returns: tuple[Return, ...]  # in order of report


def simulate(*, seed: int = lab.SEED, months: int = lab.MONTHS, restorations: int = 6000) -> InventedLab:
    """What would this invented lab have made and got back?

    Parameters
    ----------
    seed : int
        The same seed gives the same lab.
    months : int
        Months of deliveries before 2026-10-31, 1 to 30.
    restorations : int
        First-made restorations; remakes come on top.

    Raises
    ------
    ValueError
        A number outside what the invented lab has.
    """
    if not 1 <= months <= lab.MONTHS or restorations < 1:
        raise ValueError(
            f"months is {months} and restorations is {restorations}: the invented lab has records of at most "
            f"{lab.MONTHS} months. Ask for 1 to {lab.MONTHS} months and at least 1 restoration."
        )
    streams, rules = Streams(seed), requirements()
    last = lab.OBSERVED_UNTIL.year * 12 + lab.OBSERVED_UNTIL.month - months
    waiting = original_orders(restorations, date(last // 12, last % 12 + 1, 1), streams)
    made: list[Restoration] = []
    work: dict[int, Work] = {}
    returns: list[Return] = []
    for one in waiting:  # grows by the remakes while it is worked off
        made.append(one)
        work[one.key] = work_on(one, rules, streams)
        rows = returns_of(one, work[one.key].missed, streams)
        returns += rows
        remade = next((row.reported_on for row in rows if row.disposition == "remade"), None)
        if rows and streams["sheets"].happens(0.2):
            work[one.key] = filled_in_later(one, work[one.key], rows[0].reported_on)
        if remade and (new := remake_order(one, remade, len(waiting) + 1, streams)):
            waiting.append(new)
    return InventedLab(
        seed=seed,
        restorations=tuple(sorted(made, key=lambda one: (one.received, one.delivered, one.key))),
        work=work,
        returns=tuple(sorted(returns, key=lambda row: (row.reported_on, row.restoration_id, not row.primary))),
    )


def cell(value: object) -> object:
    """A value as it stands in a file."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.isoformat(timespec="minutes")
    return " ".join(value) if isinstance(value, tuple) else value  # the csv module writes None as nothing


def write_table(path: Path, header: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(header)
        table.writerows([cell(value) for value in row] for row in rows)


def restoration_row(one: Restoration, names: Mapping[int, str], cases: dict[int, str]) -> dict[str, object]:
    return {
        "restoration_id": names[one.key],
        "case_id": cases.setdefault(one.case, f"A{len(cases) + 1:05}"),
        "clinic": one.clinic,
        "technician": one.technician,
        "kind": one.kind,
        "teeth": one.teeth,
        "units": len(one.teeth),
        "framework": one.framework,
        "veneer": one.veneer,
        "difficulty": ";".join(one.difficulty),
        "received_on": one.received,
        "due_on": one.due,
        "delivered_on": one.delivered,
        "remake_of": names[one.remake_of] if one.remake_of else None,
    }


def return_rows(returns: Iterable[Return], names: Mapping[int, str]) -> Iterable[Iterable[object]]:
    number = 0
    for row in returns:
        number += row.primary  # the second defect of a return follows its first
        yield f"Q{number:04}", names[row.restoration_id], *row[1:]


def generate(out: Path, *, seed: int = lab.SEED, months: int = lab.MONTHS, restorations: int = 6000) -> None:
    """Write the invented lab to the folder `out`, which is made if it is missing; see `simulate` for the numbers."""
    made = simulate(seed=seed, months=months, restorations=restorations)
    names = {one.key: f"R{number:05}" for number, one in enumerate(made.restorations, start=1)}
    cases: dict[int, str] = {}
    ordered = [restoration_row(one, names, cases) for one in made.restorations]
    log = ((names[row.restoration_id], *row[1:]) for one in made.restorations for row in made.work[one.key].readings)
    out.mkdir(parents=True, exist_ok=True)
    write_table(out / "restorations.csv", ordered[0], (row.values() for row in ordered))
    write_table(out / "process_log.csv", Reading._fields, log)
    write_table(out / "returns.csv", ("return_id", *Return._fields), return_rows(made.returns, names))
    for by_hand in (STANDARD, HERE / "actions.toml"):
        if out.resolve() != HERE.resolve():
            (out / by_hand.name).write_bytes(by_hand.read_bytes())


def main() -> None:
    ask = argparse.ArgumentParser(description="Make the invented demonstration lab.")
    ask.add_argument("--out", type=Path, default=HERE, help="folder to write to (default: this one)")
    ask.add_argument("--seed", type=int, default=lab.SEED)
    ask.add_argument("--months", type=int, default=lab.MONTHS)
    ask.add_argument("--restorations", type=int, default=6000)
    ask.add_argument("--describe", action="store_true", help="print what is in it and what was planted; write nothing")
    given = ask.parse_args()
    numbers = {"seed": given.seed, "months": given.months, "restorations": given.restorations}
    from synthetic_data.truth import describe, refresh_readme  # here, because they build on this module

    if given.describe:
        print(describe(simulate(**numbers)))
        return
    generate(given.out, **numbers)
    if given.out.resolve() == HERE.resolve():
        refresh_readme(simulate(**numbers))


if __name__ == "__main__":
    main()
