"""Reads voltage captures from vehicle charging systems: ripple, rectifier patterns, sensor contamination.

``import sixpulse`` needs NumPy alone; plots, reports and file formats load what they need when they are used.
"""

import importlib
from typing import TYPE_CHECKING, Any

from . import errors, results
from ._core import VERSION, Capture, CsvDialect, Machine, Trace
from ._examine import examine
from .read import read, sniff

if TYPE_CHECKING:
    from . import catalogue as catalogue
    from . import compare as compare
    from . import contamination as contamination
    from . import demo as demo
    from . import envelope as envelope
    from . import exercises as exercises
    from . import fleet as fleet
    from . import ideal as ideal
    from . import level as level
    from . import meter as meter
    from . import monitor as monitor
    from . import narrative as narrative
    from . import planning as planning
    from . import plot as plot
    from . import quality as quality
    from . import rectifier as rectifier
    from . import report as report
    from . import ripple as ripple
    from . import schema as schema
    from . import sklearn as sklearn
    from . import spectrum as spectrum
    from . import text as text
    from . import tone as tone
    from ._examine_many import examine_many
    from .compare import compare_interventions, compare_points
    from .coupling import ac_couple
    from .monitor import Monitor
    from .planning import Instrument, plan
    from .simulation import Scenario, Truth, simulate, simulate_family
    from .write import write_csv, write_npz

__version__ = VERSION

__all__ = [
    "Capture",
    "CsvDialect",
    "Instrument",
    "Machine",
    "Monitor",
    "Scenario",
    "Trace",
    "Truth",
    "__version__",
    "ac_couple",
    "compare_interventions",
    "compare_points",
    "errors",
    "examine",
    "examine_many",
    "plan",
    "read",
    "results",
    "simulate",
    "simulate_family",
    "sniff",
    "write_csv",
    "write_npz",
]

#: Modules that are loaded when they are first named: what they need may not be installed, and takes its time.
_MODULES = frozenset(
    {
        "catalogue",
        "compare",
        "contamination",
        "demo",
        "envelope",
        "exercises",
        "fleet",
        "ideal",
        "level",
        "meter",
        "monitor",
        "narrative",
        "planning",
        "plot",
        "quality",
        "rectifier",
        "report",
        "ripple",
        "schema",
        "simulation",
        "sklearn",
        "spectrum",
        "text",
        "tone",
    }
)
#: Names of this module, and the module that each comes from when it is first used.
_NAMES = {
    "Instrument": "planning",
    "Monitor": "monitor",
    "Scenario": "simulation",
    "Truth": "simulation",
    "ac_couple": "coupling",
    "compare_interventions": "compare",
    "compare_points": "compare",
    "examine_many": "_examine_many",
    "plan": "planning",
    "simulate": "simulation",
    "simulate_family": "simulation",
    "write_csv": "write",
    "write_npz": "write",
}


def __getattr__(name: str) -> Any:
    if name in _MODULES:
        return importlib.import_module(f"{__name__}.{name}")
    if name in _NAMES:
        value = getattr(importlib.import_module(f"{__name__}.{_NAMES[name]}"), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *_MODULES, *_NAMES})
