"""Fleets: from many captures to one table, on one machine or many; needs the extra ``fleet``.

:func:`examine_dataset` examines a data set of captures and writes a table with one row for each;
:func:`examine_batch` is the same for one Arrow batch, for engines that map batches; :func:`convert` brings a folder of
files to the data set form; :func:`read_table` reads a table. The tools that study a table are in
:mod:`sixpulse.fleet.study`. The forms and duties are described in ``docs/fleet.md``.
"""

from .._extras import require

for _package in ("pyarrow", "filelock"):
    require(_package, extra="fleet")

from .batch import batch_schema, examine_batch, examine_batches  # noqa: E402
from .convert import ConvertSummary, convert  # noqa: E402
from .manifest import read_manifest, read_table  # noqa: E402
from .run import examine_dataset  # noqa: E402
from .summary import FleetSummary, Progress, Unreadable  # noqa: E402
from .table import TABLE_VERSION, table_schema  # noqa: E402

__all__ = [
    "TABLE_VERSION",
    "ConvertSummary",
    "FleetSummary",
    "Progress",
    "Unreadable",
    "batch_schema",
    "convert",
    "examine_batch",
    "examine_batches",
    "examine_dataset",
    "read_manifest",
    "read_table",
    "table_schema",
]
