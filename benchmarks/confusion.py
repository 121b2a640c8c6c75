"""Write the page that states how often the causes of peaks and dips are right: `make confusion`.

Usage: confusion.py PAGE [PARTS [SHARE]]. Parts, such as 4,5,6, are loudspeakers of one family drawn with other random
numbers: the limits were tuned on parts 0 to 3, the page is made from parts 4 to 6. SHARE below 1 takes a share of each
kind.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from pathlib import Path

from confusion_table import MIN_HEIGHT_DB, Rates, rates_of_parts

FOUND = ("resonance", "interference or diffraction", "crossover phase", "change of coverage", "not determined")
RADIATES = ("alike in all directions", "changes with the angle", "not determined")


def percent(counts: tuple[int, int]) -> str:
    """Return a share of counts in print."""
    some, every = counts
    return f"{some} of {every}" + (f" ({some / every:.1%})" if every else "")


def table(head: list[str], rows: list[list[object]]) -> str:
    """Return a Markdown table; columns of counts are right-aligned."""
    lines = ["| " + " | ".join(head) + " |", "|---" + "|---:" * (len(head) - 1) + "|"]
    return "\n".join([*lines, *("| " + " | ".join(str(cell) for cell in row) + " |" for row in rows)])


def page(rates: Rates, parts: list[int]) -> str:
    """Return the page of the documentation."""
    causes: Counter[tuple[str, bool, str]] = Counter()
    for (_, true, with_phase, found), number in rates.causes.items():
        causes[true, with_phase, found] += number
    rows: list[list[object]] = []
    for true in FOUND[:-1]:
        for with_phase in (True, False):
            counts = [causes[true, with_phase, found] for found in FOUND]
            rows.append([f"{true}, {'phase known' if with_phase else 'level alone'}", *counts])
    kinds: list[list[object]] = []
    radiates: list[list[object]] = []
    for kind, number in sorted(rates.loudspeakers.items()):
        other = {key: count for key, count in rates.causes.items() if key[0] == kind and key[1] != FOUND[0]}
        false = sum(count for key, count in other.items() if key[3] == FOUND[0])
        missed = sum(name == kind for name, _ in rates.missed)
        kinds.append([kind, number, f"{false} of {sum(other.values())}", f"{missed} of {rates.resonances[kind]}"])
        ways = [sum(n for key, n in rates.radiates.items() if key[0] == kind and key[2] == way) for way in RADIATES]
        radiates.append([kind, *ways])
    return f"""# How often the causes of peaks and dips are right

<!-- Made by `make confusion`; do not edit. -->

{rates.loudspeakers.total()} simulated loudspeakers with known causes (`tests/loudspeaker_family.py`: sums of complex
pressures of sources on a rigid sphere, each with 0.02 dB of noise), of which none was used to choose the limits: they
are parts {", ".join(map(str, parts))} of the family, the limits were chosen on parts 0 to 3.
Peaks and dips of {MIN_HEIGHT_DB:g} dB or more are counted. The phase is known for every other loudspeaker.

- Peaks and dips of other causes that are called a resonance: **{percent(rates.false_resonances)}**.
- Resonances of 1 dB or more and Q 2 or more that are not found as such: **{percent(rates.missed_resonances)}**.
- Echoes of the set-up that are found: {percent((rates.echoes["found"], rates.echoes["present"]))}; found where there is
  none: {rates.echoes["false"]}.

The rates hold for this family. A real loudspeaker may have causes that it does not contain.

## True cause and cause found

{table(["true cause", *FOUND], rows)}

A peak or dip belongs to a resonance if it is within its width, or between two resonances of similar width that overlap,
else to the other cause of the loudspeaker. What is left of a baffle or a beaming piston counts as a change of coverage.

## By kind of loudspeaker

{table(["kind", "loudspeakers", "false resonances", "missed resonances"], kinds)}

## How they radiate

{table(["kind", *RADIATES], radiates)}
"""


def main() -> None:
    """Write the page."""
    target = Path(sys.argv[1])
    parts = [int(part) for part in sys.argv[2].split(",")] if len(sys.argv) > 2 else [4, 5, 6]
    share = float(sys.argv[3]) if len(sys.argv) > 3 else 1.0
    start = time.process_time()
    rates = rates_of_parts(parts, share)
    target.write_text(page(rates, parts), encoding="utf-8")
    seconds = (time.process_time() - start) / rates.loudspeakers.total()
    print(f"{rates.loudspeakers.total()} loudspeakers; false resonances {percent(rates.false_resonances)}, ", end="")
    print(f"missed resonances {percent(rates.missed_resonances)}; {seconds:.2f} s of processor time per loudspeaker")
    for kind, resonance in rates.missed:
        print(f"missed: {kind}: {resonance}")


if __name__ == "__main__":
    main()
