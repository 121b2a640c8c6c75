"""Figures of merit: each module turns datasets and the campaign's choices into numbers, by the acoustics alone."""
