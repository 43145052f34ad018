"""Questions asked of the model: `everything` asks every setup, `questions` and `compare` look at what came back, `pits`
and `plan` answer for the track and under what is not known, `results` holds all answers of a run.

Imports point down in that order. A question is a module of its own with a frozen result; it reads and writes no file.
"""
