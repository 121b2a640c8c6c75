"""Measurement errors, and how they propagate to results."""
