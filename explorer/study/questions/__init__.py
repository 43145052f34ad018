"""Questions about all setups at once: indices, search, maps, one change, assumptions, numbers that look odd.

One module per question, on top of `everything`. A new question goes here and into `results`.
"""
