"""The figures, measured as ratios to bare baselines of the same run; `make bench` runs them, `make test` doesn't."""
