"""The campaign file and everything that it can choose."""
