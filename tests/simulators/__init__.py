"""Tests of the simulators."""
