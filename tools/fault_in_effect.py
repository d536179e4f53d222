"""How near a soft fault comes to the hard one that it was called, in the circuit and not in the capture.

    python tools/fault_in_effect.py ROWS.jsonl [...]      Markdown: every imbalance called a hard fault, and the rates

ROWS.jsonl comes from ``validate_rectifier.py draw``. Each circuit whose imbalance was called a hard fault is simulated
thrice without noise, at the same rotor angle: as drawn, with the element sound, and with the element failed outright
(the joint parted, the leak a short of 5 milliohm, the weak phase lost). With orders 1 to 12 of the three as complex
vectors ``x``, ``s`` and ``h``, the soft fault makes the share ``q = Re <x - s, h - s> / |h - s|^2`` of the hard fault's
change of the ripple. THE RULE, fixed before anything was counted: from ``q = 0.5`` the element is nearer to having
failed than to being sound, and the circuit is the hard fault in effect.
"""

from __future__ import annotations

import argparse
import copy
import json
from pathlib import Path
from typing import Any

import frequency_bound as fb
import numpy as np
import shares
from numpy.typing import NDArray

import sixpulse

Row = dict[str, Any]
HARD = ("open_diode", "shorted_diode", "open_phase", "two_open_diodes")
#: Share of the hard fault's change from which a soft fault is the hard one in effect.
IN_EFFECT = 0.5
#: Orders compared.
ORDERS = 12
#: What stands for an outright short, ohm.
SHORT_OHM = 0.005


def altered(document: Row, *, failed: bool) -> Row:
    """The scenario with its soft element sound, or failed outright."""
    new = copy.deepcopy(document)
    new["fault"] = "custom"
    sound = {"kind": "sound"}
    alternator, legs = new["circuit"]["alternator"], new["circuit"]["bridge"]["legs"]
    for leg in legs:
        for place in ("positive", "negative"):
            kind = leg[place]["kind"]
            if kind == "resistive_joint":
                leg[place] = {"kind": "open"} if failed else sound
            elif kind == "leaking":
                leg[place] = {"kind": "shorted", "ohm": SHORT_OHM} if failed else sound
        if leg["lead"]["kind"] == "resistive":
            leg["lead"] = {"kind": "broken"} if failed else sound
    short = alternator["turn_short"]
    scale = alternator["emf"]["phase_scale"]
    weak = short["phase"] if short else int(np.argmin(scale))
    if document["fault"] == "weak_phase":
        alternator["turn_short"] = None
        scale[weak] = 1.0
        if failed:
            legs[weak]["lead"] = {"kind": "broken"}
    return new


def orders_of(document: Row) -> NDArray[np.complex128]:
    """Orders 1 to 12 at the charging post over the whole record, at the rotor's angle, without noise."""
    quiet = copy.deepcopy(document)
    quiet["channels"]["post"].update(noise_v=0.0)
    quiet["channels"]["battery"] = None
    quiet["scope"]["bits"] = 16
    trace = sixpulse.simulate(sixpulse.Scenario.from_dict(quiet))[0]["post"]
    volts = trace.values()
    stride = -(-len(volts) // fb.MOST_SAMPLES)
    model = fb.Model(fb.electrical_turns(document, np.arange(len(volts)) / trace.sample_rate_hz)[::stride], ORDERS)
    columns = model.linear(model.turns)
    found = np.linalg.lstsq(columns @ columns.T, columns @ volts[::stride], rcond=1e-12)[0]
    return np.asarray(found[2::2] - 1j * found[3::2])


def share_of_failure(document: Row) -> float:
    """The share ``q`` of the outright fault's change of the ripple that the soft one makes."""
    as_drawn, sound, failed = (
        orders_of(d) for d in (document, altered(document, failed=False), altered(document, failed=True))
    )
    change = failed - sound
    return float(np.real(np.vdot(change, as_drawn - sound)) / np.real(np.vdot(change, change)))


def sub_six(orders: NDArray[np.complex128]) -> float:
    """``sqrt(c1^2 + ... + c5^2) / c6``."""
    return float(np.linalg.norm(orders[:5]) / abs(orders[5]))


def table(rows: list[Row]) -> str:
    """Every imbalance called a hard fault with its share, and the rates with and without those in effect."""
    soft = [r for r in rows if r.get("pattern") == "imbalance" and r["post"] == "charging_post"]
    lines = [
        "| capture | circuit | called (given / not) | S | S failed | q | in effect |",
        "|---|---|---|---|---|---|---|",
    ]
    counts = {mode: [0, 0] for mode in ("given", "free")}
    for row in soft:
        called = {mode: row[mode]["pattern"] for mode in counts}
        if not any(c in HARD for c in called.values()):
            continue
        seed, member = (int(x) for x in row["id"].split("-"))
        document = sixpulse.Scenario.draw(seed=seed, member=member, pulse_number=6, sensor_mode="absent").to_dict()
        q = share_of_failure(document)
        failed = sub_six(orders_of(altered(document, failed=True)))
        for mode, name in called.items():
            counts[mode][int(q >= IN_EFFECT)] += name in HARD
        lines.append(
            f"| {row['id']} | {row['sub_kind']} | {called['given']} / {called['free']} | {row['sub_six']:.2f} | "
            f"{failed:.2f} | {q:.2f} | {'yes' if q >= IN_EFFECT else 'no'} |"
        )
    for mode, word in (("given", "given"), ("free", "not given")):
        other, effect = counts[mode]
        lines += ["", f"Frequency {word}: {effect} the hard fault in effect, others {shares.of(other, len(soft))}."]
    return "\n".join(lines)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("rows", type=Path, nargs="+")
    paths = parser.parse_args().rows
    print(table([json.loads(line) for path in paths for line in path.read_text().splitlines()]))


if __name__ == "__main__":
    main()
