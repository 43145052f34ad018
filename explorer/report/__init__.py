"""Answers as words, pages, tables and drawings: computes nothing new and writes no file.

Wording stands in `words` and the sections; `figures` is the only one that draws. Columns are public names.
"""
