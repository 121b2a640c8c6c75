"""A frozen input for every registered method; methods.lock keeps the digest of each result."""
