"""Reads voltage captures from vehicle charging systems: ripple, rectifier patterns, sensor contamination.

``import sixpulse`` needs NumPy alone; plots, reports and file formats load what they need when they are used.
"""

from . import errors, results
from ._core import VERSION, Capture, CsvDialect, Machine, Trace
from ._examine import examine
from .coupling import ac_couple
from .read import read, sniff
from .write import write_csv, write_npz

__version__ = VERSION

__all__ = [
    "Capture",
    "CsvDialect",
    "Machine",
    "Trace",
    "__version__",
    "ac_couple",
    "errors",
    "examine",
    "read",
    "results",
    "sniff",
    "write_csv",
    "write_npz",
]
