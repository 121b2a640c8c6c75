"""methods.lock: detects changes of code and results of methods whose version is unchanged."""
