"""Look into results that exist: verify, explain, remake, bundle, sign."""
