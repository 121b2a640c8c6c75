"""One curve: levels, frequency bands, smoothing, frequency limits, flatness, trends, peaks and dips."""
