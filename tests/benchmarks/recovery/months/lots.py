"""Lots and machines: which restoration was made with which, and how the log says so."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from tests.benchmarks.recovery.months.calendar_days import LAST_DAY
from tests.benchmarks.recovery.orders import Flags, Ints, Orders

__all__ = ["LOT_STEPS", "MACHINE_STEPS", "Sourced", "draw_sources", "with_sources"]

#: Steps whose material comes in lots, and how many weeks a lot lasts (shortest, longest).
LOT_STEPS: Final = {"bonding": (6, 12), "opaquer": (8, 16), "layering": (4, 10)}
#: Steps that a machine is used at, and how many of them there are.
MACHINE_STEPS: Final = {"framework": 2, "blasting": 3, "final cure": 3}
_PREFIX: Final = {"bonding": "B", "opaquer": "O", "layering": "L", "framework": "F", "blasting": "S", "final cure": "C"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sourced:
    """Which lot or machine each restoration was made with, by step: (n,) arrays of numbers."""

    lots: dict[str, Ints]
    machines: dict[str, Ints]

    @staticmethod
    def code(step: str, number: int) -> str:
        """As the log has it."""
        return f"{_PREFIX[step]}{number + 1:03d}"

    def made_with(self, step: str, code: str) -> Flags:
        """Restorations made with one lot or machine."""
        numbers = {**self.lots, **self.machines}[step]
        made: Flags = numbers == int(code[1:]) - 1
        return made


def draw_sources(orders: Orders, rng: np.random.Generator) -> Sourced:
    """Draw the weeks in which each lot was open, and people's habits with machines."""
    lots = {step: _lots(orders, *weeks, rng) for step, weeks in LOT_STEPS.items()}
    technicians = int(orders.technician.max()) + 1
    machines = {}
    for step, size in MACHINE_STEPS.items():
        usual = rng.integers(0, size, technicians)[orders.technician]
        machines[step] = np.where(rng.random(orders.size) < 0.6, usual, rng.integers(0, size, orders.size))
    return Sourced(lots=lots, machines=machines)


def with_sources(log: pa.Table, orders: Orders, sources: Sourced) -> pa.Table:
    """The log with the lots and machines written on the rows of their steps."""
    row = pc.cast(pc.utf8_slice_codeunits(log["restoration_id"], 1), pa.int64()).to_numpy()
    step = np.asarray(log["step"].to_numpy(zero_copy_only=False), dtype=str)
    for column, chosen in (("lot", sources.lots), ("equipment", sources.machines)):
        words = np.zeros(len(row), dtype="U4")
        for name, numbers in chosen.items():
            here = step == name
            words[here] = _codes(name, int(numbers.max()) + 1)[numbers[row[here]]]
        log = log.set_column(log.schema.get_field_index(column), column, pa.array(words, type=pa.string()))
    return log


def _codes(step: str, size: int) -> NDArray[np.str_]:
    return np.array([Sourced.code(step, number) for number in range(size)])


def _lots(orders: Orders, shortest: int, longest: int, rng: np.random.Generator) -> Ints:
    """Number of the lot; in the last two weeks of a lot the next one is open beside it."""
    lasts = 7 * rng.integers(shortest, longest + 1, LAST_DAY // (7 * shortest) + 2)
    ends = np.cumsum(lasts)
    number = np.searchsorted(ends, orders.day, side="right")
    soon = (ends[number] - orders.day <= 14) & (rng.random(orders.size) < 0.5)
    return np.asarray(number + soon, dtype=np.int64)
