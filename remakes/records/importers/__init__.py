"""Files in, rows checked, batches saved whole or not at all.

The way of a row: `sources` (which file holds what) and `grids` (its cells) - `layout` (its columns) -
`tables` and `conversions` (our words for theirs) - `checking` against the `ledger`, where `kept_corrections`
lets a person's correction stand - `batches`, which `undo` takes back unless there are `obstacles`. `intake` goes
the whole way, `previews` all but the last part.
"""

from remakes.records.importers.column_map import ColumnMap, ColumnMapError, TableMap
from remakes.records.importers.column_map_file import column_map_as_toml
from remakes.records.importers.column_map_reading import column_map_of_bytes, load_column_map, parse_column_map
from remakes.records.importers.conversions import fitting_date_formats
from remakes.records.importers.intake import import_paths
from remakes.records.importers.previews import preview
from remakes.records.importers.reports import (
    ColumnPreview,
    ImportBatch,
    ImportReport,
    Refusal,
    TablePreview,
    TableReport,
)
from remakes.records.importers.undo import UndoEffect, list_imports, undo_effect, undo_import

__all__ = [
    "ColumnMap",
    "ColumnMapError",
    "ColumnPreview",
    "ImportBatch",
    "ImportReport",
    "Refusal",
    "TableMap",
    "TablePreview",
    "TableReport",
    "UndoEffect",
    "column_map_as_toml",
    "column_map_of_bytes",
    "fitting_date_formats",
    "import_paths",
    "list_imports",
    "load_column_map",
    "parse_column_map",
    "preview",
    "undo_effect",
    "undo_import",
]
