"""Physics and devices that stand where hardware would stand, in a process of their own."""
