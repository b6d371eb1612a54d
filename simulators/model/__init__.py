"""One physical model of people, cords, mats and weather, from one seed, as functions of time.

Everything here is a function of model time in seconds: ``…_at(t)`` for what has a value, ``openings(a, b)`` for
what is either closed or open. The same seed, scenario and forcings give the same answers, asked in any order and
in any steps; nothing reads a clock. Only a comparator has a memory, as a capacitor has; `World` moves it through
every change in order, so its edges do not depend on the steps either.

What is **not** simulated:

* mains hum that bodies pick up, and noise that is not white; supply and earth offsets; transients; tips, ionisers,
  fields, plastics and the voltage on a person; anything inductive;
* paths beside the wired ones: hands on the mat, an earthed chassis on it, touching mats, serial shields, a second
  person at one bench (an opening that such a path would hide is always seen here);
* contact bounce when a stretch closes (only openings come in bursts), thermal voltages, corrosion over months;
* the mat's charging time and its dependence on the test voltage; the surface is one resistance, everywhere alike;
* the converter's settling after a channel change, its sampling capacitor and its missing codes;
* wet and dry skin under one band at once; skin dries with the room's air and moistens under a band, no more;
* rooms: ventilation that reacts to people, doors, gradients, condensation, a transmitter's lag and its drift;
* the line discipline of a real serial bus: collisions, reflections, parity errors, echo.
"""
