"""Frequencies that were once wrong, on circuits of the project's own simulator: its truth is the reference."""

import pytest

import sixpulse

#: What issue 4 asks of the mean electrical frequency, relative.
WANTED = 0.002


def drawn(member: int, seed: int = 81) -> tuple[sixpulse.Capture, float]:
    """The charging post of a drawn circuit, alone, with its true mean electrical frequency."""
    scenario = sixpulse.Scenario.draw(seed=seed, member=member, pulse_number=6, sensor_mode="absent")
    capture, truth = sixpulse.simulate(scenario)
    return sixpulse.Capture({"post": capture["post"]}), truth.electrical_hz


@pytest.mark.parametrize("given", [True, False])
@pytest.mark.parametrize("member", [455, 617])
def test_a_sound_bridge_is_not_read_at_a_multiple_of_its_frequency(member: int, *, given: bool) -> None:
    """Strong order 12: read at two and three times the frequency these looked like three or two equal pulses."""
    capture, hz = drawn(member)
    found = sixpulse.examine(capture, electrical_hz=hz if given else None)
    assert found.cycle.electrical_hz == pytest.approx(hz, rel=WANTED)
    # The second rings on a long cable: undecided it may be, but not accused.
    assert found.rectifier.pattern in {"healthy", "undetermined"}


def test_a_ramp_is_laid_against_the_whole_record() -> None:
    """A ramp of 11 % over 26 cycles: cycle by cycle it came out 0.27 % low."""
    capture, hz = drawn(33)
    found = sixpulse.examine(capture)
    assert found.cycle.electrical_hz == pytest.approx(hz, rel=WANTED)
    assert found.cycle.candidates[0].electrical_hz == found.cycle.electrical_hz


def test_an_open_phase_read_as_a_slow_sound_bridge_says_so() -> None:
    """A lost phase at a third of its speed: the other reading stands beside the verdict, and the test that decides."""
    capture, hz = drawn(243)
    found = sixpulse.examine(capture)
    if found.rectifier.pattern != "open_phase":
        other = next(a for a in found.rectifier.ambiguous_with if a.pattern == "open_phase")
        assert other.electrical_hz == pytest.approx(hz, rel=WANTED)
        assert other.test == "give_engine_speed"
    assert sixpulse.examine(capture, electrical_hz=hz).cycle.electrical_hz == pytest.approx(hz, rel=WANTED)


@pytest.mark.parametrize("given", [True, False])
@pytest.mark.parametrize("member", [67, 186, 237, 360])
def test_a_shorted_diode_is_not_bent_at_the_ends_of_its_record(member: int, *, given: bool) -> None:
    """Followed by order 3, its phase turns to and fro within a cycle; cut off at the ends it took up to 0.9 % off."""
    capture, hz = drawn(member, seed=83)
    found = sixpulse.examine(capture, electrical_hz=hz if given else None)
    assert found.rectifier.pattern == "shorted_diode"
    assert found.cycle.electrical_hz == pytest.approx(hz, rel=WANTED)


@pytest.mark.parametrize("member", [258, 553])
def test_pulses_lost_below_a_step_are_found_again(member: int) -> None:
    """Ripple of 0.5 and 0.2 steps r.m.s.: the line was lost for a while, and the mean came out 3.1 and 0.5 % off."""
    capture, hz = drawn(member, seed=83)
    found = sixpulse.examine(capture, electrical_hz=hz)
    assert found.rectifier.pattern == "healthy"
    assert found.cycle.electrical_hz == pytest.approx(hz, rel=WANTED)


@pytest.mark.parametrize("told", [0.98, 1.0, 1.02])
@pytest.mark.parametrize(("seed", "member"), [(97, 206), (89, 208), (89, 296)])
def test_a_sound_bridge_beside_a_switched_load_or_below_noise_is_found_where_it_was_told(
    seed: int, member: int, told: float
) -> None:
    """The lines of the load (or noise) were followed instead: 3.4 and 1.9 % off, and no cycle at all."""
    capture, hz = drawn(member, seed=seed)
    found = sixpulse.examine(capture, electrical_hz=told * hz)
    assert found.rectifier.pattern == "healthy"
    assert found.cycle.electrical_hz == pytest.approx(hz, rel=WANTED)


@pytest.mark.parametrize("member", [281, 379])
def test_the_comb_of_a_switched_load_is_no_sound_bridge(member: int) -> None:
    """Machines that do not charge, with a load that is switched: a line of it lies near the frequency that is told."""
    seed = {281: 81, 379: 83}[member]
    scenario = sixpulse.Scenario.draw(seed=seed, member=member, pulse_number=6, sensor_mode="absent")
    capture, truth = sixpulse.simulate(scenario)
    for post in ("post", "battery"):
        found = sixpulse.examine(sixpulse.Capture({post: capture[post]}), electrical_hz=truth.electrical_hz)
        assert found.rectifier.pattern in {"not_charging", "undetermined"}


def test_two_open_diodes_read_as_an_open_phase_at_half_the_frequency_say_so() -> None:
    """Orders 1, 2, 3 of the one are orders 2, 4, 6 of the other: the right one had 0.4 % and was not mentioned."""
    capture, hz = drawn(682, seed=83)
    found = sixpulse.examine(capture)
    if found.rectifier.pattern != "two_open_diodes":
        other = next(a for a in found.rectifier.ambiguous_with if a.pattern == "two_open_diodes")
        assert other.electrical_hz == pytest.approx(hz, rel=WANTED)
        assert other.test == "give_engine_speed"
    assert sixpulse.examine(capture, electrical_hz=hz).rectifier.pattern == "two_open_diodes"


def test_an_end_without_ripple_widens_the_stated_uncertainty() -> None:
    """A ramp whose ripple is below a step at one end: the mean is 0.19 % off, and was said to be known to 0.015 %."""
    capture, hz = drawn(13)
    found = sixpulse.examine(capture, electrical_hz=hz)
    assert abs(found.cycle.electrical_hz - hz) < 3 * found.cycle.electrical_hz_std
