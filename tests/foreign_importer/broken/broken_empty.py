"""Broken on purpose: has no hooks at all."""
