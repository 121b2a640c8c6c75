"""Pure acoustics: arrays in, arrays out; no files, no configuration, no printing."""
