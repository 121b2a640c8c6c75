"""Levels by direction: orbits, spheres, the CTA-2034-A curve set, directivity indices, beam width, aim."""
