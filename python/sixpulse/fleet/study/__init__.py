"""Tools that study a fleet's table: trends, healthy ranges, detection, agreement; needs the extra ``study``.

Every function takes a table (Arrow, or any data frame that exports Arrow; also the folder that a run wrote to) and
returns an Arrow table: ``to_pandas()`` and ``polars.from_arrow`` take it from there. Captures without a value that is
needed are left out. Captures of one vehicle resemble each other, so where a column of vehicles is given, intervals come
from drawing whole vehicles anew (cluster bootstrap), with a fixed seed.
"""

from ..._extras import require

for _package in ("scipy", "sklearn", "ruptures"):
    require(_package, extra="study")

from . import plot  # noqa: E402
from .agreement import agreement  # noqa: E402
from .detection import calibration, calibration_summary, roc, roc_summary, top_label  # noqa: E402
from .ranges import healthy_ranges, outliers  # noqa: E402
from .trend import change_points, trend  # noqa: E402

__all__ = [
    "agreement",
    "calibration",
    "calibration_summary",
    "change_points",
    "healthy_ranges",
    "outliers",
    "plot",
    "roc",
    "roc_summary",
    "top_label",
    "trend",
]
