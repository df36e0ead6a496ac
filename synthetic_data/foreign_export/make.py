"""Make the messy export of a small invented laboratory, and the same records as clean files.

    python synthetic_data/foreign_export/make.py [--out FOLDER] [--seed N]

The Quillmere Studio in Tarnowick does not exist; nothing here describes a real laboratory, person or
product. The same seed gives the same bytes (the workbook: with the same release of its writer).
"""

from __future__ import annotations

import argparse
import csv
import io
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
SEED = 20260302
ORDERS = 40

KINDS = {"crown": "K", "bridge": "Br", "onlay": "Onl", "implant crown": "IK"}
FRAMEWORKS = {"base metal": "NEM", "noble metal": "EM", "zirconia": "Zr"}
VENEERS = {"lab composite": "Komp", "ceramic": "Ker"}
DIFFICULTIES = {"bruxism": "Brux", "limited space": "wenig Platz"}
DEFECTS = {"chipping": "Abplatzung", "debonding": "Ablösung", "shade_mismatch": "Farbe", "occlusion": "Okklusion"}
DISPOSITIONS = {"adjusted": "angepasst", "repaired": "repariert", "remade": "neu"}
ORDER_HEADER = (
    *("Auftrag", "Fall", "Kunde", "Techniker", "Art", "Zähne", "Einheiten", "Gerüst", "Verblendung"),
    *("Schwierigkeit", "Eingang", "fällig", "Ausgang", "Ersatz für", "Patient", "Bemerkung"),
)
BENCH_HEADER = (
    *("Auftrag", "Wer", "Tag", "Gerät", "Charge", "Haftvermittler min", "dünnste Stelle mm", "Opaker-Schichten"),
    *("Reste entfernt", "poliert", "Strahlmittel", "Anmerkung"),
)
COMPLAINT_HEADER = (
    *("Auftrag", "gemeldet", "erfasst", "Fehler", "Hauptfehler", "Schwere", "Verletzung", "gefunden", "Zahn"),
    *("Bruchfläche", "Metall %", "Maßnahme", "Ursache", "Kosten", "Text"),
)
#: Reading of the clean log: its step, and how the bench sheet's cell becomes its value.
READINGS = {
    "bond_wait_s": ("bonding", "minutes"),
    "veneer_min_mm": ("layering", "number"),
    "opaquer_coats": ("opaquer", "number"),
    "residue_removed": ("bonding", "tick"),
    "polished": ("finishing", "tick"),
    "grit": ("blasting", "word"),
}


@dataclass(frozen=True)
class Order:
    """One restoration, in the words of the records."""

    number: str
    case: str
    clinic: str
    technician: str
    kind: str
    universal: tuple[int, ...]
    framework: str
    veneer: str
    difficulty: tuple[str, ...]
    received: date
    due: date | None
    delivered: date
    remake_of: str
    remark: str


@dataclass(frozen=True)
class BenchRow:
    """One row of the bench sheet; None: the cell is blank."""

    order: Order
    day: date
    equipment: str
    lot: str
    cells: tuple[str | None, ...]  # in the order of READINGS, as the bench wrote them
    remark: str


@dataclass(frozen=True)
class Complaint:
    """One returned restoration and defect."""

    order: Order
    reported: date
    entered: date
    defect: str
    primary: bool
    severity: int
    harm: bool | None
    teeth: tuple[int, ...]
    plane: str
    bare_metal: int | None
    disposition: str
    attributed_to: str
    cost: float
    text: str


def make(out: Path = HERE, *, seed: int = SEED) -> None:
    """Write the messy export into a folder, and its clean form into `clean` below it."""
    (out / "clean").mkdir(parents=True, exist_ok=True)
    orders = _orders(random.Random(seed))
    bench = _bench(random.Random(seed + 1), orders)
    complaints = _complaints(random.Random(seed + 2), orders)
    _write(out / "orders.csv", _orders_csv(orders), encoding="cp1252")
    _write(out / "bench.csv", _bench_csv(bench), encoding="utf-8-sig")
    _write(out / "complaints.csv", _complaints_csv(complaints), encoding="utf-8")
    _write_workbook(out / "orders.xlsx", orders)
    _write(out / "clean" / "restorations.csv", _clean_restorations(orders), encoding="utf-8")
    _write(out / "clean" / "process_log.csv", _clean_log(bench), encoding="utf-8")
    _write(out / "clean" / "returns.csv", _clean_returns(complaints), encoding="utf-8")


