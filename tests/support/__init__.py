"""Helpers that tests of several areas share."""
