"""One module per stage: files in, files out, no arithmetic of its own; see :mod:`anechain.registry.stages`."""
