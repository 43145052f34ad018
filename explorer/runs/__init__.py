"""A run's folder: the only writer and the only reader of finished runs, checkpoints, lock, disk.

A run is whole or it is not there: every write goes through `disk`, `run.json` comes last. Names of files and columns
are public. What is written is worked out elsewhere.
"""
