"""Two bundled captures of one tractor with known truth: an orchard sprayer that shows ground speed while it stands.

The rate controller of the sprayer shows a ground speed although the tractor is parked with its engine running. One
diode of the alternator's rectifier is open; its ripple reaches the speed sensor through a return joint shared with the
work lamps. ``parked`` was taken then, ``repaired`` after the rectifier was replaced and the return renewed. Both come
from a circuit simulation (``sprayer.cir``, ``make_captures.py``, ``README.md`` beside this file), not from a vehicle.

>>> from sixpulse import demo
>>> demo.path("parked").name
'parked.csv'
>>> demo.truth("parked")["pattern"]
'open_diode'
"""

import json
from pathlib import Path
from typing import Any, Final

__all__ = ["NAMES", "ROLES", "counts_path", "path", "truth"]

NAMES: Final = ("parked", "repaired")
"""The two captures: before and after the repair."""

ROLES: Final = {"post": "charging_post", "speed": "speed_sensor"}
"""What the columns of both captures were connected to."""

_FOLDER = Path(__file__).resolve().parent


def path(name: str) -> Path:
    """Path of a bundled capture as the instrument exported it (delimited text, DC-coupled).

    Parameters
    ----------
    name : {"parked", "repaired"}
        Which capture.

    Returns
    -------
    Path
        The file; its columns are the keys of `ROLES`.

    Raises
    ------
    ValueError
        For another name.

    """
    return _FOLDER / f"{_checked(name)}.csv"


def counts_path(name: str) -> Path:
    """Path of the same record as converter counts: NPZ with ``post`` and ``speed`` (int16), ``*_scale``, ``*_offset``.

    Volts are ``counts * scale + offset``; ``sample_rate_hz`` and ``coupling`` stand beside them.
    `sixpulse.read` reads this form too.

    Parameters
    ----------
    name : {"parked", "repaired"}
        Which capture.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    ValueError
        For another name.

    """
    return _FOLDER / f"{_checked(name)}.npz"


def truth(name: str) -> dict[str, Any]:
    """What is true of a bundled capture, from the circuit that made it.

    Parameters
    ----------
    name : {"parked", "repaired"}
        Which capture.

    Returns
    -------
    dict
        ``pattern``, ``diode``, ``electrical_hz``, figures of the waveform at the post before the instrument, and under
        ``speed`` the sensor's ``verdict``, ``gain_v_per_v``, ``delay_s`` and ``own_frequency_hz``.

    Raises
    ------
    ValueError
        For another name.

    """
    loaded: dict[str, Any] = json.loads((_FOLDER / "truth.json").read_text(encoding="utf-8"))
    captures: dict[str, dict[str, Any]] = loaded["captures"]
    return captures[_checked(name)]


def _checked(name: str) -> str:
    if name not in NAMES:
        message = f"no bundled capture is called {name!r}; there are {', '.join(NAMES)}"
        raise ValueError(message)
    return name
