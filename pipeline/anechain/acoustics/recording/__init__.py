"""Recordings: sweeps, impulse responses, harmonics, repeated takes, calibration."""
