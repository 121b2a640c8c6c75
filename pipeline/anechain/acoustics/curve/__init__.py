"""One curve: levels, frequency bands, smoothing, range, flatness, trends, peaks and dips."""
