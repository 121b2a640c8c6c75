"""Electrical impedance at the terminals."""