def _orders(rng: random.Random) -> list[Order]:
    orders: list[Order] = []
    day = date(2026, 1, 7)
    for n in range(ORDERS):
        day += timedelta(days=rng.choice((0, 1, 2, 3)))
        kind = rng.choices(tuple(KINDS), weights=(6, 3, 1, 1))[0]
        first = rng.choice((2, 3, 12, 18, 19, 28))
        teeth = tuple(range(first, first + 3)) if kind == "bridge" else (first,)
        delivered = day + timedelta(days=rng.randint(6, 15))
        orders.append(
            Order(
                number=str(26001 + n),
                case=f"F{600 + n - (n % 7 == 3)}",
                clinic=rng.choice(("P1", "P2", "P3", "P5")),
                technician=rng.choice(("Z1", "Z2", "Z3")),
                kind=kind,
                universal=teeth,
                framework=rng.choice(tuple(FRAMEWORKS)),
                veneer=rng.choices(tuple(VENEERS), weights=(4, 1))[0],
                difficulty=tuple(one for one in DIFFICULTIES if rng.random() < 0.15),
                received=day,
                due=day + timedelta(days=14) if rng.random() < 0.8 else None,
                delivered=delivered,
                remake_of="26005" if n == 30 else "",
                remark=rng.choice(("", "", "Bitte anrufen", "Größe prüfen; Foto liegt bei")),
            )
        )
    return orders


def _bench(rng: random.Random, orders: Sequence[Order]) -> list[BenchRow]:
    def now_and_then(text: str, missing: float) -> str | None:
        return None if rng.random() < missing else text

    rows = []
    for order in orders:
        cells = (
            now_and_then(rng.choice(("3", "3", "3,5", "4", "2", "1,5")), 0.15),
            now_and_then(rng.choice(("1,0", "1,2", "0,8", "1,15")), 0.1),
            now_and_then(rng.choice(("2", "2", "3", "1")), 0.1),
            now_and_then(rng.choice(("x", "x", "ok", "-")), 0.1),
            now_and_then(rng.choice(("x", "X", "-")), 0.2),
            now_and_then(rng.choice(("110", "110", "50")), 0.0 if order.number == "26001" else 0.1),
        )
        rows.append(
            BenchRow(
                order=order,
                day=order.delivered - timedelta(days=rng.randint(1, 3)),
                equipment=rng.choice(("Ofen 1", "Ofen 2")),
                lot=rng.choice(("L11", "L12")),
                cells=cells if order.number != "26007" else (None,) * len(cells),
                remark=rng.choice(("", "", "", "später nachgetragen")),
            )
        )
    return rows


def _complaints(rng: random.Random, orders: Sequence[Order]) -> list[Complaint]:
    complaints: list[Complaint] = []
    for order in rng.sample(list(orders), 8):
        reported = order.delivered + timedelta(days=rng.randint(0, 90))
        defects = rng.sample(tuple(DEFECTS), 2 if len(complaints) % 4 == 1 else 1)
        for n, defect in enumerate(defects):
            broken = defect in ("chipping", "debonding")
            severity = rng.randint(2, 5)
            complaints.append(
                Complaint(
                    order=order,
                    reported=reported,
                    entered=reported + timedelta(days=rng.randint(0, 4)),
                    defect=defect,
                    primary=n == 0,
                    severity=severity,
                    harm=rng.choice((None, False, False, True)),
                    teeth=order.universal[:1] if rng.random() < 0.5 else (),
                    plane=rng.choice(("adhesive", "cohesive")) if broken else "",
                    bare_metal=rng.choice((10, 45, 90)) if broken else None,
                    disposition=("adjusted", "adjusted", "repaired", "remade")[severity - 2],
                    attributed_to=rng.choice(("lab", "clinic", "undecided")),
                    cost=rng.choice((12.5, 85.0, 240.75, 1250.0)),
                    text=rng.choice(("", "höckernah abgeplatzt,\nTeil liegt bei", 'Farbe "zu hell"')),
                )
            )
    return complaints


