"""Reflections of simulated loudspeakers: one, many, in rooms, in noise, and none."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anechain.acoustics.recording.arrival_time import arrival_time
from anechain.acoustics.recording.reflections import (
    EARLIEST,
    find_reflections,
    later_energy,
    level_through_window,
)
from anechain.acoustics.recording.time_windows import Window, apply_window
from room_images import (
    SPEED,
    Loudspeaker,
    Reflection,
    add_noise,
    axis_of,
    impulse_response,
    level,
    random_loudspeaker,
    random_reflections,
    random_room,
    room_reflections,
)

RATE = 48000
ARRIVAL = 0.03
END = 0.027
FREQUENCY = axis_of(RATE)
TWO_WAY = Loudspeaker(resonances=((900.0, 8.0, 0.4), (3200.0, 20.0, 0.8)), edges=((4e-4, -0.1),))
DIRECT = TWO_WAY.spectrum(FREQUENCY)


def found_in(reflections, noise_db=-90.0, rate=RATE, direct=DIRECT, seed=1):
    h = impulse_response(axis_of(rate), direct, reflections, ARRIVAL, rate)
    h = add_noise(h, noise_db, np.random.default_rng(seed))
    return find_reflections(h, rate, arrival_time(h, rate), latest=END + 0.001)


@settings(max_examples=25, deadline=None)
@given(delay=st.floats(0.0016, 0.026), gain=st.floats(0.06, 0.7), sign=st.sampled_from([-1, 1]))
def test_one_reflection_has_its_delay_and_level(delay, gain, sign):
    """Delay within 20 microseconds (7 mm), level within 2 dB: the mean over a band counts frequencies, not octaves."""
    found = found_in([Reflection(delay, sign * gain * DIRECT)]).reflections
    assert found[0].delay == pytest.approx(delay, abs=2e-5)
    assert max(each.level for each in found) == pytest.approx(20 * np.log10(gain), abs=2.0)


def test_a_reflection_without_treble_is_found_in_a_lower_band():
    """A wall that absorbs from 2 kHz on, at 12 dB per octave; -10.5 dB at the lowest frequencies."""
    found = found_in([Reflection(0.008, 0.3 * DIRECT / (1 + (1j * FREQUENCY / 2000)) ** 2)]).reflections
    assert found[0].delay == pytest.approx(0.008, abs=3e-4)
    assert found[0].band == (1000.0, 4000.0) and found[0].level > -20


@pytest.mark.parametrize("count", [2, 5, 10, 20, 50])
def test_the_first_of_many_reflections(count):
    """Each as strong as the first: together they are stronger than the direct sound."""
    rng = np.random.default_rng(count)
    later = [Reflection(t, 0.3 * rng.choice([-1, 1]) * DIRECT) for t in rng.uniform(0.0052, 0.026, count - 1)]
    found = found_in([Reflection(0.0043, 0.3 * DIRECT), *later])
    assert found.reflections[0].delay == pytest.approx(0.0043, abs=5e-5)
    energy = 10 * np.log10(0.09 * count)
    assert later_energy(found, None) == pytest.approx(energy, abs=3.0)


@pytest.mark.parametrize("delay", [0.0009, 0.0013])
def test_a_surface_close_by(delay):
    """A reflection of -4 dB that comes before 1.5 ms, as by a table or a stand."""
    found = found_in([Reflection(delay, 0.63 * DIRECT)]).reflections
    assert found[0].delay == pytest.approx(delay, abs=5e-5) and found[0].level == pytest.approx(-4, abs=2.5)


def test_noise_raises_the_floor_and_nothing_is_invented():
    previous = -30.0
    for noise_db in (-70.0, -40.0, -25.0, -15.0):
        found = found_in([], noise_db)
        assert not found.reflections and found.floor >= previous
        previous = found.floor
    assert previous > -20
    assert later_energy(found_in([], -40.0), None) < -30


def test_what_cannot_be_searched():
    with pytest.raises(ValueError, match="narrow"):
        find_reflections(np.ones(9600), RATE, 0.03, (100.0, 900.0))
    with pytest.raises(ValueError, match="too short"):
        find_reflections(np.ones(1680), RATE, 0.005)


def test_the_level_through_a_window_is_that_of_the_window():
    """The window itself, on a train of pulses."""
    for window in (Window(0.001, 0.02, 0.005), Window(0, 0.02, 0.02, "blackman"), Window(0, 0.02, 0, "rectangular")):
        for delay in (0.002, 0.0161, 0.0189, 0.0199, 0.0203):
            pulse = np.zeros(RATE // 10)
            pulse[round((0.03 + delay) * RATE)] = 1.0
            kept = float(apply_window(pulse, RATE, 0.03, window)[0].max(initial=0.0))
            through = level_through_window(0.0, round(delay * RATE) / RATE, window)
            assert 10 ** (through / 20) == pytest.approx(kept, abs=0.01)
    assert level_through_window(-7.0, 0.5, None) == -7.0


def test_the_energy_ends_with_the_window():
    both = found_in([Reflection(0.006, 0.2 * DIRECT), Reflection(0.018, 0.4 * DIRECT)])
    assert later_energy(both, Window(0.001, 0.012, 0.003)) == pytest.approx(20 * np.log10(0.2), abs=2)
    assert later_energy(both, None) == pytest.approx(10 * np.log10(0.2**2 + 0.4**2), abs=2)
    assert later_energy(both, Window(0.001, 0.005, 0.001)) < -30


def test_images_of_a_room_are_where_geometry_has_them():
    """Six first images of a room of 5 by 4 by 3 m by Pythagoras; rigid walls, so that only the distance counts."""
    source, microphone = np.array([1.5, 2.0, 1.2]), np.array([3.0, 2.0, 1.2])
    flat = np.zeros((6, FREQUENCY.size))
    reflections, _ = room_reflections(FREQUENCY, Loudspeaker(), (5, 4, 3), source, microphone, flat, 0.03)
    direct = 1.5
    paths = {"front": 3.5 + 2.0, "back": 1.5 + 3.0, "sides": np.hypot(1.5, 4.0), "floor": np.hypot(1.5, 2.4)}
    paths["ceiling"] = np.hypot(1.5, 3.6)
    for path in paths.values():
        nearest = min(reflections, key=lambda each: abs(each.delay - (path - direct) / SPEED))
        assert nearest.delay == pytest.approx((path - direct) / SPEED, abs=1e-9)
    floor = min(reflections, key=lambda each: each.delay)
    assert floor.delay == pytest.approx((paths["floor"] - direct) / SPEED)
    # At low frequencies the loudspeaker has no direction.
    low = int(np.argmin(np.abs(FREQUENCY - 100)))
    gain = abs(floor.spectrum[low] / Loudspeaker().spectrum(FREQUENCY)[low])
    assert gain == pytest.approx(direct / paths["floor"], rel=0.01)


def missed(reflections, direct, frequency, found):
    """Number of reflections of -20 dB or more that are not found, and of all of these."""
    strong = [
        each for each in reflections if EARLIEST + 1e-4 < each.delay < END and level(frequency, direct, each) >= -20
    ]
    # A tolerance of the resolution of the lowest band.
    lost = [each for each in strong if all(abs(own.delay - each.delay) > 4e-4 for own in found)]
    return len(lost), len(strong)


def test_rates_over_simulated_recordings():
    """Loudspeakers alone, with 1 to 50 reflections, and in rooms; benchmarks/reflections.py has more of each."""
    rng = np.random.default_rng(20)
    false = lost = strong = unseen = rooms = 0
    for number in range(90):
        rate = int(rng.choice([44100, 48000, 96000]))
        frequency = axis_of(rate)
        loudspeaker, direct = random_loudspeaker(rng), None
        if number < 45:
            reflections, direct = [], loudspeaker.spectrum(frequency)
        elif number < 80:
            direct = loudspeaker.spectrum(frequency)
            reflections = random_reflections(rng, frequency, direct)
        else:
            reflections, direct = random_room(rng, frequency, loudspeaker)
        found = found_in(reflections, rng.uniform(-90, -40), rate, direct, number).reflections
        if not reflections:
            false += bool(found)
        more, of = missed(reflections, direct, frequency, found)
        lost, strong = lost + more, strong + of
        unseen, rooms = unseen + (of > 0 and not found), rooms + (of > 0)
    assert false == 0 and unseen == 0 and rooms > 35
    assert strong > 150 and lost / strong < 0.02
