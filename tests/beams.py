"""Beam widths over frequency: a piston in a baffle, and beams of stated half angles."""

import numpy as np

import physics
from anechain.acoustics.directivity.beam_width import BeamWidth, beam_width

RADIUS, SPEED = 0.0825, 343.2
BAND = np.geomspace(500, 16000, 400)


def piston_beam():
    angles = np.arange(-90.0, 91.0, 1.0)
    level = np.stack(
        [physics.level(physics.piston_directivity(ka)(angles)) for ka in 2 * np.pi * BAND * RADIUS / SPEED], axis=1
    )
    return beam_width(BAND, angles, level)


def beam_of_half_angles(half, words=None):
    found = np.full(BAND.size, "found") if words is None else words
    return BeamWidth(BAND, 6.0, half, half, half, half, found, found, 0 * half, 0 * half)


def constant_beam(total):
    half, words = np.full(BAND.size, total / 2), np.full(BAND.size, "found")
    return BeamWidth(BAND, 6.0, half, half, half, half, words, words, 0 * half, 0 * half)
