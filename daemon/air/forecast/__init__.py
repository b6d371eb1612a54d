"""Where the air is heading: the building's rhythm, a decaying memory of the present, and paths made from past errors.

`quietbench.daemon.air.forecast.make` is the way in. Vapour pressure and temperature are forecast apart and combined:
they have different reasons, and humidity is what comes of both.
"""