# --- the messy form -------------------------------------------------------------------------------


def _german(day: date | None) -> str:
    return f"{day:%d.%m.%Y}" if day else ""


def _numbers(teeth: Iterable[int]) -> str:
    return ", ".join(map(str, teeth))


def _order_cells(order: Order) -> list[str]:
    return [
        *(order.number, order.case, order.clinic, order.technician, KINDS[order.kind], _numbers(order.universal)),
        *(f"{len(order.universal)},0", FRAMEWORKS[order.framework], VENEERS[order.veneer]),
        ";".join(DIFFICULTIES[one] for one in order.difficulty),
        *(
            _german(order.received),
            _german(order.due),
            _german(order.delivered),
            order.remake_of,
            "anonym",
            order.remark,
        ),
    ]


def _orders_csv(orders: Sequence[Order]) -> str:
    blank = [""] * len(ORDER_HEADER)
    total = ["Summe", *blank[1:6], f"{sum(len(order.universal) for order in orders)},0", *blank[7:]]
    rows = [
        ["Quillmere Studio, Tarnowick (erfunden)", *blank[1:]],
        ["Auftragsliste 2026", *blank[1:]],
        list(ORDER_HEADER),
        *map(_order_cells, orders[:20]),
        blank,
        *map(_order_cells, orders[20:]),
        total,
    ]
    return _csv(rows, delimiter=";")


def _bench_csv(bench: Sequence[BenchRow]) -> str:
    rows = [
        [
            *(row.order.number, row.order.technician, f"{row.day:%d.%m.%y}", row.equipment, row.lot),
            *(cell or "" for cell in row.cells),
            row.remark,
        ]
        for row in bench
    ]
    return _csv([list(BENCH_HEADER), *rows], delimiter=";")


def _complaints_csv(complaints: Sequence[Complaint]) -> str:
    planes = {"adhesive": "am Metall", "cohesive": "in der Masse", "": ""}
    causes = {"lab": "Labor", "clinic": "Praxis", "undecided": "offen"}
    harm = {None: "", True: "ja", False: "nein"}
    rows = [
        [
            *(one.order.number, f"{one.reported:%d/%m/%Y}", f"{one.entered:%d/%m/%Y}", DEFECTS[one.defect]),
            *(
                "ja" if one.primary else "nein",
                str(one.severity),
                harm[one.harm],
                "Patient" if one.severity > 3 else "Einprobe",
            ),
            *(_numbers(one.teeth), planes[one.plane], "" if one.bare_metal is None else f"{one.bare_metal},0"),
            *(DISPOSITIONS[one.disposition], causes[one.attributed_to], _comma(one.cost), one.text),
        ]
        for one in complaints
    ]
    return _csv([list(COMPLAINT_HEADER), *rows], delimiter=",")


def _comma(amount: float) -> str:
    return f"{amount:,.2f}".replace(",", "_").replace(".", ",").replace("_", ".")


def _write_workbook(path: Path, orders: Sequence[Order]) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(str(path)) as workbook:
        # Without a fixed day, every run would give another file.
        workbook.set_properties({"created": datetime(2026, 7, 1)})  # noqa: DTZ001 - as the file format has it
        hidden = workbook.add_worksheet("Preise")
        hidden.write_row(0, 0, ["Art", "Preis"])
        hidden.hide()
        sheet = workbook.add_worksheet("Aufträge 2026")
        sheet.activate()
        sheet.set_first_sheet()
        as_date = workbook.add_format({"num_format": "dd.mm.yyyy"})
        last = len(ORDER_HEADER) - 1
        sheet.merge_range(0, 0, 0, last, "Quillmere Studio, Tarnowick (erfunden)")
        sheet.merge_range(1, 0, 1, last, "Auftragsliste 2026")
        sheet.write_row(2, 0, ORDER_HEADER)
        for n, order in enumerate(orders):
            _write_order(sheet, 3 + n + (n >= 20), order, as_date if n % 9 else None)
        sheet.write_row(4 + len(orders), 0, ["Summe"])
        sheet.write_number(4 + len(orders), 6, sum(len(order.universal) for order in orders))


