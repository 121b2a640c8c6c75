"""Physics of the five fictional loudspeakers of the demo.

Every pressure is complex with the time factor exp(+jωt). A driver's transfer function `G` (1/m) is normalised so
that a point source in an infinite rigid baffle gives exp(-jkr)/r: multiplied with the driver's half-space pressure
at 1 m it is the pressure at the microphone.
"""
