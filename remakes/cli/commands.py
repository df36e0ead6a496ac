"""The commands: parse, call, print. Results go to standard output, progress and errors to standard error."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.markup import escape

from remakes import __version__
from remakes.cli.shown import err, out, progress, show_analysis, show_months, show_more, show_table_report
from remakes.errors import InputError, RemakesError
from remakes.texts import LANGUAGES

if TYPE_CHECKING:
    from remakes.records.store import Store

__all__ = ["app", "main"]

app = typer.Typer(
    name="remakes",
    help="Which process step goes with which return, how sure is that, and what to change first?",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
)

Database = Annotated[
    str | None,
    typer.Option(
        "--db", metavar="URL", help="Where the records are: a file or an SQLAlchemy URL.", envvar="REMAKES_DB"
    ),
]
JsonTo = Annotated[
    Path | None, typer.Option("--json", metavar="FILE", help="Write all figures as JSON; - writes to standard output.")
]
Seed = Annotated[int, typer.Option("--seed", metavar="N", help="Of the simulations.")]


def main() -> None:
    """Run the command line; whatever happens, a user reads a sentence and never a traceback."""
    try:
        app(standalone_mode=True)
    except RemakesError as error:
        _fail(str(error))
    except BrokenPipeError:
        # The reader of a pipe has seen enough.
        sys.stderr.close()
        sys.exit(1)
    except KeyboardInterrupt:
        _fail("Stopped. Nothing that was not finished has been saved.")
    except Exception as error:
        if os.environ.get("REMAKES_DEBUG"):
            raise
        _fail(
            f"Something went wrong inside the program ({type(error).__name__}: {error}). Nothing unfinished was saved. "
            "Run it again with REMAKES_DEBUG=1 set and send what it prints to whoever keeps this program for you."
        )


def _fail(message: str) -> None:
    err.print(f"[bold red]remakes:[/] {escape(message)}")
    sys.exit(1)


@contextmanager
def _opened(db: str | None, *, create: bool = False) -> Iterator[Store]:
    from remakes.records.store import open_store

    store = open_store(db, create=create)
    try:
        yield store
    finally:
        store.close()


def _version(wanted: bool) -> None:
    if wanted:
        out.print(__version__)
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Which process step goes with which return, how sure is that, and what to change first?"""


@app.command("import")
def import_(
    paths: Annotated[list[Path], typer.Argument(metavar="PATH...", help="A folder, or files.")],
    db: Database = None,
    column_map: Annotated[
        Path | None, typer.Option("--map", metavar="MAP.toml", help="Names the columns of foreign files.")
    ] = None,
    observed_until: Annotated[
        datetime | None,
        typer.Option("--observed-until", formats=["%Y-%m-%d"], metavar="DATE", help="Returns are complete up to here."),
    ] = None,
    accept_good_rows: Annotated[
        bool, typer.Option("--accept-good-rows", help="Save the good rows of a file even if others are refused.")
    ] = False,
) -> None:
    """Bring records in: restorations, process log, returns, process standard, corrective actions.

    A file with a refused row is not saved at all unless you say otherwise. The same file again changes nothing.
    Case numbers and pseudonyms only: no patient's name or birthday belongs in these records.

    Example:  remakes import lab-export/ --observed-until 2026-10-31
    """
    from remakes.records.importers import import_paths

    with _opened(db, create=True) as store, progress() as tell:
        report = import_paths(
            store,
            paths,
            column_map=column_map,
            observed_until=observed_until.date() if observed_until else None,
            accept_good_rows=accept_good_rows,
            progress=tell,
        )
    for table in report.tables:
        show_table_report(table)
    for note in report.notes:
        err.print(note, markup=False)
    if not report.ok:
        raise typer.Exit(1)


@app.command()
def imports(
    db: Database = None,
    undo: Annotated[int | None, typer.Option("--undo", metavar="NUMBER", help="Take back one batch.")] = None,
) -> None:
    """List what was brought in, batch by batch; take one back.

    Example:  remakes imports --undo 3
    """
    from remakes.records.importers import list_imports, undo_import

    with _opened(db) as store:
        if undo is not None:
            rows = undo_import(store, undo, who="command line")
            out.print(f"Import {undo} taken back: {rows} rows.")
            return
        batches = list_imports(store)
    if not batches:
        out.print("Nothing has been imported yet. Bring records in with `remakes import FOLDER`.")
        return
    from rich.table import Table

    table = Table(
        "number", "when (UTC)", "file", "table", "taken", "changed", "unchanged", "refused", "state", box=None
    )
    for batch in batches:
        table.add_row(
            str(batch.import_id),
            f"{batch.at:%Y-%m-%d %H:%M}",
            escape(batch.file),
            batch.table,
            *(str(n) for n in (batch.taken, batch.changed, batch.unchanged, batch.refused)),
            "taken back" if batch.undone_at else "in force",
        )
    out.print(table)


