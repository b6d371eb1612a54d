"""Tests of the sinks."""
