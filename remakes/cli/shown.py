"""What the command line shows: tables for a person, sentences, and how far a long step is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.markup import escape

if TYPE_CHECKING:
    from remakes.evidence.checks.closer_look import CloserLook
    from remakes.evidence.checks.cross_check import CrossCheck
    from remakes.evidence.checks.interactions import Interactions
    from remakes.flow import Analysis, Months
    from remakes.records.importers import TableReport

__all__ = ["err", "out", "progress", "show_analysis", "show_months", "show_more", "show_table_report"]

_MOST_SHOWN = 20
_MONTHS_SHOWN = 12

out = Console(soft_wrap=True, highlight=False)
err = Console(stderr=True, soft_wrap=True, highlight=False)
if not out.is_terminal:
    # A file or a pipe has no width: tables stay whole.
    out = Console(soft_wrap=True, highlight=False, width=200)


def show_table_report(table: TableReport) -> None:
    """What became of one file, refused rows last."""
    name = f"{table.file}{f' [{table.sheet}]' if table.sheet else ''}"
    state = "saved" if table.saved else "nothing saved"
    changed = f", {table.changed} changed" if table.changed else ""
    out.print(
        f"{name} ({table.table}): {table.taken} taken{changed}, {table.unchanged} unchanged, "
        f"{table.refused_rows} refused: {state}"
        + (f" ({table.held_back} good rows held back)" if table.held_back else ""),
        markup=False,
    )
    for note in table.notes:
        err.print(f"  {note}", markup=False)
    # A person sees the first few; a file or another program gets them all.
    shown = table.refused[:_MOST_SHOWN] if err.is_terminal else table.refused
    for refusal in shown:
        err.print(f"  refused: {refusal}", markup=False, style="red")
    if len(table.refused) > len(shown):
        err.print(f"  ... and {len(table.refused) - len(shown)} more; 2>FILE keeps them all", markup=False)


@contextmanager
def progress() -> Iterator[Any]:
    """A progress bar on standard error where somebody watches; yields what to call with (what, done, total)."""
    if not err.is_terminal:
        yield None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    with Progress(
        TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(), console=err, transient=True
    ) as bar:
        task = bar.add_task("starting", total=None)

        def tell(what: str, done: int, total: int) -> None:
            bar.update(task, description=escape(str(what)), completed=done, total=total or None)

        yield tell


def show_more(looks: Sequence[CloserLook], pairs: Interactions | None, checks: Sequence[CrossCheck]) -> None:
    """What was asked for beyond the findings, in sentences."""
    for look in looks:
        out.print(f"{look.factor} with {look.defect}:", markup=False, style="bold")
        for sentence in look.sentences:
            out.print(f"  {sentence}", markup=False)
    if pairs:
        out.print(pairs.sentence, markup=False)
        for pair in (one for one in pairs.tested if one.found):
            out.print(f"  {pair.sentence}", markup=False)
    for one in checks:
        out.print(
            f"{one.defect}: area under the curve {one.logistic:.2f} by the logistic model, "
            f"{one.trees:.2f} by trees ({one.returns_judged} returns among younger deliveries)"
            f"{': an interaction or a threshold may be missing' if one.trees_win else ''}"
        )


def show_analysis(result: Analysis) -> None:
    """Findings and actions."""
    from rich.table import Table

    out.print(
        f"{result.restorations} restorations, {result.returns} first returns, observed until {result.observed_until}; "
        f"risks within {result.horizon} months of delivery."
    )
    shown = [f for f in result.findings if f.grade in ("strong", "moderate", "weak")]
    open_ = [f for f in result.findings if f.grade == "cannot tell" and f.plausible]
    if shown:
        table = Table("step missed", "goes with", "odds ratio (95 %)", "q", "avoidable returns", "grade", box=None)
        for one in shown:
            spared = one.adjusted.avoidable
            avoidable = f"{spared.estimate:.0f} ({spared.low:.0f} to {spared.high:.0f})"
            table.add_row(one.factor, one.defect, str(one.adjusted.odds_ratio), f"{one.q:.3f}", avoidable, one.grade)
        out.print(table)
    else:
        out.print("No step stands out: these records cannot tell yet, or nothing goes with returns.")
    out.print(f"Cannot tell yet for {len(open_)} plausible pairs of step and defect.")
    if result.actions:
        table = Table("rank", "action", "returns avoided a month", f"net a month {result.currency}", "pays", box=None)
        for action in result.actions:
            net = action.net_per_month
            table.add_row(
                str(action.rank),
                escape(action.title),
                str(action.avoided_per_month),
                f"{net.estimate:.0f} ({net.low:.0f} to {net.high:.0f})",
                f"{action.probability_worthwhile:.0%}",
            )
        out.print(table)
    out.print(
        "An estimate from records: a step that goes with returns need not cause them. `--json -` gives all figures."
    )


def show_months(months: Months) -> None:
    """All defects, the latest months."""
    from rich.table import Table

    every = months.report_months.of("all").months[-_MONTHS_SHOWN:]
    table = Table("month", "returns", "still to be entered", "expected", "limits", "signals", box=None)
    for one in every:
        judged = one.expected == one.expected
        table.add_row(
            one.month if one.complete else f"{one.month} (not complete)",
            str(one.returns),
            f"{one.expected_late:.1f}" if one.expected_late >= 0.05 else "",
            f"{one.expected:.1f}" if judged else "not judged",
            f"{one.low:.0f} to {one.high:.0f}" if judged else "",
            ", ".join(one.signals),
        )
    out.print(table)
