"""Safety notes that are shown wherever a level, a drive or a boost is set or shown."""

from __future__ import annotations

__all__ = ["CAUTION", "CAUTIONS", "LEVEL_CAUTION"]

CAUTION = (
    "High drives and sound levels hurt hearing and equipment: keep to local occupational rules "
    "and leave them to qualified practice."
)
"""Shown by the commands before anything above the reference drive."""

CAUTIONS = (
    "Hearing: levels and times in such a measurement can harm it, test signals more than music. The occupational rules "
    "of the place decide how loud, how long, and with which protection.",
    "Equipment: a sweep or a multitone near the limits heats voice coils within seconds, and drives diaphragms to the "
    "end of their excursion; what the maker states is the limit.",
    "Mains: amplifiers and powered loudspeakers carry mains voltage inside, and amplifiers dangerous voltages at their "
    "outputs. Opening or wiring them is for those qualified to do so.",
    "Neighbours: low tones at high level travel through floors and walls, shake what is loose, and reach people who "
    "have not agreed to them. Local rules on noise hold.",
    "None of this replaces local rules and qualified practice: they come first.",
)
"""The long form for the page, one line each."""

LEVEL_CAUTION = (
    "Caution: such levels and drives can hurt hearing, heat voice coils, shake neighbouring structures; mains-powered "
    "equipment has dangers of its own. Local occupational rules and qualified practice decide."
)
"""The short form, below a figure."""
