"""The rules: samples and ticks in; readings, alarm transitions, bench states and annunciations out.

Pure and deterministic: no clock, no file, no thread. The same core runs live, in tests at any speed and over
recorded history; an import contract keeps it so.
"""
