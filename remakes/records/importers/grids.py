"""Files in, grids of cells out: encoding, separator, sheets and line numbers are settled here and told.

A grid is what a person sees on opening the file: rows of cells with the line each one starts in. What
the cells mean is decided elsewhere.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import islice
from pathlib import Path

from python_calamine import CalamineError, CalamineWorkbook, SheetTypeEnum, SheetVisibleEnum

from remakes.errors import FileError
from remakes.records.importers.sheet_notes import sheet_notes
from remakes.records.importers.trial_reading import WORKBOOK_SIGNATURES, refuse_unreadable
from remakes.texts import in_a_row, later, t

__all__ = [
    "HEADER_SEARCH",
    "WORKBOOK_ENDINGS",
    "Cell",
    "Grid",
    "Workbook",
    "column_key",
    "is_blank",
    "known_names_in",
    "open_workbook",
    "read_bytes",
    "read_csv",
]

Cell = str | int | float | bool | date | datetime | time | timedelta | None

WORKBOOK_ENDINGS = frozenset({".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"})
#: The header row is looked for among this many filled rows.
HEADER_SEARCH = 20

_SEPARATORS = {";": "';'", ",": "','", "\t": later("tab"), "|": "'|'"}
_BYTE_ORDER_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
#: Enough of a CSV file to see its separator.
_SAMPLE_CHARACTERS = 200_000
#: So many texts are looked up to be kept once; then others, as a list goes on by day.
_MOST_TEXTS = 50_000
#: How a locked workbook names its content, and where in the file that name stands.
_ENCRYPTED = "EncryptedPackage".encode("utf-16-le")
_DIRECTORY_BYTES = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """The filled rows of one CSV file or one sheet.

    Attributes
    ----------
    file, sheet : str
        The file's name without its folder; the sheet's name, empty for a CSV file.
    rows : list of (line, cells)
        `line` counts from 1, as an editor or a spreadsheet shows it; of a row with line breaks inside
        quotation marks it is the first line. Rows without any text are left out.
    blank_lines : tuple of int
        Where those rows stood.
    notes : tuple of str
        How the file was read.
    """

    file: str
    sheet: str
    rows: list[tuple[int, list[Cell]]]
    blank_lines: tuple[int, ...]
    notes: tuple[str, ...]


def column_key(name: object) -> str:
    """A column name as it is compared: without capitals, line breaks and doubled blanks."""
    return " ".join(str(name).split()).casefold() if name is not None else ""


def is_blank(cell: Cell) -> bool:
    """Is there nothing in this cell?"""
    return cell is None or (isinstance(cell, str) and not cell.strip())


def known_names_in(cells: Collection[Cell], known: Collection[str]) -> int:
    """How many cells of a row are names of columns that are looked for (as `column_key` writes them)?"""
    return len({column_key(cell) for cell in cells if isinstance(cell, str)} & set(known))


def read_bytes(path: Path) -> bytes:
    """The content of a file.

    Raises
    ------
    FileError
        No such file, a folder, no right to read it, or nothing in it.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise FileError(
            t(
                "{path} cannot be read ({reason}). Check the name, and whether it is open elsewhere.",
                path=path,
                reason=reason,
            )
        ) from error
    if not data.strip():
        raise FileError(t("{name} is empty. Export it again; a list needs at least its header row.", name=path.name))
    return data


def read_csv(file: str, data: bytes, *, known: Collection[str], encoding: str | None = None) -> Grid:
    """The rows of a CSV file.

    Parameters
    ----------
    file : str
        Name for messages.
    data : bytes
        The file's content.
    known : collection of str
        Column names that are looked for, as `column_key` writes them; they tell the separator.
    encoding : str, optional
        As declared in a column map; a byte order mark counts before it. Default: UTF-8, else Windows-1252.

    Raises
    ------
    FileError
        A workbook under a CSV name, an encoding that does not fit, a quotation mark that never closes.
    """
    if data.startswith(WORKBOOK_SIGNATURES):
        raise FileError(
            t(
                "{file} is a workbook, not a CSV file. Give it its own ending (.xlsx, .xls or .ods), or save "
                "it as CSV.",
                file=file,
            )
        )
    text, encoding_words = _decoded(file, data, encoding)
    text, declared = _without_separator_line(text)
    separator = declared or _separator(text, known)
    first_line = 2 if declared else 1
    rows: list[tuple[int, list[Cell]]] = []
    blank: list[int] = []
    kept_once = _KeptOnce()
    for line, cells in _csv_rows(file, text, separator, first_line):
        if not all(map(is_blank, cells)):
            rows.append((line, kept_once.of(cells)))
        else:
            blank.append(line)
    note = t(
        "Read as {encoding_words}, separator {separator}.",
        encoding_words=encoding_words,
        separator=t(_SEPARATORS.get(separator, repr(separator))),
    )
    return Grid(file=file, sheet="", rows=rows, blank_lines=tuple(blank), notes=(note,))


