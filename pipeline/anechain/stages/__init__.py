"""One module per stage: files in, files out."""
