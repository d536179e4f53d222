"""Plots of captures, examinations and comparisons; needs the extra ``plot``.

Every function draws on the axes it is given (``ax=``), or on a new figure of a size (``size=``), and returns the axes;
their figure is ``axes.figure``, and it is the caller's to show, save and close. Nothing is shown, saved or configured
globally. A ``size`` is one of :data:`SIZES` ("notebook", the default, "slide", "column") or width and height in inches;
text and lines follow the width. On axes that are given they follow the width of the axes. A figure of one's own had
better have ``layout="constrained"``, which makes room for the legend above the axes.

The colours are :data:`PALETTE`; none carries meaning alone. What the plots draw is what the result holds, in its units:
intervals are those of 95 %.

Plots of a fleet's table (trend, healthy range, reliability of stated probabilities, agreement) are in
:mod:`sixpulse.fleet.study.plot`, beside what they show.

>>> from matplotlib.figure import Figure
>>> import sixpulse
>>> from sixpulse import demo, plot
>>> capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
>>> axes = plot.orders(sixpulse.examine(capture), ax=Figure(layout="constrained").subplots())
>>> axes.get_ylabel()
'amplitude, V peak'
"""

from ._circuit import sensor_against_supply, transfer
from ._comparisons import interventions, points
from ._cycle import mean_cycle, orders, speed_track
from ._signals import capture, close_up, trace
from ._style import PALETTE, SIZES, Size

__all__ = [
    "PALETTE",
    "SIZES",
    "Size",
    "capture",
    "close_up",
    "interventions",
    "mean_cycle",
    "orders",
    "points",
    "sensor_against_supply",
    "speed_track",
    "trace",
    "transfer",
]