def _decoded(file: str, data: bytes, declared: str | None) -> tuple[str, str]:
    # The mark counts before what a map declares: a spreadsheet that saves the list again writes one.
    marked = next((name for mark, name in _BYTE_ORDER_MARKS if data.startswith(mark)), None)
    if marked:
        candidates: dict[str, str] = {
            marked: t("{encoding} (byte order mark)", encoding=marked.removesuffix("-sig").upper())
        }
    elif declared:
        candidates = {declared: t("{declared} as declared", declared=declared)}
    else:
        candidates = {"utf-8": "UTF-8", "cp1252": "Windows-1252"}
    for encoding, words in candidates.items():
        try:
            text = data.decode(encoding)
            if declared:  # some encodings give half characters, which nothing can store
                text.encode("utf-8")
        except UnicodeError:
            continue
        if "\x00" in text:
            raise FileError(
                t(
                    "{file} holds NUL characters, which no CSV file has. Save it again as CSV in UTF-8; if it is "
                    'UTF-16 without a mark, declare encoding = "utf-16-le" in a column map.',
                    file=file,
                )
            )
        return text, words
    tried = in_a_row(candidates.values())
    raise FileError(
        t(
            "{file} cannot be read as {tried}. Save it again in UTF-8, or declare its encoding in a column map.",
            file=file,
            tried=tried,
        )
    )


def _without_separator_line(text: str) -> tuple[str, str | None]:
    # Some spreadsheets write "sep=;" above the header to tell each other the separator.
    match = re.match(r"sep=([;,\t|])\r?\n", text, flags=re.IGNORECASE)
    return (text[match.end() :], match[1]) if match else (text, None)


def _separator(text: str, known: Collection[str]) -> str:
    def score(separator: str) -> tuple[int, int, int]:
        try:
            reader = csv.reader(io.StringIO(text[:_SAMPLE_CHARACTERS], newline=""), delimiter=separator)
            rows = [row for row in islice(reader, HEADER_SEARCH) if len(row) > 1]
        except csv.Error:
            return (-1, 0, 0)
        if not rows:
            return (0, 0, 0)
        width, rows_of_it = Counter(map(len, rows)).most_common(1)[0]
        return (max(known_names_in(row, known) for row in rows), rows_of_it, width)

    return max(_SEPARATORS, key=score)


def _csv_rows(file: str, text: str, separator: str, first_line: int) -> Iterator[tuple[int, list[Cell]]]:
    # From bytes: a stream of text takes four bytes a sign.
    lines = io.TextIOWrapper(io.BytesIO(text.encode("utf-8")), encoding="utf-8", newline="")
    # strict: a quotation mark that never closes would else swallow the rest of the file without a word.
    reader = csv.reader(lines, delimiter=separator, strict=True)
    before = 0
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise FileError(
                t(
                    "{file}, line {line}: the row cannot be taken apart ({error}). A quotation mark opens a "
                    "text and is not closed, or more text follows it. Mend that row, or export the list again.",
                    file=file,
                    line=before + first_line,
                    error=error,
                )
            ) from error
        yield before + first_line, list(cells)
        before = reader.line_num


class _KeptOnce:
    """Cells of one text share it: most of a long list are numbers, steps and codes that come again and again."""

    def __init__(self) -> None:
        self._texts: dict[Cell, Cell] = {}

    def of(self, cells: Iterable[Cell]) -> list[Cell]:
        if len(self._texts) > _MOST_TEXTS:
            self._texts.clear()
        keep = self._texts.setdefault
        return [keep(cell, cell) if type(cell) is str else cell for cell in cells]


class Workbook:
    """An opened .xlsx, .xls or .ods file; gives its visible sheets as grids."""

    def __init__(self, file: str, workbook: CalamineWorkbook, data: bytes) -> None:
        self.file = file
        self._workbook = workbook
        self._data = data
        sheets = [sheet for sheet in workbook.sheets_metadata if sheet.typ == SheetTypeEnum.WorkSheet]
        self.visible = tuple(sheet.name for sheet in sheets if sheet.visible == SheetVisibleEnum.Visible)
        self.hidden = tuple(sheet.name for sheet in sheets if sheet.visible != SheetVisibleEnum.Visible)

    def grid(self, sheet: str) -> Grid:
        """The rows of one sheet, cells as typed in the workbook.

        Raises
        ------
        FileError
            The sheet is damaged.
        """
        try:
            rows: list[tuple[int, list[Cell]]] = []
            blank: list[int] = []
            kept_once = _KeptOnce()
            for line, cells in enumerate(self._workbook.get_sheet_by_name(sheet).iter_rows(), start=1):
                if all(cell == "" or is_blank(cell) for cell in cells):
                    blank.append(line)
                else:
                    rows.append((line, kept_once.of(cells)))
        except CalamineError as error:
            raise FileError(
                t(
                    "{file}, sheet {sheet!r} cannot be read ({error}). Open it in a spreadsheet program and save "
                    "it again.",
                    file=self.file,
                    sheet=sheet,
                    error=error,
                )
            ) from error
        notes = tuple(sheet_notes(self._data, sheet, rows))
        return Grid(file=self.file, sheet=sheet, rows=rows, blank_lines=tuple(blank), notes=notes)


def open_workbook(file: str, data: bytes) -> Workbook:
    """Open a workbook.

    Raises
    ------
    FileError
        Not a workbook, damaged, locked by a password, or of an impossible size.
    """
    if _ENCRYPTED in data[:_DIRECTORY_BYTES] or _ENCRYPTED in data[-_DIRECTORY_BYTES:]:
        raise FileError(
            t(
                "{file} is locked by a password, so nothing in it can be read. Open it in a spreadsheet "
                "program, take the password off, save it, and bring it in again.",
                file=file,
            )
        )
    try:
        refuse_unreadable(file, data)
        return Workbook(file, CalamineWorkbook.from_filelike(io.BytesIO(data)), data)
    except (CalamineError, zipfile.BadZipFile) as error:
        raise FileError(
            t(
                "{file} cannot be read as a workbook ({error}). Open it in a spreadsheet program, take off "
                "any password, and save it again as .xlsx; or save the sheet as CSV.",
                file=file,
                error=error,
            )
        ) from error
