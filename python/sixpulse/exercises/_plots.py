"""Plots of the worksheets: what an oscilloscope shows, on windows and scales that are the same for every capture."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from .._core import Capture
from .._extras import require

#: Length of the close-up, seconds: the same for every capture, so that it does not tell the electrical frequency.
CLOSE_UP_S = 0.02
#: Upper end of the spectrum, hertz.
SPECTRUM_HZ = 3000.0
_INK, _ACCENT = "#22303c", "#a8480c"


def picture(capture: Capture, *, title: str) -> bytes:
    """PNG of one capture: channel 1 over the record, both channels close up, spectrum of channel 1."""
    matplotlib = require("matplotlib", extra="plot")
    figure_module = require("matplotlib.figure", extra="plot")
    style = require("matplotlib.style", extra="plot")
    # The user's own style must not move a byte.
    with style.context("default"), matplotlib.rc_context({"font.family": "DejaVu Sans", "svg.hashsalt": "sixpulse"}):
        figure = figure_module.Figure(figsize=(7.2, 8.4), dpi=100, layout="constrained")
        whole, first, second, spectrum = figure.subplots(4, 1)
        _draw(whole, first, second, spectrum, capture)
        figure.suptitle(title, x=0.01, ha="left", fontsize="medium")
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", metadata={"Software": None})
    return buffer.getvalue()


def _draw(whole: Any, first: Any, second: Any, spectrum: Any, capture: Capture) -> None:
    rate = capture.sample_rate_hz
    one, two = (capture[name].values() for name in ("channel_1", "channel_2"))
    time_s = np.arange(one.size) / rate
    near = time_s < CLOSE_UP_S
    whole.plot(time_s, one, color=_INK, linewidth=0.5)
    whole.set(title="channel 1, whole record", xlabel="time, s", ylabel="V", xlim=(0, time_s[-1]))
    for axes, values, name, colour in ((first, one, "channel 1", _INK), (second, two, "channel 2", _ACCENT)):
        axes.plot(1e3 * time_s[near], values[near], color=colour, linewidth=0.8)
        axes.set(title=f"{name}, first {1e3 * CLOSE_UP_S:.0f} ms", xlabel="time, ms", ylabel="V")
        axes.set_xlim(0, 1e3 * CLOSE_UP_S)
    hertz, amplitude = _amplitudes(one, rate)
    spectrum.plot(hertz, amplitude, color=_INK, linewidth=0.8)
    spectrum.set(title="channel 1, peak amplitude of its lines", xlabel="frequency, Hz", ylabel="V")
    spectrum.set_xlim(0, SPECTRUM_HZ)
    spectrum.set_ylim(bottom=0)
    for axes in (whole, first, second, spectrum):
        axes.grid(visible=True, color="#c9d2d9", linewidth=0.5)
        axes.title.set_fontsize("small")


def _amplitudes(values: np.ndarray, rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Hann-windowed amplitude spectrum: a sine of amplitude A on a line shows A."""
    window = np.hanning(values.size)
    lines = np.abs(np.fft.rfft((values - values.mean()) * window)) * 2.0 / window.sum()
    hertz = np.fft.rfftfreq(values.size, 1.0 / rate_hz)
    shown = hertz <= SPECTRUM_HZ
    return hertz[shown], lines[shown]
