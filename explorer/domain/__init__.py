"""What every part may know: errors, units, the space of setups, what is not known, seeds.

Plain data and arithmetic, no file, no model, no heavy import. Nothing here imports another part.
"""
