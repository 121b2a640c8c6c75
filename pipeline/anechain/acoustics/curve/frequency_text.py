"""Frequencies as text."""

from __future__ import annotations

__all__ = ["format_frequency", "format_hertz"]


def format_hertz(frequency: float) -> str:
    """Format a frequency in Hz to four significant digits, without the unit and without an exponent.

    Parameters
    ----------
    frequency : float
        Hz.

    Returns
    -------
    str
        "31.42" or "14300", for texts such as "100 to 14300 Hz".
    """
    return f"{float(f'{frequency:.4g}'):g}"


def format_frequency(frequency: float, digits: int = 4) -> str:
    """Format a frequency with its unit, Hz or kHz.

    Parameters
    ----------
    frequency : float
        Hz.
    digits : int
        Significant digits.

    Returns
    -------
    str
        "55 Hz" or "2.5 kHz".
    """
    rounded = float(f"{frequency:.{digits}g}")
    return f"{rounded:g} Hz" if rounded < 1000 else f"{rounded / 1000:g} kHz"
