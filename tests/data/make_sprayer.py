"""Makes the reader samples of this folder: one short invented capture, exported in the shapes instruments use.

Run from anywhere: ``python tests/data/make_sprayer.py``. Needs NumPy; the result is the same on every run.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
RATE_HZ = 20_000
ROWS = 24


def table() -> np.ndarray:
    """Charging post in V with 1 mV steps, speed sensor in V with 1 mV steps: an orchard sprayer's tractor, parked."""
    n = np.arange(ROWS)
    post = 14_100 + np.rint(150 * np.abs(np.sin(2 * np.pi * n / 12)))
    speed = np.rint(40 * np.sin(2 * np.pi * n / 12 + 0.5))
    return np.column_stack([post, speed]) / 1000.0


def cells(scale: float, digits: int, values: np.ndarray) -> list[str]:
    """Print values * scale with a number of decimals."""
    return [f"{value * scale:.{digits}f}" for value in values]


def main() -> None:
    """Write every file."""
    values = table()
    post, speed = values.T
    time = np.arange(ROWS) / RATE_HZ
    np.save(HERE / "sprayer.npy", values)
    seconds, volts, millivolts = cells(1, 5, time), cells(1, 3, post), cells(1000, 0, speed)
    speeds = cells(1, 3, speed)

    def write(
        name: str, head: str, columns: list[list[str]], *, mark: str = ",", end: str = "\n", encoding: str = "utf-8"
    ) -> None:
        rows = [mark.join(row) for row in zip(*columns, strict=True)]
        text = end.join([*head.splitlines(), *rows, ""])
        (HERE / name).write_bytes(text.encode(encoding))

    comma = [[c.replace(".", ",") for c in column] for column in (cells(1000, 2, time), volts, millivolts)]
    write("sprayer_plain.csv", "Time (s),Post (V),Speed (V)", [seconds, volts, speeds])
    write(
        "sprayer_preamble.csv",
        "Instrument,two-channel recorder\nRecord length,24\nSample Interval,5.0E-05,s\nCoupling,DC,DC\n\n"
        "Post,Speed\nV,mV",
        [volts, millivolts],
        end="\r\n",
    )
    write(
        "sprayer_decimal_comma_latin1.csv",
        "Ger\xe4t: Zweikanal\nAbtastung wie im Feld\n\nZeit;Post;Speed\n[ms];[V];[mV]",
        comma,
        mark=";",
        encoding="latin-1",
    )
    write(
        "sprayer_utf16.txt",
        "Time (\xb5s)\tPost (V)\tSpeed (mV)",
        [cells(1e6, 0, time), volts, millivolts],
        mark="\t",
        end="\r\n",
        encoding="utf-16",
    )
    write(
        "sprayer_blanks.txt",
        "# time (ms)   Post (kV)   Speed (V)",
        [cells(1000, 2, time), cells(1e-3, 6, post), speeds],
        mark="   ",
    )
    write(
        "sprayer_quoted.csv",
        '"Time","Post","Speed",\n"s","V","uV",',
        [[f'"{c}"' for c in seconds], [f'"{c}"' for c in volts], [f'"{c}",' for c in cells(1e6, 0, speed)]],
    )
    write(
        "sprayer_increment_column.csv",
        "X,Post,Speed,Start,Increment\nSequence,Volt,Volt,0.0,5.0E-05",
        [[str(i) for i in range(ROWS)], volts, [f"{c},," for c in speeds]],
    )
    write(
        "sprayer_cr_rate_line.csv",
        "Sampling Rate: 20 kS/s\nIndex|Post (mV)|Speed (mV)",
        [[str(i) for i in range(ROWS)], cells(1000, 1, post), cells(1000, 1, speed)],
        mark="|",
        end="\r",
    )


if __name__ == "__main__":
    main()
