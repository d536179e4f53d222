"""Reads voltage captures from vehicle charging systems: ripple, rectifier patterns, sensor contamination.

``import sixpulse`` needs NumPy alone; plots, reports and file formats load what they need when they are used.
"""

from . import errors, results
from ._core import VERSION, Capture, Machine, Trace
from ._examine import examine
from .coupling import ac_couple

__version__ = VERSION

__all__ = ["Capture", "Machine", "Trace", "__version__", "ac_couple", "errors", "examine", "results"]
