"""One module per way of reading hardware; a driver knows wires and nothing of rules."""
