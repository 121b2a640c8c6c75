"""methods.lock: notices code that changes under an unchanged method version."""
