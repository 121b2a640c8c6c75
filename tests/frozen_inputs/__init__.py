"""A frozen input for every method, stage and bundled importer; methods.lock keeps the digest of each result."""
