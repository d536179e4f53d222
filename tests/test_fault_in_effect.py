"""The share of a failure that a soft fault makes, at the two ends where it is known without any circuit theory."""

import sys
from pathlib import Path

import sixpulse

sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))
import fault_in_effect as fie


def test_a_joint_of_nothing_is_sound_and_one_that_hardly_conducts_has_failed() -> None:
    """Half a milliohm is a diode's own slope; 20 ohm pass under an ampere of the tens that a diode carries."""
    scenario = sixpulse.Scenario.draw(seed=3, pattern="resistive_joint", sensor_mode="absent", cycles=10.0)
    document = scenario.to_dict()
    places = [
        (leg, place)
        for leg in document["circuit"]["bridge"]["legs"]
        for place in ("positive", "negative", "lead")
        if leg[place]["kind"] in {"resistive_joint", "resistive"}
    ]
    assert len(places) == 1
    leg, place = places[0]
    leg[place]["ohm"] = 0.0005
    assert abs(fie.share_of_failure(dict(document, fault="custom"))) < 0.05
    leg[place]["ohm"] = 20.0
    # Twenty ohm are not quite a parted joint.
    assert 0.8 < fie.share_of_failure(dict(document, fault="custom")) < 1.05
