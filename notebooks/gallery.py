# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # Gallery: every plot of `sixpulse.plot`
#
# The parked sprayer of the demonstration, and captures made by formula for the comparisons. Every function takes `ax=`
# (draw here) or `size=` ("notebook", "slide", "column", or inches) and returns the axes. Nothing is shown, saved or set
# globally: a notebook shows the figures because it shows every open one.

# %%
import numpy as np

import sixpulse
from sixpulse import demo, plot

capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
found = sixpulse.examine(capture)

# %% [markdown]
# ## The capture, and its ripple close up
#
# A long record is drawn from the lowest to the highest value of each of 1500 parts: no peak is lost.

# %%
axes = plot.capture(capture)

# %%
axes = plot.close_up(capture, found)

# %% [markdown]
# ## What repeats with the electrical cycle
#
# Ideal circuits feed a resistor; a vehicle's bridge feeds a battery. So their shapes are scaled to the same r.m.s. and
# turned to fit, and the legend says how much of the shape is in common.

# %%
axes = plot.mean_cycle(found)

# %%
repaired = sixpulse.examine(sixpulse.read(demo.path("repaired"), roles=demo.ROLES))
axes = plot.mean_cycle(repaired)

# %%
axes = plot.orders(found)

# %% [markdown]
# On a logarithmic scale the small orders show: after the repair those below six do not clear the noise.

# %%
axes = plot.orders(repaired, scale="log")

# %%
axes = plot.speed_track(found)

# %% [markdown]
# ## The sensor
#
# The supply's ripple, times one gain and with one delay, is what the sensor's wire carries; order by order the transfer
# is the same.

# %%
axes = plot.sensor_against_supply(capture, found, "speed")

# %%
axes = plot.transfer(found, "speed")

# %% [markdown]
# ## An intervention
#
# Before; with the ripple at a half and at a tenth; after. The ground-speed sensor follows the ripple down the ladder
# and back up. The flow meter turns for itself.

# %%
rng = np.random.default_rng(11)
RATE_HZ, COUNT = 50_000, 20_000
time_s = np.arange(COUNT) / RATE_HZ
phases = np.cos(2 * np.pi * 200 * time_s - np.array([[0.0], [2 * np.pi / 3], [4 * np.pi / 3]]))
ripple = 0.4 * (phases[1:].max(axis=0) - phases.min(axis=0))


def sprayer(amount):
    """Return charging post, battery, ground speed and flow with so much of the ripple."""
    noise = rng.normal(0.0, 0.004, (4, COUNT))
    common = {"sample_rate_hz": RATE_HZ, "coupling": "dc"}
    return sixpulse.Capture(
        {
            "post": sixpulse.Trace(13.6 + amount * ripple + noise[0], role="charging_post", **common),
            "battery": sixpulse.Trace(13.6 + 0.55 * amount * ripple + noise[1], role="battery_post", **common),
            "ground_speed": sixpulse.Trace(0.2 * amount * ripple + noise[2], role="speed_sensor", **common),
            "flow": sixpulse.Trace(0.06 * np.sin(2 * np.pi * 83 * time_s) + noise[3], role="other", **common),
        }
    )


intervention = sixpulse.compare_interventions(sprayer(1.0), [sprayer(0.5), sprayer(0.1)], sprayer(1.0))
axes = plot.interventions(intervention)

# %% [markdown]
# ## Charging post against battery

# %%
axes = plot.points(sixpulse.compare_points(sprayer(1.0)))

# %% [markdown]
# ## For print, for a slide, in a figure of one's own

# %%
axes = plot.orders(found, size="column")

# %%
axes = plot.transfer(found, "speed", size="slide")

# %%
from matplotlib import pyplot

figure, (left, right) = pyplot.subplots(1, 2, figsize=(9.0, 3.6), layout="constrained")
axes = plot.mean_cycle(found, expected=(), ax=left), plot.orders(found, ax=right)

# %% [markdown]
# The plots of a fleet (trend, healthy range, reliability of stated probabilities, agreement) are in the fleet study.
