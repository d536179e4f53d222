"""Imports the installed wheel where only NumPy is present; `make wheel` runs this away from the source tree."""

import importlib.metadata
import importlib.util

import sixpulse
from sixpulse import _core

assert importlib.util.find_spec("scipy") is None, "this environment must hold NumPy alone"
assert _core.VERSION == sixpulse.__version__ == importlib.metadata.version("sixpulse")
print(f"wheel of sixpulse {sixpulse.__version__} works from {sixpulse.__file__}")