def _write_order(sheet: Any, row: int, order: Order, as_date: Any) -> None:
    """Numbers and days typed as such; without a format, a day stands there as a bare day number."""
    days = {10: order.received, 11: order.due, 12: order.delivered}
    for column, text in enumerate(_order_cells(order)):
        day = days.get(column)
        if day is not None:
            sheet.write_number(row, column, (day - date(1899, 12, 30)).days, as_date)
        elif column in (0, 5, 6, 13) and text.replace(",0", "").isdigit():
            sheet.write_number(row, column, float(text.replace(",", ".")))
        elif text:
            sheet.write_string(row, column, text)


# --- the clean form -------------------------------------------------------------------------------


def _iso_teeth(teeth: Iterable[int]) -> str:
    """1-32 as ISO 3950 codes, quadrant by quadrant; written apart from the importer, to be a witness of it."""
    codes = []
    for tooth in teeth:
        if tooth <= 8:
            codes.append(f"1{9 - tooth}")
        elif tooth <= 16:
            codes.append(f"2{tooth - 8}")
        elif tooth <= 24:
            codes.append(f"3{25 - tooth}")
        else:
            codes.append(f"4{tooth - 24}")
    return " ".join(codes)


def _clean_restorations(orders: Sequence[Order]) -> str:
    header = (
        *("restoration_id", "case_id", "clinic", "technician", "kind", "teeth", "units", "framework", "veneer"),
        *("difficulty", "received_on", "due_on", "delivered_on", "remake_of"),
    )
    rows = [
        [
            *(one.number, one.case, one.clinic, one.technician, one.kind, _iso_teeth(one.universal)),
            *(str(len(one.universal)), one.framework, one.veneer, ";".join(one.difficulty), one.received.isoformat()),
            *(one.due.isoformat() if one.due else "", one.delivered.isoformat(), one.remake_of),
        ]
        for one in orders
    ]
    return _csv([list(header), *rows])


def _clean_value(kind: str, cell: str) -> str:
    if kind == "tick":
        return "no" if cell == "-" else "yes"
    if kind == "minutes":
        return f"{float(cell.replace(',', '.')) * 60:g}"
    return cell.replace(",", ".")


def _clean_log(bench: Sequence[BenchRow]) -> str:
    header = ("restoration_id", "step", "reading", "value", "recorded_at", "operator", "equipment", "lot")
    rows = [
        [
            *(row.order.number, step, reading, _clean_value(kind, cell), row.day.isoformat()),
            *(row.order.technician, row.equipment, row.lot),
        ]
        for row in bench
        for (reading, (step, kind)), cell in zip(READINGS.items(), row.cells, strict=True)
        if cell is not None
    ]
    return _csv([list(header), *rows])


def _clean_returns(complaints: Sequence[Complaint]) -> str:
    header = (
        *("return_id", "restoration_id", "reported_on", "entered_on", "defect", "primary", "plane", "bare_metal_pct"),
        *("found_at", "severity", "harm", "teeth", "disposition", "attributed_to", "judged_by", "cost", "note"),
    )
    harm = {None: "", True: "yes", False: "no"}
    rows = [
        [
            *(f"{one.order.number}/{one.reported.isoformat()}", one.order.number, one.reported.isoformat()),
            *(one.entered.isoformat(), one.defect, "yes" if one.primary else "no", one.plane),
            *("" if one.bare_metal is None else str(one.bare_metal), "in_service" if one.severity > 3 else "try_in"),
            *(str(one.severity), harm[one.harm], _iso_teeth(one.teeth), one.disposition, one.attributed_to),
            *("", f"{one.cost:.2f}", one.text),
        ]
        for one in complaints
    ]
    return _csv([list(header), *rows])


def _csv(rows: Iterable[Sequence[str]], *, delimiter: str = ",") -> str:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter, lineterminator="\r\n").writerows(rows)
    return text.getvalue()


def _write(path: Path, text: str, *, encoding: str) -> None:
    path.write_bytes(text.encode(encoding))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, default=HERE)
    parser.add_argument("--seed", type=int, default=SEED)
    arguments = parser.parse_args()
    make(arguments.out, seed=arguments.seed)
