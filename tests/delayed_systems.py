"""Band-limited systems with a delay, in closed form."""

import numpy as np
from scipy.signal import butter, sosfilt

import capture_files

RATE = 48000
SECTIONS = np.concatenate(
    [butter(2, 100, "highpass", fs=RATE, output="sos"), butter(4, 9000, "lowpass", fs=RATE, output="sos")]
)


def response(delay, length=RATE, gain=1.0):
    """A band-limited system after a delay of any length: its closed form is sosfreqz times the delay."""
    impulse = np.zeros(length)
    impulse[0] = gain
    return capture_files.delayed(sosfilt(SECTIONS, impulse), delay)
