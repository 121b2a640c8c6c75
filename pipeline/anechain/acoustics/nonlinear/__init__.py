"""Distortion, compression with level, and usable limits."""