@app.command()
def analyze(
    db: Database = None,
    json_to: JsonTo = None,
    horizon: Annotated[int, typer.Option("--horizon", metavar="MONTHS", help="Months of service to look at.")] = 12,
    seed: Seed = 0,
    from_: Annotated[
        list[Path] | None,
        typer.Option("--from", metavar="FOLDER", help="Exported records instead of the store; repeat."),
    ] = None,
    cross_check: Annotated[
        bool,
        typer.Option("--cross-check", help="Also hold the logistic model against boosted trees, out of time."),
    ] = False,
    closer: Annotated[
        bool,
        typer.Option(
            "--closer",
            help="Also look closer at every finding told: gaps filled in at random, the reading against its limit, "
            "lots and machines, the share returned month by month.",
        ),
    ] = False,
    together: Annotated[
        bool, typer.Option("--together", help="Also compare misses two by two: which go with more returns together?")
    ] = False,
    plausible_weight: Annotated[
        float | None,
        typer.Option(
            "--plausible-weight",
            metavar="W",
            help="Weight of pairs that the standard calls plausible when false findings are controlled; 1: none.",
        ),
    ] = None,
) -> None:
    """Find which missed requirements go with which defect, how sure that is, and rank the corrective actions.

    Example:  remakes analyze --json findings.json --horizon 12
    """
    from remakes import flow

    _refuse_file(json_to)
    with ExitStack() as held:
        tell = held.enter_context(progress())
        source = from_ or held.enter_context(_opened(db))
        options: dict[str, Any] = {
            "horizon": horizon,
            "seed": seed,
            "plausible_weight": plausible_weight,
            "progress": tell,
        }
        if isinstance(source, list):
            result = flow.analyze_exports(source, **options)
        else:
            result = flow.analyze(source, **options)
        looks = flow.closer_looks(source, result, seed=seed, progress=tell) if closer else ()
        pairs = flow.interactions(result, progress=tell) if together else None
        checks = flow.cross_checks(result, seed=seed) if cross_check else ()
    if json_to is None:
        show_analysis(result)
        show_more(looks, pairs, checks)
        return
    whole = result.as_json()
    whole |= {"closer": [one.as_json() for one in looks]} if closer else {}
    whole |= {"together": pairs.as_json()} if pairs else {}
    whole |= {"cross_check": [one.as_json() for one in checks]} if cross_check else {}
    _write_json(whole, json_to)


def _refuse_file(to: Path | None) -> None:
    """Say that a file cannot be written before anything is worked out for it."""
    if to is not None and str(to) != "-" and not to.parent.is_dir():
        _fail(f"{to} cannot be written: there is no folder {to.parent}. Make it first, or give another file.")


def _write_json(whole: dict[str, Any], to: Path) -> None:
    """To a file, or to standard output for `-`."""
    text = json.dumps(whole, indent=1, allow_nan=False)
    if str(to) == "-":
        sys.stdout.write(text + "\n")
        return
    try:
        to.write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        _fail(f"{to} cannot be written ({error.strerror}). Give another file after --json.")


@app.command()
def trend(db: Database = None, json_to: JsonTo = None, seed: Seed = 0) -> None:
    """Tell whether a month is different, since when, what changed, and which lot or machine stands out.

    Example:  remakes trend --json months.json
    """
    from remakes import flow, words

    _refuse_file(json_to)
    with _opened(db) as store, progress() as tell:
        months = flow.count_months(store, seed=seed, progress=tell)
        whole = months.as_json()
    if json_to is not None:
        _write_json(whole, json_to)
        return
    show_months(months)
    for sentence in whole["sentences"]:
        out.print(words.spelled(sentence), markup=False)
    out.print("An estimate from records: what goes with a change need not cause it. `--json -` gives all figures.")


@app.command()
def report(
    to: Annotated[Path, typer.Option("--out", metavar="FILE", help="A file that ends in .pdf, .html or .xlsx.")],
    month: Annotated[
        str | None,
        typer.Option("--month", metavar="YYYY-MM", help="The month; default: the latest complete one."),
    ] = None,
    db: Database = None,
    seed: Seed = 0,
    language: Annotated[
        str, typer.Option("--language", metavar="CODE", help="The reader's language: en, de; default: English.")
    ] = "en",
) -> None:
    """Write the monthly report: one page for the meeting, the charts, then shortened tables; xlsx holds every row.

    Example:  remakes report --month 2026-09 --out september.pdf
    """
    from remakes import flow
    from remakes.cautions import SAFETY_LINE
    from remakes.reports.writing import refuse_place

    refuse_place(to)
    if language not in LANGUAGES:
        raise InputError(f"There is no language {language!r} here. Name one of: {', '.join(LANGUAGES)}.")
    with _opened(db) as store, progress() as tell:
        months = flow.count_months(store, seed=seed, progress=tell)
        review = months.review(month)
        flow.write_month_report(review, to, caution=SAFETY_LINE, made_on=date.today(), language=language)
    out.print(f"The report of {review.month} stands in {escape(str(to))}.")


