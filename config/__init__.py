"""Limit profiles with their sources, example benches and the published schemas, as data."""
