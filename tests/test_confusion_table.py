"""How often the causes are right, over a bounded part of the simulated loudspeakers.

The limits are those of the page "How often the causes of peaks and dips are right", plus what scatter explains: with a
true rate p, a count of n draws is above the 99.9 % quantile of the binomial distribution once in a thousand.
"""

import functools

from scipy.stats import binom

from confusion_table import Rates, count, report_of
from loudspeaker_family import (
    break_up,
    broad_low_resonance,
    coaxial,
    drawn,
    echo_alike,
    edge_diffraction,
    flare,
    lobing,
    resonance,
)

FALSE_RATE, MISSED_RATE = 0.02, 0.03
DRAWN = {
    resonance: range(6),
    broad_low_resonance: range(1),
    break_up: range(3),
    echo_alike: range(1, 4),
    edge_diffraction: range(1),
    lobing: range(1),
    coaxial: range(2),
    flare: range(1),
}
"""Numbers of the loudspeakers by kind: those that take little time."""


@functools.cache
def rates():
    counts = Rates()
    for kind, number in ((kind, number) for kind, numbers in DRAWN.items() for number in numbers):
        loudspeaker = drawn(2, kind, number)
        with_phase = number % 2 == 0
        count(counts, loudspeaker, with_phase, report_of(loudspeaker, with_phase))
    return counts


def test_few_peaks_and_dips_are_falsely_called_resonances():
    false, every = rates().false_resonances
    assert every >= 15
    assert false <= binom.ppf(0.999, every, FALSE_RATE)


def test_few_resonances_are_missed():
    missed, every = rates().missed_resonances
    assert every >= 6
    assert missed <= binom.ppf(0.999, every, MISSED_RATE)


def test_echoes_are_found_and_none_is_invented():
    echoes = rates().echoes
    assert echoes["present"] == len(DRAWN[echo_alike]) == echoes["found"] and echoes["false"] == 0