@app.command()
def export(
    to: Annotated[Path, typer.Option("--to", metavar="FOLDER", help="An empty or new folder.")],
    db: Database = None,
    codes: Annotated[
        bool, typer.Option("--codes", help="Replace every person, clinic and case by a keyed pseudonym.")
    ] = False,
    lab: Annotated[str, typer.Option("--lab", metavar="NAME", help="Name of the lab in the exported tables.")] = "lab",
) -> None:
    """Write the records as Parquet, one folder per table, for an analysis elsewhere.

    Example:  remakes export --to export-2026-10 --codes
    """
    from remakes.records.exports import export_records

    with _opened(db) as store:
        rows = export_records(store, to, lab=lab, codes=codes)
    for name, count in rows.items():
        out.print(f"{name}: {count} rows")


@app.command()
def backup(
    to: Annotated[Path, typer.Option("--to", metavar="FILE", help="A file that does not exist yet.")],
    db: Database = None,
) -> None:
    """Write a consistent copy of the records, also while they are in use.

    Example:  remakes backup --to backup-2026-11-25.sqlite
    """
    from remakes.records import upkeep
    from remakes.records.backups import note_copy

    with _opened(db) as store:
        upkeep.backup(store, to)
        note_copy(store, str(to.absolute()), who="command line")
    out.print(f"Copied to {escape(str(to))} and checked.")


@app.command()
def check(db: Database = None) -> None:
    """Check that the records are sound, and tell what the figures leave out.

    Example:  remakes check --db remakes.sqlite
    """
    from remakes.records import upkeep

    with _opened(db) as store:
        found = upkeep.check(store)
    for one in found:
        out.print(str(one), markup=False)
    faults = sum(one.severity == "fault" for one in found)
    out.print("The records are sound." if not faults else f"{faults} faults found.")
    if faults:
        raise typer.Exit(1)


@app.command("sweep-photos")
def sweep_photos(
    db: Database = None,
    remove: Annotated[bool, typer.Option("--remove", help="Remove them; without it they are only told.")] = False,
) -> None:
    """Tell which files in the folder of photos belong to no return, and remove them if you say so.

    A stop while a photo was being saved leaves one. After an older copy of the records was put back, they may be
    photos that were added since: copy the folder first. Files younger than an hour are left alone.

    Example:  remakes sweep-photos --remove
    """
    from remakes.records import photos

    with _opened(db) as store:
        gone = photos.sweep_photos(store, who="command line") if remove else 0
        left = photos.photos_left(store).orphans
    if remove:
        out.print(f"Files removed: {gone}.")
    for name in left:
        out.print(name, markup=False)
    out.print(f"Files in the folder of photos that no return names: {len(left)}.")


Port = Annotated[int | None, typer.Option("--port", metavar="N", help="Port on this machine; default: a free one.")]
NoBrowser = Annotated[bool, typer.Option("--no-browser", help="Do not open a browser window.")]


@app.command("app")
def app_(
    db: Database = None,
    port: Port = None,
    no_browser: NoBrowser = False,
    open_here: Annotated[
        bool,
        typer.Option(
            "--open-here",
            help="No accounts: whoever sits at this machine picks a role. Only this machine reaches the app then.",
            envvar="REMAKES_OPEN_HERE",
        ),
    ] = False,
    address: Annotated[
        str | None,
        typer.Option(
            "--address",
            metavar="ADDRESS",
            help="Listen here too, for other machines. People sign in. Put a proxy with a certificate in front.",
        ),
    ] = None,
    single_sign_on: Annotated[
        bool,
        typer.Option("--single-sign-on", help="People sign in where the lab signs in anyway (extra: remakes[sso])."),
    ] = False,
) -> None:
    """Open the app on the lab's records, reachable from this machine only. People sign in with code and password.

    The first start asks for the first manager's code and password.

    Example:  remakes app --db remakes.sqlite
    """
    from remakes.records.store import DEFAULT_URL, open_store
    from remakes.views.server import is_loopback, serve

    # A wrong address is refused here, before a window opens.
    open_store(db).close()
    if address and not is_loopback(address):
        err.print(
            f"Other machines can reach the app at {escape(address)}. What they send is not encrypted by this program: "
            "put a proxy with a certificate in front of it, or passwords can be read on the way."
        )
    serve(
        db or DEFAULT_URL,
        port=port,
        open_browser=not no_browser,
        open_here=open_here,
        address=address,
        single_sign_on=single_sign_on,
    )


@app.command()
def demo(
    db: Annotated[
        str, typer.Option("--db", metavar="URL", help="Where the demo lab is built.")
    ] = "remakes-demo.sqlite",
    port: Port = None,
    no_browser: NoBrowser = False,
    build_only: Annotated[bool, typer.Option("--build-only", help="Build the demo lab and stop.")] = False,
) -> None:
    """Build the invented demo lab and open the app on it, without accounts: any role can be picked.

    Example:  remakes demo
    """
    from remakes.records.demo_lab import build_demo

    with progress() as tell:
        built = build_demo(db, progress=tell)
    err.print(f"The demo lab (invented) is {'built' if built else 'already there'}: {escape(db)}")
    if build_only:
        return
    from remakes.views.server import serve

    serve(db, port=port, open_browser=not no_browser, open_here=True)
