"""One chart specification per figure."""
