"""Broken on purpose: leaves the program when it is imported."""

raise SystemExit("no licence found")
