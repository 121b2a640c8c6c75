"""One complex response: minimum and excess phase, group delay, impulse and step response, decay."""
